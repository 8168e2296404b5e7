"""Keep-outs: no two steps that can be active together may bring the machine into a box, whatever the timing.

The machine can be in a box only if all of the spans in which its axes may be together meet it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from sequencer.check.gating import Extra, Gating
from sequencer.check.order import Order
from sequencer.check.phases import Phases, Scenario, phases_of
from sequencer.check.scenarios import Box, inflated
from sequencer.check.spans import Span, meets, overlap
from sequencer.check.together import Part, Together
from sequencer.machine.interlock import KeepOut


class Conflict(NamedTuple):
    """A way into a box: `parts` are its axes, the moving one first, and `spans` what gates leave of each; all of these
    meet the box."""

    rule: KeepOut
    box: Box
    scenario: Scenario
    parts: tuple[Part, ...]
    spans: tuple[Span, ...]

    @property
    def who(self) -> tuple[str, frozenset[int]]:
        """The box and the occurrences that bring the machine into it."""
        return self.rule.name, frozenset(part.number for part in self.parts)

    @property
    def key(self) -> tuple[str, tuple[tuple[str, int, bool], ...]]:
        """What makes two conflicts the same to a reader: the box, and who does what."""
        return self.rule.name, tuple(sorted((part.axis, part.number, part.moving) for part in self.parts))


class KeepOutSearch:
    """All ways of a routine into its machine's keep-outs.

    Args:
        order: its occurrences.
        scenarios: the parts into which its starts and presets are split.
    """

    def __init__(self, order: Order, scenarios: Sequence[Scenario]) -> None:
        self.order = order
        self.machine = order.flat.machine
        self.rules = [
            (rule, inflated(self.machine, rule)) for rule in self.machine.interlocks if isinstance(rule, KeepOut)
        ]
        self.phases = [phases_of(order, scenario) for scenario in scenarios]

    def conflicts(self, extra: Extra | None = None, only: KeepOut | None = None) -> Iterator[Conflict]:
        """Each way into a box once, in file order; `extra` gates are taken to be there, `only` one rule is looked
        at."""
        seen = set()
        for phases in self.phases:
            if extra:
                phases = Phases(self.order.with_gates(extra), phases.scenario, phases.table)
            gating = Gating(phases, extra or {})
            for rule, box in self.rules:
                if only is None or rule is only:
                    for parts, spans in Together(phases, gating, dict(box)).meetings():
                        conflict = Conflict(rule, box, phases.scenario, parts, spans)
                        if conflict.key not in seen:
                            seen.add(conflict.key)
                            yield conflict


def witness(conflict: Conflict) -> dict[str, float]:
    """Positions in the box that the axes of a conflict may have together [m or rad]: inside the declared box where
    they can."""
    declared = dict(conflict.rule.box)
    places = {}
    for part, left in zip(conflict.parts, conflict.spans, strict=True):
        span = overlap(left, dict(conflict.box)[part.axis])
        if meets(span, declared[part.axis]):
            span = overlap(span, declared[part.axis])
        places[part.axis] = 0.5 * (span[0] + span[1])
    return places
