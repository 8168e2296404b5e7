"""The parts of the supervisor on axes of different limits and places: who waits for whom, which way out, how an axis
is planned to an edge. SEMANTICS R16, R53, R54.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from rig import JERKY, LIMITS, axis, checked, keep_out, machine, move, started

from profiles import Limits, ProfileError
from sequencer.run import supervisor as supervising
from sequencer.run.definition import ROUNDING, MachineDefinition
from sequencer.run.motion import Motion
from sequencer.run.supervisor import Box, Supervisor
from sequencer.run.terms import Scope

BEAM = ["holds", "beam"]
BAND = 0.25
"""The position tolerance of these axes, a power of two: faces lie 0.25 m and a rounding outside the box [m]."""


def standing(*keep_outs: Any, places: tuple[float, ...] = (0.0, 0.0, 0.0), scope: Any = None) -> Supervisor:
    """Lift, wrist and arm, at rest there and known."""
    axes = [axis(name, tolerance={"position": BAND}) for name in ("lift", "wrist", "arm")]
    definition = MachineDefinition(machine(axes, keep_outs=list(keep_outs)))
    motions = [Motion(one) for one in definition.axes]
    for motion, place in zip(motions, places, strict=True):
        motion.mode = "hold"
        motion.rebase(place, 0)
        motion.forget(10**12)
    return Supervisor(definition, motions, Scope(scope or {}), lambda what, motion, text: None)


def heading(made: Supervisor, goals: dict[int, float], *held: int) -> Supervisor:
    """These axes have goals, and these of them are held."""
    for index, goal in goals.items():
        made.motions[index].aim, made.motions[index].goal = (lambda states: []), goal
    for index in held:
        made.motions[index].held = "post"
    return made


POST = keep_out("post", [0, 1.0, 2.0], [1, -1.0, 0.5])


def test_a_keep_out_counts_the_band_of_each_of_its_axes_on_both_sides() -> None:
    """R54: and a rounding."""
    (box,) = standing(POST).boxes
    margin = BAND + ROUNDING
    assert box.side(0) == (1.0 - margin, 2.0 + margin)
    assert box.side(1) == (-1.0 - margin, 0.5 + margin)
    assert (box.name, box.axes) == ("post", {0, 1})


def test_a_box_that_an_axis_would_meet_is_told_only_if_it_holds_and_is_not_missed_by_the_others() -> None:
    """R46, R54: the first of them in the order of the file."""
    second = keep_out("second", [0, 1.5, 1.6], [2, -1.0, 1.0])
    made = standing(keep_out("elsewhere", [0, 1.0, 2.0], [1, 1.0, 2.0]), POST, second)

    def met(axis: int, low: float, high: float) -> str | None:
        box = made.blocks(axis, low, high)
        return None if box is None else box.name

    assert met(0, 0.0, 0.7) is None
    assert met(0, 0.0, 0.8) == "post"
    assert met(0, 2.3, 2.9) is None
    assert met(2, -2.0, 2.0) is None
    assert made.others("post", made.motions[0]) == ["wrist"]
    assert made.others("post", made.motions[1]) == ["lift"]
    made.motions[1].rebase(-2.0, 1)
    made.motions[1].forget(10**12)
    assert met(0, 0.0, 1.2) is None
    assert met(0, 0.0, 1.3) == "second"


@pytest.mark.parametrize(("truth", "counts"), [(True, True), (None, True), (False, False)])
def test_the_machine_is_inside_a_keep_out_while_that_holds(truth: bool | None, counts: bool) -> None:
    """R51, R16: where it is all of it that lies inside, by the condition of the keep-out, unknown counting."""
    box = keep_out("post", [0, 1.0, 2.0], [1, -1.0, 0.5], when=BEAM)
    for places, inside in (((1.5, 0.0, 0.0), True), ((1.5, 1.0, 0.0), False), ((0.7, 0.0, 0.0), False)):
        made = standing(box, places=places, scope={"beam": truth})
        assert bool(made.inside()) is (inside and counts)
        assert (made.blocks(0, places[0], places[0]) is not None) is (inside and counts)


@pytest.mark.parametrize(
    ("place", "goal", "leaves"),
    [
        (1.0, 0.7, True),  # 0.25 m from the lower face
        (1.0, 2.5, False),  # right across
        (1.0, 0.8, False),  # not far enough
        (2.0, 2.5, True),
        (2.0, 0.7, False),
        (2.0, 2.2, False),
        (1.5, 0.7, True),  # the middle: downwards
        (1.5, 2.5, False),
        (0.5, 0.0, False),  # it is not in it
        (0.5, 2.5, False),
    ],
)
def test_an_axis_may_leave_a_keep_out_by_its_nearer_face(place: float, goal: float, leaves: bool) -> None:
    """R54: so far that it is out."""
    made = heading(standing(POST, places=(place, 0.0, 0.0)), {0: goal})
    (box,) = made.boxes
    assert made._leaves([made.motions[0]], box) is leaves


def test_axes_that_move_together_leave_a_keep_out_if_each_goes_by_its_nearer_face() -> None:
    """R54, R30: an axis of the unit that the keep-out does not depend on may go anywhere."""
    for goals, leaves in (
        ({0: 0.7, 1: 0.9, 2: 2.0}, True),
        ({0: 0.7, 1: -1.4, 2: 2.0}, False),
        ({0: 2.5, 1: 0.9, 2: 2.0}, False),
        ({0: 1.2, 1: 0.9, 2: 2.0}, False),
    ):
        made = heading(standing(POST, places=(1.0, 0.25, 0.0)), goals)
        (box,) = made.boxes
        assert made._leaves(made.motions, box) is leaves


# Who waits for whom.

CROSSING = (keep_out("upper", [0, 1.0, 2.0], [1, -1.0, 0.0]), keep_out("lower", [0, 0.0, 0.6], [1, 1.0, 2.0]))
"""At 0.3 and -0.5 m the lift is in the way of the wrist and the wrist in that of the lift."""


def test_two_axes_that_are_held_and_whose_ways_cross_wait_for_each_other() -> None:
    """R54: each one's goal lies beyond what the other is in the way of."""
    for goals, held, stuck in (
        ({0: 2.9, 1: 2.9}, (0, 1), ["lift", "wrist"]),
        ({0: 2.9, 1: 2.9}, (0,), []),  # the wrist goes on, out of the way
        ({0: 2.9, 1: -0.4}, (0,), []),  # it stays in the way for good, but waits for nobody
        ({0: 0.5, 1: 2.9}, (0, 1), []),  # nothing is in the way of the lift
    ):
        made = heading(standing(*CROSSING, places=(0.3, -0.5, 0.0)), goals, *held)
        assert made.waiting_for_each_other() == stuck


def test_an_axis_that_waits_for_two_of_which_one_waits_for_it_is_named_with_that_one_alone() -> None:
    """R54: the arm is on its way out of the third."""
    gate = keep_out("gate", [0, 1.0, 2.0], [2, -1.0, 1.0])
    made = heading(standing(*CROSSING, gate, places=(0.3, -0.5, 0.0)), {0: 2.9, 1: 2.9, 2: 2.0}, 0, 1)
    assert made.waiting_for_each_other() == ["lift", "wrist"]
    made = heading(standing(gate, places=(0.3, -0.5, 0.0)), {0: 2.9, 2: 2.0}, 0)
    assert made.waiting_for_each_other() == []


def test_a_ring_of_three_is_named_whole_and_one_that_gets_free_frees_the_others() -> None:
    """R54: lift waits for wrist, wrist for arm, arm for lift."""
    ring = [keep_out(f"k{one}", [one, 1.0, 2.0], [(one + 1) % 3, -0.5, 1.5]) for one in range(3)]
    goals = {0: 2.9, 1: 2.9, 2: 2.9}
    made = heading(standing(*ring, places=(0.5, 0.5, 0.5)), goals, 0, 1, 2)
    assert made.waiting_for_each_other() == ["lift", "wrist", "arm"]
    made = heading(standing(*ring[:2], places=(0.5, 0.5, 0.5)), goals, 0, 1, 2)
    assert made.waiting_for_each_other() == []
    made = heading(standing(*ring[:2], places=(0.5, 0.5, 0.5)), {0: 2.9, 1: 2.9}, 0, 1)
    assert made.waiting_for_each_other() == ["lift"]  # for the wrist, which waits for an arm that stays


# How axes are held.


def test_an_axis_that_cannot_be_planned_to_the_edge_brakes_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """R53, R54: at 1 m/s, a quarter of a metre."""

    def fail(*given: Any) -> Any:
        raise ProfileError("by hand")

    box = keep_out("post", [0, 1.0, 2.0], [1, -1.0, 1.0])
    rig = started(checked(machine(keep_outs=[box]), move("m", {"lift": 2.5})), ticks=5)
    monkeypatch.setattr(supervising, "trapezoid", fail)
    rig.run(80)
    (event,) = rig.kinds("hold")
    assert rig.points()[-1] == pytest.approx(rig.points()[event.tick - 1] + 0.25, abs=1e-9)
    assert 0.95 < rig.points()[-1] < 0.99
    assert rig.runner.status().held == (("lift", "post"),)


@pytest.mark.parametrize("sense", [1.0, -1.0])
def test_axes_together_brake_each_along_its_own_stopping_profile(sense: float) -> None:
    """R53, R30: the wrist alone meets the box; the lift, three times as weak, stops with it, and both go on."""
    weak = [[-0.5, 0.5], [-0.5, 0.5], None]
    axes = [axis("lift", limits=weak), axis("wrist"), axis("roller", "spin")]
    on = machine(
        axes, keep_outs=[keep_out("post", [1, *sorted((0.5 * sense, 2.9 * sense))], [0, -3.0, 3.0], when=BEAM)]
    )
    limits = {"0": weak, "1": LIMITS}
    step = move("m", {"lift": 0.8 * sense, "wrist": 1.0 * sense}, together=True, limits=limits)
    rig = started(checked(on, step), ticks=150, beam=lambda tick: tick < 150)
    first = rig.kinds("hold")[0].tick
    assert [event.text.split()[0] for event in rig.kinds("hold")] == ["lift", "wrist"]
    lift, wrist = ([one.axes[name].velocity for one in rig.orders] for name in ("lift", "wrist"))
    assert lift[first - 1] * sense > 0.2
    assert lift[first] == pytest.approx(lift[first - 1] - sense * 0.01, abs=1e-9)
    assert wrist[first] == pytest.approx(wrist[first - 1] - sense * 0.04, abs=1e-9)
    assert lift[-1] == wrist[-1] == 0.0
    rig.run(200)
    assert [event.tick for event in rig.kinds("go")] == [150, 150]
    assert (rig.points("lift")[-1], rig.points("wrist")[-1]) == (0.8 * sense, 1.0 * sense)
    assert [event.text for event in rig.kinds("go")] == ["lift goes on", "wrist goes on"]


def test_an_axis_whose_goal_lies_before_the_box_goes_there_and_is_never_held() -> None:
    """R54: to the very edge of it, less its band and its rounding."""
    box = keep_out("post", [0, 1.0, 2.0], [1, -1.0, 1.0])
    for goal in (0.99 - 2.0 * ROUNDING, -0.5):
        rig = started(checked(machine(keep_outs=[box]), move("m", {"lift": goal})), ticks=120)
        assert not rig.kinds("hold")
        assert rig.points()[-1] == goal


def test_an_axis_without_a_goal_that_comes_to_rest_is_not_called_held() -> None:
    """R54: it brakes by its interrupt, short of the box, and nobody waits for anything."""
    box = keep_out("post", [0, 0.55, 2.0], [1, -1.0, 1.0])
    rig = started(checked(machine(keep_outs=[box]), move("m", {"lift": 2.5}, until=BEAM)), beam=lambda tick: tick >= 15)
    rig.run(80)
    assert not rig.kinds("hold")
    assert rig.points()[-1] < 0.54


def test_an_axis_that_is_held_and_can_not_go_on_faults_its_run_with_the_reason() -> None:
    """R36, R47, R54: the plan fails when the way is free."""
    box = keep_out("post", [0, 0.5, 2.0], [1, -1.0, 1.0], when=BEAM)
    rig = started(checked(machine(keep_outs=[box]), move("m", {"lift": 2.5})), ticks=80, beam=lambda tick: tick < 80)

    def fail(states: Any) -> Any:
        raise ProfileError("by hand")

    rig.runner._host.motions[0].aim = fail
    rig.run(3)
    (fault,) = rig.kinds("fault")
    assert (fault.tick, fault.step, fault.text) == (80, "m", "lift cannot go on: by hand")
    assert rig.ends("m") == [(80, "error")]
    assert rig.outcome()[1] == "faulted"


def test_a_held_axis_stays_while_its_run_is_held_and_goes_on_when_that_is_resumed() -> None:
    """R35, R54: the way is free from tick 80 on; resumed in tick 100."""
    box = keep_out("post", [0, 0.5, 2.0], [1, -1.0, 1.0], when=BEAM)
    rig = started(checked(machine(keep_outs=[box]), move("m", {"lift": 2.5})), ticks=70, beam=lambda tick: tick < 80)
    rig.runner.hold()
    rig.run(30)
    stood = rig.points()[-1]
    assert stood == rig.points()[70] == pytest.approx(0.49, abs=1e-6)
    rig.runner.resume()
    rig.run(140)
    assert rig.points()[100] == pytest.approx(stood, abs=1e-3)
    assert rig.points()[-1] == 2.5


@pytest.mark.parametrize("limits", [LIMITS, JERKY])
def test_two_axes_that_meet_at_a_corner_go_by_rank_and_the_later_one_stops_at_its_own_edge(limits: Any) -> None:
    """R54: from the other side, at negative places: the lift first, the wrist at 0.4 m and its band before zero."""
    box = keep_out("corner", [0, -0.6, -0.4], [1, -0.6, -0.4])
    axes = [axis("lift", limits=limits), axis("wrist", limits=limits), axis("roller", "spin")]
    profile = "trapezoid" if limits is LIMITS else "s_curve"
    moves = [move(name, {to: -0.5}, limits=limits, profile=profile) for name, to in (("m", "lift"), ("n", "wrist"))]
    rig = started(checked(machine(axes, keep_outs=[box]), *moves), ticks=150)
    assert rig.points("lift")[-1] == -0.5
    assert rig.points("wrist")[-1] == pytest.approx(-0.39, abs=1e-6)
    assert rig.points("wrist")[-1] > -0.39
    assert rig.runner.status().held == (("wrist", "corner"),)


def test_a_box_tells_whether_it_holds_by_its_condition() -> None:
    """R16: without one always."""
    for truth, holds in ((True, True), (None, True), (False, False)):
        assert Box("post", [(0, 0.0, 1.0)], lambda truth=truth: truth).holds() is holds
    assert Box("post", [(0, 0.0, 1.0)], None).holds()


def test_limits_that_cannot_master_a_motion_are_not_used_to_plan_to_an_edge() -> None:
    """R53: a slowed move that took over a fast one is still braking as fast as that when it is held."""
    slow = [[-1.0, 1.0], [-0.5, 0.5], None]
    box = keep_out("post", [0, 1.2, 2.0], [1, -1.0, 1.0])
    steps = [
        move("m", {"lift": 2.5}, until=[">=", "lift", 0.5]),
        move("n", {"lift": 2.5}, "m", limits=slow),
    ]
    rig = started(checked(machine(keep_outs=[box]), *steps), ticks=200)
    assert max(rig.points()) < 1.19
    speeds = [one.axes["lift"].velocity for one in rig.orders]
    assert min(b - a for a, b in pairwise(speeds)) >= -0.04 - 1e-9
    assert rig.runner.status().held == (("lift", "post"),)


def test_mastering_asks_for_accelerations_and_jerk_of_at_least_those_in_force() -> None:
    """R53: or for an axis that stands."""
    made = standing().motions[0]
    made.keeps_to = Limits((-1.0, 1.0), (-2.0, 1.0), 20.0)
    moving = made.state()._replace(velocity=0.5)
    braking = made.state()._replace(acceleration=0.5)
    for limits, masters in (
        (Limits((-0.1, 0.1), (-2.0, 1.0), 20.0), True),
        (Limits((-1.0, 1.0), (-3.0, 2.0), None), True),
        (Limits((-1.0, 1.0), (-1.9, 1.0), 20.0), False),
        (Limits((-1.0, 1.0), (-2.0, 0.9), 20.0), False),
        (Limits((-1.0, 1.0), (-2.0, 1.0), 19.0), False),
    ):
        assert made.mastered_by(limits, moving) is masters
        assert made.mastered_by(limits, braking) is masters
        assert made.mastered_by(limits, made.state())
