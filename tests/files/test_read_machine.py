from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path

import pytest

from profiles import Limits
from sequencer.files import FileErrors, load_machine
from sequencer.machine import KeepOut, MustStay
from sequencer.machine.axis import Load, Mount, RestCase, Tolerance
from sequencer.machine.condition import Compare, Is
from sequencer.machine.machine import Battery
from sequencer.units import CURRENT, LENGTH, NUMBER, VOLTAGE

Spoil = Callable[..., list[str]]
MISTAKES = json.loads((Path(__file__).parents[1] / "cases" / "file_mistakes.json").read_text())


def test_every_key_of_the_example_reaches_the_model(lantern: Path) -> None:
    machine = load_machine(lantern / "machine.yaml")
    lift, wrist, rollers = machine.axes["lift"], machine.axes["wrist"], machine.axes["rollers"]
    assert (machine.name, machine.period, machine.longest_gap) == ("lantern hand", 20_000_000, 120_000_000)
    assert machine.battery == Battery(12.5, 0.02, 6.8, (3.0, 120.0))
    assert machine.motors["large"].no_load_speed == pytest.approx(5450 * 2 * math.pi / 60)
    assert lift.mount == Mount("frame", (-0.12, 0.16), math.radians(66))
    assert lift.travel == (0.0, 1.18)
    assert lift.limits == Limits((-1.5, 1.7), (-8.0, 6.0), 90.0)
    assert lift.tolerance == Tolerance(0.008, 60_000_000, 0.05, "wait", 0.04)
    assert [(one.name, one.ratio, one.travel_per_turn, one.efficiency) for one in lift.actuators] == [
        ("left", 6.0, 0.132, 0.88),
        ("right", 6.0, 0.132, 0.88),
    ]
    assert (lift.actuators[0].winding_limit, lift.actuators[0].supply_limit) == (40.0, 30.0)
    assert lift.position is not None
    assert (lift.position.actuators, lift.position.sense, lift.position.differ_by) == (
        ("left", "right"),
        "relative",
        0.015,
    )
    assert (lift.latency, lift.between, lift.stop, lift.unpowered) == (
        (10_000_000, 40_000_000),
        "carry_on",
        "ramp_then_hold",
        "sinks",
    )
    assert lift.zero is not None
    assert (lift.zero.move, lift.zero.then) == (-0.12, 0.0)
    assert lift.load == Load(mass=7.8, counterbalance=(58.0, 66.0), coulomb=18.0, breakaway=20.0, viscous=10.0)
    assert wrist.limits == Limits(math.radians(420), math.radians(1800), math.radians(30000))
    assert wrist.latency == (20_000_000, 20_000_000)
    assert wrist.tolerance.behind == "fault"
    assert rollers.travel is None
    assert [(case.mode, case.voltage) for case in rollers.rest] == [("voltage", 1.5), ("voltage", 0.0)]
    assert rollers.rest[0].when is not None
    assert rollers.rest[0].when.term == Is("piece", "lantern")
    assert machine.sensors["piece"].values == ("none", "lantern", "float")
    assert machine.sensors["piece"].plant is not None
    assert machine.sensors["piece"].plant.piece
    assert machine.sensors["range_to_hook"].dimension == LENGTH
    assert machine.sensors["tally"].dimension == NUMBER
    assert machine.sensors["wrist_seen"].plant is not None
    assert machine.sensors["wrist_seen"].plant.quantity == "wrist"
    derived = machine.sensors["lantern_in"].derived
    assert derived is not None
    assert (derived.source.term, derived.steady, derived.blind) == (
        Compare("rollers.current", ">", 24.0, CURRENT),
        80_000_000,
        250_000_000,
    )
    assert (machine.outputs["lamp"].rest, machine.outputs["chassis_may_leave"].rest) == ("dark", False)
    assert machine.outputs["glow"].dimension == VOLTAGE
    piece = machine.pieces["lantern"]
    assert (piece.mass, piece.centre, piece.gripped_by, piece.grip_torque) == (0.6, (0.34, 0.0), "rollers", 0.8)
    assert piece.turns_to_leave == pytest.approx(3 * math.pi)
    assert machine.presets["ridge"].positions == {"lift": 1.1, "wrist": math.radians(20)}
    low_tuck, low_lantern, cover = machine.interlocks
    assert isinstance(low_tuck, KeepOut)
    assert low_tuck.box == (("lift", (0.0, 0.2)), ("wrist", (math.radians(-95), math.radians(-40))))
    assert isinstance(low_lantern, KeepOut)
    assert low_lantern.when is not None
    assert isinstance(cover, MustStay)
    assert (cover.axes, cover.stop, cover.because) == (("lift", "wrist"), "ramp_then_off", "hands are near")
    assert str(lift.place).endswith("machine.yaml:9:3")


def test_only_axes_with_travel_and_limits_are_needed(tmp_path: Path) -> None:
    file = tmp_path / "machine.yaml"
    file.write_text(
        "machine: small\naxes:\n  lift:\n    kind: linear\n    travel: [0 m, 1 m]\n"
        "    limits: {velocity: 1 m/s, acceleration: 2 m/s2}\n    tolerance: {position: 5 mm}\n"
    )
    machine = load_machine(file)
    assert machine.axes["lift"].limits == Limits(1.0, 2.0)
    assert machine.longest_gap == 5 * machine.period == 100_000_000
    assert machine.battery is None
    assert machine.axes["lift"].rest == (RestCase("hold"),)


@pytest.mark.parametrize("row", MISTAKES["machine"], ids=lambda row: row["said"].split(": ")[1])
def test_one_mistake_gives_one_error_with_its_place(machine_errors: Spoil, row: dict[str, str]) -> None:
    """Y3, Y5: one mistake gives one error with its place."""
    assert machine_errors((row["old"], row["new"])) == [f"machine.yaml:{row['said']}"]


def test_all_errors_of_a_file_come_at_once_sorted_by_line(machine_errors: Spoil) -> None:
    """Y4: all errors of a file come at once sorted by line."""
    lines = machine_errors(
        ("travel: [-95 deg, 110 deg]", "travel: [-95, 110 m]"),
        ("period: 20 ms", "peroid: 20 ms"),
        ("stale_after: 200 ms", "stale_after: on"),
        ("rest: dark", "rest: drak"),
        ("cover: {must_stay", "cover: {must_stya"),
    )
    assert lines == [
        "machine.yaml:3:1: peroid: unknown key 'peroid'; did you mean 'period'?",
        "machine.yaml:29:14: axes.wrist.travel[0]: -95 has no unit; an angle (such as deg) is needed; "
        "write the number, a space and the unit",
        "machine.yaml:29:19: axes.wrist.travel[1]: '110 m' is a length (such as m); an angle (such as deg) is needed",
        "machine.yaml:46:70: sensors.piece.stale_after: 'on' is read as a truth value by some and as text by others; "
        "write true or false, or quote it",
        "machine.yaml:54:64: outputs.lamp.rest: 'drak' is not one of dark, steady, blinking; did you mean 'dark'?",
        "machine.yaml:69:3: interlocks.cover: an interlock has either 'keep_out' or 'must_stay'",
        "machine.yaml:69:11: interlocks.cover.must_stya: unknown key 'must_stya'; did you mean 'must_stay'?",
    ]


def test_the_error_gives_its_problems_as_data(lantern: Path) -> None:
    file = lantern / "machine.yaml"
    file.write_text(file.read_text().replace("period: 20 ms", "period: 20 mm"))
    with pytest.raises(FileErrors) as caught:
        load_machine(file)
    (problem,) = caught.value.problems
    assert (problem.place, problem.path, problem.found) == ((str(file), 3, 9), "period", "20 mm")
    assert problem.message == "'20 mm' is a length (such as m); a time (such as s) is needed"
