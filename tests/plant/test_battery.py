"""The battery's sag against published worked examples, and the brown-out."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.machine.actuator import Actuator, Motor
from sequencer.machine.axis import Load
from sequencer.machine.machine import Battery
from sequencer.plant import Plant
from sequencer.plant.battery import Supply
from sequencer.plant.motor import motor_groups
from sequencer.ports.orders import AxisOrder, Orders


def loaded(emf: float, inner: float, load: float, back_emf: float = 0.0) -> tuple[float, float]:
    """Bus voltage [V] and current [A] of a motor with winding `load` [ohm] on a battery with `inner` [ohm]."""
    (group,) = motor_groups([Actuator("a", Motor("m", 12.0, 0.1, 12.0 / load, 100.0), 1.0)])
    group.duty, group.emf, group.switching = 1.0, back_emf, "driven"
    supply = Supply(Battery(emf, inner, 0.0))
    supply.settle([group], 0.0)
    return supply.voltage, group.current


@pytest.mark.parametrize("name", ["openstax_battery_sag_light", "openstax_battery_sag_heavy", "openstax_battery_aged"])
def test_a_loaded_battery_sags_as_published(published, name):
    row = published[name]
    given, answer = row["inputs"], row["published_answer"]
    volts, current = loaded(given["emf"], given["r"], given["R_load"])
    assert volts == pytest.approx(answer["V"], abs=row["tolerance"])
    assert current == pytest.approx(answer["I"], abs=row["tolerance"])


def test_a_starter_motor_stalls_the_battery_as_published(published):
    row = published["openstax_starter_motor"]
    given, answer = row["inputs"], row["published_answer"]
    volts, current = loaded(given["emf"], given["r"], given["R"])
    assert (volts, current) == pytest.approx((answer["V"], answer["I"]), rel=1e-6)
    # corroded clamps stand in the battery's branch, so what is left for the motor is its own bus voltage
    volts, current = loaded(given["emf"], given["r"] + given["corrosion"], given["R"])
    assert (volts, current) == pytest.approx((answer["V_corroded"], answer["I_corroded"]), rel=1e-6)


def test_a_motor_on_four_cells_draws_the_published_current(published):
    row = published["openstax_motor_with_cells"]
    given, answer = row["inputs"], row["published_answer"]
    _, current = loaded(given["emf"], given["cells"] * given["r_cell"], answer["R_motor"], given["back_emf"])
    assert current == pytest.approx(given["I"], rel=1e-9)


def test_a_limited_motor_counts_with_the_power_it_takes():
    motor = Motor("m", 12.0, 2.7, 120.0, 570.0)
    (group,) = motor_groups([Actuator("a", motor, 1.0, winding_limit=40.0)])
    group.duty, group.emf, group.switching = 1.0, 0.0, "driven"
    supply = Supply(Battery(12.5, 0.02, 6.8))
    supply.settle([group], 0.0)
    assert group.current == 40.0
    drawn = (12.5 - supply.voltage) / 0.02
    assert drawn * supply.voltage == pytest.approx(40.0**2 * motor.resistance, rel=1e-9)


def test_other_loads_draw_the_mean_of_their_range():
    supply = Supply(Battery(12.5, 0.02, 6.8, (20.0, 80.0)))
    supply.settle([], 0.0)
    assert supply.voltage == pytest.approx(12.5 - 0.02 * 50.0)


def test_a_machine_without_a_battery_has_a_stiff_supply(build):
    plant = Plant(build.machine(battery=None))
    build.send(plant, 0.2, lift=AxisOrder("effort", 1.0, 0.0, 0.0, 0.0, 60.0))
    assert plant.least_battery is None
    assert plant.readings(0).battery is None
    assert plant.battery_voltage == 12.0


def browning_out(build) -> Plant:
    """A weak battery under rollers of great inertia at full voltage."""
    heavy = build.rollers(load=Load(inertia=0.05))
    unlimited = replace(heavy.actuators[0], winding_limit=None)
    weak = Battery(12.0, 0.12, 8.0)
    return Plant(build.machine(build.lift(), build.wrist(), replace(heavy, actuators=(unlimited,)), battery=weak))


def test_a_brown_out_latches_and_ends_with_hysteresis(build):
    plant = browning_out(build)
    full = {"rollers": AxisOrder("effort", volts=12.0)}
    plant.apply(Orders(0, full, {}))
    plant.advance(2_000_000)
    assert plant.state.dropped_out
    assert plant.least_battery < 8.0
    assert not plant.readings(0).enabled
    for _ in range(9):
        plant.apply(Orders(0, full, {}))
        plant.advance(20_000_000)
        assert plant.state.dropped_out  # not before the pause is over
        assert plant.state.currents["rollers"] == 0.0
    plant.apply(Orders(0, {"rollers": AxisOrder("off")}, {}))
    plant.advance(40_000_000)
    assert not plant.state.dropped_out
    assert plant.readings(0).enabled


def test_a_brown_out_costs_relative_encoders_their_zero(build):
    plant = browning_out(build)
    assert plant.readings(0).axes["lift"].zeroed
    plant.apply(Orders(0, {"rollers": AxisOrder("effort", volts=12.0)}, {}))
    plant.advance(20_000_000)
    readings = plant.readings(0)
    assert not readings.axes["lift"].zeroed
    assert readings.axes["wrist"].zeroed  # its sensor is not declared relative
