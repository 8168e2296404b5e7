from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path

import pytest

from profiles import Limits
from sequencer.files import FileErrors, load_machine
from sequencer.machine import Body, Clearance, KeepOut, MustStay
from sequencer.machine.axis import Load, Mount, RestCase, Tolerance
from sequencer.machine.condition import Compare, Is
from sequencer.machine.machine import Battery
from sequencer.machine.sensor import PlantLink
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
    assert lift.load == Load(
        mass=7.8, counterbalance=(58.0, 66.0), coulomb=18.0, breakaway=20.0, viscous=10.0, backlash=0.0004
    )
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
    assert piece.inertia == 2e-4
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
    assert list(machine.bodies) == ["hand", "stage", "bumper", "post"]
    assert machine.body_names() == ("hand", "stage", "bumper", "post", "lantern")
    assert machine.bodies["hand"] == Body("hand", "wrist", (((0.0, -0.05), (0.3, -0.08), (0.3, 0.08), (0.0, 0.05)),))
    assert (machine.bodies["stage"].carried_by, machine.bodies["stage"].share) == ("lift", 0.5)
    assert [len(part) for part in machine.bodies["bumper"].parts] == [4, 4]
    post = machine.bodies["post"]
    assert (post.carried_by, post.along, post.range, post.reading) == ("outside", "x", (0.25, 1.0), "range_to_hook")
    assert machine.clearances == (
        Clearance(("hand", "bumper"), 0.015),
        Clearance(("hand", "stage"), exempt="the hand hangs beside the stage"),
    )
    assert piece.parts == (((0.26, -0.1), (0.46, -0.1), (0.46, 0.1), (0.26, 0.1)),)
    assert machine.pieces["float"].parts == ()
    assert machine.sensors["range_to_hook"].plant == PlantLink(gap=("bumper", "post"))
    assert str(post.place).endswith("machine.yaml:78:3")
    assert str(machine.clearances[1].place).endswith("machine.yaml:82:3")


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
    """Y3, Y5: one mistake gives one error with its place (F10)."""
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


HAND = "[[0 m, -0.05 m], [0.30 m, -0.08 m], [0.30 m, 0.08 m], [0 m, 0.05 m]]"


def hand_of(lantern: Path, parts: str) -> Body:
    """The hand of the example machine with other parts."""
    file = lantern / "machine.yaml"
    file.write_text(file.read_text().replace(HAND, parts))
    return load_machine(file).bodies["hand"]


@pytest.mark.parametrize(
    "written",
    [
        "[[0 m, 0.05 m], [0.30 m, 0.08 m], [0.30 m, -0.08 m], [0 m, -0.05 m]]",
        "[[0 m, -0.05 m], [0.30 m, -0.08 m], [0.30 m, -0.08 m], [0.30 m, 0.08 m], [0 m, 0.05 m], [0 m, -0.05 m]]",
        "[[0 m, -0.05 m], [0.30 m, -0.08 m], [0.30 m, 0 m], [0.30 m, 0.08 m], [0 m, 0.05 m], [0, 0]]",
        "[[0 mm, -50 mm], [30 cm, -80 mm], [300 mm, 80 mm], [0, 5 cm]]",
    ],
    ids=["clockwise", "doubles", "vertices on a straight edge", "other units"],
)
def test_an_outline_whose_meaning_is_plain_is_cleaned_silently(lantern: Path, written: str) -> None:
    (part,) = hand_of(lantern, written).parts
    corners = [(0.0, -0.05), (0.3, -0.08), (0.3, 0.08), (0.0, 0.05)]
    first = corners.index(part[0])
    assert list(part) == corners[first:] + corners[:first]


def test_the_parts_that_are_advised_for_a_concave_one_are_read(lantern: Path, machine_errors: Spoil) -> None:
    corner = "[[0 m, 0 m], [0.3 m, 0 m], [0.3 m, 0.1 m], [0.1 m, 0.1 m], [0.1 m, 0.3 m], [0 m, 0.3 m]]"
    (line,) = machine_errors((HAND, corner))
    advised = line.partition("parts: [")[2].removesuffix("]")
    file = lantern / "machine.yaml"
    file.write_text(file.read_text().replace(corner, advised))
    parts = load_machine(file).bodies["hand"].parts
    twice_the_areas = [sum(a[0] * b[1] - a[1] * b[0] for a, b in zip(p, (*p[1:], p[0]), strict=True)) for p in parts]
    assert sum(twice_the_areas) == pytest.approx(2 * 0.05)


def test_a_margin_of_metres_for_millimetres_is_refused(machine_errors: Spoil) -> None:
    lines = machine_errors(("between: [hand, bumper], margin: 15 mm", "between: [hand, bumper], margin: 15 m"))
    assert lines == [
        "machine.yaml:81:3: clearances[0]: clearance between hand and bumper: a margin of 15 m; at most 2 m is allowed "
        "(are these millimetres?)"
    ]


def test_all_mistakes_in_parts_come_at_once_each_with_its_part(machine_errors: Spoil) -> None:
    lines = machine_errors(
        (
            "[[0.14 m, 0 m], [0.20 m, 0 m], [0.20 m, 0.12 m], [0.14 m, 0.12 m]]",
            "[[140 m, 0 m], [200 m, 0 m], [200 m, 120 m]]",
        ),
        (
            "[[-0.40 m, 0 m], [0.14 m, 0 m], [0.14 m, 0.04 m], [-0.40 m, 0.04 m]]",
            "[[-0.40 m, 0 m], [0.14 m, 0 m], [0.14 deg, 0.04 m]]",
        ),
        ("{between: [hand, bumper], margin: 15 mm}", "{between: [hand, bumpr], margin: 15 mm}"),
    )
    assert lines == [
        "machine.yaml:76:7: bodies.bumper.parts[0]: part 1 is 120 m across; at most 20 m is allowed "
        "(are these millimetres?)",
        "machine.yaml:77:40: bodies.bumper.parts[1][2][0]: '0.14 deg' is an angle (such as deg); "
        "a length (such as m) is needed",
        "machine.yaml:81:3: clearances[0]: clearance between hand and bumpr: unknown body 'bumpr'; "
        "did you mean 'bumper'?",
    ]


def test_a_body_that_could_not_be_read_is_no_unknown_body(machine_errors: Spoil) -> None:
    lines = machine_errors(("bumper:\n    carried_by: frame", "bumper:\n    carried_by: 3"))
    assert [line.split(": ")[1] for line in lines] == ["bodies.bumper.carried_by"]
    lines = machine_errors(("turns_to_leave: 1.5 turn, parts", "turns_to_leave: 1.5 m, parts"))
    assert "pieces.lantern.turns_to_leave" in [line.split(": ")[1] for line in lines]


def test_a_gap_may_stand_in_a_table_of_lines_without_quotes(lantern: Path) -> None:
    file = lantern / "machine.yaml"
    old = 'range_to_hook: {kind: number, unit: m, stale_after: 100 ms, plant: "gap(bumper, post)"}'
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, "range_to_hook:\n    kind: number\n    unit: m\n    plant: gap( post,bumper )"))
    assert load_machine(file).sensors["range_to_hook"].plant == PlantLink(gap=("post", "bumper"))


def test_a_gap_cut_at_its_comma_is_told_to_be_quoted(machine_errors: Spoil) -> None:
    lines = machine_errors(('plant: "gap(bumper, post)"', "plant: gap(bumper, post)"))
    assert any(
        line.endswith("in quotes where the table stands on one line, or the comma ends the value") for line in lines
    )


def test_a_switch_reads_no_gap(machine_errors: Spoil) -> None:
    assert machine_errors(("plant: lift < 3 mm", 'plant: "gap(hand, post)"')) == [
        "machine.yaml:45:38: sensors.lift_bottom.plant: a gap is a length, and the sensor reads a switch; "
        "write kind: number, unit: m"
    ]


def test_a_body_outside_stands_elsewhere_forward_or_up(lantern: Path) -> None:
    file = lantern / "machine.yaml"
    file.write_text(file.read_text().replace("along: x", "along: 'y'"))
    assert load_machine(file).bodies["post"].along == "y"
