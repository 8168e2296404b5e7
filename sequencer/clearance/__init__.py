"""How near bodies come: one certified query over boxes of positions, and what is built on it.

A `Tree` knows where bodies are, `watch` which pairs of them count. `Pair.bound` is the query; `prove` bisects boxes
with it, `free_gate` finds the gate that mends a conflict, `diagram` tells which of two branches has to go first,
`timed_clearance` how near a motion comes if it is punctual, `blocked_table` what a robot may ask in every tick. The
names are loaded when first used; only `bounds`, `distances`, `box_clearances` and `blocked_table` need numpy.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.clearance.batch import Bounds, bounds, box_clearances, distances
    from sequencer.clearance.box import Bound, Pair, box_clearance
    from sequencer.clearance.concurrency import Branch, Diagram, Slack, diagram, straight_branch, timed_branch
    from sequencer.clearance.gate import FreeGate, Phase, free_gate
    from sequencer.clearance.motion import TimedClearance, motion_digest, timed_clearance
    from sequencer.clearance.proof import Verdict, prove
    from sequencer.clearance.table import blocked_table, table_key
    from sequencer.clearance.tree import Tree
    from sequencer.clearance.watched import Exempt, Watch, watch

_HOMES = {
    "Bound": "box",
    "Bounds": "batch",
    "Branch": "concurrency",
    "Diagram": "concurrency",
    "Exempt": "watched",
    "FreeGate": "gate",
    "Pair": "box",
    "Phase": "gate",
    "Slack": "concurrency",
    "TimedClearance": "motion",
    "Tree": "tree",
    "Verdict": "proof",
    "Watch": "watched",
    "blocked_table": "table",
    "bounds": "batch",
    "box_clearance": "box",
    "box_clearances": "batch",
    "diagram": "concurrency",
    "distances": "batch",
    "free_gate": "gate",
    "motion_digest": "motion",
    "prove": "proof",
    "straight_branch": "concurrency",
    "table_key": "table",
    "timed_branch": "concurrency",
    "timed_clearance": "motion",
    "watch": "watched",
}

__all__ = [
    "Bound",
    "Bounds",
    "Branch",
    "Diagram",
    "Exempt",
    "FreeGate",
    "Pair",
    "Phase",
    "Slack",
    "TimedClearance",
    "Tree",
    "Verdict",
    "Watch",
    "blocked_table",
    "bounds",
    "box_clearance",
    "box_clearances",
    "diagram",
    "distances",
    "free_gate",
    "motion_digest",
    "prove",
    "straight_branch",
    "table_key",
    "timed_branch",
    "timed_clearance",
    "watch",
]


def __getattr__(name: str) -> object:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'sequencer.clearance' has no attribute '{name}'")
    return getattr(import_module(f"{__name__}.{home}"), name)


def __dir__() -> list[str]:
    return list(__all__)
