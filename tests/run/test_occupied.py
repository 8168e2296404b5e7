"""What an axis occupies, standing, moving, pushing, lost; what it orders; how far out of a box is out.
SEMANTICS R32, R42, R46, R53, R54.
"""

from __future__ import annotations

from typing import Any

import pytest
from rig import JERKY, LIMITS, Rig, axis, checked, flick, keep_out, machine, move, press, started

from profiles import Limits, State, stop_travel, trapezoid
from sequencer.ports.orders import AxisOrder
from sequencer.run.definition import AxisDefinition
from sequencer.run.motion import RAMP_DEADLINE, Motion
from sequencer.run.supervisor import Box, deepens

BEAM = ["holds", "beam"]
P = 20_000_000


def motion(**changes: Any) -> Motion:
    """An axis that is known to stand at 0.5 since long."""
    made = Motion(AxisDefinition(0, axis("lift", **changes), P, 5 * P))
    made.mode = "hold"
    made.rebase(0.5, 0)
    return made


def moving(made: Motion, goal: float = 2.0, limits: Any = LIMITS, ticks: int = 20) -> Motion:
    """The same, so many ticks into a move."""
    plain = Limits((limits[0][0], limits[0][1]), (limits[1][0], limits[1][1]), None)
    made.adopt(lambda states: [], goal, plain, trapezoid(State(0.5), State(goal), plain))
    for tick in range(1, ticks + 1):
        made.gain = P
        made.next_clock = made.clock + P
        made.prepare()
        made.commit(tick * P, P)
        made.forget(tick * P)
    return made


def test_a_standing_axis_occupies_its_place_alone() -> None:
    """R32: nothing is in flight and there is no way to stop."""
    made = motion()
    assert (made.occupied_low, made.occupied_high) == (0.5, 0.5)
    made.prepare()
    assert (made.low, made.high) == (0.5, 0.5)
    assert made.occupied() == made.reach_if_braking() == made.reach_if_braking_now() == (0.5, 0.5)


@pytest.mark.parametrize("goal", [2.0, -1.5])
def test_a_moving_axis_occupies_its_way_to_stop(goal: float) -> None:
    """R32, R53: 0.8 m/s after 20 ticks: 0.16 m, on the side it goes to; in the tick itself from the
    set-point before.
    """
    made = moving(motion(), goal)
    sense = 1.0 if goal > 0.5 else -1.0
    assert made.velocity == pytest.approx(0.8 * sense)
    before, far = 0.5 + sense * 0.38**2, made.position + sense * 0.16
    assert (made.occupied_low, made.occupied_high) == pytest.approx(tuple(sorted((before, far))))
    assert made.occupied() == pytest.approx(tuple(sorted((made.position, far))))


@pytest.mark.parametrize("goal", [2.0, -1.5])
def test_with_a_latency_it_occupies_what_is_in_flight_as_well(goal: float) -> None:
    """R32: 60 ms: where it was three ticks before the set-point before; forgotten one by one once it stands."""
    made = moving(motion(latency=[0, 60_000_000]), goal)
    sense = 1.0 if goal > 0.5 else -1.0
    back = 0.5 + sense * (16 * 0.02) ** 2
    edge = made.occupied_low if sense > 0 else made.occupied_high
    assert edge == pytest.approx(back)
    made.profile = None
    made.velocity = made.acceleration = 0.0
    widths = []
    for tick in range(21, 26):
        made.forget(tick * P)
        widths.append(made.occupied_high - made.occupied_low)
    assert widths[0] > widths[1] > widths[2] == widths[3] == 0.0
    assert len(made.history) == 1


def test_an_axis_that_pushes_occupies_the_way_to_its_bound() -> None:
    """R46: on either side, until it no longer pushes."""
    for bound in (0.9, 0.1):
        made = motion()
        made.mode, made.bound = "effort", bound
        made.rebase(0.6, P)
        made.forget(2 * P)
        assert (made.occupied_low, made.occupied_high) == (min(0.6, bound), max(0.6, bound))
        made.mode = "hold"
        made.occupy_what_is_known()
        assert (made.occupied_low, made.occupied_high) == (0.6, 0.6)


def test_an_axis_that_may_be_anywhere_occupies_its_travel() -> None:
    """R42: standing, moving or braking."""
    made = moving(motion())
    made.occupy_everything()
    assert made.occupied() == made.reach_if_braking() == (-3.0, 3.0)
    made.prepare()
    assert (made.low, made.high) == (-3.0, 3.0)
    assert not Motion(AxisDefinition(0, axis("lift"), P, 5 * P)).known


def test_a_set_point_that_is_not_finite_is_never_ordered() -> None:
    """R3: position or speed."""
    for bad in (State(float("nan"), 0.0, 0.0), State(0.5, float("inf"), 0.0)):
        made = motion()
        made.adopt(lambda states: [], 2.0, Limits(1.0, 2.0), trapezoid(State(0.5), State(2.0), Limits(1.0, 2.0)))
        made.profile = type("Profile", (), {"goal": bad, "at": lambda self, time, bad=bad: bad, "duration": 1.0})()
        with pytest.raises(ArithmeticError, match="the set-point of lift is not finite"):
            made.prepare()


def test_a_profile_ends_at_its_goal_exactly_and_the_axis_holds_there() -> None:
    """R31: with no speed and no acceleration left."""
    made = moving(motion(), 0.6, ticks=40)
    assert made.profile is None
    assert (made.position, made.velocity, made.acceleration) == (0.6, 0.0, 0.0)
    assert made.write() == AxisOrder("hold", 0.6)
    assert made.ended()
    assert made.advanced() == made.state() == State(0.6, 0.0, 0.0)


def test_a_stop_falls_back_to_off_half_a_second_after_its_planned_end() -> None:
    """R33."""
    made = moving(motion())
    made.begin_stop("ramp_then_off", 20 * P)
    assert made.profile is not None
    assert made.deadline == 20 * P + made.end_clock + RAMP_DEADLINE
    assert made.end_clock == pytest.approx(0.4e9, abs=2_000)
    assert RAMP_DEADLINE == 500_000_000


def test_a_stop_of_what_stands_is_over_at_once() -> None:
    """R33: off, or held and watched."""
    made = motion()
    made.begin_stop("ramp_then_off", P)
    assert (made.mode, made.latched, made.watched) == ("off", True, False)
    made = motion()
    made.mode = "track"
    made.begin_stop("ramp_then_hold", P)
    assert (made.mode, made.latched, made.watched) == ("hold", False, True)


@pytest.mark.parametrize(
    ("first", "then", "kept"),
    [
        ("ramp_then_hold", "ramp_then_off", "ramp_then_off"),
        ("ramp_then_off", "ramp_then_hold", "ramp_then_off"),
        ("ramp_then_hold", "off", "off"),
        ("off", "ramp_then_off", "off"),
        ("ramp_then_off", "ramp_then_off", "ramp_then_off"),
    ],
)
def test_a_stop_under_way_is_only_ever_made_stricter(first: str, then: str, kept: str) -> None:
    """R33: 2, 1, 0; the ramp that is under way goes on and is not begun anew."""
    made = moving(motion())
    made.begin_stop(first, 20 * P)
    ramp, deadline = made.profile, 20 * P + made.end_clock + RAMP_DEADLINE
    made.begin_stop(then, 21 * P)
    assert made.stop_kind == kept
    if "off" not in (first, then):
        assert made.profile is ramp
    if then == first:
        assert made.deadline == deadline
    assert made.mode == ("off" if "off" in (first, then) else "track")


def test_switching_off_leaves_no_goal_and_no_speed() -> None:
    """R33."""
    made = moving(motion())
    made.held, made.group = "box", [made]
    made.switch_off()
    assert (made.profile, made.aim, made.group, made.held) == (None, None, None, None)
    assert (made.velocity, made.acceleration) == (0.0, 0.0)
    assert made.write() == AxisOrder("off")
    made.drop()
    assert (made.latched, made.stop_kind, made.run, made.activation) == (False, None, None, None)


def test_a_jerk_limited_stop_is_taken_only_from_rest_or_by_what_already_had_one() -> None:
    """R53: an axis that moves without a jerk limit keeps to that until it stands."""
    jerky, plain = Limits(1.0, 2.0, 20.0), Limits(1.0, 2.0)
    made = motion(limits=JERKY)
    profile = trapezoid(State(0.5), State(2.0), plain)
    made.adopt(lambda states: [], 2.0, plain, profile)
    assert made.stop_limits.jerk is None
    made.velocity = 0.3
    made.adopt(lambda states: [], 2.0, jerky, profile)
    assert made.stop_limits.jerk is None
    made.velocity, made.acceleration = 0.0, 0.5
    made.adopt(lambda states: [], 2.0, jerky, profile)
    assert made.stop_limits.jerk is None
    made.acceleration = 0.0
    made.adopt(lambda states: [], 2.0, jerky, profile)
    assert made.stop_limits.jerk == 20.0
    made.velocity = 0.3
    made.adopt(lambda states: [], 2.0, jerky, profile)
    assert made.stop_limits.jerk == 20.0


def test_a_new_zero_shifts_all_that_is_known_and_forgets_what_was_in_flight() -> None:
    """R42: orders go on in the reading's own coordinates."""
    made = moving(motion(latency=[0, 60_000_000]))
    before, speed = made.position, made.velocity
    made.rezero(-0.25)
    assert made.position == pytest.approx(before - 0.25)
    assert not made.history
    assert made.profile is not None
    assert made.profile.goal[0] == pytest.approx(before - 0.25 + stop_travel(speed, 2.0, made.stop_limits)[1], abs=0.02)
    made.gain = made.next_clock = 0
    made.prepare()
    made.commit(21 * P, P)
    assert made.write().position == pytest.approx(before)


# Boxes.


@pytest.mark.parametrize(
    ("before", "after", "deeper"),
    [
        ((0.1, 0.3), (0.1, 0.35), True),  # up from the lower face: farther in
        ((0.1, 0.3), (0.1, 0.3), False),
        ((0.1, 0.3), (0.05, 0.25), False),  # back out below
        ((0.8, 0.95), (0.8, 0.99), False),  # up, out by the upper face
        ((0.8, 0.95), (0.75, 0.95), True),
        ((0.8, 0.95), (0.85, 0.95), False),
        ((0.3, 0.6), (0.2, 0.6), False),  # the lower face is the nearer one
        ((0.3, 0.6), (0.3, 0.7), True),
    ],
)
def test_deeper_into_a_box_is_farther_from_its_nearer_face(
    before: tuple[float, float], after: tuple[float, float], deeper: bool
) -> None:
    """R54: measured by how far all that the axis occupies would have to go to be out."""
    box = Box("post", [(0, 0.0, 1.0), (1, -5.0, 5.0)], None)
    assert deepens(box, 0, *before, *after) is deeper


def test_a_box_is_missed_by_one_axis_that_is_wholly_outside() -> None:
    """R54: its faces belong to it."""
    box = Box("post", [(0, 0.0, 1.0), (1, 2.0, 3.0)], None)
    assert not box.missed([0.5, 2.5], [0.6, 2.6])
    assert box.missed([1.01, 2.5], [1.2, 2.6])
    assert box.missed([-0.2, 2.5], [-0.01, 2.6])
    assert box.missed([0.5, 3.01], [0.6, 3.2])
    assert not box.missed([1.0, 3.0], [1.2, 3.2])
    assert not box.missed([-0.2, 1.0], [0.0, 2.0])
    assert (box.side(0), box.side(1)) == ((0.0, 1.0), (2.0, 3.0))


@pytest.mark.parametrize("sense", [1.0, -1.0])
@pytest.mark.parametrize("limits", [LIMITS, JERKY])
def test_a_held_axis_stands_a_nanometre_and_its_band_from_the_box(sense: float, limits: Any) -> None:
    """R54: not farther away than it must, from above as from below."""
    lift, other = axis("lift", limits=limits, tolerance={"position": 0.004}), axis("wrist")
    box = keep_out("post", [0, *sorted((0.5 * sense, 0.7 * sense))], [1, -1.0, 1.0])
    on = machine([lift, other, axis("roller", "spin")], keep_outs=[box])
    profile = "trapezoid" if limits is LIMITS else "s_curve"
    rig = started(checked(on, move("m", {"lift": 1.5 * sense}, limits=limits, profile=profile)), ticks=120)
    assert rig.points()[-1] * sense == pytest.approx(0.5 - 0.004 - 2e-9, abs=1e-9)
    assert rig.runner.status().held == (("lift", "post"),)


def test_a_held_axis_names_the_box_that_holds_it_now() -> None:
    """R54: the first is gone and another is still on the way: it stays, and says which it waits for."""
    first = keep_out("first", [0, 0.4, 0.5], [1, -1.0, 1.0], when=BEAM)
    second = keep_out("second", [0, 0.9, 1.0], [1, -1.0, 1.0])
    rig = Rig(checked(machine(keep_outs=[first, second]), move("m", {"lift": 1.5})), beam=lambda tick: tick < 80)
    rig.start()
    rig.run(180)
    assert [event.text for event in rig.kinds("hold")] == [
        "lift is held by first, waiting for wrist",
        "lift is held by second, waiting for wrist",
    ]
    assert [event.tick for event in rig.kinds("hold")][1] == 80
    assert rig.runner.status().held == (("lift", "second"),)
    assert rig.points()[75] == rig.points()[-1] == pytest.approx(0.39, abs=1e-6)
    (step,) = rig.runner.status().runs[-1].steps
    assert step.waits_for == "held by second for 1.98 s, waiting for wrist"


def test_a_flick_is_held_before_its_box_and_flicks_when_it_is_gone() -> None:
    """R54, M1: with all of its speed at its place."""
    box = keep_out("post", [0, -1.0, 1.0], [1, 0.5, 0.6], when=BEAM)
    rig = Rig(checked(machine(keep_outs=[box]), flick("f", 0.9, 0.8, 1.4)), beam=lambda tick: tick < 80)
    rig.start()
    rig.run(200)
    assert rig.points("wrist")[75] < 0.5
    passing = min((one.axes["wrist"] for one in rig.orders), key=lambda order: abs(order.position - 0.9))
    assert passing.velocity == pytest.approx(0.8, abs=0.03)
    assert rig.outcome()[1] == "done"


def test_a_press_counts_from_where_it_stands_to_its_bound_and_not_beyond() -> None:
    """R46, R54: a box just beyond the bound does not hold it; one just before does."""
    for low, begins in ((0.52, True), (0.48, False)):
        box = keep_out("post", [0, -1.0, 1.0], [1, low, 0.9])
        rig = started(checked(machine(keep_outs=[box]), press("p", 5.0, 0.5, until=BEAM)), ticks=5)
        assert (rig.modes("wrist")[-1] == "effort") is begins
        assert bool(rig.runner.status().held) is not begins


def test_a_new_zero_leaves_no_goal_in_the_places_of_the_old_one() -> None:
    """R42: for a moving axis and for one that stands; who waits for whom is judged by goals."""
    for made in (moving(motion()), motion()):
        made.aim, made.group, made.held = (lambda states: []), [made], "box"
        made.rezero(0.25)
        assert (made.aim, made.group, made.held) == (None, None, None)
        assert made.offset == 0.25
        assert not made.anywhere
