"""Every scenario of how routines run, and of how their files are read, is named by a test."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

TESTS = Path(__file__).parents[1]
FOLDERS = ("run", "laws", "routine", "files", "testing")

_NUMBERS = [
    1,
    2,
    3,
    4,
    6,
    7,
    8,
    10,
    11,
    13,
    14,
    16,
    19,
    21,
    22,
    24,
    25,
    27,
    28,
    30,
    32,
    33,
    35,
    36,
    38,
    40,
    42,
    43,
    45,
    46,
    48,
    49,
    51,
    52,
    54,
    55,
    59,
    60,
    61,
    63,
    64,
    66,
    67,
    69,
    70,
    72,
]
SCENARIOS = [f"C{number:02}" for number in _NUMBERS]
"""The numbers of the scenarios with exact ticks on which the runner was designed (page "execution" of its cases)."""


def claims() -> str:
    """The docstrings of all tests in the folders, and the comments that name rows of data."""
    found = []
    for folder in FOLDERS:
        for path in sorted((TESTS / folder).glob("test_*.py")):
            for node in ast.walk(ast.parse(path.read_text())):
                if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                    found.append(ast.get_docstring(node) or "")
    return " ".join(found).replace(",", " ").replace(":", " ").replace(".", " ")


NAMED = frozenset(claims().split())


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_every_scenario_is_named_by_a_test(scenario: str) -> None:
    assert scenario in NAMED
