"""``stepgraph check --actuators``."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Call = Callable[..., Any]
DEMO = Path(__file__).parents[2] / "demos" / "lantern"


def test_tables_of_motors_of_one_dead_and_of_no_power(call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    done = call("check", str(DEMO / "drop.routine.yaml"), "--actuators")
    assert done.code == 0
    lines = done.out.splitlines()
    at = next(number for number, line in enumerate(lines) if line.startswith("step "))
    assert lines[at].split() == ["step", "actuator", "volts", "amps", "watts", "duty", "force", "left", "battery"]
    rise = lines[at + 1].split()
    assert rise[:3] == ["rise", "lift:", "left"]
    assert (rise[4], rise[6], rise[8]) == ("V", "A", "W")
    assert any(line.startswith("lift: left   rise") and line.endswith("as planned") for line in lines)
    assert any(line.startswith("lift   6 m/s2") for line in lines)
    assert "the one that is left carries all. Inspect it first" in done.out
    assert any(line.startswith("wrist  sinks or stays") for line in lines)


def test_the_same_as_json_and_only_where_it_is_asked_for(call: Call) -> None:
    path = str(DEMO / "to_stow.routine.yaml")
    data = call("check", path, "--actuators", "--json").data
    assert {"step", "axis", "actuator", "volts", "amps", "watts", "duty", "margin", "at"} == set(
        data["feasibility"]["actuators"][0]
    )
    assert {row["slower"] for row in data["one_dead"]} == {1.0}
    assert [row["axis"] for row in data["braking"]] == ["lift", "wrist"]
    assert data["unpowered"]["axes"][0] == {"axis": "lift", "does": ["stays"]}
    assert "feasibility" not in call("check", path, "--json").data


def test_without_motors_it_says_that_nothing_is_judged(folder: Path, call: Call) -> None:
    done = call("check", "good", "--actuators")
    assert done.code == 0
    assert "no motors with their loads are declared; what they can do is not judged" in done.out
