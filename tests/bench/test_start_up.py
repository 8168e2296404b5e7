"""How long a person waits for the command line, against what the interpreter and the bare imports cost in one run."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
pytestmark = pytest.mark.bench


def _least(*arguments: str, rounds: int = 7) -> float:
    """Shortest wall time of a command over several rounds [s]: noise only adds."""
    times = []
    for _ in range(rounds):
        began = time.perf_counter()
        subprocess.run([sys.executable, *arguments], cwd=ROOT, check=True, capture_output=True)
        times.append(time.perf_counter() - began)
    return min(times)


def test_help_costs_little_more_than_the_interpreter() -> None:
    bare = _least("-c", "pass")
    shown = _least("-m", "sequencer", "--help")
    print(f"\n--help {shown * 1e3:.0f} ms, the interpreter alone {bare * 1e3:.0f} ms")
    assert shown < 0.2 or shown < 8.0 * bare


def test_a_check_of_a_demo_routine_costs_at_most_1_7_times_its_bare_imports() -> None:
    imports = _least("-c", "import numpy, networkx, pydantic, yaml")
    checked = _least("-m", "sequencer", "check", "demos/lantern/hang_ridge.routine.yaml")
    print(f"\ncheck {checked * 1e3:.0f} ms, bare imports {imports * 1e3:.0f} ms: {checked / imports:.2f} times")
    assert checked <= 1.7 * imports
