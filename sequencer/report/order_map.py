"""The space of two axes with an order in it: what is blocked, the boxes that are certified, and the route."""

from __future__ import annotations

from itertools import groupby

from sequencer.machine.axis import Axis
from sequencer.ordering.cells import Bools
from sequencer.ordering.projected import Layer, layers
from sequencer.report.axis_map import AxisMap
from sequencer.report.course import Course
from sequencer.report.svg import Element, number

Rectangle = tuple[float, float, float, float]

POINTS = 240
"""The route is drawn through so many places [1]."""


class OrderMap(AxisMap):
    """One picture; see `AxisMap`.

    Args:
        course: the order.
        across: the axis to the right.
        up: the axis upwards.
        width: of the picture [px].
        ends: what the start and the goal are called.
    """

    def __init__(self, course: Course, across: Axis, up: Axis, width: float, ends: tuple[str, str]) -> None:
        self.course, self.ends = course, ends
        self.numbers = (course.ordering.grid.index[across.name], course.ordering.grid.index[up.name])
        super().__init__(course.ordering.machine, across, up, width)

    def _beneath(self, group: Element) -> None:
        low, high = self._spans()
        # A cell is blocked for certain if one block says so, else it may be.
        drawn = [
            (f"blocked{more}", layer)
            for layer in layers(self.course.ordering.grid, *self.numbers, low, high)
            for more in ("-some", "")
        ]
        for style, layer in sorted(drawn, key=lambda one: one[0], reverse=True):
            cells = layer.every if style == "blocked" else layer.some
            if cells.any():
                group.add("path", d=self._cells(layer, cells), class_=style)
        covered = self._certified()
        if covered:
            inside = group.add("g")
            inside.add("title", "certified: clear wherever in it the axes are")
            for left, top, right, bottom in covered:
                inside.add("rect", x=left, y=top, width=right - left, height=bottom - top, class_="certified")

    def _above(self, group: Element) -> None:
        times = [self.course.duration * k / POINTS for k in range(POINTS + 1)]
        places = [self.course.place(time) for time in times]
        first, second = self.numbers
        points = [(self.x(place[first]), self.y(place[second])) for place in places]
        data = "L".join(f"{number(x)} {number(y)}" for x, y in dict.fromkeys(points))
        part = group.add("g")
        part.add("title", "the route, if all is punctual")
        part.add("path", d=f"M{data}", class_="course")
        for leg in self.course.legs:
            if leg.axis in self.numbers and leg.waits and leg.begin > 0.0:
                place = self.course.place(leg.begin)
                mark = group.add("g")
                mark.add("title", self.course.words(leg))
                mark.add("circle", cx=self.x(place[first]), cy=self.y(place[second]), r=3.6, class_="waits")

    def _points(self) -> list[tuple[str, float, float]]:
        first, second = self.numbers
        places = [self.course.place(time) for time in (0.0, self.course.duration)]
        points = [(self.x(place[first]), self.y(place[second])) for place in places]
        if points[0] == points[1]:
            return [(" and ".join(dict.fromkeys(self.ends)), *points[0])]
        return [(name, *point) for name, point in zip(self.ends, points, strict=True)]

    def _spans(self) -> tuple[list[float], list[float]]:
        """Where all axes are on their way [m or rad]."""
        boxes = list(self.course.plan.boxes())
        low = [min(box[0][axis] for box in boxes) for axis in range(len(boxes[0][0]))]
        return low, [max(box[1][axis] for box in boxes) for axis in range(len(low))]

    def _certified(self) -> list[Rectangle]:
        """The certified boxes in this plane [px], those within another left out."""
        first, second = self.numbers
        found = {
            (self.x(low[first]), self.y(high[second]), self.x(high[first]), self.y(low[second]))
            for low, high in self.course.plan.boxes()
        }
        return sorted(one for one in found if not any(one != other and _within(one, other) for other in found))

    def _cells(self, layer: Layer, cells: Bools) -> str:
        """Cells as the data of one path: runs of a column that are alike in neighbouring columns are one."""
        columns = []
        for column in range(cells.shape[0]):
            found, row = [], 0
            for blocked, group in groupby(cells[column].tolist()):
                count = len(list(group))
                if blocked:
                    found.append((row, row + count))
                row += count
            columns.append(tuple(found))
        data, column = [], 0
        for runs, group in groupby(columns):
            count = len(list(group))
            left, right = self.x(float(layer.across[column])), self.x(float(layer.across[column + count]))
            for begin, end in runs:
                top, bottom = self.y(float(layer.up[end])), self.y(float(layer.up[begin]))
                data.append(f"M{number(left)} {number(top)}H{number(right)}V{number(bottom)}H{number(left)}Z")
            column += count
        return "".join(data)


def _within(inner: Rectangle, outer: Rectangle) -> bool:
    return outer[0] <= inner[0] and outer[1] <= inner[1] and inner[2] <= outer[2] and inner[3] <= outer[3]
