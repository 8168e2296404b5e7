"""Attempts over their timing, made above and missed below, with the chance of success and how sure it is."""

from __future__ import annotations

import numpy as np

from sequencer.report.look import Shades, picture, plain, ticks
from sequencer.report.svg import number
from sequencer.tune.timing import Timing
from sequencer.units import TIME, si_unit

WIDTH, HEIGHT = 720.0, 400.0
LEFT, RIGHT, TOP, BOTTOM = 64.0, 24.0, 84.0, 76.0

TIMING_SHADES = Shades(
    (
        ".chance-band{fill:#0072b2;fill-opacity:.16}",
        ".made{fill:#009e73;stroke:#009e73}",
        ".missed{fill:none;stroke:#d55e00}",
    ),
    (".chance-band{fill:#56b4e9;fill-opacity:.2}", ".missed{stroke:#f0a068}"),
)


def timing_svg(timing: Timing) -> str:
    """The picture as the text of an SVG file."""
    success, name = timing.success, timing.parameter.name
    scale, unit = (1e3, "ms") if timing.parameter.dimension == TIME else (1.0, si_unit(timing.parameter.dimension))
    low, high = success.low, success.high
    band = success.band(np.linspace(low, high, 121))
    best, chance = success.best()
    made = sum(one.made for one in success.attempts)
    root = picture(WIDTH, HEIGHT, f"Attempts over {name}", f"{made} of {len(success.attempts)} made", TIMING_SHADES)

    def x(value: float) -> float:
        return LEFT + (value - low) / (high - low) * (WIDTH - LEFT - RIGHT)

    def y(share: float) -> float:
        return TOP + (1.0 - share) * (HEIGHT - TOP - BOTTOM)

    root.add("text", f"{made} of {len(success.attempts)} made", x=24, y=32, font_size=18, class_="strong")
    words = f"best now: {name} {best * scale:.3g} {unit}, {100 * chance:.0f} %; band: 90 % certainty"
    root.add("text", words, x=24, y=53, font_size=13, class_="soft")
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        root.add("line", x1=LEFT, y1=y(share), x2=WIDTH - RIGHT, y2=y(share), class_="rule")
        root.add(
            "text", f"{100 * share:.0f} %", x=LEFT - 8, y=y(share) + 4, font_size=12, text_anchor="end", class_="soft"
        )
    for value in ticks(low * scale, high * scale, 8):
        root.add(
            "text", plain(value), x=x(value / scale), y=HEIGHT - 34, font_size=12, text_anchor="middle", class_="soft"
        )
    root.add("text", f"{name} [{unit}]", x=WIDTH - RIGHT, y=HEIGHT - 12, font_size=12, text_anchor="end", class_="soft")
    edge = [(x(t), y(p)) for t, p in zip(band.timings, band.high, strict=True)]
    edge += [(x(t), y(p)) for t, p in zip(band.timings[::-1], band.low[::-1], strict=True)]
    root.add("path", d=f"M{'L'.join(f'{number(a)} {number(b)}' for a, b in edge)}Z", class_="chance-band")
    curve = "L".join(f"{number(x(t))} {number(y(p))}" for t, p in zip(band.timings, band.mean, strict=True))
    root.add("path", d=f"M{curve}", class_="curve")
    root.add("line", x1=x(best), y1=y(0.0), x2=x(best), y2=y(1.0), class_="slack")
    stacked: dict[tuple[int, bool], int] = {}
    for one in success.attempts:
        place = round(min(max(x(one.timing), LEFT), WIDTH - RIGHT))
        above = stacked.get((place // 8, one.made), 0)
        stacked[place // 8, one.made] = above + 1
        if one.made:
            root.add("circle", cx=place, cy=y(1.0) - 8 - 9 * above, r=3.6, class_="made").add("title", "made")
        else:
            root.add("circle", cx=place, cy=y(0.0) + 8 + 9 * above, r=3.6, class_="missed").add("title", "missed")
    return str(root)
