"""Quantities of a run over its time: what was ordered beside what was measured, clearance, battery."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from math import isfinite
from typing import NamedTuple

from sequencer.report.look import picture, plain, ticks
from sequencer.report.svg import element, number, shortened, text_width

WIDTH, HEIGHT = 540.0, 232.0
LEFT, RIGHT, TOP, BOTTOM = 64.0, 16.0, 44.0, 34.0
TEXT = 13.0
BOLD = 1.12
"""So much wider are texts in a heavy face [1]."""


class Line(NamedTuple):
    """One curve: points (time [s], value) and its class; a value that is no number is missing."""

    name: str
    style: str
    points: Sequence[tuple[float, float]]


class Level(NamedTuple):
    """A value that stands for a limit, with its name."""

    name: str
    value: float


def chart(
    title: str, unit: str, duration: float, lines: Sequence[Line], levels: Sequence[Level] = (), about: str = ""
) -> str:
    """The chart as the text of an SVG file.

    Args:
        title: what is shown.
        unit: of the values.
        duration: the time that is shown [s].
        lines: the curves, what is drawn first coming first.
        levels: limits.
        about: a sentence below the title.
    """
    values = [value for line in lines for _, value in line.points if isfinite(value)]
    values += [level.value for level in levels]
    low, high = (min(values), max(values)) if values else (0.0, 1.0)
    if high - low < 1e-9:
        low, high = low - 0.5, high + 0.5
    room = 0.06 * (high - low)
    low, high = low - room, high + room
    duration = max(duration, 1e-9)
    root = picture(WIDTH, HEIGHT, title, about)
    head = f"{title} [{unit}]" if unit else title

    def x(time: float) -> float:
        return LEFT + min(max(time / duration, 0.0), 1.0) * (WIDTH - LEFT - RIGHT)

    def y(value: float) -> float:
        return TOP + (high - value) / (high - low) * (HEIGHT - TOP - BOTTOM)

    for value in ticks(low, high, 4):
        root.add("line", x1=LEFT, y1=y(value), x2=WIDTH - RIGHT, y2=y(value), class_="rule")
        root.add("text", plain(value), x=LEFT - 8, y=y(value) + 4.5, font_size=TEXT, text_anchor="end", class_="soft")
    for time in ticks(0.0, duration, 6):
        label = "0 s" if time == 0.0 else plain(time)
        root.add("line", x1=x(time), y1=HEIGHT - BOTTOM, x2=x(time), y2=HEIGHT - BOTTOM + 4, class_="frame")
        root.add("text", label, x=x(time), y=HEIGHT - 12, font_size=TEXT, text_anchor="middle", class_="soft")
    root.add("line", x1=LEFT, y1=HEIGHT - BOTTOM, x2=WIDTH - RIGHT, y2=HEIGHT - BOTTOM, class_="frame")
    for level in levels:
        root.add("line", x1=LEFT, y1=y(level.value), x2=WIDTH - RIGHT, y2=y(level.value), class_="limit")
        root.add("text", level.name, x=LEFT + 6, y=y(level.value) - 5, font_size=TEXT, class_="soft")
    for line in lines:
        # What is missing interrupts a curve.
        for known, run in groupby(line.points, key=lambda point: isfinite(point[1])):
            if known:
                path = "L".join(f"{number(x(time))} {number(y(value))}" for time, value in run)
                root.add("path", d=f"M{path}", class_=line.style)
    right = WIDTH - 12.0
    for line in reversed(lines if len(lines) > 1 else ()):
        right -= text_width(line.name, TEXT)
        root.add("text", line.name, x=right, y=20, font_size=TEXT, class_="soft")
        root.add("line", x1=right - 28, y1=16, x2=right - 6, y2=16, class_=line.style)
        right -= 44.0
    root.add("text", shortened(head, 14 * BOLD, right - 12.0), x=12, y=20, font_size=14, class_="strong")
    now = element("line", x1=LEFT, x2=LEFT, y1=TOP - 6, y2=HEIGHT - BOTTOM, class_="now")
    now.attributes["data-span"] = f"{LEFT:g} {WIDTH - RIGHT:g} {duration:.6g}"
    root.children.append(now)
    return str(root)
