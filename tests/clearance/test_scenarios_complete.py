"""That every scenario of clearance has tests that name it, on both sides where there are two."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

TESTS = Path(__file__).parents[1]

SCENARIOS = {
    "missed between samples": ["C01", "C02", "C03", "C04"],
    "boundary, margin, tolerance": ["C08", "C09", "C10", "C11", "C12", "C15"],
    "start, goal, recovery": ["C17", "C18", "C20"],
    "polygons": ["C21", "C22", "C23", "C24", "C25", "C27"],
    "angles and units": ["C28", "C29"],
    "which pairs": ["C32", "C34", "C35", "C37"],
    "timing and concurrency": ["C38", "C39", "C40", "C41", "C44", "C45", "C48", "C50"],
}
"""The scenarios by kind; numbers that are left out belong to other lists."""

GEOMETRY = ("clearance", "check", "rehearse")
"""Folders of tests that speak of these scenarios; others count their own lists in the same way."""

AT_RUN_TIME = ["C15", "C17", "C18", "C20", "C41"]
"""Those that the supervisor of a run has to pass besides."""


def naming(scenario: str, *files: Path) -> list[str]:
    """The test functions that name a scenario, by their docstring or by the numbers that they take from it."""
    return [
        f"{path.name}::{one.name}"
        for path in files
        for one in ast.parse(path.read_text("utf-8")).body
        if isinstance(one, ast.FunctionDef) and one.name.startswith("test_") and scenario in _named(one)
    ]


def _named(function: ast.FunctionDef) -> set[str]:
    """The scenarios that a test names: in its docstring, or as the argument of `case`, in its decorators too."""
    told = set(re.findall(r"\bC\d\d\b", ast.get_docstring(function) or ""))
    for node in ast.walk(function):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "case":
            told |= {one.value for one in node.args if isinstance(one, ast.Constant) and isinstance(one.value, str)}
    return told


@pytest.mark.parametrize("scenario", [one for kind in SCENARIOS.values() for one in kind])
def test_every_scenario_has_a_test_that_names_it(scenario: str) -> None:
    assert naming(scenario, *(path for folder in GEOMETRY for path in (TESTS / folder).glob("test_*.py")))


@pytest.mark.parametrize("scenario", AT_RUN_TIME)
def test_what_a_run_has_to_pass_is_tested_on_its_supervisor(scenario: str) -> None:
    assert naming(scenario, TESTS / "run" / "test_keep_out_scenarios.py")
