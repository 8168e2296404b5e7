"""Every scenario of execution has a test whose docstring names it, and at all three rates where it has times."""

from __future__ import annotations

import ast
import re
from pathlib import Path

TESTS = Path(__file__).parents[1]
FOLDERS = ("run", "routine", "files", "testing")
NUMBERS = [
    *(1, 2, 3, 4, 6, 7, 8, 10, 11, 13, 14, 16, 19, 21),
    *(22, 24, 25, 27, 28, 30, 32, 33, 35, 36, 38, 40, 42, 43),
    *(45, 46, 48, 49, 51, 52, 54, 55, 59, 60, 61, 63, 64, 66, 67, 69, 70, 72),
]
WITHOUT_TIMES = {8, 16, 19, 30, 33, 42, 45, 46, 70, 72}
"""An order in the file, errors of loading, a clock misused, a reading asked once, an actuator's own watchdog."""


def told() -> dict[int, bool]:
    """By scenario: whether a test of it runs at several rates."""
    found: dict[int, bool] = {}
    for path in [path for folder in FOLDERS for path in sorted((TESTS / folder).glob("test_*.py"))]:
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                given = {one.arg for one in node.args.args}
                for number in map(int, re.findall(r"\bC(\d\d)\b", ast.get_docstring(node) or "")):
                    found[number] = found.get(number, False) or bool(given & {"hz", "rate"})
    return found


def test_every_scenario_has_a_test_that_names_it() -> None:
    assert not set(NUMBERS) - told().keys()


def test_every_scenario_with_times_runs_at_three_rates() -> None:
    found = told()
    assert not [number for number in NUMBERS if number not in WITHOUT_TIMES and not found[number]]


def test_every_scenario_of_files_has_a_test_that_names_it() -> None:
    words = " ".join(path.read_text(encoding="utf-8") for path in sorted((TESTS / "files").glob("test_*.py")))
    assert not {f"F{number:02}" for number in (1, 2, 4, 5, 7, 9, 10, 12, 14)} - set(re.findall(r"\bF\d\d\b", words))
