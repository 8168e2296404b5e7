"""A folder with a routine that is clear, one that is not and one that is misspelt; and a way to call the program."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from sequencer.cli import main

MACHINE = """\
machine: lantern hand
period: 20 ms
axes:
  lift:
    kind: linear
    travel: [0 m, 1.18 m]
    limits: {velocity: 1.5 m/s, acceleration: 6 m/s2, jerk: 90 m/s3}
    tolerance: {position: 8 mm, settle: 60 ms}
  wrist:
    kind: rotary
    mount: {to: lift, at: [0.10 m, 0.02 m]}
    travel: [-95 deg, 120 deg]
    limits: {velocity: 400 deg/s, acceleration: 2400 deg/s2, jerk: 60000 deg/s3}
    tolerance: {position: 2 deg, settle: 60 ms}
presets:
  stow: {lift: 0 m, wrist: 100 deg}
  ridge: {lift: 1.10 m, wrist: 20 deg}
  tucked: {lift: 0.8 m, wrist: -80 deg}
interlocks:
  low_tuck: {keep_out: {lift: [0 m, 0.20 m], wrist: [-95 deg, -40 deg]}, because: the hand meets the bumper}
"""

HANG = """\
routine: hang
machine: machine.yaml
from: stow
parameters:
  height: {value: 1.10 m, range: [0.9 m, 1.15 m]}
  spot: {preset: ridge, choices: [ridge, stow]}
defaults: {timeout: planned + 1 s}
steps:
- raise: {move: {lift: height}}
- level: {move: {wrist: 20 deg}, with: raise, once: lift > 0.40 m}
- pause: {wait: 200 ms}
- retreat: {move: stow}
rehearsals:
- plain: {expect: {outcome: done, finishes_within: 6 s, order: [raise, pause, retreat]}}
- hasty: {expect: {outcome: done, finishes_within: 0.5 s}}
"""

FOLD = """\
routine: fold
machine: machine.yaml
from: tucked
defaults: {timeout: planned + 1 s}
steps:
- lower: {move: {lift: 0.05 m}}
"""

MISSPELT = """\
routine: misspelt
machine: machine.yaml
from: stow
defaults: {timeout: planned + 1 s}
steps:
- raise: {move: {lyft: 1.0 m}}
"""

OVERLAY = """\
over: machine.yaml
because: the posts on field 2 are higher
presets: {ridge: {lift: 1.12 m}}
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder, which is also where the program is called."""
    (tmp_path / "machine.yaml").write_text(MACHINE)
    (tmp_path / "saturday.yaml").write_text(OVERLAY)
    for name, text in (("good/hang", HANG), ("bad/fold", FOLD), ("wrong/misspelt", MISSPELT)):
        path = tmp_path / f"{name}.routine.yaml"
        path.parent.mkdir()
        path.write_text(text)
        (path.parent / "machine.yaml").write_text(MACHINE)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("NO_COLOR", "1")
    return tmp_path


class Called(NamedTuple):
    """What a call of the program came to."""

    code: int
    out: str
    err: str

    @property
    def data(self) -> Any:
        """What was written to stdout, which must be JSON and nothing else."""
        return json.loads(self.out)


Call = Callable[..., Called]


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str]) -> Call:
    """Calls the program with words and tells its exit code and what it wrote."""

    def run(*words: str) -> Called:
        code = main(words)
        return Called(code, *capsys.readouterr())

    return run
