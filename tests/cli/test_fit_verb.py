"""``stepgraph fit``."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Call = Callable[..., Any]
LANTERN = Path(__file__).parents[2] / "demos/lantern"
LOGS = [str(LANTERN / f"logs/attempts_{number}.csv") for number in (1, 2)]


@pytest.fixture
def machine(folder: Path) -> Path:
    """The demo's machine with a lift that its file says to be lighter than it is."""
    text = (LANTERN / "machine.yaml").read_text().replace("{mass: 7.8 kg, counter", "{mass: 5 kg, counter")
    path = folder / "lantern.yaml"
    path.write_text(text)
    return path


def test_a_fit_tells_its_numbers_and_what_would_change(machine: Path, call: Call) -> None:
    before = machine.read_bytes()
    done = call("fit", *LOGS, "--machine", str(machine), "--axis", "lift")
    assert done.code == 0
    assert "lift: delay" in done.out
    assert "condition" in done.out
    assert "-    load: {mass: 5 kg" in done.out
    assert "--apply writes this" in done.out
    assert machine.read_bytes() == before


def test_apply_changes_these_numbers_and_no_other_character(machine: Path, call: Call) -> None:
    before = machine.read_text().splitlines()
    done = call("fit", *LOGS, "--machine", str(machine), "--axis", "lift", "--apply")
    assert "check and pack it again" in done.out
    after = machine.read_text().splitlines()
    ((old, new),) = [pair for pair in zip(before, after, strict=True) if pair[0] != pair[1]]
    assert old.split("{")[0] == new.split("{")[0] == "    load: "
    mass = float(new.split("mass: ")[1].split(" kg")[0])
    assert mass == pytest.approx(7.8, abs=0.9)
    again = call("fit", *LOGS, "--machine", str(machine), "--axis", "lift")
    assert "says the same, as far as these recordings tell" in again.out


def test_what_cannot_be_told_is_said_and_the_rest_is_told(machine: Path, call: Call) -> None:
    done = call("fit", *LOGS, "--machine", str(machine), "--json")
    lift, wrist = done.data["axes"]
    assert lift["model"]["estimates"]["inertia"]["interval"][0] < lift["model"]["estimates"]["inertia"]["value"]
    assert "too little motion" in wrist["model"]["refused"]
    assert "moves were left out: a neighbour moved beside them" in wrist["model"]["refused"]
    assert 0.01 < wrist["delay"]["value"] < 0.035
    assert done.data["applied"] is False


def test_the_log_of_another_machine_is_refused(folder: Path, call: Call) -> None:
    text = (folder / "machine.yaml").read_text().replace("  wrist:", "  elbow:").replace("wrist", "elbow")
    (folder / "other.yaml").write_text(text)
    done = call("fit", *LOGS, "--machine", "other.yaml")
    assert (done.code, "has no axis 'elbow'" in done.err) == (2, True)
    assert call("fit", *LOGS, "--machine", "other.yaml", "--axis", "lyft").code == 1
    assert call("fit", "none.csv", "--machine", "other.yaml").code == 2


def test_an_overlay_counts_and_is_never_written_into_the_machine(machine: Path, folder: Path, call: Call) -> None:
    (folder / "chain.yaml").write_text(
        "over: lantern.yaml\nbecause: right chain off\naxes: {lift: {actuators: {right: {out_of_service: true}}}}\n"
    )
    words = ("fit", *LOGS, "--machine", str(machine), "--axis", "lift", "--over", "chain.yaml")
    assert "the machine has changed since" in call(*words).out
    assert call(*words, "--apply").code == 2
