"""What stepgraph raises. Every message is a sentence: place, what was found, what is allowed, what to do."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from difflib import get_close_matches
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.places import Place


class StepgraphError(Exception):
    """Base of all errors that stepgraph raises on purpose."""


class ModelError(StepgraphError, ValueError):
    """A machine or routine that cannot be: built in Python or found in a file once it was readable.

    `problems` lists each contradiction with its place where there are several; the message has them all.
    """

    def __init__(self, message: str, problems: Sequence[tuple[Place, str]] = ()) -> None:
        super().__init__(message)
        self.problems = tuple(problems)


class PackError(StepgraphError, ValueError):
    """A pack that cannot be used: not a pack, damaged, of another format, or its hash does not match."""


class RequestRefused(StepgraphError):
    """A request that the runner did not take; the message says why and what would help."""


class ClockError(StepgraphError, ValueError):
    """Readings whose time does not strictly increase; nothing was changed by the refused tick (R19)."""


class MissingExtra(StepgraphError, ImportError):
    """A function that needs an optional dependency which is not installed."""

    def __init__(self, what: str, extra: str) -> None:
        super().__init__(f"{what} needs the extra '{extra}'; install it with: pip install 'stepgraph[{extra}]'")


def nearest(word: str, allowed: Iterable[str]) -> str | None:
    """The allowed word that `word` was probably meant to be, or None where none is near."""
    choices = sorted(allowed)
    lowered = {choice.lower(): choice for choice in choices}
    found = get_close_matches(word.lower(), list(lowered), n=1, cutoff=0.6)
    return lowered[found[0]] if found else None


def did_you_mean(word: str, allowed: Iterable[str]) -> str:
    """A sentence part that helps with a misspelt name: the nearest right word, or else all that are allowed."""
    choices = sorted(allowed)
    near = nearest(word, choices)
    if near is not None:
        return f"did you mean '{near}'?"
    return f"allowed: {enumerate_words(choices)}" if choices else "none is declared"


def counted(count: int, one: str, more: str = "") -> str:
    """A count with what is counted, `more` being its plural where that is not `one` with an s.

    >>> counted(1, "step"), counted(3, "step"), counted(2, "axis", "axes")
    ('1 step', '3 steps', '2 axes')
    """
    return f"{count} {one}" if count == 1 else f"{count} {more or one + 's'}"


def enumerate_words(words: Sequence[str], most: int = 12) -> str:
    """The words separated by commas, cut with a count after `most` of them."""
    shown = ", ".join(words[:most])
    return shown if len(words) <= most else f"{shown} and {len(words) - most} more"
