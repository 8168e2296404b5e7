"""Numbers for machine.yaml that recordings propose, and how they are written: these numbers, and no other character."""

from __future__ import annotations

import re
from collections.abc import Iterable
from difflib import unified_diff
from math import isclose
from typing import NamedTuple

from sequencer.errors import ModelError
from sequencer.files.edit import edit_text, written_at
from sequencer.units import Dimension, exact, parse_quantity, parse_unit, show

_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?")


class Proposal(NamedTuple):
    """A number, or a pair of them, that a machine's file should have.

    Attributes:
        path: the key as messages write it, such as ``axes.lift.load.mass``.
        values: one or two [SI]; None: that one stays as it is.
        single: what to write [SI] where the file has one number for both; None: the first value.
        dimension: of the values.
        because: the reason.
    """

    path: str
    values: tuple[float | None, ...]
    dimension: Dimension
    because: str
    single: float | None = None

    def __str__(self) -> str:
        told = " to ".join("as it is" if value is None else show(value, self.dimension) for value in self.values)
        return f"{self.path}: {told} ({self.because})"


class Edited(NamedTuple):
    """A text with the proposals in it, and what could not be written, in sentences."""

    text: str
    not_written: tuple[str, ...]


def edited(text: str, proposals: Iterable[Proposal], file: str) -> Edited:
    """The text of a machine's file with the proposed numbers in their places, each in the unit that stands there.

    Args:
        text: of the file.
        proposals: what to write.
        file: its name, for messages.
    """
    missing = []
    for proposal in proposals:
        given = proposal.values[0] if proposal.single is None else proposal.single
        if written_at(text, proposal.path, file) is not None:
            places = [(proposal.path, given)]
        elif written_at(text, f"{proposal.path}[0]", file) is not None:
            places = [(f"{proposal.path}[{number}]", value) for number, value in enumerate(proposal.values)]
        else:
            shown = ", ".join(exact(float(f"{v:.4g}"), proposal.dimension) for v in proposal.values if v is not None)
            missing.append(f"{file} has no {proposal.path}; to use what was found add it: {shown}")
            continue
        for path, value in places:
            if value is None:
                continue
            old = written_at(text, path, file)
            if old is None:
                continue
            try:
                text = edit_text(text, path, _in_unit_of(old, value, proposal.dimension), file)
            except ModelError as error:
                missing.append(str(error))
    return Edited(text, tuple(missing))


def difference(old: str, new: str, file: str) -> str:
    """What changes, line by line (unified, as `diff -u` writes it); "" where nothing does."""
    lines = unified_diff(old.splitlines(), new.splitlines(), file, f"{file} (proposed)", n=0, lineterm="")
    return "\n".join(lines)


def _in_unit_of(written: str, value: float, dimension: Dimension) -> str:
    """A value to four digits in the unit that is written; just as it is written where that says the same."""
    match = _NUMBER.search(written)
    if match is None:
        raise ModelError(f"'{written}' is no number with a unit; change it by hand")
    unit = written[match.end() :].strip()
    factor = parse_unit(unit)[0] if unit else 1.0
    if not unit and value != 0.0 and dimension != (0, 0, 0, 0, 0):
        return exact(float(f"{value:.4g}"), dimension)
    if isclose(parse_quantity(written).value, value, rel_tol=1e-9):
        return written
    return written[: match.start()] + f"{value / factor:.4g}" + written[match.end() :]
