"""The coordination diagram of two steps: how far each has got, where they block each other, gates, and the plan."""

from __future__ import annotations

from sequencer.check.side_by_side import GateLine, SideBySide
from sequencer.report.look import plain, ticks
from sequencer.report.svg import Element, shortened, wrapped

LEFT, BOTTOM, HEAD = 54.0, 42.0, 30.0
LINE = 16.0
LEAST, MOST = 150.0, 330.0
"""The plot is at least and at most so wide and high [px]."""

_WAYS = {
    "any": "Any timing is clear.",
    "first before second": "Clear if '{0}' is over before '{1}' starts.",
    "second before first": "Clear if '{1}' is over before '{0}' starts.",
    "either before the other": "Clear if either is over before the other starts.",
    "taking turns": "Clear only if they take turns.",
    "detour": "Every way across is blocked: a detour is needed.",
    "undecided": "Whether they can take turns is undecided.",
}


class DiagramView:
    """One diagram: the first step's progress to the right, the second's upwards; `height` [px] follows.

    Args:
        shown: the two steps.
        width: of the picture [px].
        proved: whether the check has proved the two clear with the gates that they have.
    """

    def __init__(self, shown: SideBySide, width: float, proved: bool) -> None:
        self.shown = shown
        self.width = width
        room = min(width - LEFT - 14.0, MOST)
        first, second = (max(duration, 1e-6) for duration in shown.found.durations)
        self.plot_width = room
        self.plot_height = min(max(room * second / first, LEAST), MOST)
        words = _words(shown, proved)
        self.notes: list[tuple[GateLine | None, float, str]] = [
            (None, LEFT, line) for line in wrapped(words, 12, width - LEFT)
        ]
        for gate in shown.gates:
            words = gate.words + (" (not in the routine)" if gate.wanted else "")
            for place, line in enumerate(wrapped(words, 12, width - LEFT - 28.0)):
                self.notes.append((gate if place == 0 else None, LEFT + 28.0, line))
        self.height = HEAD + self.plot_height + BOTTOM + LINE * len(self.notes) + 8.0

    def draw(self, root: Element, left: float, top: float) -> None:
        """Draw it with its upper left corner there [px]."""
        group = root.add("g", transform=f"translate({left:.1f} {top:.1f})")
        title = f"{self.shown.names[0]} beside {self.shown.names[1]}"
        group.add("text", shortened(title, 13, self.width - 8), x=0, y=14, font_size=13, class_="strong")
        group.add("rect", x=LEFT, y=HEAD, width=self.plot_width, height=self.plot_height, class_="travel")
        self._axes(group)
        blocked = group.add("g")
        blocked.add("title", "blocked: some bodies may be too near each other")
        for cell in self.shown.found.blocked:
            x, y = self.x(cell.first[0]), self.y(cell.second[1])
            wide, high = self.x(cell.first[1]) - x, self.y(cell.second[0]) - y
            style = "blocked" if cell.certain else "blocked-some"
            blocked.add("rect", x=x, y=y, width=wide, height=high, class_=style)
        self._course(group)
        self._gates(group)
        y = HEAD + self.plot_height + BOTTOM + 10.0
        for gate, x, line in self.notes:
            if gate is not None:
                group.add("line", x1=LEFT, y1=y - 4, x2=LEFT + 20, y2=y - 4, class_=_style(gate))
            group.add("text", line, x=x, y=y, font_size=12, class_="soft")
            y += LINE

    def x(self, progress: float) -> float:
        """The place of a progress of the first step [s] on the page [px]."""
        return LEFT + progress / max(self.shown.found.durations[0], 1e-6) * self.plot_width

    def y(self, progress: float) -> float:
        """The same for the second step."""
        return HEAD + (1.0 - progress / max(self.shown.found.durations[1], 1e-6)) * self.plot_height

    def _axes(self, group: Element) -> None:
        bottom = HEAD + self.plot_height
        for value in ticks(0.0, self.shown.found.durations[0], max(2, int(self.plot_width / 70.0))):
            x = self.x(value)
            group.add("line", x1=x, y1=HEAD, x2=x, y2=bottom, class_="rule")
            group.add("text", plain(value), x=x, y=bottom + 15, font_size=10.5, text_anchor="middle", class_="soft")
        for value in ticks(0.0, self.shown.found.durations[1], max(2, int(self.plot_height / 55.0))):
            y = self.y(value)
            group.add("line", x1=LEFT, y1=y, x2=LEFT + self.plot_width, y2=y, class_="rule")
            group.add("text", plain(value), x=LEFT - 6, y=y + 3.5, font_size=10.5, text_anchor="end", class_="soft")
        first, second = (f"{shortened(name, 12, 0.7 * self.plot_width)} [s]" for name in self.shown.names)
        middle = LEFT + self.plot_width / 2
        group.add("text", first, x=middle, y=bottom + 32, font_size=12, text_anchor="middle", class_="strong")
        middle = HEAD + self.plot_height / 2
        turned = f"rotate(-90 14 {middle:.1f})"
        group.add("text", second, x=14, y=middle, font_size=12, text_anchor="middle", class_="strong", transform=turned)

    def _course(self, group: Element) -> None:
        """How the plan goes from corner to corner: each step on its own clock, all punctual."""
        (first, second), (begin, other) = self.shown.found.durations, self.shown.starts
        times = sorted({begin, other, begin + first, other + second})
        points = []
        for time in times:
            points.append((min(max(time - begin, 0.0), first), min(max(time - other, 0.0), second)))
        data = "L".join(f"{self.x(a):.2f} {self.y(b):.2f}" for a, b in dict.fromkeys(points))
        part = group.add("g")
        part.add("title", "the plan, if all is punctual")
        part.add("path", d=f"M{data}", class_="course")
        part.add("circle", cx=self.x(0.0), cy=self.y(0.0), r=4, class_="preset")
        part.add("circle", cx=self.x(first), cy=self.y(second), r=4, class_="preset")

    def _gates(self, group: Element) -> None:
        """A gate of the second step is a line upwards: left of it that step stands still; of the first, across."""
        for gate in self.shown.gates:
            part = group.add("g")
            part.add("title", gate.words)
            style = _style(gate)
            if gate.step == self.shown.names[1]:
                x = self.x(gate.progress)
                part.add("line", x1=x, y1=HEAD, x2=x, y2=HEAD + self.plot_height, class_=style)
            else:
                y = self.y(gate.progress)
                part.add("line", x1=LEFT, y1=y, x2=LEFT + self.plot_width, y2=y, class_=style)


def _words(shown: SideBySide, proved: bool) -> str:
    """What the diagram comes to."""
    if not shown.found.complete:
        words = "There was too much to look at all of it closely: some of what is shaded may be clear."
    elif _meets(shown, (0.0, 0.0)):
        words = "They begin in what is shaded: no order of the two helps."
    elif _meets(shown, shown.found.durations):
        words = "They end in what is shaded: another goal is needed."
    else:
        words = _WAYS[shown.found.way].format(*shown.names)
    if not shown.found.blocked:
        return words
    if _wanted(shown):
        words += " The dashed gate mends it."
    elif proved and shown.gates:
        words += " The gate keeps them out of what is shaded."
    return words + " Shaded: bodies may be too near each other; the blue line: the plan, if all is punctual."


def _meets(shown: SideBySide, corner: tuple[float, float]) -> bool:
    """Whether the steps are blocked where both have got so far."""
    return any(
        cell.first[0] <= corner[0] <= cell.first[1] and cell.second[0] <= corner[1] <= cell.second[1]
        for cell in shown.found.blocked
    )


def _style(gate: GateLine) -> str:
    return "gate-wanted" if gate.wanted else "gate-line"


def _wanted(shown: SideBySide) -> bool:
    return any(gate.wanted for gate in shown.gates)
