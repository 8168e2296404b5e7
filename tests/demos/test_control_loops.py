"""The robot-side programs of the demo run, here on the plant."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demos" / "lantern"


def run(name: str, *arguments: str) -> str:
    found = subprocess.run(
        [sys.executable, str(DEMO / name), *arguments],
        capture_output=True,
        text=True,
        env={"PYTHONPATH": str(ROOT), "PATH": ""},
        timeout=120,
    )
    assert found.returncode == 0, found.stderr
    return found.stdout


def test_the_whole_robot_side_program_runs_in_real_time_with_its_buttons() -> None:
    """Started, held and resumed by buttons, it comes to stow; it is under 60 lines."""
    told = run("control_loop.py", "--seconds", "4.5")
    assert "held by request" in told
    assert "resumed" in told
    assert "run      to_stow  done" in told
    assert len((DEMO / "control_loop.py").read_text().splitlines()) < 60


def test_the_same_in_ten_lines_inside_a_loop_of_ones_own() -> None:
    assert run("own_loop.py").strip() == "to_stow done"
    body = (DEMO / "own_loop.py").read_text().split("def run")[1].split("\n\n\n")[0].splitlines()
    assert len(body) <= 10
