"""When nothing can happen any more, and when something still can. SEMANTICS R40."""

from __future__ import annotations

from typing import Any

import pytest
from rig import Rig, axis, checked, choose, keep_out, machine, move, perform, press, pulse, repeat, started, wait

from sequencer.ports.readings import AxisReading

BEAM = ["holds", "beam"]
FAR: Any = [">", "lift", 0.5]


def stuck(rig: Rig) -> list[str]:
    return [event.text for event in rig.kinds("stuck")]


def test_a_run_with_a_step_still_to_come_at_its_time_is_not_lost() -> None:
    """R40: it may move what the other waits for; said once that step is over."""
    rig = started(checked(machine(), wait("w", until=FAR), pulse("p", {"lamp": True}, 0.1, at=1.0)), ticks=49)
    assert stuck(rig) == []
    rig.run(12)
    assert stuck(rig) == ["nothing can happen any more: w waits for lift > 0.5 m (lift 0 m)"]


def test_a_run_beside_one_that_runs_is_not_lost_until_it_is_alone() -> None:
    """R40: the other may move the axis."""
    rig = Rig(checked(machine(), wait("w", until=FAR)), checked(machine(), wait("v", 0.4), name="s"))
    rig.start()
    rig.start("s")
    rig.run(20)
    assert stuck(rig) == []
    rig.run(2)
    assert rig.outcomes("s") == [(20, "done")]
    assert [event.tick for event in rig.kinds("stuck")] == [21]
    assert stuck(rig) == ["nothing can happen any more: w waits for lift > 0.5 m (lift 0 m)"]


def test_a_press_may_still_move_what_another_step_waits_for() -> None:
    """R40, R46: an axis that pushes does not stand."""
    rig = started(checked(machine(), wait("w", until=FAR), press("p", 5.0, 1.0, axis="lift", timeout=None, until=BEAM)))
    rig.stuck.add("lift")
    rig.run(40)
    assert stuck(rig) == []


@pytest.mark.parametrize(("speed", "lost"), [(4.9, True), (-4.9, True), (5.1, False), (-5.1, False), (None, False)])
def test_an_axis_that_still_moves_may_get_there(speed: float | None, lost: bool) -> None:
    """R40: it stands within its speed tolerance, 5 m/s on this rig."""
    rig = Rig(checked(machine(), wait("w", until=FAR)))
    rig.readings["lift"] = None if speed is None else AxisReading(0.0, speed, 0.0)
    rig.start()
    rig.run(10)
    assert bool(stuck(rig)) is lost


def test_set_points_in_flight_may_still_move_an_axis() -> None:
    """R40: with a latency of 80 ms it is said when the last of them has arrived."""
    on = machine([axis("lift", latency=[0, 80_000_000]), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 0.2}), wait("w", until=FAR, after="m")), ticks=60)
    (event,) = rig.kinds("stuck")
    stood = rig.points().index(0.2)
    assert rig.starts("w")[0] < event.tick
    assert stood + 4 <= event.tick <= stood + 5


def test_a_choice_that_waits_in_vain_names_each_of_its_guards() -> None:
    """R40, R11: one that is true or of a sensor may still come."""
    vain = [(FAR, [wait("x", 0.1)]), (["<", "lift", -0.5], [wait("y", 0.1)])]
    rig = started(checked(machine(), choose("c", vain)), ticks=10)
    assert stuck(rig) == [
        "nothing can happen any more: c waits for lift > 0.5 m (lift 0 m) or lift < -0.5 m (lift 0 m)"
    ]
    rig = started(checked(machine(), choose("c", [vain[0], (BEAM, [wait("y", 0.1)])])), ticks=10)
    assert stuck(rig) == []


@pytest.mark.parametrize("block", ["repeat", "perform", "choose"])
def test_a_block_waits_for_what_is_inside_and_is_not_asked_itself(block: str) -> None:
    """R40."""
    inside = [wait("w", until=FAR)]
    made = {
        "repeat": repeat("b", inside, 2),
        "perform": perform("b", inside),
        "choose": choose("b", [(["holds", "guard"], inside)]),
    }[block]
    rig = started(checked(machine(), made), ticks=10)
    assert stuck(rig) == ["nothing can happen any more: w waits for lift > 0.5 m (lift 0 m)"]


@pytest.mark.parametrize(("changes", "lost"), [({}, True), ({"on_timeout": "continue"}, False), ({"retry": 1}, False)])
@pytest.mark.parametrize("block", [True, False])
def test_a_timeout_saves_a_run_only_if_it_goes_on_or_tries_again(changes: Any, lost: bool, block: bool) -> None:
    """R40, R24: one that ends the run is no reason to wait for it."""
    inside = wait("w", until=FAR, **({} if block else {"timeout": 9.0, **changes}))
    made = perform("b", [inside], timeout=9.0, **changes) if block else inside
    assert bool(stuck(started(checked(machine(), made), ticks=10))) is lost


def test_a_gate_that_will_not_open_is_named_and_one_of_a_sensor_is_not() -> None:
    """R40, R32."""
    rig = started(checked(machine(), move("m", {"wrist": 0.5}, once=FAR, timeout=None)), ticks=10)
    assert stuck(rig) == ["nothing can happen any more: m waits for lift > 0.5 m (lift 0 m)"]
    assert not stuck(started(checked(machine(), move("m", {"wrist": 0.5}, once=BEAM, timeout=None)), ticks=10))


def test_a_wait_for_a_step_that_is_over_is_in_vain_and_for_one_that_is_active_is_not() -> None:
    """R40, R21: the elapsed time of a step that has ended stands still."""
    steps = [wait("a", 0.1), wait("w", until=[">", "a.elapsed", 1.0])]
    rig = started(checked(machine(), *steps), ticks=20)
    assert stuck(rig) == ["nothing can happen any more: w waits for a.elapsed > 1 s (a.elapsed 0.1 s)"]
    steps = [wait("a", until=FAR, timeout=9.0, on_timeout="continue"), wait("w", until=[">", "a.elapsed", 1.0])]
    assert not stuck(started(checked(machine(), *steps), ticks=20))


def test_each_step_that_waits_in_vain_is_named_and_one_that_does_not_saves_the_run() -> None:
    """R40."""
    low: Any = ["<", "wrist", -0.5]
    rig = started(checked(machine(), wait("w", until=FAR), wait("v", until=low)), ticks=10)
    assert stuck(rig) == [
        "nothing can happen any more: w waits for lift > 0.5 m (lift 0 m); v waits for wrist < -0.5 m (wrist 0 m)"
    ]
    assert not stuck(started(checked(machine(), wait("w", until=FAR), wait("v", until=BEAM)), ticks=10))


@pytest.mark.parametrize("when", [None, ["holds", "guard"]])
@pytest.mark.parametrize("timeout", [None, 30.0])
def test_an_axis_held_by_another_that_is_parked_in_its_way_waits_in_vain(when: Any, timeout: float | None) -> None:
    """R54, R40: unless a sensor may take the keep-out away."""
    box = keep_out("post", [0, 0.5, 0.7], [1, 0.5, 3.0], when=when)
    rig = Rig(checked(machine(keep_outs=[box]), move("m", {"lift": 1.5}, timeout=timeout)))
    rig.positions["wrist"] = 1.0
    rig.start()
    rig.run(80)
    assert rig.runner.status().held == (("lift", "post"),)
    assert stuck(rig) == (["nothing can happen any more: m waits for lift, held by post"] if when is None else [])
    assert rig.runner.status().stuck == (("lift",) if when is None else ())


def test_a_run_is_told_lost_once_and_asked_again_in_each_new_situation() -> None:
    """R40: after a hold and a resume nothing has changed; after the end another run is asked for itself."""
    rig = started(checked(machine(), wait("w", until=FAR)), ticks=10)
    rig.runner.hold()
    rig.run(5)
    rig.runner.resume()
    rig.run(5)
    assert len(stuck(rig)) == 1
    rig.runner.cancel()
    rig.run(2)
    rig.start()
    rig.run(5)
    assert len(stuck(rig)) == 2
