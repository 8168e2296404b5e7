"""What is wrong with a log, and what was done about it."""

from __future__ import annotations

from typing import Literal, NamedTuple

from sequencer.trace.trace import TraceError

FAULTS = {
    "F01": "irregular sampling",
    "F02": "doubled or unordered stamps",
    "F03": "a clock that starts again",
    "F04": "a clock that was set",
    "F05": "a stamp from elsewhere",
    "F06": "values that are no numbers",
    "F07": "missing samples",
    "F08": "another unit than declared",
    "F09": "a turned sign",
    "F10": "wrap-around",
    "F11": "a count that was reset",
    "F12": "saturation",
    "F13": "too little motion to learn from",
    "F14": "a value that stands still",
    "F15": "a speed that flickers to zero",
    "F16": "a missing column",
    "F17": "a decimal comma",
    "F18": "too large a file",
    "F19": "a column that is something else than it is called",
    "F20": "an encoder that loses counts",
}
"""The kinds of faults that logs for tuning have, each seen in public reports."""


class Remark(NamedTuple):
    """One fault of a log: its kind, the quantity it concerns ("" for the times), the sentence, and what became of it.

    `mended`: repaired, and the sentence says how; `left`: told only; `refused`: the log is not read.
    """

    fault: str
    quantity: str
    words: str
    outcome: Literal["mended", "left", "refused"]

    def __str__(self) -> str:
        of = f" {self.quantity}:" if self.quantity else ""
        return f"{self.fault} ({FAULTS[self.fault]}), {self.outcome}:{of} {self.words}"


class LogRefused(TraceError):
    """A log that must not be read as it is; the message has every reason, each with what to do."""

    def __init__(self, path: str, remarks: list[Remark]) -> None:
        super().__init__("\n".join(f"{path}: {remark}" for remark in remarks))
        self.remarks = tuple(remarks)
