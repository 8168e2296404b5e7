"""What all our pictures share: colours told apart by everyone, the style sheet, and round numbers for axes.

The hues are those of Okabe and Ito, Color Universal Design (2008), as pale fills under dark text with the full colour
as outline. The style sheet follows the reader's preference for light or dark (W3C, Media Queries Level 5,
prefers-color-scheme).
"""

from __future__ import annotations

from math import ceil, floor, log10
from typing import NamedTuple

from sequencer.report.svg import Element, element

KINDS: dict[str, tuple[str, str, str]] = {
    "move": ("#d3e5f4", "#0072b2", "#12364f"),
    "flick": ("#fadfcf", "#d55e00", "#54290b"),
    "press": ("#f5dfec", "#b0578a", "#4b2840"),
    "pulse": ("#cfece2", "#009e73", "#0b4434"),
    "set": ("#f8edc4", "#b58900", "#4a3c0c"),
    "wait": ("#e9e8e3", "#85837b", "#383836"),
    "block": ("#f1f0ec", "#a3a199", "#2b2b2a"),
    "step": ("#d3e5f4", "#0072b2", "#12364f"),
}
"""By kind of step: pale fill, full colour, and the fill on a dark background."""

FONT = "system-ui, sans-serif"


class Shades(NamedTuple):
    """Lines of a style sheet: for everyone, and what is different on a dark background."""

    light: tuple[str, ...] = ()
    dark: tuple[str, ...] = ()


PLAIN = Shades()
"""Nothing besides the common style."""


def picture(width: float, height: float, title: str, about: str, shades: Shades = PLAIN) -> Element:
    """An SVG document of a size [px] with its style sheet, hatchings, title and description for screen readers;
    `shades` are what it needs besides the common style."""
    root = element(
        "svg",
        xmlns="http://www.w3.org/2000/svg",
        width=width,
        height=height,
        viewBox=f"0 0 {width:.0f} {height:.0f}",
        role="img",
        font_family=FONT,
    )
    root.add("title", title)
    root.add("desc", about)
    root.children.append(Element("style", {}, [style_sheet(shades)]))
    definitions = root.add("defs")
    for name, kind in (("hatch", "hatch-line"), ("hatch-some", "hatch-line-some")):
        pattern = definitions.add(
            "pattern", id=name, width=7, height=7, patternUnits="userSpaceOnUse", patternTransform="rotate(45)"
        )
        pattern.add("line", x1=0, y1=0, x2=0, y2=7, class_=kind)
    root.add("rect", width=width, height=height, class_="paper")
    return root


def style_sheet(more: Shades = PLAIN) -> str:
    """The common style and `more`, in light and dark."""
    light = [
        ".paper{fill:#fdfcfa}",
        "text{fill:#23262b}",
        ".soft{fill:#686c73}",
        ".strong{font-weight:600}",
        ".band{fill:#f5f3ee}",
        ".rule{stroke:#dedbd3;stroke-width:1;fill:none}",
        ".frame{stroke:#b9b6ad;stroke-width:1;fill:none}",
        ".critical{stroke:#23262b;stroke-width:2}",
        ".slack{stroke:#85837b;stroke-width:1.5;stroke-dasharray:1.5 3;fill:none}",
        ".range{stroke:#85837b;stroke-width:1;fill:none}",
        ".gate{fill:none;stroke:#85837b;stroke-width:1;stroke-dasharray:3 2}",
        ".link{fill:none;stroke:#d55e00;stroke-width:1.2;stroke-dasharray:4 3}",
        ".mark{fill:#d55e00;stroke:#fdfcfa;stroke-width:1}",
        ".opening{fill:#23262b}",
        ".planned{fill:#b9b6ad}",
        ".curve{fill:none;stroke:#0072b2;stroke-width:1.6;stroke-linejoin:round}",
        ".curve-planned{fill:none;stroke:#a3a199;stroke-width:1.4;stroke-dasharray:5 3}",
        ".bad{fill:none;stroke:#c1121f;stroke-width:2}",
        ".bad-text{fill:#a30f1a;font-weight:600}",
        ".hatch-line{stroke:#d55e00;stroke-width:2.4;stroke-opacity:.5}",
        ".hatch-line-some{stroke:#d55e00;stroke-width:1.2;stroke-opacity:.35}",
        ".keep-out{stroke:#d55e00;stroke-width:1.2}",
        ".keep-out-some{stroke:#d55e00;stroke-width:1.2;stroke-dasharray:5 3}",
        ".tag{fill:#d55e00}",
        ".tag-text{fill:#ffffff;font-weight:600}",
        ".travel{fill:#ffffff;stroke:#b9b6ad}",
        ".preset{fill:#0072b2;stroke:#ffffff;stroke-width:1.5}",
        ".rail{stroke:#cfccc3;stroke-width:7;stroke-linecap:round}",
        ".slide{stroke:#0072b2;stroke-width:4;stroke-linecap:round}",
        ".arm{stroke:#009e73;stroke-width:5;stroke-linecap:round}",
        ".held{stroke:#85837b;stroke-width:2;stroke-linecap:round}",
        ".pivot{fill:#fdfcfa;stroke:#23262b;stroke-width:1.6}",
        ".roller{fill:#f8edc4;stroke:#b58900;stroke-width:1.6}",
        ".piece{fill:none;stroke:#b0578a;stroke-width:1.6;stroke-dasharray:3 2}",
        ".ground{stroke:#85837b;stroke-width:1.5}",
        *(f".{kind}{{fill:{fill};stroke:{line}}}" for kind, (fill, line, _) in KINDS.items()),
        *more.light,
    ]
    dark = [
        ".paper{fill:#17191c}",
        "text{fill:#e8e6e1}",
        ".soft{fill:#a5a8ad}",
        ".band{fill:#1e2125}",
        ".rule{stroke:#33373c}",
        ".frame{stroke:#565a60}",
        ".critical{stroke:#f2efe8}",
        ".opening{fill:#f2efe8}",
        ".planned{fill:#5d6167}",
        ".mark{stroke:#17191c}",
        ".curve{stroke:#56b4e9}",
        ".bad{stroke:#ff6b6b}",
        ".bad-text{fill:#ff8a8a}",
        ".travel{fill:#1e2125;stroke:#565a60}",
        ".preset{fill:#56b4e9;stroke:#17191c}",
        ".rail{stroke:#3a3e44}",
        ".slide{stroke:#56b4e9}",
        ".pivot{fill:#17191c;stroke:#e8e6e1}",
        ".roller{fill:#4a3c0c}",
        *(f".{kind}{{fill:{fill}}}" for kind, (_, _, fill) in KINDS.items()),
        *more.dark,
    ]
    return "".join(light) + "@media (prefers-color-scheme:dark){" + "".join(dark) + "}"


def ticks(low: float, high: float, about: int) -> list[float]:
    """Round numbers from `low` to `high`, roughly `about` of them, spaced 1, 2 or 5 times a power of ten.

    >>> ticks(0.0, 1.18, 6)
    [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]
    """
    if not high > low:
        return [low]
    rough = (high - low) / max(about, 1)
    power = 10.0 ** floor(log10(rough))
    step = next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= rough * (1 - 1e-9))
    first = ceil(low / step - 1e-9)
    last = floor(high / step + 1e-9)
    digits = max(0, -floor(log10(step) + 1e-9))
    return [round(index * step, digits) + 0.0 for index in range(first, last + 1)]


def angle_ticks(low: float, high: float, about: int) -> list[float]:
    """Round angles [deg]: spaced 1, 2, 5, 10, 15, 30, 45, 90 or 180."""
    rough = (high - low) / max(about, 1)
    step = next((step for step in (1, 2, 5, 10, 15, 30, 45, 90, 180) if step >= rough), 360)
    return [float(index * step) for index in range(ceil(low / step - 1e-9), floor(high / step + 1e-9) + 1)]


def plain(value: float) -> str:
    """A number for a label: no trailing zeros, a true minus sign."""
    text = f"{value:.6g}"
    return text.replace("-", "\u2212")
