"""Axes that fall behind, and presses."""

from __future__ import annotations

from itertools import pairwise

import pytest
from motion_seen import velocities
from rig import (
    Rig,
    axis,
    checked,
    machine,
    move,
    press,
    started,
    wait,
)

from sequencer.ports.readings import AxisReading

BEAM = ["holds", "beam"]


def lagging(behind: str, delays: int, following: float = 0.05) -> Rig:
    on = machine(
        [axis("lift", tolerance={"following": following, "behind": behind}), axis("wrist"), axis("roller", "spin")]
    )
    rig = Rig(checked(on, move("m", {"lift": 1.0, "wrist": 1.0}, together=True)), delays={"lift": delays})
    rig.start()
    return rig


def test_behind_fault_faults_at_once() -> None:
    """R45: the measured lift is more than its tolerance behind."""
    rig = lagging("fault", 5).run(60)
    fault = rig.kinds("fault")[0]
    assert "away from its set-point; allowed are 0.05" in fault.text
    assert fault.tick < 40


def test_behind_wait_slows_the_clock_of_the_whole_group() -> None:
    """R45, R30: both axes advance as far as the following error allows, and arrive together, later."""
    rig = lagging("wait", 4).run(150)
    assert rig.kinds("fault") == []
    assert rig.ends("m")[0][1] == "done"
    assert rig.ends("m")[0][0] > 77
    assert rig.points("lift") == pytest.approx(rig.points("wrist"), abs=1e-9)
    assert max(velocities(rig)) <= 1.0 + 1e-9


def test_the_clock_of_a_stop_never_waits() -> None:
    """R45, R53: a stop is never made by slowing a clock: behind or not, the ramp takes its half second."""
    rig = lagging("wait", 4, following=0.07).run(45)
    speed = velocities(rig)[-1]
    rig.runner.cancel()
    rig.run(40)
    slowing = [b - a for a, b in pairwise(velocities(rig)[46:])]
    assert speed > 0.8
    assert all(step == pytest.approx(-0.04, abs=1e-6) for step in slowing[:18])


def test_a_start_outside_the_region_is_refused_with_how_far_it_is_off() -> None:
    """R51: by how much each axis is off and from what, what would bring it there, and nothing moves."""
    rig = Rig(
        checked(machine(), move("m", {"lift": 1.0}), **{"from": "stow", "region": [[0, -0.01, 0.01], [1, -0.01, 0.01]]})
    )
    rig.positions["wrist"] = 0.05
    rig.start()
    rig.run(2)
    assert rig.refusals() == [
        "wrist is at 0.05 m, 0.04 m outside the start region of 'stow'; jog it there, or run a routine that ends there"
    ]


def test_a_press_orders_effort_and_keeps_it_until_the_run_ends() -> None:
    """R46: effort towards a bound at a limited speed; it ends by its condition, the effort stays, then the
    axis holds.
    """
    rig = started(
        checked(machine(), press("p", 14.0, 0.5, until=BEAM), wait("w", 0.1, "p")),
        beam=lambda tick: tick >= 10,
        stuck=["wrist"],
        ticks=20,
    )
    assert rig.modes("wrist")[:15] == ["effort"] * 15
    order = rig.orders[3].axes["wrist"]
    assert (order.position, order.velocity, order.current) == (0.5, 1.0, 14.0)
    assert rig.ends("p") == [(10, "done")]
    assert rig.outcome() == (15, "done")
    assert rig.modes("wrist")[15:] == ["hold"] * 5
    assert rig.points("wrist")[15] == pytest.approx(rig.positions["wrist"], abs=0.021)


def test_the_direction_of_a_press_follows_from_its_bound() -> None:
    """R46: towards a lower place the current and the speed are negative."""
    rig = started(checked(machine(), press("p", 14.0, -0.5, until=BEAM)), ticks=2)
    order = rig.orders[-1].axes["wrist"]
    assert (order.velocity, order.current) == (-1.0, -14.0)


def test_a_press_times_out() -> None:
    """R46: it ends by its condition or its timeout; following error is not judged."""
    close = {"following": 0.01}
    on = machine([axis("lift"), axis("wrist", tolerance=close), axis("roller", "spin")])
    rig = started(checked(on, press("p", 14.0, 0.5, until=BEAM, timeout=0.2, on_timeout="continue")), ticks=14)
    assert rig.kinds("fault") == []
    assert rig.ends("p") == [(10, "timeout")]


def test_a_move_after_a_press_starts_from_the_measured_position() -> None:
    """R46, R29: after contact the set-point is re-based."""
    rig = Rig(checked(machine(), press("p", 14.0, 0.5, until=BEAM), move("m", {"wrist": -0.5}, "p")))
    rig.sensors["beam"] = lambda tick: tick >= 5
    rig.readings["wrist"] = lambda tick: (
        AxisReading(0.03, 0.0) if tick < 6 else AxisReading(rig.points("wrist")[-1], 0.0)
    )
    rig.start()
    rig.run(90)
    assert rig.points("wrist")[5] == 0.03
    assert rig.outcome()[1] == "done"


def test_a_press_on_a_moving_axis_begins_when_it_stands() -> None:
    """R46, R53: the interrupted move brakes along its stopping profile; effort is ordered from its end on."""
    rig = started(
        checked(
            machine(),
            move("m", {"wrist": 2.0}, until=BEAM),
            press("p", 14.0, 2.5, "m", until=[">", "wrist", 2.3]),
        ),
        beam=lambda tick: tick >= 40,
        ticks=75,
    )
    assert rig.starts("p") == [40]
    assert velocities(rig, "wrist")[40:65] == pytest.approx([1.0 - 0.04 * n for n in range(25)], abs=1e-9)
    assert rig.modes("wrist").index("effort") == 66


@pytest.mark.parametrize("stop", ["cancel", "abort"])
def test_a_stopped_press_drops_its_effort(stop: str) -> None:
    """R46, R33: the stop takes the effort away in that tick."""
    rig = started(checked(machine(), press("p", 14.0, 0.5, until=BEAM)), ticks=5, stuck=["wrist"])
    getattr(rig.runner, stop)()
    rig.run(1)
    assert rig.modes("wrist")[-1] == ("hold" if stop == "cancel" else "off")
    assert rig.orders[-1].axes["wrist"].current == 0.0
    assert rig.outcome() == (5, "cancelled")
