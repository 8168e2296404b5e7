"""Where a routine was proved to keep clear, for the supervisor, whose table is coarser than a proof."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from sequencer.check.bodies import Bodies
from sequencer.check.spans import Span
from sequencer.check.together import Meeting
from sequencer.clearance.box import Pair

_MOST_BOXES = 400
"""Of one set of axes no more boxes than this are carried along: beyond them the table alone counts."""

_Box = tuple[Span, ...]


class Cleared:
    """Boxes of ordered positions.

    Args:
        bodies: the machine's bodies.
    """

    def __init__(self, bodies: Bodies) -> None:
        self.bodies = bodies
        self._boxes: dict[str, dict[tuple[tuple[str, ...], frozenset[int]], dict[_Box, None]]] = {}

    def take(self, pair: Pair, meetings: Iterable[Meeting], touchers: frozenset[int] = frozenset()) -> None:
        """Keep the boxes in which a pair, and all others that depend on the same axes, keep clear or may touch.

        Args:
            pair: one of them.
            meetings: the products that lead to the boxes.
            touchers: the steps, by index, that let a pair touch there; the boxes hold while all of them are active.
                Where there are none, they hold all through the routine.
        """
        axes = self.bodies.axes_of(pair)
        found = self._boxes.setdefault(self.bodies.table_of(pair), {}).setdefault((axes, touchers), {})
        for meeting in meetings:
            spans = {part.axis: span for part, span in zip(meeting.parts, meeting.spans, strict=True)}
            found[tuple(spans[axis] for axis in axes)] = None

    def start(self, spans: Mapping[str, Span]) -> None:
        """Keep where the routine starts, for all pairs."""
        for pair in self.bodies.pairs:
            axes = self.bodies.axes_of(pair)
            found = self._boxes.setdefault(self.bodies.table_of(pair), {}).setdefault((axes, frozenset()), {})
            found[tuple(spans[axis] for axis in axes)] = None

    def data(self) -> dict[str, list[list[Any]]]:
        """By the name of the table: [axes by index, boxes as lowest and highest positions in turn, the steps that must
        be active for them to hold]."""
        index = {name: number for number, name in enumerate(self.bodies.machine.axes)}
        return {
            name: [
                [
                    [index[axis] for axis in axes],
                    [[float(end) for span in box for end in span] for box in _largest(boxes)],
                    sorted(touchers),
                ]
                for (axes, touchers), boxes in groups.items()
            ]
            for name, groups in self._boxes.items()
        }


def _largest(boxes: Iterable[_Box]) -> list[_Box]:
    """The boxes that lie in no other, largest first."""
    found: list[_Box] = []
    for box in sorted(boxes, key=_size, reverse=True):
        if len(found) < _MOST_BOXES and not any(_within(box, other) for other in found):
            found.append(box)
    return found


def _size(box: _Box) -> float:
    return sum(high - low for low, high in box)


def _within(box: _Box, other: _Box) -> bool:
    # A loop, and no more: this is asked for every two of hundreds of boxes.
    for (begin, end), (low, high) in zip(box, other, strict=True):  # noqa: SIM110
        if begin < low or end > high:
            return False
    return True
