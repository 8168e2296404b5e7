"""Timelines for a terminal: one line a step, plain characters, 80 to 120 columns."""

from __future__ import annotations

from sequencer.report.look import ticks
from sequencer.report.timeline import Bar, Timeline

LEAST_WIDTH, MOST_WIDTH = 80, 120


def timeline_text(timeline: Timeline, width: int = 100, heading: bool = True) -> str:
    """The timeline as text, `width` columns wide (held between 80 and 120).

    A step is ━ while it works, ┄ while a gate holds it, ╸ where the record stops before it; ◆ is an instant, ▼ a
    milestone, and · shows how much later it may end. A step on the critical path is marked *,
    and `late` is how much later than planned it ended [s].
    Without its `heading` only the lines of the steps are there.
    """
    width = min(max(width, LEAST_WIDTH), MOST_WIDTH)
    bars = timeline.bars()
    names = max([4, *(len(bar.name) for bar in bars)])
    names = min(names, 22)
    uses = min(max([4, *(len(", ".join(timeline.lanes_of(bar)) or bar.kind) for bar in bars)]), 18)
    tail = _Tail(timeline, bars)
    room = width - names - uses - tail.width - 6
    scale = _Scale(max(timeline.duration, 1e-9), room)
    lines = []
    if heading:
        lines.append(f"{timeline.title}: {timeline.subtitle}")
        if timeline.failure:
            lines.append(f"  {timeline.failure}")
        lines.append("")
    blank = " " * (names + uses + 5)
    lines.append(f"{blank}{scale.labels()} {tail.heading}".rstrip())
    for bar in bars:
        what = ", ".join(timeline.lanes_of(bar)) or bar.kind
        star = "*" if bar.critical else " "
        label = f"{star} {_cut(bar.name, names):<{names}}  {_cut(what, uses):<{uses}}"
        lines.append(f"{label} {scale.bar(bar)} {tail.of(bar)}".rstrip())
    if timeline.critical:
        lines += ["", f"* critical path: {' → '.join(timeline.critical)}"]
    return "\n".join(lines) + "\n"


class _Scale:
    """Time [s] to columns."""

    def __init__(self, duration: float, room: int) -> None:
        self.duration = duration
        self.room = room
        self.marks = ticks(0.0, duration, max(2, room // 12))

    def column(self, time: float) -> int:
        return min(max(round(time / self.duration * (self.room - 1)), 0), self.room - 1)

    def labels(self) -> str:
        """Numbers above the times that they name; the first carries the unit."""
        cells = [" "] * self.room
        for index, time in enumerate(self.marks):
            text = f"{time:g} s" if index == 0 else f"{time:g}"
            at = self.column(time)
            if at + len(text) <= self.room and all(cell == " " for cell in cells[max(at - 1, 0) : at + len(text)]):
                cells[at : at + len(text)] = text
        return "".join(cells)

    def bar(self, bar: Bar) -> str:
        cells = [" "] * self.room
        for time in self.marks:
            cells[self.column(time)] = "┊"
        first, moving, last = self.column(bar.start), self.column(bar.moving), self.column(bar.end)
        if bar.slack:
            for at in range(last + 1, self.column(bar.end + bar.slack) + 1):
                cells[at] = "·"
        if bar.instant or bar.end <= bar.start:
            cells[first] = "◆"
        else:
            for at in range(first, last + 1):
                cells[at] = "┄" if at < moving else "━"
            if not bar.ended:
                cells[last] = "╸"
        for mark in bar.marks:
            cells[self.column(mark.time)] = "▼"
        return "".join(cells)


class _Tail:
    """The numbers behind each bar."""

    def __init__(self, timeline: Timeline, bars: list[Bar]) -> None:
        self.happened = any(bar.outcome is not None or not bar.ended for bar in bars)
        self.slack = not self.happened and any(bar.slack for bar in bars)
        self.heading = "start    end"
        self.late = self.happened and any(bar.planned is not None for bar in bars)
        if self.happened:
            self.heading += "   late  outcome" if self.late else "  outcome"
        elif self.slack:
            self.heading += "  slack"
        self.width = max([len(self.heading), *(len(self.of(bar)) for bar in bars)])

    def of(self, bar: Bar) -> str:
        # A tilde says that the plan had to guess the end: nobody knows how long a wait takes.
        text = f"{bar.start:5.2f} {'~' if bar.estimated else ' '}{bar.end:5.2f}"
        if self.late:
            text += f"  {bar.end - bar.planned[1]:+5.2f}" if bar.planned is not None else " " * 7
        if self.happened:
            return f"{text}  {bar.outcome or 'open'}"
        return f"{text}  {bar.slack:5.2f}" if bar.slack and self.slack else text


def _cut(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 1] + "…"
