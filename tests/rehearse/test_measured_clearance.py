"""How near bodies come in a rehearsal: nothing thin is missed, nothing counts that is not there, places are true."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from math import inf
from pathlib import Path
from random import Random
from typing import Any

import pytest

from sequencer import load_routine
from sequencer.check.compile import compile_routine
from sequencer.clearance.box import Pair
from sequencer.clearance.tree import tree_of
from sequencer.errors import ModelError
from sequencer.files import FileErrors
from sequencer.pack import CheckedRoutine
from sequencer.plant import Plant
from sequencer.rehearse import Rehearsal, rehearse
from sequencer.rehearse.clearance import ClearanceWatch
from sequencer.rehearse.places import PlacesOutside
from sequencer.routine.routine import Routine

MACHINE = """
machine: flag hand
period: 20 ms
axes:
  turn:
    kind: rotary
    travel: [-90 deg, 90 deg]
    limits: {velocity: 14 rad/s, acceleration: 140 rad/s2}
    tolerance: {position: 1 deg, settle: 40 ms, following: 60 deg}
    latency: [20 ms, 20 ms]
  rollers: {kind: spin, mount: {to: turn, at: [0.3 m, 0 m]}, limits: {velocity: 300 rad/s, acceleration: 6000 rad/s2}}
sensors:
  piece: {kind: one_of, values: [none, lantern], plant: piece}
  range: {kind: number, unit: m}
  tip_gap: {kind: number, unit: m, plant: "gap(flag, post)"}
pieces:
  lantern: {mass: 0.1 kg, carried_by: turn, gripped_by: rollers, turns_to_leave: 1 turn,
    parts: [[[0.46 m, -1 mm], [0.5 m, -1 mm], [0.5 m, 1 mm], [0.46 m, 1 mm]]]}
presets:
  low: {turn: -1.2 rad}
  high: {turn: 1.5 rad}
bodies:
  flag: {carried_by: turn, parts: [[[0 m, -1 mm], [0.43 m, -1 mm], [0.43 m, 1 mm], [0 m, 1 mm]]]}
  pin: {carried_by: frame, parts: [PIN]}
  bumper: {carried_by: frame, parts: [[[-0.6 m, 0.5 m], [-0.5 m, 0.5 m], [-0.5 m, 0.6 m], [-0.6 m, 0.6 m]]]}
  post: {carried_by: outside, range: [0.6 m, 1.5 m], reading: range,
    parts: [[[0 m, -0.6 m], [0.1 m, -0.6 m], [0.1 m, 0.6 m], [0 m, 0.6 m]]]}
"""
PIN = "[[0.381 m, 0.117 m], [0.383 m, 0.117 m], [0.383 m, 0.119 m], [0.381 m, 0.119 m]]"
NO_PIN = "[[2 m, 2 m], [2.1 m, 2 m], [2.1 m, 2.1 m], [2 m, 2.1 m]]"

SWING = """
routine: swing
machine: machine.yaml
from: low
defaults: {timeout: 3 s}
steps:
- up: {move: {turn: high}}
"""

Run = Callable[..., Rehearsal]


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """Rehearses a routine's text; `pin` is where the pin stands, `swaps` change words of the machine's file."""

    def rehearsed(text: str = SWING, *swaps: tuple[str, str], pin: str = NO_PIN, **given: Any) -> Rehearsal:
        routine = load_into(tmp_path, text, pin, *swaps)
        spec = routine.rehearsals[0] if routine.rehearsals else None
        # Compiled, not checked: what a check would refuse has to be measured too.
        return rehearse(without_table(compile_routine(routine)), machine=routine.machine, spec=spec, **given)

    return rehearsed


def load_into(folder: Path, text: str = SWING, pin: str = NO_PIN, *swaps: tuple[str, str]) -> Routine:
    machine = MACHINE.replace("PIN", pin)
    for old, new in swaps:
        assert old in machine
        machine = machine.replace(old, new)
    (folder / "machine.yaml").write_text(machine, encoding="utf-8")
    (folder / "x.routine.yaml").write_text(text, encoding="utf-8")
    return load_routine(folder / "x.routine.yaml")


def without_table(checked: CheckedRoutine) -> CheckedRoutine:
    """A checked routine whose supervisor knows of no bodies, and so holds nothing back."""
    machine = {key: value for key, value in checked.machine.items() if key != "blocked"}
    return CheckedRoutine(machine, checked.routine)


def test_a_thin_pin_that_a_fast_flag_passes_between_two_readings_is_met(run: Run, tmp_path: Path) -> None:
    """C01: a tick takes the flag 0.28 rad on, and one step of the plant 6 mm past a pin of 2 mm."""
    found = run(pin=PIN)
    assert found.outcome == "done"
    assert found.clearance is not None
    assert set(found.clearance.between) == {"flag", "pin"}
    assert found.clearance.least < 0.0
    assert found.clearance.too_near
    tree, turns = tree_of(load_into(tmp_path, SWING, PIN).machine), found.trace.series("turn").values
    at_readings = [Pair(tree, "flag", "pin").distance(tree.values({"turn": float(turn)})) for turn in turns]
    assert min(at_readings) > 0.01, "a distance at each reading would have missed it"


def test_the_least_clearance_is_enclosed_to_a_tenth_of_a_millimetre(run: Run) -> None:
    """The post stands at 0.6 m; nearest is the flag when it lies level, 0.17 m away, passed at 14 rad/s."""
    found = run(places={"post": 0.6}).clearance
    assert found is not None
    assert set(found.between) == {"flag", "post"}
    assert found.least == pytest.approx(0.17, abs=1e-4)
    assert found.least - 1e-4 <= found.bound <= found.least
    assert (found.margin, found.too_near) == (0.0, False)


def test_what_is_enclosed_is_what_a_dense_search_finds(tmp_path: Path) -> None:
    """Positions and places that wander at random; the dense search looks 10 times within every step of the plant."""
    machine = load_into(tmp_path, SWING, PIN).machine
    source = Random(5)
    for _ in range(6):
        plant = Plant(machine, start={"turn": source.uniform(-1.5, 1.5)})
        places = PlacesOutside(machine, compile_routine(load_into(tmp_path)), {}, {"post": source.uniform(0.6, 0.9)})
        watch = ClearanceWatch(plant, [], places, {})
        turn, post = plant.positions()["turn"], plant.places["post"]
        instants = [(turn, post)]
        for tick in range(10):
            before = plant.places["post"]
            rows = []
            for _ in range(20):
                turn += source.uniform(-0.02, 0.02)
                rows.append((None, [turn, 0.0]))
            assert plant.path is not None
            plant.path.extend(rows)
            places.standing["post"] = before + source.uniform(-0.02, 0.02)
            watch.see(tick * 20_000_000, (tick + 1) * 20_000_000, {})
            after = plant.places["post"]
            for number, (_, (to, _)) in enumerate(rows):
                begin, here = instants[-1]
                there = before + (after - before) * (number + 1) / 20
                instants += [(begin + (to - begin) * k / 10, here + (there - here) * k / 10) for k in range(1, 11)]
        tree = tree_of(machine)
        number = tree.number("post")
        for least, asked in ((watch.result(), 0.0), (watch.nearest(0.2), 0.2)):
            dense = inf
            for pair in (Pair(tree, "flag", other) for other in ("pin", "bumper", "post")):
                values = tree.values({})
                for turned, stood in instants:
                    values[0], values[number] = turned, stood
                    dense = min(dense, pair.distance(values))
            assert least is not None
            assert least.bound <= dense
            assert abs(dense - least.least) <= 1e-4 + 1e-9
            assert not least.bound <= asked < least.least, "whether it is what was asked for is told exactly"


def test_a_margin_decides_which_pair_has_the_least_to_spare(run: Run) -> None:
    margin = ("bodies:", "clearances: [{between: [bumper, flag], margin: 0.5 m}]\nbodies:")
    found = run(SWING, margin, places={"post": 0.6}).clearance
    assert found is not None
    assert set(found.between) == {"bumper", "flag"}
    assert found.margin == 0.5
    assert 0.5 < found.least < 0.55


def test_a_piece_counts_while_the_machine_holds_it(run: Run) -> None:
    """It reaches 0.5 m out, the flag 0.43 m."""
    assert run(piece="lantern", places={"post": 0.6}).clearance.least == pytest.approx(0.1, abs=1e-4)
    let_go = SWING.replace("- up", "- spit: {pulse: {rollers: -12 V}, for: 1 s}\n- up")
    assert run(let_go, piece="lantern", places={"post": 0.6}).clearance.least < 0.18
    assert run(places={"post": 0.6}).clearance.least == pytest.approx(0.17, abs=1e-4)


TOUCH = """
routine: touch
machine: machine.yaml
from: low
defaults: {timeout: 3 s}
steps:
- up: {move: {turn: 0.9 rad}, touching: [flag, pin]}
- down: {move: {turn: 0 rad}}
"""


def test_a_pair_may_touch_during_just_its_step(run: Run) -> None:
    """The flag passes the pin upwards, and then once more downwards, which nothing permits."""
    both = run(TOUCH, pin=PIN)
    assert (both.outcome, [step.outcome for step in both.steps]) == ("done", ["done", "done"])
    assert both.clearance.least < 0.0
    assert both.steps[1].start <= both.clearance.at <= both.steps[1].end
    up_only = run(TOUCH[: TOUCH.index("- down")], pin=PIN)
    assert up_only.outcome == "done"
    assert up_only.clearance.least > 0.05


@pytest.mark.parametrize(("asked", "held"), [("0.16 m", True), ("0.1699 m", True), ("0.171 m", False)])
def test_an_expected_clearance_is_judged_by_what_was_measured(run: Run, asked: str, held: bool) -> None:
    text = SWING + f"rehearsals:\n- plain: {{gauges: {{range: 0.6 m}}, expect: {{clearance: {asked}}}}}\n"
    (judged,) = run(text).expectations
    assert (judged.name, judged.held, judged.allowed) == ("clearance", held, asked)
    assert judged.found.startswith("0.17 m between flag and post at 0.")


def test_what_was_measured_is_plain_data_for_json(run: Run) -> None:
    data = json.loads(json.dumps(run(places={"post": 0.6}).as_json()))["clearance"]
    assert set(data) == {"least", "bound", "margin", "between", "at"}
    assert sorted(data["between"]) == ["flag", "post"]
    assert data["least"] == pytest.approx(0.17, abs=1e-4)


def test_an_expectation_that_nothing_measures_is_not_held(run: Run) -> None:
    text = SWING + "rehearsals:\n- plain: {expect: {clearance: 1 mm}}\n"
    exempt = ", ".join(f"{{between: [flag, {other}], exempt: for once}}" for other in ("pin", "bumper", "post"))
    pieces = ", ".join(f"{{between: [lantern, {other}], exempt: for once}}" for other in ("pin", "bumper", "post"))
    found = run(text, ("bodies:", f"clearances: [{exempt}, {pieces}]\nbodies:"))
    assert found.clearance is None
    (judged,) = found.expectations
    assert (judged.held, judged.found) == (False, "no two bodies that count")


def test_a_machine_without_bodies_measures_nothing_and_loads_nothing_for_it(tmp_path: Path) -> None:
    bare = MACHINE[: MACHINE.index("bodies:")].replace(
        '  tip_gap: {kind: number, unit: m, plant: "gap(flag, post)"}\n', ""
    )
    (tmp_path / "machine.yaml").write_text(bare, encoding="utf-8")
    (tmp_path / "x.routine.yaml").write_text(SWING, encoding="utf-8")
    code = (
        "import sys; from sequencer import load_routine; from sequencer.check.compile import compile_routine\n"
        "from sequencer.rehearse import rehearse; r = load_routine(sys.argv[1]); c = compile_routine(r)\n"
        "found = rehearse(c, machine=r.machine); assert found.outcome == 'done' and found.clearance is None\n"
        "print([name for name in sys.modules if name.startswith('sequencer.clearance.') or name == 'numpy'])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "x.routine.yaml")], capture_output=True, text=True, check=True
    )
    assert "sequencer.rehearse.clearance" not in done.stdout
    assert "numpy" not in done.stdout


# Where bodies outside stand.


def test_a_script_of_its_reading_moves_a_body_outside(run: Run) -> None:
    """The post comes near only while the flag points away from it."""
    text = SWING.replace("- up", "- near: {wait: 1 s}\n- up")
    table = [(0, 0.61), (500_000_000, 0.61), (900_000_000, 1.5)]
    moved = run(text, gauges={"range": table})
    stays = run(text, gauges={"range": 0.61})
    assert stays.clearance.least == pytest.approx(0.18, abs=1e-4)
    assert moved.clearance.least > 0.4
    assert moved.trace.rows[-1].sensors[1][0] == 1.5


def test_a_body_that_nothing_moves_stands_in_the_middle_of_what_the_routine_says(run: Run) -> None:
    assert run().trace.rows[0].sensors[1][0] == pytest.approx(1.05)
    narrowed = SWING.replace("defaults:", "outside: {post: {range: [1.2 m, 1.4 m]}}\ndefaults:")
    assert run(narrowed).trace.rows[0].sensors[1][0] == pytest.approx(1.3)


def test_a_gap_is_the_true_distance_of_two_bodies_on_the_plant(run: Run, tmp_path: Path) -> None:
    found = run(places={"post": 0.7})
    tree = tree_of(load_into(tmp_path).machine)
    pair = Pair(tree, "flag", "post")
    gaps, turns = found.trace.series("tip_gap").values, found.trace.series("turn").values
    assert len(gaps) > 20
    for gap, turn in zip(gaps, turns, strict=True):
        assert gap == pytest.approx(pair.distance(tree.values({"turn": float(turn), "post": 0.7})), abs=1e-12)


def test_a_gap_of_bodies_that_overlap_is_0_and_one_of_a_piece_that_is_not_there_is_unknown(tmp_path: Path) -> None:
    swap = ('plant: "gap(flag, post)"', 'plant: "gap(lantern, post)"')
    machine = load_into(tmp_path, SWING, NO_PIN, swap).machine
    assert Plant(machine).readings(0).sensors["tip_gap"] is None
    holding = Plant(machine, piece="lantern")
    holding.places["post"] = 0.45
    assert holding.readings(0).sensors["tip_gap"] == 0.0
    holding.places["post"] = 0.62
    assert holding.readings(0).sensors["tip_gap"] == pytest.approx(0.12)


GAP = ("range: {kind: number, unit: m}", 'range: {kind: number, unit: m, plant: "gap(bumper, post)"}')


def test_a_script_of_a_gap_puts_the_body_where_that_is_true(run: Run) -> None:
    """The bumper ends 0.5 m behind place 0, level with the post."""
    found = run(SWING, GAP, gauges={"range": [(0, 1.7), (1_000_000_000, 1.15)]})
    own = run(gauges={"range": [(0, 1.2), (1_000_000_000, 0.65)]})
    assert found.clearance.least == pytest.approx(own.clearance.least, abs=1e-7)
    assert found.clearance.between == own.clearance.between
    assert found.trace.rows[0].sensors[1][0] == 1.7
    still = run(SWING, GAP, places={"post": 0.8})
    assert still.trace.rows[0].sensors[1][0] == pytest.approx(1.3)


@pytest.mark.parametrize(
    ("swaps", "given", "message"),
    [
        (
            (),
            {"gauges": {"range": 0.2}},
            "gauges: 'range' at 0.2 m: 'post' would stand at 0.2 m, outside its range, 0.6 m to 1.5 m",
        ),
        (
            (GAP,),
            {"gauges": {"range": [(0, 1.9), (1, 2.2)]}},
            "gauges: 'range' reads 2.2 m, and wherever 'post' stands in its range that gap is 1.1 m to 2 m",
        ),
        (
            (),
            {"places": {"post": 0.1}},
            "places: 'post' would stand at 0.1 m, outside its range, 0.6 m to 1.5 m",
        ),
        ((), {"places": {"pst": 0.9}}, "places: 'pst' is no body outside the machine; did you mean 'post'?"),
        (
            (),
            {"places": {"post": 0.9}, "gauges": {"range": 0.9}},
            "places: 'post' is moved by the script of 'range'; give one of the two",
        ),
        (
            ((", reading: range", ""),),
            {"gauges": {"tip_gap": 0.3}},
            "gauges: 'tip_gap' is the gap of flag and post on the plant, and a script for it does not move 'post'; "
            "write reading: tip_gap at that body in the machine file",
        ),
        (
            (GAP, ("range: [0.6 m, 1.5 m]", "range: [-1.5 m, 1.5 m]")),
            {"gauges": {"range": 0.3}},
            "gauges: the gap of bumper and post does not tell where 'post' stands: "
            "it is 0.8 m at -1.5 m and 0.7766 m at -1.477 m",
        ),
    ],
)
def test_places_that_cannot_be_are_refused(
    run: Run, swaps: tuple[tuple[str, str], ...], given: dict[str, Any], message: str
) -> None:
    with pytest.raises(ModelError) as caught:
        run(SWING, *swaps, **given)
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("swap", "message"),
    [
        (
            ("range: {kind: number, unit: m}", 'range: {kind: number, unit: m, plant: "gap(flag, post)"}'),
            "body 'post': 'range' reads something else on the plant; what tells a place has no plant link, or the gap "
            "of 'post' and a body carried by the frame",
        ),
        (
            ("  post: {", "  wall: {carried_by: outside, range: [3 m, 4 m], reading: range, parts: [PIN]}\n  post: {"),
            "'wall' and 'post' have one reading, 'range'; a sensor tells of one body; what stands together can be one "
            "body of several parts",
        ),
    ],
)
def test_a_reading_that_tells_no_place_is_refused_with_the_file(
    tmp_path: Path, swap: tuple[str, str], message: str
) -> None:
    with pytest.raises(FileErrors) as caught:
        load_into(tmp_path, SWING, NO_PIN, (swap[0], swap[1].replace("PIN", NO_PIN)))
    assert [problem.message for problem in caught.value.problems] == [message]
