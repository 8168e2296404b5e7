"""One picture of bodies from the side: a window onto them with ground and scale, what they sweep, where they are, and
the distance between two of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from sequencer.check.swept import Sweep
from sequencer.report.look import plain, ticks
from sequencer.report.nearest import nearest
from sequencer.report.outlines import FINEST, Outlines, Span, draw_body, draw_margin, path
from sequencer.report.poses import Point, moved, poses
from sequencer.report.svg import Element, text_width
from sequencer.units import LENGTH, show

AROUND = 0.03
"""What is left free about bodies, as a share of what is seen."""

COARSER = 300.0
"""In pictures that are narrower than this [px], turns are swept in parts of twice the size."""

RING = 9.0
"""Radius of the ring about a place where bodies meet [px]."""


class Scene:
    """A window onto a machine with bodies; `height` [px] follows from the width and what is to be seen.

    Args:
        outlines: the machine's bodies.
        width: of the picture [px].
        configurations: positions [m or rad] by axis that are to be seen; bodies outside where they stand nearest.
        tallest: the most height [px].
    """

    def __init__(
        self, outlines: Outlines, width: float, configurations: Iterable[Mapping[str, float]], tallest: float = 620.0
    ) -> None:
        self.outlines = outlines
        self.width = width
        self.name = ""
        points = self._points(configurations)
        xs, ys = [x for x, _ in points], [y for _, y in points]
        around = AROUND * max(max(xs) - min(xs), max(ys) - min(ys))
        self.low = (min(xs) - around, min(ys) - around)
        self.high = (max(xs) + around, max(ys) + around)
        across, up = self.high[0] - self.low[0], self.high[1] - self.low[1]
        self.scale = min(width / across, tallest / up)
        self.height = up * self.scale
        self.spare = 0.5 * (width - across * self.scale)

    def place(self, point: Point) -> tuple[float, float]:
        """Pixels of a point [m]."""
        return self.spare + (point[0] - self.low[0]) * self.scale, (self.high[1] - point[1]) * self.scale

    def open(self, root: Element, left: float, top: float, name: str) -> Element:
        """The group that all else is drawn into, with its background, clipped at its edges; `name` must be its own in
        the document."""
        self.name = name
        group = root.add("g", transform=f"translate({left:.1f} {top:.1f})")
        clip = group.add("clipPath", id=f"seen-{name}")
        clip.add("rect", x=0, y=0, width=self.width, height=self.height, rx=6)
        group.add("rect", x=0, y=0, width=self.width, height=self.height, rx=6, class_="band")
        inside = group.add("g", clip_path=f"url(#seen-{name})")
        ground = self.place((0.0, 0.0))[1]
        inside.add("line", x1=0, y1=ground, x2=self.width, y2=ground, class_="ground", stroke_opacity=0.5)
        return inside

    def scale_bar(self, root: Element, right: float, y: float) -> None:
        """A round length to measure with, its right end there [px]."""
        length = max(ticks(0.0, (self.high[0] - self.low[0]) / 3.0, 2))
        wide = length * self.scale
        root.add("path", d=f"M{right - wide:.1f} {y - 4:.1f}v8m0 -4h{wide:.1f}m0 -4v8", class_="range")
        root.add(
            "text", f"{plain(length)} m", x=right - wide - 8, y=y + 4, font_size=10.5, text_anchor="end", class_="soft"
        )

    def still(self, group: Element, places: Mapping[str, Span]) -> None:
        """What the frame carries, and bodies outside over the places [m] where they may stand."""
        for name in self.outlines.order():
            if name in places:
                span = places[name]
                style = self.outlines.style(name)
                if span[1] > span[0]:
                    reach = self.outlines.swept(name, {name: span})
                    group.add("path", d=path(reach, self.place), class_=f"{style} reach")
                near = self.outlines.nearest_place(name, span)
                draw_body(group, self.outlines, name, self.outlines.placed(name, {name: near}), self.place)
            elif not self.outlines.is_moved(name):
                draw_body(group, self.outlines, name, self.outlines.placed(name, {}), self.place)

    def rails(self, group: Element, positions: Mapping[str, float]) -> None:
        """The slides on their whole travel."""
        machine = self.outlines.machine
        ends = {axis.name: axis.travel for axis in machine.axes.values() if axis.kind == "linear" and axis.travel}
        for name, travel in ends.items():
            (x1, y1), (x2, y2) = (
                self.place(poses(machine, {**positions, name: end})[name].tip) for end in (travel[0], travel[1])
            )
            group.add("line", x1=x1, y1=y1, x2=x2, y2=y2, class_="rail", stroke_opacity=0.7)

    def sweep(self, group: Element, name: str, sweeps: Iterable[Sweep]) -> None:
        """All that a body sweeps: one surface with one edge."""
        finest = FINEST if self.width > COARSER else 2.0 * FINEST
        parts = [part for sweep in sweeps for part in self.outlines.swept(name, sweep.box, finest)]
        if not parts:
            return
        style, key = self.outlines.style(name), f"swept-{self.name}-{self.outlines.order().index(name)}"
        one = group.add("g")
        one.add("title", f"{name}: all places that the proof covers")
        # The fill covers the inner half of each part's edge, so that only the outer edge of all parts stays.
        one.add("defs").add("path", id=key, d=path(parts, self.place))
        for classes in (f"{style} edge", "surface", f"{style} reach"):
            one.add("use", href=f"#{key}", class_=classes)

    def body(self, group: Element, name: str, positions: Mapping[str, float], more: str = "") -> Element:
        """One body where it is at these positions, with its margin; `more` are further classes."""
        parts = self.outlines.placed(name, positions)
        if "ghost" not in more:
            draw_margin(group, self.outlines.margin(name), parts, self.place, self.scale)
        outline = draw_body(group, self.outlines, name, parts, self.place)
        outline.attributes["class"] += f" {more}" if more else ""
        return outline

    def culprits(self, group: Element, between: tuple[str, str], positions: Mapping[str, float]) -> None:
        """Two bodies that matter, on top of all others, and the edge of each in red."""
        for name in between:
            self.body(group, name, positions, "culprit")

    def measure(
        self, group: Element, between: tuple[str, str], positions: Mapping[str, float], distance: float | None
    ) -> None:
        """A line between two bodies where they are nearest, or a ring where they meet, with the distance."""
        first, second, _ = nearest(*(self.outlines.placed(name, positions) for name in between))
        (x1, y1), (x2, y2) = self.place(first), self.place(second)
        x, y = 0.5 * (x1 + x2), 0.5 * (y1 + y2)
        part = group.add("g")
        part.add("title", " and ".join(between))
        part.add("line", x1=x1, y1=y1, x2=x2, y2=y2, class_="measure")
        if abs(x2 - x1) + abs(y2 - y1) < 2.0 * RING:
            part.add("circle", cx=x, cy=y, r=RING, class_="ring")
        else:
            for end_x, end_y in ((x1, y1), (x2, y2)):
                part.add("circle", cx=end_x, cy=end_y, r=2.4, class_="opening")
        words = distance_words(distance)
        wide = text_width(words, 12.0)
        left = x + 14.0 if x + 20.0 + wide < self.width else x - 14.0 - wide
        above = min(max(y - 12.0, 16.0), self.height - 8.0)
        part.add("rect", x=left - 4, y=above - 12, width=wide + 6, height=16, rx=4, class_="label")
        part.add("text", words, x=left, y=above, font_size=12, class_="bad-text")

    def _points(self, configurations: Iterable[Mapping[str, float]]) -> list[Point]:
        outlines, machine = self.outlines, self.outlines.machine
        points: list[Point] = [(0.0, 0.0)]
        known = list(configurations) or [{}]
        for name in outlines.order():
            if outlines.tree.bodies[name].range is not None:
                places: Sequence[Mapping[str, float]] = [{name: outlines.nearest_place(name)}]
            else:
                places = known if outlines.is_moved(name) else known[:1]
            for positions in places:
                points += [point for part in outlines.placed(name, positions) for point in part]
        for positions in known:
            for name, pose in poses(machine, positions).items():
                axis = machine.axes[name]
                points.append(pose.tip)
                if axis.kind == "linear" and axis.travel is not None:
                    start = poses(machine, {**positions, name: axis.travel[0]})[name].tip
                    points += [start, moved(start, pose.direction, (axis.travel[1] - axis.travel[0], 0.0))]
        return points


def distance_words(distance: float | None) -> str:
    """A distance for people, signed: negative where bodies overlap."""
    if distance is None:
        return "not decided"
    if abs(distance) < 1e-6:
        return "they touch"
    if distance < 0.0:
        return f"{-distance * 1e3:.3g} mm deep"
    return f"{distance * 1e3:.3g} mm" if distance < 1.0 else show(distance, LENGTH)
