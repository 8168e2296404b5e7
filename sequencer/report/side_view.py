"""The machine from the side at each of its presets, its axes as sticks and its bodies as outlines: x forward, y up."""

from __future__ import annotations

from math import cos, sin

from sequencer.check.preset_trouble import preset_troubles
from sequencer.machine.machine import Machine
from sequencer.report.look import plain, ticks
from sequencer.report.outlines import Outlines, draw_body, draw_margin, path
from sequencer.report.poses import AxisPose, Point, moved, poses, resting_position
from sequencer.report.svg import Element, shortened, wrapped

HEAD = 34.0
LABEL = 40.0
LINE = 14.0
GAP = 16.0
MOST_COLUMNS = 5
AROUND = 0.04
"""What is left free about bodies, as a share of what is seen."""
BOLD = 1.12
"""So much wider are texts in a heavy face [1]."""
STUB = 0.22
"""Length of an arm that nothing says the length of, as a share of what is seen."""


class SideView:
    """Small pictures side by side, all to one scale. `height` [px] follows from the width and the machine."""

    def __init__(self, machine: Machine, width: float) -> None:
        self.machine = machine
        self.width = width
        self.shown = [(preset.name, dict(preset.positions)) for preset in machine.presets.values()] or [("at rest", {})]
        self.all_poses = [poses(machine, positions) for _, positions in self.shown]
        self.outlines = Outlines(machine) if machine.bodies else None
        self.low, self.high = self._extent()
        seen = max(self.high[0] - self.low[0], self.high[1] - self.low[1], 0.1)
        self.stub = STUB * seen
        if self.outlines is None:
            self.low = (self.low[0] - self.stub, min(self.low[1] - 0.3 * self.stub, -0.1 * seen))
            self.high = (self.high[0] + self.stub, self.high[1] + 0.8 * self.stub)
        else:
            around = AROUND * seen
            self.low = (self.low[0] - around, self.low[1] - around)
            self.high = (self.high[0] + around, self.high[1] + around)
        rows = -(-len(self.shown) // MOST_COLUMNS)
        self.columns = -(-len(self.shown) // rows)
        cell = (width - (self.columns - 1) * GAP) / self.columns
        self.cell = min(cell, 330.0)
        self.scale = min((self.cell - 12.0) / (self.high[0] - self.low[0]), 300.0 / (self.high[1] - self.low[1]))
        self.captions = [wrapped(self._words(positions), 11, self.cell - 20) for _, positions in self.shown]
        self.troubles = [self._troubles(name) for name, _ in self.shown]
        lines = [len(caption) + len(bad) for caption, bad in zip(self.captions, self.troubles, strict=True)]
        self.label = LABEL + LINE * (max(lines) - 1)
        self.cell_height = (self.high[1] - self.low[1]) * self.scale + self.label
        self.height = HEAD + rows * (self.cell_height + GAP)

    def draw(self, root: Element, left: float, top: float) -> None:
        """Draw it with its upper left corner there [px]."""
        root.add("text", "From the side", x=left, y=top + 12, font_size=14, class_="strong")
        if self.outlines is not None:
            self._scale_bar(root, left + self.cell, top + 4.0)
        for index in range(len(self.shown)):
            row, column = divmod(index, self.columns)
            x = left + column * (self.cell + GAP)
            self._cell(root, x, top + HEAD - 8.0 + row * (self.cell_height + GAP), index)

    def _cell(self, root: Element, left: float, top: float, index: int) -> None:
        group = root.add("g", transform=f"translate({left:.1f} {top:.1f})")
        name, all_poses = self.shown[index][0], self.all_poses[index]
        tall = self.cell_height - self.label
        group.add("rect", x=0, y=0, width=self.cell, height=self.cell_height, rx=6, class_="band")
        ground = self._place((0.0, 0.0))
        group.add("line", x1=10, y1=ground[1], x2=self.cell - 10, y2=ground[1], class_="ground", stroke_opacity=0.5)
        group.add(
            "path", d=f"M{ground[0] - 7:.1f} {ground[1]:.1f}h14M{ground[0]:.1f} {ground[1] - 7:.1f}v14", class_="ground"
        )
        if self.outlines is not None:
            self._still_bodies(group, index, ground[1])
        for axis_name, axis_pose in all_poses.items():
            self._rail(group, axis_name, axis_pose)
        if self.outlines is not None:
            self._moved_bodies(group, index)
        for axis_name, axis_pose in all_poses.items():
            self._links(group, axis_name, axis_pose, all_poses)
        for axis_name, axis_pose in all_poses.items():
            self._joint(group, axis_name, axis_pose)
        self._pieces(group, all_poses)
        if index == 0 and self.outlines is None:
            self._scale_bar(group, self.cell - 12.0, 14.0)
        group.add("text", shortened(name, 13, self.cell - 20), x=10, y=tall + 16, font_size=13, class_="strong")
        for row, line in enumerate(self.captions[index]):
            group.add("text", line, x=10, y=tall + 31 + row * LINE, font_size=11, class_="soft")
        for row, line in enumerate(self.troubles[index], len(self.captions[index])):
            group.add("text", line, x=10, y=tall + 31 + row * LINE, font_size=11, class_="bad-text")
        if self.troubles[index]:
            group.add("rect", x=0, y=0, width=self.cell, height=self.cell_height, rx=6, class_="bad")

    def _troubles(self, name: str) -> list[str]:
        """What is wrong with a preset, in lines."""
        preset = self.machine.presets.get(name)
        found = [] if preset is None else list(preset_troubles(self.machine, preset))
        return [line for text in found for line in wrapped(text, BOLD * 11, self.cell - 20)]

    def _words(self, positions: dict[str, float]) -> str:
        axes = self.machine.axes
        named = [f"{name} {axes[name].show(value)}" for name, value in positions.items()]
        others = [n for n, axis in axes.items() if axis.travel is not None and n not in positions]
        free = [f"({name} {axes[name].show(resting_position(self.machine, name))})" for name in others]
        return ", ".join(named + free)

    def _rail(self, group: Element, name: str, pose: AxisPose) -> None:
        axis = self.machine.axes[name]
        if axis.kind != "linear" or axis.travel is None:
            return
        ends = [_along(pose.base, pose.direction, position) for position in axis.travel]
        self._line(group, ends[0], ends[1], "rail")
        self._line(group, pose.base, pose.tip, "slide")

    def _links(self, group: Element, name: str, pose: AxisPose, all_poses: dict[str, AxisPose]) -> None:
        axis = self.machine.axes[name]
        carried = [other for other in self.machine.axes.values() if other.mount.to == name]
        if self.outlines is not None and any(body.carried_by == name for body in self.outlines.own()):
            return
        style = "arm" if axis.kind == "rotary" else "held"
        for other in carried:
            if other.mount.share == 1.0:
                self._line(group, pose.tip, all_poses[other.name].base, style)
        ends = [point for point in self._carried_points(name) if point != (0.0, 0.0)]
        if axis.kind == "rotary" and not carried and not ends:
            self._line(group, pose.tip, _along(pose.tip, pose.direction, self.stub), style)
        elif axis.kind == "rotary" and not carried:
            for point in ends:
                self._line(group, pose.tip, moved(pose.tip, pose.angle, point), style)

    def _joint(self, group: Element, name: str, pose: AxisPose) -> None:
        axis = self.machine.axes[name]
        x, y = self._place(pose.tip)
        size = 1.0 if self.outlines is None else 0.6
        part = group.add("g")
        part.add("title", f"{name} ({axis.kind})")
        if axis.kind == "linear":
            part.add("rect", x=x - 5 * size, y=y - 5 * size, width=10 * size, height=10 * size, rx=2, class_="pivot")
        elif axis.kind == "rotary":
            part.add("circle", cx=x, cy=y, r=5 * size, class_="pivot")
        else:
            part.add("circle", cx=x, cy=y, r=6 * size, class_="roller")

    def _pieces(self, group: Element, all_poses: dict[str, AxisPose]) -> None:
        for piece in self.machine.pieces.values():
            if piece.carried_by in all_poses and not (piece.parts and self.outlines is not None):
                carrier = all_poses[piece.carried_by]
                x, y = self._place(moved(carrier.tip, carrier.angle, piece.centre))
                part = group.add("g")
                part.add("title", piece.name)
                part.add("circle", cx=x, cy=y, r=11, class_="piece")

    def _still_bodies(self, group: Element, index: int, ground: float) -> None:
        """What stands outside, over its range as far as the picture goes, and what the frame carries."""
        assert self.outlines is not None
        tall = self.cell_height - self.label
        clip = group.add("clipPath", id=f"seen-{index}")
        clip.add("rect", x=0, y=0, width=self.cell, height=tall, rx=6)
        inside = group.add("g", clip_path=f"url(#seen-{index})")
        for name in self.outlines.order():
            body = self.outlines.tree.bodies[name]
            if body.range is not None:
                reach = self.outlines.swept(name, {name: body.range})
                style = self.outlines.style(name)
                inside.add("path", d=path(reach, self._place), class_=f"{style} reach")
                near = self.outlines.nearest_place(name)
                far = body.range[0] + body.range[1] - near
                if far != near:
                    parts = self.outlines.placed(name, {name: far})
                    inside.add("path", d=path(parts, self._place), class_=f"{style} elsewhere")
                draw_body(inside, self.outlines, name, self.outlines.placed(name, {name: near}), self._place)
            elif not self.outlines.is_moved(name):
                draw_body(inside, self.outlines, name, self.outlines.placed(name, {}), self._place)

    def _moved_bodies(self, group: Element, index: int) -> None:
        """What axes carry, each with the margin that must stay free about it."""
        assert self.outlines is not None
        for name in self.outlines.order():
            if self.outlines.is_moved(name):
                parts = self.outlines.placed(name, self._positions(index))
                draw_margin(group, self.outlines.margin(name), parts, self._place, self.scale)
                outline = draw_body(group, self.outlines, name, parts, self._place)
                if self.outlines.is_piece(name):
                    outline.attributes["class"] += " elsewhere"

    def _positions(self, index: int) -> dict[str, float]:
        """Where all axes with a travel are in one of the pictures."""
        named = self.shown[index][1]
        placed = [name for name, axis in self.machine.axes.items() if axis.travel is not None]
        return {name: named.get(name, resting_position(self.machine, name)) for name in placed}

    def _scale_bar(self, group: Element, right: float, y: float) -> None:
        length = max(ticks(0.0, (self.high[0] - self.low[0]) / 2.5, 2))
        wide = length * self.scale
        x = right - wide
        group.add("path", d=f"M{x:.1f} {y - 4:.1f}v8m0 -4h{wide:.1f}m0 -4v8", class_="range")
        group.add(
            "text", f"{plain(length)} m", x=x + wide / 2, y=y + 14, font_size=10.5, text_anchor="middle", class_="soft"
        )

    def _extent(self) -> tuple[Point, Point]:
        points: list[Point] = [(0.0, 0.0)]
        for all_poses in self.all_poses:
            for name, pose in all_poses.items():
                points += [pose.base, pose.tip]
                points += [moved(pose.tip, pose.angle, point) for point in self._carried_points(name)]
                axis = self.machine.axes[name]
                if axis.kind == "linear" and axis.travel is not None:
                    points += [_along(pose.base, pose.direction, position) for position in axis.travel]
        if self.outlines is not None:
            points += self._corners()
        xs, ys = [x for x, _ in points], [y for _, y in points]
        return (min(xs), min(ys)), (max(xs), max(ys))

    def _corners(self) -> list[Point]:
        """All corners of bodies, those outside where they stand nearest."""
        assert self.outlines is not None
        found: list[Point] = []
        for name in self.outlines.order():
            near = {name: self.outlines.nearest_place(name)} if self.outlines.tree.bodies[name].range else {}
            for index in range(len(self.shown) if self.outlines.is_moved(name) else 1):
                placed = self.outlines.placed(name, {**self._positions(index), **near})
                found += [point for part in placed for point in part]
        return found

    def _carried_points(self, name: str) -> list[Point]:
        """Known points of what the axis carries, in its own coordinates: centres of pieces and of its load."""
        found = [piece.centre for piece in self.machine.pieces.values() if piece.carried_by == name]
        load = self.machine.axes[name].load
        if load is not None and self.machine.axes[name].kind == "rotary":
            found.append(load.centre)
        return found

    def _place(self, point: Point) -> tuple[float, float]:
        spare = (self.cell - (self.high[0] - self.low[0]) * self.scale) / 2
        return spare + (point[0] - self.low[0]) * self.scale, (self.high[1] - point[1]) * self.scale

    def _line(self, group: Element, first: Point, second: Point, style: str) -> None:
        (x1, y1), (x2, y2) = self._place(first), self._place(second)
        group.add("line", x1=x1, y1=y1, x2=x2, y2=y2, class_=style)


def _along(point: Point, direction: float, distance: float) -> Point:
    return point[0] + distance * cos(direction), point[1] + distance * sin(direction)
