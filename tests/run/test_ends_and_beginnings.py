"""Beginnings at once, blocks that lose, requests that wait, presses that are resumed, loops that end.
SEMANTICS R5, R12, R20, R24, R27, R32, R33, R35, R37, R38, R40, R44, R46, R47, R51.
"""

from __future__ import annotations

from typing import Any

import pytest
from rig import (
    JERKY,
    Rig,
    axis,
    checked,
    keep_out,
    machine,
    move,
    press,
    pulse,
    put,
    repeat,
    sensor,
    started,
    step,
    wait,
)

from profiles import Limits
from sequencer.ports.readings import AxisReading
from sequencer.run.motion import _faster
from sequencer.run.terms import Scope, build

BEAM, CLEAR, GUARD = ["holds", "beam"], ["holds", "clear"], ["holds", "guard"]
P = 20_000_000
NOUGHT = ("coulomb", "viscous", "loss", "constant", "cosine", "angle")


def way_out(on: Any, *steps: Any) -> Any:
    return dict(checked(on, *(steps or (wait("out", 0.1),))).routine)


# Beginnings and ends of steps.


def test_a_step_at_the_very_beginning_starts_in_the_tick_of_the_request() -> None:
    """R5: at no time after it."""
    rig = started(checked(machine(), pulse("p", {"lamp": True}, 0.1, at=0.0), wait("A", 0.5, at=0.02)), ticks=5)
    assert (rig.starts("p"), rig.starts("A")) == ([0], [1])


def test_what_is_active_inside_a_block_that_loses_is_interrupted_with_it() -> None:
    """R12: newest first, and its pulse is at rest in that tick."""
    inside = [pulse("p", {"lamp": True}, 5.0), wait("q", 5.0, at=0.02)]
    steps = [wait("A", 0.1), repeat("loop", inside, 2), wait("C", 0.1, {"any": ["A", "loop"]})]
    rig = started(checked(machine(), *steps), ticks=20)
    assert [event.step for event in rig.kinds("end")] == ["A", "q", "p", "loop", "C"]
    assert rig.output("lamp") == [True] * 5 + [False] * 15
    assert rig.outcome() == (10, "done")


def test_an_attempt_is_told_with_its_number() -> None:
    """R24, R40."""
    rig = started(checked(machine(), wait("A", until=BEAM, timeout=0.1, retry=2)), ticks=30)
    assert [(event.tick, event.text) for event in rig.kinds("retry")] == [(5, "attempt 2 of 3"), (10, "attempt 3 of 3")]


def test_a_condition_of_conditions_is_told_with_its_brackets() -> None:
    """R40."""
    term = ["or", ["and", BEAM, CLEAR], ["not", ["or", GUARD, [">", "pressure", 2.0]]]]
    rig = started(checked(machine(), wait("A", until=term)), ticks=2)
    words = "(beam and clear) or not (guard or pressure > 2)"
    assert rig.runner.status().runs[-1].steps[0].waits_for == words


@pytest.mark.parametrize(
    ("operator", "low", "high", "opens"),
    [
        (">", 0.5, 0.9, False),
        (">=", 0.5, 0.9, True),
        (">", 0.50001, 0.9, True),
        (">=", 0.49999, 0.9, False),
        ("<", 0.1, 0.5, False),
        ("<=", 0.1, 0.5, True),
        ("<", 0.1, 0.49999, True),
        ("<=", 0.1, 0.50001, False),
    ],
)
def test_a_gate_asks_for_all_that_an_axis_occupies(operator: str, low: float, high: float, opens: bool) -> None:
    """R32: measured on the right side, and occupying up to the limit."""

    class Occupies:
        def occupied(self) -> tuple[float, float]:
            return low, high

    measured = 0.7 if operator[0] == ">" else 0.3
    scope = Scope({"lift": measured}, occupants={"lift": Occupies()})
    assert build([operator, "lift", 0.5], scope, gate=True)() is opens


# Spins and presses.


@pytest.mark.parametrize("stop", ["off", "ramp_then_off"])
def test_a_spin_whose_pulse_was_cancelled_rests_and_may_be_driven_again(stop: str) -> None:
    """R27, R33: and rests after that as well."""
    on = machine([axis("lift"), axis("wrist"), axis("roller", "spin", stop=stop)])
    rig = started(checked(on, pulse("p", {"roller": 5.0}, 0.2)), ticks=5)
    rig.runner.cancel()
    rig.run(5)
    rig.start()
    rig.run(20)
    assert rig.volts() == [5.0] * 5 + [0.0] * 5 + [5.0] * 10 + [0.0] * 10
    rig.runner.abort()
    rig.run(5)
    assert rig.modes("roller")[30:] == ["off"] * 5
    rig.runner.reset()
    rig.run(1)
    rig.start()
    rig.run(14)
    assert rig.volts()[36:] == [5.0] * 10 + [0.0] * 4
    assert rig.modes("roller")[35:] == ["effort"] * 15


def test_a_press_that_may_not_push_on_after_a_hold_waits_until_it_may() -> None:
    """R35, R46, R54: the keep-out that has come into its way is named, and gone in tick 40."""
    on = machine(keep_outs=[keep_out("post", [1, 0.5, 2.0], [0, -1.0, 1.0], when=CLEAR)])
    steps = [press("p", 5.0, 1.4, until=BEAM, timeout=9.0)]
    rig = started(checked(on, *steps), clear=lambda tick: 12 <= tick < 40)
    rig.stuck.add("wrist")
    rig.run(10)
    rig.runner.hold()
    rig.run(10)
    rig.runner.resume()
    rig.run(30)
    assert rig.refusals() == []
    assert [(event.tick, event.text) for event in rig.kinds("hold", "p")] == [(20, "wrist is held by post")]
    assert rig.modes("wrist") == ["effort"] * 10 + ["hold"] * 30 + ["effort"] * 10


def test_a_watched_axis_that_presses_is_watched_no_more() -> None:
    """R33: after a cancel; it lets go and is pushed away, which is no matter then."""
    rig = Rig(
        checked(machine(), move("m", {"wrist": 1.0})),
        checked(machine(), press("p", 5.0, 1.4, until=BEAM), name="b"),
        beam=lambda tick: tick >= 80,
    )
    rig.start()
    rig.run(20)
    rig.runner.cancel()
    rig.run(40)
    rig.stuck.add("wrist")
    rig.start("b")
    rig.run(30)
    assert rig.outcome("b")[1] == "done"
    for _ in range(5):
        rig.positions["wrist"] -= 0.02
        rig.run(1)
    assert rig.kinds("fault") == []
    assert rig.modes("wrist")[-1] == "hold"


@pytest.mark.parametrize(("by", "resumed"), [(2.0**-7, True), (2.0**-7 + 2.0**-40, False)])
@pytest.mark.parametrize("sense", [1.0, -1.0])
def test_a_held_axis_may_be_moved_by_its_tolerance(by: float, resumed: bool, sense: float) -> None:
    """R35: to the last bit."""
    on = machine([axis("lift", tolerance={"position": 2.0**-7}), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 0.5}), move("n", {"lift": 2.0}, "m", once=BEAM)), ticks=60)
    rig.runner.hold()
    rig.run(2)
    rig.readings["lift"] = AxisReading(0.5 + sense * by, 0.0, 0.0)
    rig.runner.resume()
    rig.run(1)
    assert bool(rig.refusals()) is not resumed


# Requests.


def test_what_waits_for_a_fault_to_be_reset_says_which() -> None:
    """R44: zeroing and jogging like everything else."""
    zero = {"speed": -0.25, "until": BEAM, "then": 0.0, "once": None}
    rig = Rig(checked(machine([axis("lift", zero=zero), *machine()["axes"][1:]]), wait("A", 1.0))).run(2)
    rig.runner.abort()
    rig.run(2)
    rig.runner.zero("lift")
    rig.runner.jog("wrist", 0.1)
    rig.start()
    rig.run(1)
    assert rig.refusals() == ["reset first; the last fault: aborted by request"] * 3


def test_what_a_way_out_will_drive_is_in_use_before_it_begins() -> None:
    """R47, R44: in the tick in which it is due; what drives something else is taken."""
    on = machine()
    out = way_out(on, pulse("o", {"lamp": True}, 0.2), move("back", {"lift": 0.0}))
    rig = Rig(
        checked(on, wait("A", 9.0), name="a", on_cancel=out),
        checked(on, pulse("p", {"lamp": True}, 0.2), name="lamp"),
        checked(on, move("m", {"lift": 0.1}), name="lift"),
        checked(on, move("n", {"wrist": 0.1}), name="wrist"),
        checked(on, pulse("q", {"horn": 1.0}, 0.2), name="horn"),
    )
    rig.start("a")
    rig.run(5)
    rig.runner.cancel()
    rig.run(1)
    told = {one.request: one.why_not for one in rig.runner.allowed()}
    assert told["lamp"] == "output lamp is in use by a.on_cancel"
    assert told["lift"] == "lift is in use by a.on_cancel"
    assert (told["wrist"], told["horn"], told["jog wrist"]) == ("", "", "")
    assert told["jog lift"] == "lift is in use by a.on_cancel"


def test_a_hold_in_the_tick_of_a_way_out_refuses_that_by_its_name() -> None:
    """R35, R47: what has not begun cannot be held."""
    on = machine()
    rig = started(checked(on, wait("A", 9.0), on_cancel=way_out(on)), ticks=5)
    rig.runner.cancel()
    rig.run(1)
    rig.runner.hold()
    rig.run(1)
    (refused,) = rig.kinds("refused")
    assert (refused.run, refused.text) == ("r.on_cancel", "a hold was asked for in the same tick")


def test_a_preempting_start_leaves_alone_what_it_does_not_take() -> None:
    """R44: its region names an axis that it does not move, and that another run does."""
    on = machine()
    rig = Rig(
        checked(on, move("m", {"lift": 1.0}), name="a"),
        checked(on, move("n", {"wrist": 0.5}), name="b", **{"from": "low", "region": [[0, -0.1, 0.4]]}),
    )
    rig.start("a")
    rig.run(20)
    rig.start("b", preempt=True)
    rig.run(70)
    assert rig.starts("n") == [20]
    assert rig.outcome("a")[1] == "done"


def test_a_restart_that_was_overtaken_by_a_start_is_refused() -> None:
    """R37: it has been started anew; once is enough."""
    rig = started(checked(machine(), move("m", {"lift": 2.0})), ticks=40)
    rig.start(restart=True)
    while not rig.outcomes():
        rig.run(1)
    rig.start()
    rig.run(3)
    assert rig.refusals() == ["r is already running"]
    assert len(rig.starts("m")) == 2


def test_the_larger_of_two_limits_in_each_direction_are_kept_to() -> None:
    """R53: with the velocities of the first; no jerk limit where one of them has none."""
    one, other = Limits((-1.0, 2.0), (-3.0, 2.0), 10.0), Limits((-4.0, 5.0), (-2.0, 4.0), 12.0)
    assert _faster(one, other) == Limits((-1.0, 2.0), (-3.0, 4.0), 12.0)
    assert _faster(other, one) == Limits((-4.0, 5.0), (-3.0, 4.0), 12.0)
    assert _faster(one, Limits((-1.0, 2.0), (-1.0, 1.0))) == Limits((-1.0, 2.0), (-3.0, 2.0), None)


def test_a_motion_by_what_motors_can_do_follows_their_envelope() -> None:
    """R25: 20 N on 10 kg, less with speed; the axis' limits leave it more."""
    envelope = {"inertia": 10.0, "stall_force": 20.0, "drag": 10.0, "most_force": 20.0, **dict.fromkeys(NOUGHT, 0.0)}
    moved = move("m", {"lift": 1.0}, profile="motor", limits=JERKY, envelopes={"0": envelope})
    rig = started(checked(machine(), moved), ticks=150)
    speeds = [one.axes["lift"].velocity for one in rig.orders]
    assert speeds[1] == pytest.approx(0.04, abs=0.001)
    assert speeds[20] == pytest.approx(0.659, abs=0.01)
    assert max(speeds) <= 1.0
    assert rig.points()[-1] == 1.0
    assert rig.outcome()[1] == "done"


def test_outputs_that_are_set_again_by_another_step_stay_with_the_last() -> None:
    """R26, R28: a set writes once, at its entry."""
    steps = [put("a", {"third": 1.0}), wait("w", 0.1, "a"), put("b", {"third": 2.0}, "w"), wait("v", 0.1, "b")]
    rig = started(checked(machine(), *steps), ticks=20)
    assert rig.output("third") == [1.0] * 6 + [2.0] * 6 + [0.0] * 8


def test_a_driven_spin_keeps_its_speed_while_nothing_else_is_said() -> None:
    """R26: the order of each tick."""
    rig = started(checked(machine(), step("p", "pulse", drives=[["axis", 2, "speed", 0.75]], duration=0.2)), ticks=15)
    told = [(one.axes["roller"].mode, one.axes["roller"].velocity) for one in rig.orders]
    assert told == [("track", 0.75)] * 10 + [("effort", 0.0)] * 5


@pytest.mark.parametrize(("lag", "begins"), [(0.3, 90), (0.309, 90), (0.3099, 90), (0.3101, 91), (0.311, 91)])
def test_a_lag_beyond_the_end_of_a_move_ends_in_the_nearest_tick(lag: float, begins: int) -> None:
    """M2: the place is passed after 1.5 s, when the move ends."""
    steps = [move("m", {"lift": 1.0}), pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 1.0, "lag": lag})]
    rig = started(checked(machine(), *steps), ticks=100)
    assert rig.starts("p") == [begins]


def test_a_gate_asks_for_the_whole_way_of_an_axis_that_presses() -> None:
    """R32, R46: it may jump there as soon as what it pushes gives way."""
    steps = [
        press("p", 5.0, 1.4, until=BEAM),
        pulse("q", {"lamp": True}, 0.1, once=["<", "wrist", 1.0], timeout=9.0),
    ]
    rig = started(checked(machine(), *steps), ticks=1)
    assert rig.starts("q") == [0]
    rig.stuck.add("wrist")
    rig.run(10)
    assert True not in rig.output("lamp")[1:]
    rig = started(checked(machine(), *steps[:1], {**steps[1], "once": ["<", "wrist", 1.5]}), ticks=5)
    assert True in rig.output("lamp")


def test_while_a_restart_waits_other_axes_may_be_jogged_and_all_is_told() -> None:
    """R37, R44."""
    rig = started(checked(machine(), move("m", {"lift": 2.0})), ticks=40)
    rig.start(restart=True)
    rig.run(3)
    told = {one.request: one.why_not for one in rig.runner.allowed()}
    assert told["r"] == "lift is stopping"
    assert (told["jog lift"], told["jog wrist"]) == ("lift is stopping", "")
    rig.runner.jog("wrist", 0.1)
    rig.run(2)
    assert rig.starts("jog") == [43]


def test_a_milestone_is_passed_once_though_its_step_tries_again() -> None:
    """M1, R24: the move goes on meanwhile."""
    steps = [
        move("m", {"lift": 2.0}),
        wait("p", until=BEAM, passing={"step": "m", "at": 0.3}, timeout=0.1, retry=2, on_timeout="continue"),
    ]
    rig = started(checked(machine(), *steps), ticks=150)
    assert [event.step for event in rig.kinds("milestone")] == ["p"]
    assert [outcome for _, outcome in rig.ends("p")] == ["timeout"] * 3


def test_a_sensor_is_told_in_its_own_unit() -> None:
    """R40: metres, whatever is compared."""
    on = machine(more_sensors=[sensor("gauge", "number", dimension=[1, 0, 0, 0, 0])])
    rig = started(checked(on, wait("A", until=[">", "gauge", 0.25])), gauge=0.5, ticks=3)
    assert [event.text for event in rig.kinds("end")] == ["done: gauge > 0.25 m (gauge 0.5 m)"]


def test_a_stall_of_an_axis_that_still_creeps_says_no_more_than_that() -> None:
    """R45: what stands to the last bit may be a frozen reading; this does not."""
    tolerance = {"following": 0.05, "behind": "wait", "settle": 60_000_000}
    on = machine([axis("lift", tolerance=tolerance), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 2.0})), ticks=20)
    stood = rig.positions["lift"]
    rig.readings["lift"] = lambda tick: AxisReading(stood + 1e-6 * tick, 0.0, 0.0)
    rig.run(20)
    text = rig.kinds("fault")[0].text
    assert text.startswith("lift is stalled: ")
    assert text.endswith("behind and no nearer for 0.06 s; allowed are 0.05 m")


def test_a_step_that_is_blind_stays_so_for_as_long_after_a_hold() -> None:
    """R15, R35: for 0.2 s, of which half have gone before the hold of ticks 5 to 24."""
    rig = started(checked(machine(), wait("A", until=["not", BEAM], blind=0.2)), ticks=5)
    rig.runner.hold()
    rig.run(20)
    rig.runner.resume()
    rig.run(15)
    assert rig.ends("A") == [(30, "done")]


def test_what_is_false_is_told_before_what_is_unknown_and_what_is_true_last() -> None:
    """R40."""
    term = ["and", GUARD, CLEAR, BEAM]
    rig = started(checked(machine(), wait("A", until=term)), clear=None, ticks=2)
    told = [(one.text, one.truth) for one in rig.runner.status().runs[-1].steps[0].terms]
    assert told == [("beam", False), ("clear", None), ("guard", True)]


def test_an_axis_that_may_be_anywhere_is_not_jogged_where_a_keep_out_may_be_met() -> None:
    """R42: from rest; it is held by name, and goes as soon as the other axis is out of the way."""
    on = machine(keep_outs=[keep_out("post", [0, -0.2, 0.1], [1, 0.8, 1.8])])
    rig = Rig(checked(on, wait("A", 9.0)))
    rig.positions["wrist"] = 1.0
    rig.readings["lift"] = lambda tick: AxisReading(rig.positions["lift"], 0.0, 0.0, zeroed=False)
    rig.run(3)
    for _ in range(10):
        rig.runner.jog("lift", 0.1)
        rig.run(1)
    assert rig.positions["lift"] == 0.0
    assert rig.headline() == "lift held by post"
