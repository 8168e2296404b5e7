"""The demo's routines on the demo machine with its bodies: clear where they should be, wrong where they say so."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer import load_routine, rehearse
from sequencer.check import examine

DEMO = Path(__file__).parents[2] / "demos" / "lantern"
CLEAR = ("hang_ridge", "pick_up", "drop", "to_stow")


@pytest.mark.parametrize("name", CLEAR)
def test_a_demo_routine_is_clear_and_its_rehearsals_are_never_held(name: str) -> None:
    """Not even where it leans on the post, which its machine's table of blocked positions knows nothing of."""
    routine = load_routine(DEMO / f"{name}.routine.yaml")
    checked = examine(routine).checked
    assert checked is not None
    for spec in routine.rehearsals:
        run = rehearse(checked, machine=routine.machine, spec=spec)
        assert all(expectation.held for expectation in run.expectations)
        assert [event.text for row in run.trace.rows for event in row.events if event.kind == "hold"] == []


def test_a_conflict_of_order_is_mended_by_one_gate_for_bodies_and_one_for_the_keep_out() -> None:
    found = examine(load_routine(DEMO / "broken_order.routine.yaml"))
    assert [(finding.rule, finding.hint) for finding in found.findings if finding.refuses] == [
        ("keep_out", "this line mends it: tilt: once: lift > 0.26 m"),
        ("clearance", "this line mends it: tilt: once: lift > 0.34 m"),
        ("clearance", "this line mends it: tilt: once: lift > 0.34 m"),
    ]


def test_the_gate_that_is_named_does_mend_it(tmp_path: Path) -> None:
    (tmp_path / "machine.yaml").write_text((DEMO / "machine.yaml").read_text())
    path = tmp_path / "mended.routine.yaml"
    text = (DEMO / "broken_order.routine.yaml").read_text()
    path.write_text(text.replace("with: rise}", "with: rise, once: lift > 0.34 m}"))
    assert examine(load_routine(path)).verdict == "clear"


def test_a_conflict_that_no_gate_mends_asks_for_a_detour(tmp_path: Path) -> None:
    found = examine(load_routine(DEMO / "broken_reach.routine.yaml"))
    assert found.verdict == "conflict"
    assert {finding.witness.between for finding in found.findings if finding.witness} == {("post", "lantern")}
    assert all("detour" in finding.hint for finding in found.findings)
    (tmp_path / "machine.yaml").write_text((DEMO / "machine.yaml").read_text())
    path = tmp_path / "mended.routine.yaml"
    text = (DEMO / "broken_reach.routine.yaml").read_text()
    detour = "steps:\n- fold: {move: {wrist: carry}}\n"
    text = text.replace("steps:\n", detour).replace("with: rise}", "after: rise}")
    path.write_text(text)
    assert examine(load_routine(path)).verdict == "clear"
