"""What a spread found, as a picture: how often it worked, how its figures lie, and what goes with failing."""

from __future__ import annotations

from collections.abc import Sequence
from math import degrees
from typing import NamedTuple

from sequencer.report.look import Shades, picture, plain, ticks
from sequencer.report.svg import Element, shortened, text_width
from sequencer.study.ranks import Influence
from sequencer.study.spread_report import Distribution, SpreadReport
from sequencer.units import ANGLE, exact_unit, show

WIDTH = 760.0
HEAD, PANEL, LINE = 96.0, 168.0, 22.0
LEFT, RIGHT = 24.0, 24.0
BETWEEN = 28.0
BINS = 32
"""A distribution is drawn in so many bars."""
MOST_INFLUENCES = 8

SPREAD_SHADES = Shades(
    (
        ".bar{fill:#0072b2}",
        ".share{fill:#009e73}",
        ".short{fill:#d55e00}",
        ".sure{stroke:#23262b;stroke-width:2}",
        ".limit{stroke:#c1121f;stroke-width:1.5;stroke-dasharray:4 3}",
        ".weak{fill:#b9b6ad}",
    ),
    (".bar{fill:#56b4e9}", ".sure{stroke:#f2efe8}", ".weak{fill:#5d6167}", ".limit{stroke:#ff6b6b}"),
)


class _Room(NamedTuple):
    """Where a panel is drawn [px]."""

    x: float
    y: float
    width: float
    height: float


def spread_svg(report: SpreadReport) -> str:
    """The picture as the text of an SVG file; the report has at least one row."""
    distributions, influences = report.distributions, report.influences[:MOST_INFLUENCES]
    across = (WIDTH - LEFT - RIGHT - BETWEEN) / 2.0
    lines = (len(distributions) + 1) // 2
    below = HEAD + lines * PANEL
    height = below + (50.0 + LINE * len(influences) if influences else 12.0)
    success = report.success
    about = f"{report.rehearsal}: {success}, seed {report.seed}"
    root = picture(WIDTH, height, f"Spread of {report.routine}", about, SPREAD_SHADES)
    root.add("text", f"{report.routine}: worked in {success}", x=LEFT, y=32, font_size=18, class_="strong")
    root.add("text", f"{report.rehearsal}, seed {report.seed}", x=LEFT, y=53, font_size=13, class_="soft")
    _success_bar(root, report)
    for number, one in enumerate(distributions):
        column, row = number % 2, number // 2
        _histogram(root, one, _Room(LEFT + column * (across + BETWEEN), HEAD + row * PANEL, across, PANEL - 26.0))
    if influences:
        _influences(root, influences, below + 20.0)
    return str(root)


def _success_bar(root: Element, report: SpreadReport) -> None:
    success, wide, y = report.success, WIDTH - LEFT - RIGHT, 66.0
    root.add("rect", x=LEFT, y=y, width=wide, height=10, class_="short")
    root.add("rect", x=LEFT, y=y, width=wide * success.share, height=10, class_="share")
    ends = LEFT + wide * success.low, LEFT + wide * success.high
    root.add("line", x1=ends[0], y1=y + 5, x2=ends[1], y2=y + 5, class_="sure")
    for x in ends:
        root.add("line", x1=x, y1=y - 3, x2=x, y2=y + 13, class_="sure")


def _histogram(root: Element, one: Distribution, room: _Room) -> None:
    scale, unit = (degrees(1.0), "deg") if one.dimension == ANGLE else (1.0, exact_unit(one.dimension))
    values = [value * scale for value in one.values]
    low, high = values[0], values[-1]
    shown = one.level is not None and low - (high - low) <= one.level * scale <= high + (high - low)
    if one.level is not None and shown:
        low, high = min(low, one.level * scale), max(high, one.level * scale)
    if high - low < 1e-9:
        low, high = low - 0.5, high + 0.5
    counts = [0] * BINS
    for value in values:
        counts[min(int((value - low) / (high - low) * BINS), BINS - 1)] += 1
    base, top = room.y + room.height - 20.0, room.y + 26.0

    def x(value: float) -> float:
        return room.x + (value - low) / (high - low) * room.width

    title = f"{one.name} [{unit}]" if unit else one.name
    root.add("text", title, x=room.x, y=room.y + 14, font_size=14, class_="strong")
    middle = show(one.quantile(0.5), one.dimension, 3)
    words = shortened(f"median {middle}, {len(values)} runs", 12, room.width - 1.12 * text_width(title, 14) - 8.0)
    root.add("text", words, x=room.x + room.width, y=room.y + 14, font_size=12, text_anchor="end", class_="soft")
    most = max(counts)
    for place, count in enumerate(counts):
        if count:
            tall = (base - top) * count / most
            wide = room.width / BINS
            root.add("rect", x=room.x + place * wide + 0.5, y=base - tall, width=wide - 1, height=tall, class_="bar")
    root.add("line", x1=room.x, y1=base, x2=room.x + room.width, y2=base, class_="frame")
    for value in ticks(low, high, 5):
        root.add("text", plain(value), x=x(value), y=base + 16, font_size=12, text_anchor="middle", class_="soft")
    if one.level is not None and shown:
        at = x(one.level * scale)
        root.add("line", x1=at, y1=top, x2=at, y2=base, class_="limit")


def _influences(root: Element, influences: Sequence[Influence], y: float) -> None:
    root.add("text", "what goes with failing (rank correlation)", x=LEFT, y=y, font_size=14, class_="strong")
    names, wide = 270.0, WIDTH - LEFT - RIGHT - 270.0 - 60.0
    for number, one in enumerate(influences):
        line = y + 10.0 + LINE * number
        words = shortened(f"{one.name}, {one.where}", 13, names - 10.0)
        root.add("text", words, x=LEFT, y=line + 13, font_size=13, class_="" if one.counts else "soft")
        length = max(wide * abs(one.correlation), 1.0)
        kind = "bar" if one.counts else "weak"
        root.add("rect", x=LEFT + names, y=line + 3, width=length, height=12, class_=kind)
        value = f"{abs(one.correlation):.2f}{'' if one.counts else ', chance'}"
        root.add("text", value, x=LEFT + names + length + 6, y=line + 13, font_size=12, class_="soft")
