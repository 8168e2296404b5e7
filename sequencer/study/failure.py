"""Why a run of a spread counts as failed, in words that are the same for runs that failed alike."""

from __future__ import annotations

import re

from sequencer.machine.machine import NANOSECONDS, Machine
from sequencer.rehearse.lockstep import Result
from sequencer.routine.steps import Expectation
from sequencer.units import LENGTH, TIME, show

_NUMBER = re.compile(r"(?<![\w.])[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?(?![\w.])")


def failure_of(result: Result, expected: Expectation, machine: Machine) -> str:
    """What a run fell short of; "": of nothing. Numbers are left out, so that like failures read alike.

    A run fails where its outcome is not the one that was expected (done, where none was), where it entered a keep-out
    or did not keep a margin, and where another expectation of its rehearsal is not held.

    Args:
        result: what came of it.
        expected: of its rehearsal.
        machine: the machine.
    """
    for distance in result.keep_outs:
        if distance.least is not None and distance.least <= 0.0:
            return f"entered {distance.name}"
    near = result.clearance
    if near is not None and near.too_near:
        what = "touched" if near.least <= 0.0 else f"within {show(near.margin, LENGTH)}"
        return f"{' and '.join(sorted(near.between))} {what}"
    if result.outcome != (expected.outcome or "done"):
        cause = _NUMBER.sub("..", result.cause or "")
        return f"{result.outcome}: {cause}" if cause else result.outcome
    if expected.clearance is not None and near is None:
        return "no two bodies that count"
    if expected.finishes_within is not None and result.duration > expected.finishes_within / NANOSECONDS:
        return f"not over within {show(expected.finishes_within / NANOSECONDS, TIME)}"
    if expected.order and [name for name in result.begun if name in expected.order] != list(expected.order):
        return "steps in another order"
    never = [name for name in result.begun if name in expected.never]
    return f"'{never[0]}' began" if never else ""
