"""What a plan takes out of motors and battery, against handbook formulas worked here and against the plant's own run.

The formulas are those of any textbook on drives: T = F / (N eta), I = T / k_t, U = R I + k_e w, P = U I, and for a
battery V = V_oc - R_b I; the numbers are worked by hand in each test.
"""

from __future__ import annotations

from dataclasses import replace
from math import cos, sqrt
from pathlib import Path

import motors
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from profiles import Limits
from sequencer import Plant, Runner, load_routine, rehearse
from sequencer.check import Examination, examine
from sequencer.check.dead_actuator import CAUTION, one_dead
from sequencer.check.demand import demands_of
from sequencer.check.drive import AxisDrive
from sequencer.check.feasibility import ActuatorPeak, Feasibility, feasibility_of
from sequencer.machine.axis import Axis, Load, Mount, Tolerance
from sequencer.machine.machine import Battery
from sequencer.machine.piece import Piece
from sequencer.plan import plan
from sequencer.plant import ActuatorDead, OtherLoad
from sequencer.rehearse.gauges import ScriptedGauges
from sequencer.rehearse.performance import Performance
from sequencer.routine.parameters import NumberParameter
from sequencer.routine.steps import At, Drive, Move, Press, Pulse, Step
from sequencer.units import VOLTAGE

DEMO = Path(__file__).parents[2] / "demos" / "lantern"
TURN = motors.TURN
"""Motor angle per travel [rad/m]."""


def peak(found: Feasibility, step: str, actuator: str = "only") -> ActuatorPeak:
    (one,) = [peak for peak in found.peaks if peak.step == step and peak.actuator == actuator]
    return one


def test_a_hoist_takes_what_the_handbook_says() -> None:
    """10 kg straight up with 2 m/s2 to 0.5 m/s: F = m (g + a), and the gear's loss; most at the end of the ramp."""
    found = feasibility_of(motors.planned(motors.machine(motors.slide(Load(mass=10.0)))))
    force = 10.0 * (motors.GRAVITY + 2.0)
    amps = force / 0.8 / TURN / 0.02
    volts = 0.12 * amps + 12.0 / TURN * (0.5 * TURN)
    watts = volts * amps
    one = peak(found, "raise")
    assert one.amps == pytest.approx(amps, rel=1e-4)
    assert one.volts == pytest.approx(volts, rel=1e-4)
    assert one.watts == pytest.approx(watts, rel=1e-4)
    # V^2 - (12.5 - 0.02 * 50) V + 0.02 P = 0
    bus = 0.5 * (11.5 + sqrt(11.5**2 - 4.0 * 0.02 * watts))
    assert one.duty == pytest.approx(volts / bus, rel=1e-4)
    (sag,) = [sag for sag in found.sags if sag.step == "raise"]
    assert sag.volts == pytest.approx(bus, rel=1e-5)
    # What is left of the force: the current that this bus gives at 0.5 m/s, gear's loss included.
    most = (bus - 6.0) / 0.12 * 0.02 * TURN * 0.8
    assert one.margin == pytest.approx(1.0 - force / most, rel=1e-3)
    assert one.at == pytest.approx(0.25, abs=1e-4)
    assert found.shortfalls == ()


def test_a_gear_helps_to_brake_and_friction_works_against_every_motion() -> None:
    """Downwards with a brake of 6 m/s2: the motor holds back m (g + a) less friction, and its gear helps."""
    load = Load(mass=10.0, coulomb=20.0, viscous=8.0)
    down = Step("lower", Move((("lift", At(0.1)),)), profile="trapezoid")
    up = Step("raise", Move((("lift", At(0.9)),)), profile="trapezoid")
    found = feasibility_of(motors.planned(motors.machine(motors.slide(load, limits=Limits(0.5, 6.0))), up, down))
    driving = (10.0 * (motors.GRAVITY + 6.0) + 20.0 + 8.0 * 0.5) / 0.8
    assert peak(found, "raise").amps == pytest.approx(driving / TURN / 0.02, rel=1e-4)
    # F + 0.2 F = m (g + a) - friction: with the gear beside it the motor needs less; most when it has come to rest.
    braking = (10.0 * (motors.GRAVITY + 6.0) - 20.0) / 1.2
    assert peak(found, "lower").amps == pytest.approx(braking / TURN / 0.02, rel=1e-3)


def test_an_arm_takes_its_weight_where_it_is_level() -> None:
    """2 kg at 0.3 m: held level it takes m g l; 50 turns of the motor to one of the arm, no loss."""
    arm = Axis(
        "arm",
        "rotary",
        Limits(1.0, 4.0),
        (-1.0, 1.0),
        tolerance=Tolerance(0.02),
        load=Load(mass=2.0, centre=(0.3, 0.0), inertia=0.02),
        actuators=(replace(motors.actuator(), ratio=50.0, travel_per_turn=None, efficiency=1.0),),
    )
    of = replace(
        motors.machine(arm), presets={"low": replace(motors.machine(arm).presets["low"], positions={"arm": 0.0})}
    )
    lean = Step("lean", Move((("arm", At(0.4)),)), profile="trapezoid")
    found = feasibility_of(motors.planned(of, lean))
    # It starts level, with 4 rad/s2: T = m g l + (m l^2 + I) a.
    torque = 2.0 * motors.GRAVITY * 0.3 + (2.0 * 0.09 + 0.02) * 4.0
    assert peak(found, "lean").amps == pytest.approx(torque / 50.0 / 0.02, rel=1e-3)


def test_a_slide_feels_the_arm_that_it_carries() -> None:
    """The arm holds still and the slide goes up: both masses; the arm swings and the slide holds: m l th'' at level."""
    arm = Axis(
        "arm",
        "rotary",
        Limits(2.0, 10.0),
        (-1.0, 1.0),
        mount=Mount(to="lift"),
        tolerance=Tolerance(0.02),
        load=Load(mass=2.0, centre=(0.3, 0.0)),
        actuators=(replace(motors.actuator("turner"), ratio=50.0, travel_per_turn=None, efficiency=1.0),),
    )
    lift = motors.slide(Load(mass=8.0), motors.actuator(efficiency=1.0))
    of = motors.machine(lift, arm)
    of = replace(of, presets={"low": replace(of.presets["low"], positions={"lift": 0.1, "arm": 0.0})})
    swing = Step("swing", Move((("arm", At(0.5)),)), profile="trapezoid")
    up = Step("raise", Move((("lift", At(0.9)),)), profile="trapezoid")
    found = feasibility_of(motors.planned(of, swing, up))
    assert peak(found, "raise").amps == pytest.approx(10.0 * (motors.GRAVITY + 2.0) / TURN / 0.02, rel=1e-3)
    held = 10.0 * motors.GRAVITY + 2.0 * 0.3 * 10.0  # the arm starts level: all of m l th'' is upwards
    assert peak(found, "").amps == pytest.approx(held / TURN / 0.02, rel=1e-3)


def test_the_worst_of_piece_and_counterbalance_is_taken() -> None:
    load = Load(mass=10.0, counterbalance=(30.0, 50.0))
    piece = Piece("brick", mass=1.5, carried_by="lift")
    of = motors.machine(motors.slide(load), pieces={"brick": piece})
    up = (11.5 * (motors.GRAVITY + 2.0) - 30.0) / 0.8
    assert peak(feasibility_of(motors.planned(of)), "raise").amps == pytest.approx(up / TURN / 0.02, rel=1e-4)
    bare = (10.0 * (motors.GRAVITY + 2.0) - 30.0) / 0.8
    found = feasibility_of(motors.planned(of), [None])
    assert peak(found, "raise").amps == pytest.approx(bare / TURN / 0.02, rel=1e-4)


def test_two_motors_share_what_one_would_take() -> None:
    pair = (motors.actuator("left"), motors.actuator("right"))
    one = feasibility_of(motors.planned(motors.machine(motors.slide(Load(mass=10.0)))))
    two = feasibility_of(motors.planned(motors.machine(motors.slide(Load(mass=10.0), *pair))))
    for name in ("left", "right"):
        assert peak(two, "raise", name).amps == pytest.approx(peak(one, "raise").amps / 2.0)


def test_a_pulse_and_a_press_take_what_stands_still_takes() -> None:
    rollers = Axis(
        "rollers",
        "spin",
        Limits(100.0, 1000.0),
        load=Load(inertia=1e-3),
        actuators=(replace(motors.actuator("feeder"), travel_per_turn=None, winding_limit=40.0),),
    )
    of = motors.machine(motors.slide(Load(mass=1.0)), rollers)
    spin = Step("spin", Pulse((Drive("rollers", -6.0, "voltage"),)), duration=10**9)
    lean = Step("lean", Press("lift", 18.0, 0.9), duration=10**9)
    found = feasibility_of(motors.planned(of, spin, lean))
    one = peak(found, "spin", "feeder")
    assert (one.volts, one.amps, one.watts) == (6.0, 40.0, pytest.approx(40.0**2 * 0.12))  # 6 V / 0.12 ohm is 50 A
    two = peak(found, "lean")
    assert (two.volts, two.amps) == (pytest.approx(18.0 * 0.12), pytest.approx(18.0))
    assert one.margin is two.margin is None


def too_weak(**changes: object) -> Examination:
    axis = motors.slide(Load(mass=10.0), motors.actuator(winding_limit=11.0), **changes)
    return examine(motors.routine(motors.machine(axis)))


def test_a_spring_that_is_stronger_than_all_motors_is_an_error_and_no_brake_is_sure() -> None:
    """One motor at 100 A and 12 V makes 2 N m 200 pi 0.8 = 1005 N; 3 kN less 98 N of weight are to be held."""
    axis = motors.slide(Load(mass=10.0, counterbalance=(3000.0, 3200.0)))
    examination = examine(motors.routine(motors.machine(axis)))
    assert examination.verdict == "conflict"
    assert any(finding.rule == "actuators" and finding.severity == "error" for finding in examination.findings)
    (brake,) = [finding for finding in examination.findings if finding.rule == "braking"]
    assert brake.found is not None
    assert brake.found < 0.0
    assert "its motors surely give -" in brake.message


def test_motors_that_cannot_follow_are_an_error_where_the_axis_then_faults_and_else_a_warning() -> None:
    """11 A make 11 * 0.02 * 200 pi * 0.8 = 110.6 N; 118.1 N are asked for."""
    examination = too_weak()
    (found,) = [finding for finding in examination.findings if finding.rule == "actuators"]
    assert (examination.verdict, found.severity, found.step) == ("conflict", "error", "raise")
    assert found.message.startswith("'raise' asks lift for 118 N at 0.")
    assert "; its motors have 111 N there at 12.2" in found.message
    assert found.message.endswith(" V, so that they cannot follow and the axis faults when it falls behind")
    assert found.found == pytest.approx(10.0 * (motors.GRAVITY + 2.0), rel=1e-4)
    assert found.allowed == pytest.approx(11.0 * 0.02 * TURN * 0.8, rel=1e-6)
    waits = too_weak(tolerance=Tolerance(0.005, following=0.05, behind="wait"))
    (found,) = [finding for finding in waits.findings if finding.rule == "actuators"]
    assert (waits.verdict, found.severity) == ("clear", "warning")
    assert "the motion waits for it" in found.message


def test_what_only_the_worst_load_makes_impossible_is_a_warning_that_names_it() -> None:
    """118.1 N with nothing, 127.5 N with 0.8 kg more: 12 A make 120.6 N."""
    axis = motors.slide(Load(mass=10.0), motors.actuator(winding_limit=12.0))
    of = motors.machine(axis, pieces={"brick": Piece("brick", mass=0.8, carried_by="lift")})
    (found,) = [finding for finding in examine(motors.routine(of)).findings if finding.rule == "actuators"]
    assert found.severity == "warning"
    assert " with brick; its motors have 121 N there" in found.message


def test_a_battery_that_breaks_down_is_found_over_the_declared_loads() -> None:
    """8.0 V - 0.02 * 50 A = 7 V less what the motor draws is below 7 V; with 10 A beside it, it is not."""
    of = motors.machine(motors.slide(Load(mass=2.0)), battery=Battery(8.0, 0.02, 7.0, (10.0, 50.0)))
    examination = examine(motors.routine(of))
    found = [finding for finding in examination.findings if finding.rule == "actuators"]
    assert {finding.severity for finding in found} == {"warning"}
    assert any("'raise' pulls the battery down to 6.9" in finding.message for finding in found)
    low = motors.machine(motors.slide(Load(mass=2.0)), battery=Battery(7.1, 0.02, 7.0, (10.0, 50.0)))
    found = [finding for finding in examine(motors.routine(low)).findings if "pulls the battery" in finding.message]
    assert {finding.severity for finding in found} == {"error"}


def test_with_one_of_two_dead_a_step_takes_as_much_longer_as_its_force_asks() -> None:
    """Level, no friction: F = m a. Two motors at 10 A each make 251 N, one 126 N; 20 kg at 10 m/s2 want 200 N, so that
    the accelerations must fall by 200 / 125.7, and the time grows by the root of that."""
    pair = tuple(motors.actuator(name, efficiency=1.0, winding_limit=10.0) for name in ("left", "right"))
    axis = motors.slide(Load(mass=20.0), *pair, direction=0.0, limits=Limits(0.5, 10.0))
    made = motors.planned(motors.machine(axis))
    found = feasibility_of(made)
    rows = one_dead(made, found)
    assert [(row.axis, row.actuator, row.step) for row in rows if row.step] == [
        ("lift", "left", "raise"),
        ("lift", "right", "raise"),
    ]
    slower = sqrt(200.0 / (10.0 * 0.02 * TURN))
    for row in rows:
        if row.step:
            assert row.slower == pytest.approx(slower, rel=1e-4)
            assert row.limits == pytest.approx((1.0 / slower, 1.0 / slower**2), rel=1e-4)


def test_what_one_motor_cannot_even_hold_does_not_work_and_what_it_can_works_as_planned() -> None:
    """10 A on each of two make 251 N at the axis; 15 kg weigh 147 N: one with 126 N cannot, with 30 A it can."""
    for limit, slower in ((10.0, None), (30.0, 1.0)):
        pair = tuple(motors.actuator(name, efficiency=1.0, winding_limit=limit) for name in ("left", "right"))
        made = motors.planned(motors.machine(motors.slide(Load(mass=15.0), *pair)))
        assert {row.slower for row in one_dead(made, feasibility_of(made))} == {slower}
    assert "no measure of what the chain" in CAUTION
    assert "Inspect it first" in CAUTION


def test_an_axis_with_one_motor_is_not_in_the_table_and_one_without_a_load_is_said() -> None:
    made = motors.planned(motors.machine(motors.slide(Load(mass=15.0))))
    assert one_dead(made, feasibility_of(made)) == ()
    bare = motors.machine(replace(motors.slide(Load(mass=1.0)), load=None))
    found = feasibility_of(motors.planned(bare))
    assert (found.peaks, found.not_judged) == ((), ("lift",))
    examination = examine(motors.routine(bare))
    assert examination.feasibility is None
    assert examination.assumes[-1] == "not judged: whether the actuators can follow, and where axes go without power"


def test_the_plant_bears_out_what_one_motor_of_two_still_does() -> None:
    """As planned the one that is left falls behind and the axis faults; as slow as the table says it gets there."""
    pair = tuple(motors.actuator(name, winding_limit=10.0, efficiency=0.9) for name in ("left", "right"))
    load = Load(mass=20.0, coulomb=10.0, viscous=5.0)
    axis = motors.slide(load, *pair, direction=0.0, limits=Limits(0.8, 8.0), between="carry_on")
    step = Step("raise", Move((("lift", At(0.9)),)), profile="trapezoid")
    of = motors.machine(replace(axis, tolerance=Tolerance(0.01, following=0.012)))
    made = plan(motors.routine(of, step))
    (row, *_) = [row for row in one_dead(made, feasibility_of(made)) if row.actuator == "left" and row.step]
    assert row.slower is not None
    assert row.slower > 1.2
    assert row.limits is not None
    velocity, acceleration = row.limits

    def outcome(limits: Limits) -> str:
        slowed = replace(of, axes={"lift": replace(of.axes["lift"], limits=limits)})
        checked = examine(motors.routine(slowed, step)).checked
        assert checked is not None
        return rehearse(checked, machine=slowed, faults=[ActuatorDead("lift", "left")]).outcome

    assert outcome(axis.limits) == "faulted"
    # A twentieth less, for what the loop needs to correct errors.
    assert outcome(Limits(0.95 * 0.8 * velocity, 0.95 * 8.0 * acceleration)) == "done"


masses = st.floats(0.5, 30.0)


@settings(max_examples=40, deadline=None)
@given(masses, masses, st.floats(0.0, 60.0), st.floats(5.0, 60.0))
def test_more_mass_never_takes_less_and_less_current_never_leaves_more(
    one: float, other: float, coulomb: float, limit: float
) -> None:
    def found(mass: float, amps: float) -> ActuatorPeak:
        axis = motors.slide(Load(mass=mass, coulomb=coulomb), motors.actuator(winding_limit=amps))
        return peak(feasibility_of(motors.planned(motors.machine(axis))), "raise")

    light, heavy = sorted((one, other))
    easy, hard = found(light, 60.0), found(heavy, 60.0)
    assert hard.amps >= easy.amps - 1e-9
    assert hard.volts >= easy.volts - 1e-9
    assert hard.margin is not None
    assert easy.margin is not None
    assert hard.margin <= easy.margin + 1e-9
    weak = found(heavy, limit)
    assert weak.margin is not None
    assert weak.margin <= hard.margin + 1e-9
    assert weak.amps <= limit + 1e-9


def test_a_dead_motor_still_rubs_and_turns_with_its_axis() -> None:
    """2 A without load are 2 * 2.0 / 98 N m of friction in each motor, 200 pi times that at the slide."""
    motor = replace(motors.MOTOR, no_load_current=2.0, rotor_inertia=1e-5)
    pair = tuple(replace(motors.actuator(name), motor=motor) for name in ("left", "right"))
    axis = motors.slide(Load(mass=10.0, coulomb=20.0), *pair)
    whole, dead = AxisDrive(axis), AxisDrive(axis, frozenset({"left"}))
    assert whole.friction(0.5) == dead.friction(0.5) == pytest.approx(20.0 + 2 * 2.0 * 2.0 / 98.0 * TURN)
    assert whole.inertia == dead.inertia == pytest.approx(2 * 1e-5 * TURN**2)
    assert dead.most(12.0, 0.0, 1.0, 0.0) == pytest.approx(whole.most(12.0, 0.0, 1.0, 0.0) / 2.0)


def test_a_turning_arm_pulls_outwards_at_its_slide() -> None:
    """Level at 2 rad/s, the arm points along the slide: m l w^2 = 2.4 N hold it back, and nothing else moves."""
    arm = Axis(
        "arm",
        "rotary",
        Limits(2.0, 10.0),
        (-1.0, 1.0),
        mount=Mount(to="lift"),
        tolerance=Tolerance(0.02),
        load=Load(mass=2.0, centre=(0.3, 0.0)),
        actuators=(replace(motors.actuator("turner"), ratio=50.0, travel_per_turn=None),),
    )
    of = motors.machine(motors.slide(Load(mass=8.0), direction=0.0), arm)
    of = replace(of, presets={"low": replace(of.presets["low"], positions={"lift": 0.1, "arm": -0.6})})
    swing = Step("swing", Move((("arm", At(0.6)),)), profile="trapezoid")
    table = demands_of(motors.planned(of, swing)).by_piece[None]
    passing = [n for n, one in enumerate(table["arm"]) if abs(one.velocity - 2.0) < 1e-9]
    for number in passing:
        angle = table["arm"][number].position
        assert table["lift"][number].moving == pytest.approx(-2.0 * 0.3 * 2.0**2 * cos(angle), abs=1e-6)
    assert len(passing) >= 3


def test_a_spring_that_is_too_strong_must_be_held_back() -> None:
    """Up with 118 N against nothing, or held back with 400 N - 118 N, of which the gear takes its part."""
    axis = motors.slide(Load(mass=10.0, counterbalance=(0.0, 400.0)))
    found = feasibility_of(motors.planned(motors.machine(axis)))
    # Most while it brakes: m (g - a) - 400 N, and then it is held at rest with m g - 400 N and no motion to help.
    assert peak(found, "raise").amps == pytest.approx((400.0 - 10.0 * motors.GRAVITY) / TURN / 0.02, rel=1e-3)


def test_with_one_of_two_dead_speed_falls_where_volts_run_out() -> None:
    """Level, 100 N of friction at 0.9 m/s: one motor needs 7.96 A, 0.955 V and 10.8 V; the battery has 11.34 V."""
    pair = tuple(motors.actuator(name, efficiency=1.0) for name in ("left", "right"))
    axis = motors.slide(Load(mass=0.1, coulomb=100.0), *pair, direction=0.0, limits=Limits(0.9, 4.0))
    made = motors.planned(motors.machine(axis))
    amps = 100.0 / TURN / 0.02
    fastest = (11.5 - 0.02 * amps - 0.12 * amps) / 12.0
    rows = [row for row in one_dead(made, feasibility_of(made)) if row.step]
    for row in rows:
        assert row.slower == pytest.approx(0.9 / fastest, rel=2e-3)


def test_a_pulse_counts_with_the_greatest_of_its_range_and_with_all_its_motors() -> None:
    feeders = tuple(replace(motors.actuator(name), travel_per_turn=None) for name in ("one", "two"))
    rollers = Axis("rollers", "spin", Limits(100.0, 1000.0), load=Load(inertia=1e-3), actuators=feeders)
    of = motors.machine(motors.slide(Load(mass=1.0)), rollers)
    spin = Step("spin", Pulse((Drive("rollers", "pull", "voltage"),)), duration=10**9)
    pull = NumberParameter("pull", 3.0, VOLTAGE, (-2.0, 6.0))
    found = feasibility_of(plan(replace(motors.routine(of, spin), parameters={"pull": pull})))
    assert peak(found, "spin", "one").volts == 6.0
    (sag,) = [sag for sag in found.sags if sag.step == "spin"]
    watts = 2 * 50.0**2 * 0.12  # 6 V / 0.12 ohm are 50 A in each
    held = peak(found, "").watts
    assert sag.volts == pytest.approx(0.5 * (11.5 + sqrt(11.5**2 - 4.0 * 0.02 * (watts + held))), rel=1e-6)


AMPS, VOLTS = 0.10, 0.05
"""What a loop that corrects errors draws beside the plan: at most so much more than it, in parts of it [1].

Ticks of 2 ms and no latency: with 20 ms the corrections alone are 4 to 8 A every tick on this machine.
"""


def test_peaks_are_those_of_the_plants_own_rehearsal() -> None:
    """The demo's ridge hang with the lantern and 60 A of other loads, the motors looked at every millisecond."""
    read = load_routine(DEMO / "hang_ridge.routine.yaml")
    axes = {name: replace(axis, latency=(0, 0)) for name, axis in read.machine.axes.items()}
    machine = replace(read.machine, period=2_000_000, longest_gap=100_000_000, axes=axes)
    fine = replace(read, machine=machine)
    checked = examine(fine).checked
    assert checked is not None
    runner = Runner([checked])
    runner.request("hang_ridge")
    start = machine.presets["carry"].positions
    plant = Plant(machine, start=start, piece="lantern", faults=(OtherLoad(60.0),))
    gauges = ScriptedGauges(machine, dict(fine.rehearsals[0].gauges))
    performance = Performance(runner, plant, gauges, {}, [], "hang_ridge", 60.0)
    seen: dict[tuple[str, str], tuple[float, float]] = {}
    least = 99.0
    while not performance.over:
        gap = performance.tick()
        active = [step.name for run in runner.status().runs for step in run.steps]
        for _ in range(gap // 1_000_000):
            plant.advance(1_000_000)
            least = min(least, plant.battery_voltage)
            for drive in plant.parts.driven:
                group = drive.controller.groups[0]
                for step in active:
                    volts, amps = seen.get((step, drive.axis.name), (0.0, 0.0))
                    now = abs(group.duty * plant.battery_voltage), abs(group.current)
                    seen[step, drive.axis.name] = max(volts, now[0]), max(amps, now[1])
    found = feasibility_of(plan(fine), ["lantern"])
    for step, axis in (("raise", "lift"), ("level", "wrist"), ("flick", "wrist"), ("retreat", "lift")):
        one = next(peak for peak in found.peaks if (peak.step, peak.axis) == (step, axis))
        volts, amps = seen[step, axis]
        assert volts == pytest.approx(one.volts, rel=VOLTS), step
        assert amps == pytest.approx(one.amps, rel=AMPS), step
    lowest = min(sag.volts for sag in found.sags)
    assert least == pytest.approx(lowest, abs=0.15)
