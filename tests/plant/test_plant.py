"""The plant as a whole: it follows, waits for its orders, drops out, and says what it feels."""

from __future__ import annotations

from dataclasses import replace
from math import radians

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from profiles import s_curve
from sequencer.errors import ModelError
from sequencer.machine.axis import Load, Mount
from sequencer.machine.feedforward import feedforward
from sequencer.machine.machine import Battery
from sequencer.machine.piece import Piece
from sequencer.plant import Plant
from sequencer.ports.orders import AxisOrder, Orders

START = {"lift": 0.1, "wrist": 1.5}
UNBALANCED = Load(mass=7.8, coulomb=18.0, viscous=10.0)
"""Without its spring the lift outweighs its friction and that of its motors."""


def moves(machine):
    limits = {name: machine.axes[name].limits for name in ("lift", "wrist")}
    return {"lift": s_curve(0.1, 1.0, limits["lift"]), "wrist": s_curve(1.5, 0.3, limits["wrist"])}


def carried_on(build):
    return build.machine(build.lift(between="carry_on"), build.wrist(between="carry_on"), build.rollers())


def test_a_fast_coordinated_move_is_followed_and_ends_within_tolerance(build):
    machine = carried_on(build)
    plant, profiles, errors = Plant(machine, start=START), moves(machine), {"lift": 0.0, "wrist": 0.0}

    def watch(time):
        for name, position in plant.positions().items():
            errors[name] = max(errors[name], abs(position - profiles[name].at(time).position))

    build.follow(plant, profiles, 1.5, watch)
    for name, position in plant.positions().items():
        axis = machine.axes[name]
        assert errors[name] < axis.tolerance.following
        assert abs(position - profiles[name].goal.position) < axis.tolerance.position / 2.0
        assert plant.state.speeds[name] == 0.0


def test_halving_the_step_of_the_mechanism_changes_positions_by_less_than_a_tenth_of_a_millimetre(build):
    machine = carried_on(build)
    tracks = []
    for substeps in (1, 2):
        plant, track = Plant(machine, start=START, substeps=substeps), []
        build.follow(plant, moves(machine), 1.5, lambda _, plant=plant, track=track: track.append(plant.positions()))
        tracks.append(track)
    for coarse, fine in zip(*tracks, strict=True):
        assert abs(coarse["lift"] - fine["lift"]) < 1e-4  # m
        assert abs(coarse["wrist"] - fine["wrist"]) < 1e-3  # rad, 0.3 mm at the end of the hand


def test_orders_that_are_held_are_passed_late_and_carried_on_ones_in_time(build):
    """A wrist that passes 58 degrees on its way up: the held order trails by half a period, the other by little."""
    late = {}
    for between in ("hold", "carry_on"):
        machine = build.machine(build.lift(), build.wrist(between=between), build.rollers())
        profile = s_curve(radians(-6.0), radians(100.0), machine.axes["wrist"].limits)
        plant, track = Plant(machine, start={"wrist": radians(-6.0)}), []
        machine_1kHz = 20
        known = feedforward(machine, "wrist")
        for tick in range(40):
            position, velocity, acceleration = profile.at(tick * 0.02)
            volts = known["velocity"] * velocity + known["acceleration"] * acceleration + known["cosine"]
            plant.apply(Orders(tick, {"wrist": AxisOrder("track", position, velocity, acceleration, volts)}, {}))
            for _ in range(machine_1kHz):
                plant.advance(1_000_000)
                track.append(plant.positions()["wrist"])
        passed = next(index for index, position in enumerate(track, 1) if position >= radians(58.0))
        late[between] = passed * 1e-3 - profile.first_time_at(radians(58.0))
    assert 0.005 < late["hold"] < 0.020
    assert abs(late["carry_on"]) < 0.004


def test_the_same_seed_gives_the_same_run_and_another_gives_other_latencies(build):
    machine = build.machine(build.lift(latency=(10_000_000, 40_000_000)), build.wrist(), build.rollers())

    def end(seed):
        plant = Plant(machine, start=START, seed=seed)
        build.follow(plant, moves(machine), 0.5)
        return plant.state

    assert end(3) == end(3)
    assert end(3) != end(5)  # 17 and 29 ms
    latencies = {Plant(machine, seed=seed).latencies["lift"] for seed in range(20)}
    assert len(latencies) == 20
    assert all(10_000_000 <= latency <= 40_000_000 for latency in latencies)


def test_orders_move_an_axis_only_after_its_latency(build):
    machine = build.machine(build.lift(latency=(30_000_000, 30_000_000)), build.wrist(), build.rollers())
    plant = Plant(machine, start=START)
    held = plant.positions()["lift"]
    plant.apply(Orders(0, {"lift": AxisOrder("track", 0.3, 1.0, 0.0, 8.0)}, {}))
    plant.advance(29_000_000)
    assert plant.positions()["lift"] == pytest.approx(held, abs=1e-6)
    plant.advance(20_000_000)
    assert plant.positions()["lift"] > held + 1e-3


def test_without_orders_the_drives_drop_out_after_the_longest_gap(build):
    machine = build.machine(build.lift(load=UNBALANCED), build.wrist(), longest_gap=100_000_000)
    plant = Plant(machine, start={"lift": 0.8})
    build.send(plant, 0.1, lift=AxisOrder("hold", 0.8, volts=feedforward(machine, "lift")["constant"]))
    plant.advance(79_000_000)
    assert plant.positions()["lift"] == pytest.approx(0.8, abs=0.004)
    assert plant.state.currents["lift"] != 0.0
    plant.advance(200_000_000)
    assert plant.state.currents["lift"] == 0.0
    assert plant.positions()["lift"] < 0.79  # it sinks


def test_a_braked_axis_sinks_slower_than_one_without_drive(build):
    sunk = {}
    for mode in ("off", "brake"):
        machine = build.machine(build.lift(load=UNBALANCED), build.wrist())
        plant = Plant(machine, start={"lift": 0.8, "wrist": radians(-90.0)})
        build.send(plant, 0.5, lift=AxisOrder(mode), wrist=AxisOrder("off"))
        sunk[mode] = 0.8 - plant.positions()["lift"]
    assert 0.0 < sunk["brake"] < 0.25 * sunk["off"]


def test_effort_pushes_with_its_current_up_to_its_position_and_speed(build):
    plant = Plant(build.machine(), start={"lift": 0.2})
    order = AxisOrder("effort", position=0.5, velocity=0.3, volts=0.6, current=60.0)
    fastest = 0.0
    for _ in range(100):
        build.send(plant, 0.02, lift=order)
        fastest = max(fastest, plant.state.speeds["lift"])
    assert fastest == pytest.approx(0.3, rel=0.1)
    assert plant.positions()["lift"] == pytest.approx(0.5, abs=0.01)


def test_effort_against_a_stop_draws_the_ordered_current(build):
    plant = Plant(build.machine(), start={"lift": 0.02})
    push = AxisOrder("effort", position=-0.1, velocity=0.3, current=-20.0)
    build.send(plant, 0.5, lift=push)
    assert plant.positions()["lift"] == 0.0
    plant.readings(0)
    build.send(plant, 0.1, lift=push)
    assert plant.readings(0).axes["lift"].current == pytest.approx(-20.0, rel=0.02)


def test_spins_are_driven_by_volts_and_by_speed(build):
    plant = Plant(build.machine())
    known = feedforward(plant.machine, "rollers")
    build.send(plant, 0.5, rollers=AxisOrder("effort", volts=6.0))
    free = (6.0 - known["coulomb"]) / known["velocity"]
    assert plant.state.speeds["rollers"] == pytest.approx(free, rel=0.06)  # the gear loses some more
    volts = known["velocity"] * 150.0 + known["coulomb"]
    build.send(plant, 0.5, rollers=AxisOrder("track", velocity=150.0, volts=volts))
    assert plant.state.speeds["rollers"] == pytest.approx(150.0, rel=0.02)
    assert plant.readings(0).axes["rollers"].position is None


def test_an_axis_without_load_or_actuators_does_exactly_what_it_is_ordered(build):
    ideal = build.machine(build.lift(load=None, latency=(20_000_000, 20_000_000)), build.wrist(actuators=(), load=None))
    plant = Plant(ideal, start=START)
    profiles = moves(ideal)
    build.follow(plant, profiles, 1.02)
    # what was ordered a tick and the latency ago
    assert plant.positions()["lift"] == profiles["lift"].at(0.98).position
    assert plant.positions()["wrist"] == profiles["wrist"].at(1.00).position


def test_an_ideal_axis_carries_on_with_its_speed_between_orders(build):
    ideal = build.machine(build.lift(load=None, between="carry_on"))
    plant = Plant(ideal, start={"lift": 0.2})
    plant.apply(Orders(0, {"lift": AxisOrder("track", 0.2, 0.5, 1.0)}, {}))
    plant.advance(10_000_000)
    assert plant.positions()["lift"] == pytest.approx(0.2 + 0.5 * 0.01 + 0.5 * 1.0 * 0.01**2, rel=1e-12)


def test_an_ideal_carrier_shakes_what_it_carries(build):
    """The hand hangs loose below its hinge; a slide that speeds up forwards leaves it behind."""
    slide = build.lift(load=None, between="carry_on", mount=Mount("frame", (0.0, 0.0), 0.0))
    hand = build.wrist(load=Load(mass=3.0, centre=(0.22, 0.0)))
    plant = Plant(build.machine(slide, hand), start={"lift": 0.0, "wrist": radians(-90.0)})
    for tick in range(5):
        time = tick * 0.02
        order = AxisOrder("track", 2.0 * time * time, 4.0 * time, 4.0)
        plant.apply(Orders(tick, {"lift": order, "wrist": AxisOrder("off")}, {}))
        plant.advance(20_000_000)
    # m l x'' sin(angle) + M22 th'' = 0 at first: the reflected rotor and frictions are small beside it
    assert plant.positions()["wrist"] < radians(-90.5)


def test_a_period_that_is_no_whole_number_of_milliseconds_is_met_exactly(build):
    plant = Plant(build.machine(), start=START)
    plant.advance(16_666_667)
    plant.advance(0)
    assert plant.state.time_ns == 16_666_667


def test_the_axis_stays_on_its_stop(build):
    plant = Plant(build.machine(build.lift(load=UNBALANCED), build.wrist()), start={"lift": 0.3})
    for _ in range(60):
        build.send(plant, 0.02, lift=AxisOrder("off"), wrist=AxisOrder("hold", 0.0))
        assert plant.positions()["lift"] >= 0.0
    assert plant.positions()["lift"] == 0.0
    assert plant.state.impacts["lift"] > 1.0


@settings(max_examples=15, deadline=None)
@given(lift=st.floats(0.1, 1.1), wrist=st.floats(-1.5, 1.8), mode=st.sampled_from(["off", "brake"]))
def test_without_drive_energy_never_grows(build, lift, wrist, mode):
    from_rest = {"lift": lift, "wrist": wrist}
    plant = Plant(build.machine(build.lift(load=UNBALANCED), build.wrist()), start=from_rest)
    build.send(plant, 0.02, lift=AxisOrder(mode), wrist=AxisOrder(mode))
    least = plant.energy()
    for _ in range(40):
        build.send(plant, 0.02, lift=AxisOrder(mode), wrist=AxisOrder(mode))
        assert plant.energy() <= least + 1e-4  # J, of about 100 J that are in play
        least = min(least, plant.energy())


def test_motors_put_in_what_motion_height_and_friction_take(build):
    """Work of the motors over a move = energy gained + work of known friction; gears without loss make that exact."""
    free = replace(build.LARGE, no_load_current=0.0)
    drives = tuple(replace(drive, motor=free, efficiency=1.0) for drive in build.lift().actuators)
    machine = build.machine(build.lift(actuators=drives, load=UNBALANCED, between="carry_on"))
    plant = Plant(machine, start={"lift": 0.1})
    profile = s_curve(0.1, 1.0, machine.axes["lift"].limits)
    before, work, friction = plant.energy(), 0.0, 0.0
    force_per_ampere = free.torque_per_ampere * drives[0].motor_turn
    known = feedforward(machine, "lift")
    for step in range(900):
        position, velocity, acceleration = profile.at(step * 1e-3)
        volts = known["constant"] + known["velocity"] * velocity + known["acceleration"] * acceleration
        plant.apply(Orders(step, {"lift": AxisOrder("track", position, velocity, acceleration, volts)}, {}))
        at, speed = plant.positions()["lift"], plant.state.speeds["lift"]
        plant.advance(1_000_000)
        moved = plant.positions()["lift"] - at
        work += force_per_ampere * plant.state.currents["lift"] * moved
        friction += 18.0 * abs(moved) + 10.0 * (speed + plant.state.speeds["lift"]) / 2.0 * moved
    gained = plant.energy() - before
    assert gained > 60.0  # J
    # currents are those at the start of a step; what they fall by within it is the drag of a millisecond
    assert work == pytest.approx(gained + friction, rel=0.02)


def test_an_axis_with_every_actuator_out_of_service_is_without_drive(build):
    out = tuple(replace(drive, out_of_service=True) for drive in build.lift().actuators)
    plant = Plant(build.machine(build.lift(actuators=out, load=UNBALANCED)), start={"lift": 0.8})
    build.send(plant, 0.3, lift=AxisOrder("hold", 0.8))
    assert plant.positions()["lift"] < 0.75
    assert plant.state.currents["lift"] == 0.0


def test_motion_sags_the_battery_and_the_least_is_kept(build):
    machine = build.machine(battery=Battery(12.5, 0.03, 6.8, (3.0, 120.0)))
    plant = Plant(machine, start=START)
    resting = plant.battery_voltage
    assert resting == pytest.approx(12.5 - 0.03 * 61.5)
    build.follow(plant, moves(machine), 1.0)
    assert plant.least_battery < resting - 0.1


def test_a_carried_piece_weighs_on_the_axes_that_carry_it(build):
    machine = build.machine(pieces={"stone": Piece("stone", 3.0, "rollers", (0.0, 0.0), "rollers")})
    loaded, empty = Plant(machine, piece="stone"), Plant(machine)
    for plant in (loaded, empty):
        build.send(plant, 0.4, lift=AxisOrder("hold", 0.5), wrist=AxisOrder("hold", 0.0))
    assert loaded.readings(0).axes["wrist"].current > empty.readings(0).axes["wrist"].current + 1.0
    assert loaded.energy() > empty.energy()


def test_a_start_that_cannot_be_is_refused_with_the_nearest_name(build):
    machine = build.sensed()
    for wrong, text in (
        ({"start": {"lfit": 0.1}}, "start: unknown axis 'lfit'; did you mean 'lift'?"),
        ({"start": {"rollers": 0.1}}, "start: 'rollers' is a spin and has no position"),
        ({"start": {"lift": 2.0}}, "start: lift at 2 m is outside its travel, 0 m to 1.18 m"),
        ({"piece": "lamtern"}, "unknown piece 'lamtern'; did you mean 'lantern'?"),
    ):
        with pytest.raises(ModelError) as caught:
            Plant(machine, **wrong)
        assert str(caught.value) == text


def test_axes_with_motors_but_nothing_to_move_are_refused(build):
    massless = replace(build.LARGE, rotor_inertia=0.0)
    still = replace(build.rollers().actuators[0], motor=massless)
    with pytest.raises(ModelError, match="axis 'rollers' moves nothing; declare the inertia of its load"):
        Plant(build.machine(build.lift(), build.wrist(), build.rollers(actuators=(still,), load=Load())))
    light = replace(build.lift().actuators[0], motor=massless)
    with pytest.raises(ModelError, match="axis 'lift' moves nothing; declare the mass of its load"):
        Plant(build.machine(build.lift(actuators=(light,), load=Load(coulomb=3.0))))


def test_orders_for_an_axis_that_is_not_there_are_refused(build):
    with pytest.raises(ModelError, match=r"orders for unknown axis 'lifft'; did you mean 'lift'\?"):
        Plant(build.machine()).apply(Orders(0, {"lifft": AxisOrder("off")}, {}))
