"""Timelines kept beside the tests: when each step began and ended, and how."""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

from sequencer.errors import ModelError
from sequencer.machine.machine import NANOSECONDS
from sequencer.testing.rehearsed import Rehearsed, quantity
from sequencer.units import TIME, show
from sequencer.whole_file import whole_file

FOLDER = "timelines"
"""Where snapshots are kept, beside the file of the test."""

_LINE = re.compile(r"(?P<name>\S+) +(?P<start>[\d.]+) s +(?P<end>[\d.]+) s +(?P<outcome>\S+)\Z")


class _Entry(NamedTuple):
    name: str
    start: float
    end: float
    outcome: str


def timeline_lines(rehearsed: Rehearsed) -> str:
    """The timeline as a snapshot keeps it: a line a step with its start, its end and its outcome.

    Args:
        rehearsed: the rehearsal.
    """
    return "".join(
        f"{one.name:<24} {one.start:7.3f} s {one.end:7.3f} s  {one.outcome}\n" for one in _entries_of(rehearsed)
    )


def compare_with_snapshot(rehearsed: Rehearsed, path: Path, *, update: bool, within: float | str | None = None) -> None:
    """Hold a timeline against the one that is kept in a file.

    Args:
        rehearsed: the rehearsal.
        path: the file.
        update: write the file anew and compare nothing.
        within: how far times may lie apart [s]; None: two periods of the machine.

    Raises:
        AssertionError: another timeline, or none is kept.
        ModelError: the file is no timeline, or `within` no time.
    """
    __tracebackhide__ = True
    if update:
        path.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(path) as file:
            file.write(timeline_lines(rehearsed))
        return
    if not path.is_file():
        raise AssertionError(
            f"{rehearsed}: no timeline is kept in {path}; run once with --timelines-update to keep this one"
        )
    near = 2.0 * rehearsed.machine.period / NANOSECONDS if within is None else quantity(within, TIME, "within")
    kept, found = _read(path), _entries_of(rehearsed)
    names = [one.name for one in found]
    names_kept = [one.name for one in kept]
    if names != names_kept:
        steps, steps_kept = ", ".join(names), ", ".join(names_kept)
        raise AssertionError(f"{rehearsed}: the steps were {steps}, and {path.name} keeps {steps_kept}")
    for now, then in zip(found, kept, strict=True):
        if now.outcome != then.outcome:
            raise AssertionError(f"{rehearsed}: '{now.name}' was {now.outcome}, and {path.name} keeps {then.outcome}")
        for what, time, before in (("began", now.start, then.start), ("ended", now.end, then.end)):
            # Files keep milliseconds.
            if abs(time - before) > near + 5e-4:
                raise AssertionError(
                    f"{rehearsed}: '{now.name}' {what} at {time:.3f} s, and {path.name} keeps {before:.3f} s "
                    f"(they may lie {show(near, TIME)} apart); where that is meant, run with --timelines-update"
                )


def _entries_of(rehearsed: Rehearsed) -> list[_Entry]:
    return [_Entry(step.name, step.start, step.end, step.outcome or "open") for step in rehearsed.steps]


def _read(path: Path) -> list[_Entry]:
    found = []
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        match = _LINE.match(line.strip())
        if match is None:
            raise ModelError(f"{path}:{number}: no line of a timeline; run with --timelines-update to write it anew")
        found.append(_Entry(match["name"], float(match["start"]), float(match["end"]), match["outcome"]))
    return found
