"""What is given where a file belongs and is none: one sentence each, exit code 2."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from sequencer.cli import main

ROOT = Path(__file__).resolve().parents[2]
DROP = str(ROOT / "demos/lantern/drop.routine.yaml")


def test_a_pipe_is_not_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert main(["check", str(tmp_path / "pipe")]) == 2
    assert capsys.readouterr().err == (
        f"stepgraph: {tmp_path / 'pipe'} is no regular file (a device or a pipe); it is not read\n"
    )


def test_an_empty_name_is_no_folder(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", ""]) == 2
    assert capsys.readouterr().err == (
        "stepgraph: an empty name was given where a file belongs; for this folder write .\n"
    )


def test_a_machine_file_is_no_routine(capsys: pytest.CaptureFixture[str]) -> None:
    path = ROOT / "demos/lantern/machine.yaml"
    assert main(["check", str(path)]) == 2
    assert f"{path} is no routine file: it has no key 'routine'; a machine file is for stepgraph draw" in (
        capsys.readouterr().err
    )


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full to stand for a full disk")
def test_a_full_disk_under_stdout_is_said_without_a_traceback() -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "sequencer", "check", DROP, "--json"],
            cwd=ROOT,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "the output takes no more: No space left on device" in done.stderr
