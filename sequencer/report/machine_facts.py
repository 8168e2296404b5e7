"""Beside the pictures of a machine: what each axis can do, and what the signs mean."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from sequencer.clearance.tree import FRAME
from sequencer.machine.axis import Axis
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine
from sequencer.report.outlines import Outlines, Span
from sequencer.report.svg import Element, shortened
from sequencer.units import LENGTH, Dimension, show

LINE = 18.0
SIGN = 22.0
HEAD = 12.0
COLUMN = 330.0
"""As narrow as the two lines about an axis may become [px]."""


class MachineFacts:
    """A panel in as many columns as fit into its width. `height` [px] follows from the machine."""

    def __init__(self, machine: Machine, width: float) -> None:
        self.machine = machine
        self.width = width
        self.signs = _signs(machine)
        self.columns = max(1, int(width // COLUMN)) if width > 1.7 * COLUMN else 1
        self.column = width / self.columns
        self.axis_rows = -(-len(machine.axes) // self.columns)
        self.sign_rows = -(-len(self.signs) // self.columns)
        self.height = HEAD + self.axis_rows * (3 * LINE + 8.0) + 14.0 + self.sign_rows * SIGN

    def draw(self, root: Element, left: float, top: float) -> None:
        """Draw it with its upper left corner there [px]."""
        group = root.add("g", transform=f"translate({left:.1f} {top:.1f})")
        room = self.column - 20
        for index, axis in enumerate(self.machine.axes.values()):
            row, column = divmod(index, self.columns)
            x, y = 12.0 + column * self.column, HEAD + 10.0 + row * (3 * LINE + 8.0)
            group.add("text", shortened(axis.name, 13, room), x=x, y=y, font_size=13, class_="strong")
            for line in axis_words(axis):
                y += LINE
                group.add("text", shortened(line, 12, room), x=x, y=y, font_size=12, class_="soft")
        top = HEAD + 14.0 + self.axis_rows * (3 * LINE + 8.0)
        for index, (sign, words) in enumerate(self.signs):
            row, column = divmod(index, self.columns)
            x, y = 12.0 + column * self.column, top + row * SIGN
            draw_sign(group, sign, x, y)
            group.add("text", shortened(words, 12, room - 30), x=x + 40, y=y + 4, font_size=12, class_="soft")


def axis_words(axis: Axis) -> tuple[str, str]:
    """Two lines about an axis: what it is and how far it goes; how fast."""
    where = f"{axis.kind}, on the {axis.mount.to}" if axis.mount.to == "frame" else f"{axis.kind}, on {axis.mount.to}"
    if axis.travel is not None:
        where += f", {axis.show(axis.travel[0])} to {axis.show(axis.travel[1])}"
    return where, ", ".join(limits_of(axis))


def limits_of(axis: Axis) -> tuple[str, str]:
    """The limits of speed and acceleration; of what turns round and round in rad/s, as in files."""
    speed, acceleration = axis.limits.velocity, axis.limits.acceleration
    if axis.kind == "spin":
        return _both_ways(*speed, 1.0, "rad/s"), _both_ways(*acceleration, 1.0, "rad/s2")
    return limit_words(speed, axis.speed_dimension), limit_words(acceleration, axis.acceleration_dimension)


def limit_words(limit: tuple[float, float], dimension: Dimension) -> str:
    """A limit for people: one number where both signs have the same.

    >>> limit_words((-1.5, 1.7), (1, 0, -1, 0, 0))
    '-1.5 to 1.7 m/s'
    """
    unit = show(1.0, dimension).split()[1]
    return _both_ways(*limit, 180.0 / math.pi if unit.startswith("deg") else 1.0, unit)


def _both_ways(low: float, high: float, scale: float, unit: str) -> str:
    least, most = (f"{float(f'{value * scale:.4g}'):g}" for value in (low, high))
    return f"{most} {unit}" if low == -high else f"{least} to {most} {unit}"


def _signs(machine: Machine) -> list[tuple[str, str]]:
    axes, pieces = machine.axes.values(), machine.pieces.values()
    kinds = {axis.kind for axis in axes}
    carriers = {body.carried_by for body in machine.bodies.values()}
    boxes = [interlock for interlock in machine.interlocks if isinstance(interlock, KeepOut)]
    found = [
        ("preset", "preset", bool(machine.presets)),
        ("keep-out", "keep out, always", any(box.when is None and len(box.box) <= 2 for box in boxes)),
        (
            "keep-out-some",
            "keep out, under the condition named",
            any(box.when is not None or len(box.box) > 2 for box in boxes),
        ),
        ("slide", "linear axis, on its whole travel", "linear" in kinds),
        ("arm", "rotary axis", any(axis.kind == "rotary" and axis.name not in carriers for axis in axes)),
        ("roller", "spin", "spin" in kinds),
        ("piece", "where a piece is carried", any(not (piece.parts and machine.bodies) for piece in pieces)),
    ]
    return [(sign, words) for sign, words, there in found if there] + list(body_signs(machine))


def body_signs(machine: Machine, places: Mapping[str, Span] | None = None) -> Iterator[tuple[str, str]]:
    """What the outlines of bodies stand for: a class and words for each carrier, the pieces, and the margins; `places`
    is where bodies outside may stand [m], if it is less than their range."""
    if not machine.bodies:
        return
    outlines = Outlines(machine)
    names: dict[str, list[str]] = {}
    for name in outlines.order():
        body = outlines.tree.bodies[name]
        if body.range is not None:
            where = " to ".join(show(end, LENGTH) for end in (places or {}).get(name, body.range))
            yield outlines.style(name), f"{name}, outside, {where} {'forward' if body.along == 'x' else 'up'}"
        else:
            names.setdefault(outlines.style(name), []).append(name)
    for style, some in names.items():
        if outlines.is_piece(some[0]):
            yield f"{style} elsewhere", f"{', '.join(some)}, if held"
        else:
            carrier = outlines.carrier(some[0])
            yield style, f"{', '.join(some)}, on {'the frame' if carrier == FRAME else carrier}"
    margins = sorted({pair.margin for pair in outlines.bodies.pairs if pair.margin > 0.0})
    if margins:
        most = f" to {show(margins[-1], LENGTH)}" if len(margins) > 1 else ""
        yield "margin", f"the margin that must remain, {show(margins[0], LENGTH)}{most}"


def draw_sign(group: Element, sign: str, x: float, y: float) -> None:
    """One sign, 28 px wide, with its left end there [px]."""
    match sign:
        case "margin":
            group.add("rect", x=x + 4, y=y - 4, width=20, height=8, class_=sign, stroke_width=6)
        case _ if sign.startswith("body"):
            group.add("rect", x=x, y=y - 7, width=28, height=14, rx=2, class_=sign)
        case "preset":
            group.add("circle", cx=x + 14, cy=y, r=5, class_=sign)
        case "keep-out" | "keep-out-some":
            fill = "url(#hatch)" if sign == "keep-out" else "url(#hatch-some)"
            group.add("rect", x=x, y=y - 7, width=28, height=14, fill=fill, class_=sign)
        case "roller":
            group.add("circle", cx=x + 14, cy=y, r=6, class_=sign)
        case "piece":
            group.add("circle", cx=x + 14, cy=y, r=8, class_=sign)
        case "slide":
            group.add("line", x1=x, y1=y, x2=x + 28, y2=y, class_="rail")
            group.add("line", x1=x, y1=y, x2=x + 16, y2=y, class_="slide")
        case _:
            group.add("line", x1=x, y1=y, x2=x + 28, y2=y, class_=sign)
