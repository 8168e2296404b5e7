"""Where axes go without power, what they may meet, and how surely they stop: by hand, and against the plant."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import motors
import pytest

from profiles import Limits
from sequencer import Plant, load_routine
from sequencer.check import examine
from sequencer.check.braking import sure_braking
from sequencer.check.unpowered import without_power
from sequencer.machine.axis import Axis, Load, Mount, Tolerance
from sequencer.machine.body import Body, Clearance
from sequencer.machine.condition import parse_condition
from sequencer.machine.interlock import KeepOut, MustStay
from sequencer.machine.piece import Piece
from sequencer.plan import plan
from sequencer.plant import Disabled
from sequencer.ports.orders import AxisOrder, Orders
from sequencer.routine.steps import At, Move, Step

DEMO = Path(__file__).parents[2] / "demos" / "lantern"
G = motors.GRAVITY


def warnings(axis: Axis, rule: str = "unpowered", **changes: object) -> list[str]:
    found = examine(motors.routine(replace(motors.machine(axis), **changes))).findings
    return [finding.message for finding in found if finding.rule == rule]


@pytest.mark.parametrize(
    ("springs", "coulomb", "does"),
    [
        ((0.0, 0.0), 0.0, {"sinks"}),
        ((0.0, 0.0), 100.0, {"stays"}),  # 98 N of weight
        ((150.0, 150.0), 20.0, {"rises"}),
        ((70.0, 80.0), 20.0, {"sinks", "stays"}),  # 28 N or 18 N are left
        ((70.0, 130.0), 5.0, {"sinks", "rises"}),
    ],
)
def test_an_axis_sinks_rises_or_stays_by_weight_spring_and_friction(
    springs: tuple[float, float], coulomb: float, does: set[str]
) -> None:
    axis = motors.slide(Load(mass=10.0, counterbalance=springs, coulomb=coulomb))
    assert without_power(motors.planned(motors.machine(axis))).tendencies["lift"] == does


def test_break_away_holds_what_sliding_friction_does_not() -> None:
    axis = motors.slide(Load(mass=10.0, coulomb=60.0, breakaway=110.0))
    found = without_power(motors.planned(motors.machine(axis)))
    assert found.tendencies["lift"] == {"stays"}
    # Once it moves it goes on: cut at the middle of the way up, it turns round at rest and is held there.
    (way,) = [way for way in found.ways if way.at == pytest.approx(0.925)]
    assert way.position == pytest.approx(0.5)
    # 0.5 m/s: v^2 / 2 (g + F / m) = 7.9 mm, told to whole parts of the travel of 21 mm.
    assert way.span == pytest.approx((0.5, 0.5 + 0.25 / 2.0 / (G + 6.0)), abs=0.021)
    assert way.span[1] > 0.5 + 0.25 / 2.0 / (G + 6.0)


def test_level_it_coasts_as_far_as_friction_lets_it() -> None:
    """v^2 / 2 mu with mu = F / m: 0.25 / (2 * 1.25) = 0.1 m; no weight pulls along the slide."""
    axis = motors.slide(Load(mass=8.0, coulomb=10.0), direction=0.0)
    found = without_power(motors.planned(motors.machine(axis)), [0.925])
    (way,) = found.ways
    assert way.span[0] == pytest.approx(0.5)
    assert 0.1 <= way.span[1] - way.span[0] <= 0.1 + 0.021


def test_what_sinks_gets_to_the_end_of_its_travel() -> None:
    found = without_power(motors.planned(motors.machine(motors.slide(Load(mass=10.0, coulomb=5.0)))))
    assert {round(way.span[0], 9) for way in found.ways} == {0.0}


def test_an_arm_swings_to_where_its_weight_no_longer_beats_friction() -> None:
    """2 kg at 0.3 m are 5.9 N m level; 3 N m of friction hold it below -59.4 degrees, where the cosine is 0.51."""
    arm = Axis(
        "lift",
        "rotary",
        Limits(1.0, 4.0),
        (-1.6, 1.0),
        mount=Mount(),
        tolerance=Tolerance(0.02),
        load=Load(mass=2.0, centre=(0.3, 0.0), coulomb=3.0),
        actuators=(replace(motors.actuator(), ratio=50.0, travel_per_turn=None, efficiency=1.0),),
    )
    found = without_power(motors.planned(motors.machine(arm)), [0.0])
    assert found.tendencies["lift"] == {"sinks", "stays"}
    (way,) = found.ways
    assert way.position == pytest.approx(0.1)
    assert way.span[1] == pytest.approx(0.1)
    assert way.span[0] < -1.036  # it swings past the place where it would be held: friction has to take its speed
    # Energy: from 0.1 rad, m g l (sin 0.1 - sin x) = 3 N m (0.1 - x), at x = -1.6 still 5.886 * 1.0994 > 3 * 1.7.
    assert way.span[0] == pytest.approx(-1.6)


def test_said_and_found_are_compared() -> None:
    sinking = Load(mass=10.0, coulomb=5.0)
    assert warnings(motors.slide(sinking, unpowered="sinks")) == []
    assert warnings(motors.slide(sinking)) == []
    (said,) = warnings(motors.slide(sinking, unpowered="stays"))
    assert said == (
        "lift is said to do this without power: stays; as its load is declared it sinks somewhere (it is pulled with "
        "up to 98.1 N at 0 m and held with 5 N)"
    )
    (said,) = warnings(motors.slide(Load(mass=10.0, coulomb=120.0), unpowered="sinks"))
    assert "as its load is declared it stays everywhere" in said
    (said,) = warnings(motors.slide(Load(mass=10.0, counterbalance=(80.0, 130.0), coulomb=5.0), unpowered="sinks"))
    assert "it rises somewhere" in said


def test_a_stop_that_lets_go_of_what_sinks_is_told() -> None:
    sinking, staying = Load(mass=10.0, coulomb=5.0), Load(mass=10.0, coulomb=120.0)
    (said,) = warnings(motors.slide(sinking, stop="ramp_then_off"))
    assert said == "its stop is ramp_then_off, which lets lift go, and without power it sinks"
    assert warnings(motors.slide(staying, stop="off")) == []
    axis = motors.slide(sinking)
    machine = motors.machine(axis)
    cover = MustStay("cover", parse_condition("lift < 2 m", machine.vocabulary()), ("lift",), "off")
    assert warnings(axis, interlocks=(cover,)) == [
        "the stop of cover is off, which lets lift go, and without power it sinks"
    ]


def test_what_it_may_come_into_is_told_once_with_the_span_of_time() -> None:
    rule = KeepOut("well", (("lift", (0.0, 0.05)),), because="the well is deep")
    (said,) = warnings(motors.slide(Load(mass=10.0, coulomb=5.0)), interlocks=(rule,))
    assert said.startswith(
        "with the power cut between 0.00 s and 1.85 s, the machine may come into well: at first lift"
    )
    assert warnings(motors.slide(Load(mass=10.0, coulomb=120.0)), interlocks=(rule,)) == []


@pytest.mark.parametrize(("name", "cut"), [("hang_ridge", 0.5), ("hang_ridge", 0.97), ("drop", 0.45), ("to_stow", 0.9)])
def test_the_plant_without_power_stays_within_the_spans(name: str, cut: float) -> None:
    """The plant is set going as the plan is at the instant, and gets no power from then on."""
    routine = load_routine(DEMO / f"{name}.routine.yaml")
    made = plan(routine)
    found = without_power(made, [cut])
    machine = routine.machine
    states = {name: made.state(name, cut) for name in ("lift", "wrist")}
    plant = Plant(machine, start={name: state.position for name, state in states.items()}, faults=(Disabled(),))
    orders = Orders(0, {name: AxisOrder("off") for name in machine.axes}, {})
    for axis in machine.axes:
        plant.parts.lines[axis].drop(0)
    numbers = list(machine.axes)
    for name_of, state in states.items():
        plant.parts.mechanism.speed[numbers.index(name_of)] = state.velocity
    for tick in range(150):
        plant.apply(replace(orders, now_ns=tick * 20_000_000))
        plant.advance(20_000_000)
        at = plant.positions()
        for way in found.ways:
            low, high = way.span
            # The axes pull at each other on the way, which each taken for itself leaves out.
            assert low - 0.03 <= at[way.axis] <= high + 0.03
    for way in found.ways:
        # It is no mere guess: where the span is wide, the plant uses a good part of it.
        went = abs(plant.positions()[way.axis] - way.position)
        assert went >= 0.2 * (way.span[1] - way.span[0]) - 0.05


def test_sure_braking_is_what_current_weight_and_spring_leave() -> None:
    """20 A make 251 N in either sense; 10 kg weigh 98 N; the spring pulls up with 30 N or 50 N; nothing else helps."""
    load = Load(mass=10.0, counterbalance=(30.0, 50.0), coulomb=40.0)
    axis = motors.slide(load, motors.actuator(winding_limit=20.0))
    found = sure_braking(motors.machine(axis), "lift")
    assert found is not None
    force = 20.0 * 0.02 * motors.TURN
    assert found.upwards == pytest.approx((force + 10.0 * G - 50.0) / 10.0, rel=1e-6)
    assert found.downwards == pytest.approx((force - 10.0 * G + 30.0) / 10.0, rel=1e-6)


def test_limits_that_promise_more_than_motors_surely_give_leave_it_undecided() -> None:
    weak = motors.slide(Load(mass=10.0), motors.actuator(winding_limit=9.0), limits=Limits(0.5, (-1.0, 2.0)))
    examination = examine(motors.routine(motors.machine(weak)))
    (found,) = [finding for finding in examination.findings if finding.rule == "braking"]
    assert found.severity == "undecided"
    assert found.found == pytest.approx(9.0 * 0.02 * motors.TURN / 10.0 - G, rel=1e-6)
    assert found.message == (
        "lift is to brake from motion downwards with 2 m/s2; with the battery under its greatest load and the worst of "
        "what is declared its motors surely give 1.503 m/s2"
    )


def test_an_axis_that_is_not_moved_need_not_brake() -> None:
    weak = motors.slide(Load(mass=10.0), motors.actuator(winding_limit=11.0))
    other = Axis("other", "linear", Limits(0.5, 2.0), (0.0, 1.0), tolerance=Tolerance(0.005))
    step = Step("go", Move((("other", At(0.5)),)))
    found = examine(motors.routine(motors.machine(weak, other), step)).findings
    assert [finding for finding in found if finding.rule == "braking"] == []


def test_a_heavier_piece_leaves_less_to_brake_with() -> None:
    axis = motors.slide(Load(mass=10.0), motors.actuator(winding_limit=20.0))
    of = motors.machine(axis, pieces={"brick": Piece("brick", mass=5.0, carried_by="lift")})
    found = sure_braking(of, "lift")
    assert found is not None
    force = 20.0 * 0.02 * motors.TURN
    assert found.downwards == pytest.approx(force / 15.0 - G, rel=1e-6)
    assert found.upwards == pytest.approx(force / 15.0 + G, rel=1e-6)


def test_a_slide_that_counts_downwards_sinks_forwards() -> None:
    axis = motors.slide(Load(mass=10.0, coulomb=5.0), direction=-motors.pi / 2.0)
    found = without_power(motors.planned(motors.machine(axis)), [0.0])
    assert found.tendencies["lift"] == {"sinks"}
    assert found.ways[0].span == pytest.approx((0.1, 1.0))


def test_what_stays_empty_may_sink_with_a_piece() -> None:
    axis = motors.slide(Load(mass=10.0, coulomb=100.0))
    of = motors.machine(axis, pieces={"brick": Piece("brick", mass=1.0, carried_by="lift")})
    assert without_power(motors.planned(of)).tendencies["lift"] == {"sinks", "stays"}


def test_bodies_that_may_meet_without_power_are_told_but_not_where_a_step_lets_them_touch() -> None:
    square = ((-0.1, 0.0), (0.1, 0.0), (0.1, 0.05), (-0.1, 0.05))
    floor = tuple((x, y - 0.1) for x, y in square)
    bodies = {"foot": Body("foot", "lift", (square,)), "floor": Body("floor", "frame", (floor,))}
    pair = (Clearance(("foot", "floor"), margin=0.08),)
    changes = {"bodies": bodies, "clearances": pair}
    (said,) = warnings(motors.slide(Load(mass=10.0, coulomb=5.0)), **changes)
    assert said.startswith(
        "with the power cut between 0.00 s and 1.85 s, foot and floor may meet: at first lift within 0 m"
    )
    assert warnings(motors.slide(Load(mass=10.0, coulomb=120.0)), **changes) == []
    of = motors.machine(motors.slide(Load(mass=10.0, coulomb=5.0)), **changes)
    step = Step("raise", Move((("lift", At(0.9)),)), profile="trapezoid", touching=("foot", "floor"))
    (found,) = [one for one in examine(motors.routine(of, step)).findings if one.rule == "unpowered"]
    # Only at the end of the plan, when the step is over, are they two bodies again.
    assert found.begin == found.until == pytest.approx(1.85)
