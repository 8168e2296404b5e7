"""Orders where the tracking bands are wide beside what remains between bodies."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer import check, load_machine, order
from sequencer.check import examine
from sequencer.check.ordered import order_with
from sequencer.ordering import Grid, Ordering

MACHINE = """\
machine: crane
axes:
  mast:
    kind: linear
    mount: {to: frame, at: [0 m, 0.1 m], direction: 80 deg}
    travel: [0 m, 0.9 m]
    limits: {velocity: 1.2 m/s, acceleration: 5 m/s2, jerk: 80 m/s3}
    tolerance: {position: 6 mm, settle: 60 ms, following: 30 mm}
  jib:
    kind: rotary
    mount: {to: mast, at: [0.05 m, 0 m], angle_from: level}
    travel: [-80 deg, 100 deg]
    limits: {velocity: 250 deg/s, acceleration: 1500 deg/s2, jerk: 40000 deg/s3}
    tolerance: {position: 2 deg, settle: 60 ms, following: 6 deg}
bodies:
  arm: {carried_by: jib, parts: [[[0 m, -0.03 m], [0.3 m, -0.03 m], [0.3 m, 0.03 m], [0 m, 0.03 m]]]}
  beam: {carried_by: frame, parts: [[[0.2 m, 0.55 m], [0.6 m, 0.55 m], [0.6 m, 0.6 m], [0.2 m, 0.6 m]]]}
clearances: [{between: [arm, beam], margin: 20 mm}]
presets:
  home: {mast: 0 m, jib: 90 deg}
  over: {mast: 0.85 m, jib: 0 deg}
  under: {mast: 0.2 m, jib: 0 deg}
  low: {mast: 0.1 m, jib: -40 deg}
"""


def test_a_way_that_no_cell_certifies_is_found_by_looking_at_its_own_boxes(tmp_path: Path) -> None:
    """Upright the arm passes the beam 31 mm clear; a cell with the bands about it is larger than that."""
    (tmp_path / "machine.yaml").write_text(MACHINE)
    machine = load_machine(tmp_path / "machine.yaml")
    home = machine.presets["home"].positions["jib"]
    tolerance = machine.axes["jib"].tolerance.position
    grid = Grid(machine)
    upright = [0.0, home - tolerance], [0.85, home + tolerance]
    assert not grid.free_sharp(*upright)
    assert grid.free_proved(*upright)
    routine = order(machine, "home", "over")
    (gate,) = [step.once for step in routine.steps if step.once is not None]
    assert "mast >" in str(gate)
    check(routine)


@pytest.mark.parametrize(("start", "goal"), [("over", "under"), ("under", "over"), ("over", "low"), ("low", "over")])
def test_a_way_past_the_beam_and_out_again_is_found_in_both_directions(start: str, goal: str, tmp_path: Path) -> None:
    """Both axes have to go by places of their own, upright past the beam, and no cell certifies these."""
    (tmp_path / "machine.yaml").write_text(MACHINE)
    machine = load_machine(tmp_path / "machine.yaml")
    routine, found = order_with(Ordering(machine), start, goal)
    assert found.kind == "detour"
    assert examine(routine).verdict == "clear"
