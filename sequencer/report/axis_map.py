"""The space of two axes: where they may be, where presets are, and the boxes to keep out of."""

from __future__ import annotations

import math

from sequencer.machine.axis import Axis
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine
from sequencer.report.look import angle_ticks, plain, ticks
from sequencer.report.svg import Element, shortened, text_width, wrapped

LEFT, BOTTOM, HEAD = 52.0, 40.0, 12.0
NOTE_LINE = 17.0
NAME = 11.5


class AxisMap:
    """One picture: the first axis to the right, the second upwards; `height` [px] follows from width and notes."""

    def __init__(self, machine: Machine, across: Axis, up: Axis, width: float) -> None:
        self.machine, self.across, self.up = machine, across, up
        self.width = width
        self.plot_width = width - LEFT - 12.0
        self.plot_height = min(self.plot_width * 0.8, 380.0)
        self.boxes = [
            interlock
            for interlock in machine.interlocks
            if isinstance(interlock, KeepOut) and {axis for axis, _ in interlock.box} & {across.name, up.name}
        ]
        self.notes = [line for index, box in enumerate(self.boxes) for line in self._note(index, box)]
        self.tags = self._tag_places()
        self.height = HEAD + self.plot_height + BOTTOM + NOTE_LINE * len(self.notes)

    def draw(self, root: Element, left: float, top: float) -> None:
        """Draw it with its upper left corner there [px]."""
        group = root.add("g", transform=f"translate({left:.1f} {top:.1f})")
        group.add("rect", x=LEFT, y=HEAD, width=self.plot_width, height=self.plot_height, class_="travel")
        self._rules(group)
        self._beneath(group)
        for index, box in enumerate(self.boxes):
            self._box(group, index, box)
        self._above(group)
        self._presets(group)
        y = HEAD + self.plot_height + BOTTOM + 8.0
        for number, text in self.notes:
            if number:
                _tag(group, LEFT + 8.0, y - 4.0, number)
            group.add("text", text, x=LEFT + 22.0, y=y, font_size=11.5, class_="soft")
            y += NOTE_LINE

    def x(self, position: float) -> float:
        return LEFT + _share(self.across, position) * self.plot_width

    def y(self, position: float) -> float:
        return HEAD + (1.0 - _share(self.up, position)) * self.plot_height

    def _beneath(self, group: Element) -> None:
        """What else is drawn beneath the boxes to keep out of; nothing here."""

    def _above(self, group: Element) -> None:
        """What else is drawn above them, beneath the presets; nothing here."""

    def _rules(self, group: Element) -> None:
        bottom = HEAD + self.plot_height
        for value, label in _labels(self.across, self.plot_width / 70.0):
            x = self.x(value)
            group.add("line", x1=x, y1=HEAD, x2=x, y2=bottom, class_="rule")
            group.add("text", label, x=x, y=bottom + 15, font_size=10.5, text_anchor="middle", class_="soft")
        for value, label in _labels(self.up, self.plot_height / 45.0):
            y = self.y(value)
            group.add("line", x1=LEFT, y1=y, x2=LEFT + self.plot_width, y2=y, class_="rule")
            group.add("text", label, x=LEFT - 6, y=y + 3.5, font_size=10.5, text_anchor="end", class_="soft")
        words = f"{self.across.name} [{_unit(self.across)}]"
        middle = LEFT + self.plot_width / 2
        group.add("text", words, x=middle, y=bottom + 32, font_size=12, text_anchor="middle", class_="strong")
        words = f"{self.up.name} [{_unit(self.up)}]"
        middle = HEAD + self.plot_height / 2
        group.add(
            "text",
            words,
            x=11,
            y=middle,
            font_size=12,
            text_anchor="middle",
            class_="strong",
            transform=f"rotate(-90 11 {middle:.1f})",
        )

    def _edges(self, box: KeepOut) -> tuple[float, float, float, float]:
        """Left, top, right, bottom [px]; where the box does not name an axis it spans its travel."""
        intervals = dict(box.box)
        assert self.across.travel is not None
        assert self.up.travel is not None
        across = intervals.get(self.across.name, self.across.travel)
        up = intervals.get(self.up.name, self.up.travel)
        return self.x(across[0]), self.y(up[1]), self.x(across[1]), self.y(up[0])

    def _always(self, box: KeepOut) -> bool:
        """Whether these two axes alone, and no condition, decide that the machine is inside."""
        return box.when is None and {axis for axis, _ in box.box} <= {self.across.name, self.up.name}

    def _box(self, group: Element, index: int, box: KeepOut) -> None:
        left, top, right, bottom = self._edges(box)
        always = self._always(box)
        part = group.add("g")
        part.add("title", f"{box.name}: {box.because}" if box.because else box.name)
        part.add(
            "rect",
            x=left,
            y=top,
            width=max(right - left, 2.0),
            height=max(bottom - top, 2.0),
            fill=f"url(#{'hatch' if always else 'hatch-some'})",
            class_="keep-out" if always else "keep-out-some",
        )
        _tag(part, *self.tags[index], index + 1)

    def _tag_places(self) -> list[tuple[float, float]]:
        """Where the number of each box stands: inside it, clear of presets and of the numbers before it."""
        taken = [(x, y) for _, x, y in self._points()]
        found = []
        for box in self.boxes:
            left, top, right, bottom = self._edges(box)
            columns = [left + 12.0, right - 12.0, (left + right) / 2]
            rows = [top + 12.0, bottom - 12.0, (top + bottom) / 2]
            if right - left < 26.0:
                columns = columns[2:]
            if bottom - top < 26.0:
                rows = rows[2:]
            places = [(x, y) for y in rows for x in columns]
            free = [p for p in places if all(abs(p[0] - x) > 17.0 or abs(p[1] - y) > 17.0 for x, y in taken)]
            found.append((free or places)[0])
            taken.append(found[-1])
        return found

    def _note(self, index: int, box: KeepOut) -> list[tuple[int, str]]:
        others = [name for name, _ in box.box if name not in (self.across.name, self.up.name)]
        when = f" when {box.when}" if box.when is not None else ""
        for name in others:
            low, high = dict(box.box)[name]
            axis = self.machine.axes[name]
            when += f"{' and' if when else ' when'} {name} is {axis.show(low)} to {axis.show(high)}"
        text = box.name + when + (f": {box.because}" if box.because else "")
        lines = wrapped(text, 11.5, self.width - LEFT - 24.0)
        return [(index + 1 if place == 0 else 0, line) for place, line in enumerate(lines)]

    def _presets(self, group: Element) -> None:
        points = self._points()
        taken = [(x - 6.0, y - 6.0, x + 6.0, y + 6.0) for _, x, y in points]
        taken += [(x - 9.0, y - 9.0, x + 9.0, y + 9.0) for x, y in self.tags]
        for name, x, y in points:
            group.add("circle", cx=x, cy=y, r=5, class_="preset")
            name = shortened(name, NAME, self.plot_width / 2)
            wide = text_width(name, NAME)
            for dx, dy in _AROUND:
                left = x + dx if dx > 0 else x + dx - wide if dx < 0 else x - wide / 2
                area = (left, y + dy - 9.0, left + wide, y + dy + 3.0)
                if self._inside(area) and not any(_overlap(area, other) for other in taken):
                    break
            taken.append(area)
            group.add("text", name, x=area[0], y=area[3] - 2.0, font_size=NAME)

    def _points(self) -> list[tuple[str, float, float]]:
        return [
            (name, self.x(preset.positions[self.across.name]), self.y(preset.positions[self.up.name]))
            for name, preset in self.machine.presets.items()
            if {self.across.name, self.up.name} <= set(preset.positions)
        ]

    def _inside(self, area: tuple[float, float, float, float]) -> bool:
        left, top, right, bottom = area
        return (
            left >= LEFT + 2
            and right <= LEFT + self.plot_width - 2
            and top >= HEAD + 2
            and bottom <= HEAD + self.plot_height - 2
        )


_AROUND = (
    (9.0, 4.0), (-9.0, 4.0), (0.0, -10.0), (0.0, 18.0), (8.0, -9.0), (8.0, 15.0),
    (-8.0, -9.0), (-8.0, 15.0), (9.0, 28.0), (-9.0, 28.0), (9.0, -22.0), (-9.0, -22.0),
)  # fmt: skip


def _tag(group: Element, x: float, y: float, number: int) -> None:
    group.add("circle", cx=x, cy=y, r=7.5, class_="tag")
    group.add("text", str(number), x=x, y=y + 3.8, font_size=10.5, text_anchor="middle", class_="tag-text")


def _share(axis: Axis, position: float) -> float:
    assert axis.travel is not None
    low, high = axis.travel
    return min(max((position - low) / (high - low), 0.0), 1.0)


def _labels(axis: Axis, about: float) -> list[tuple[float, str]]:
    assert axis.travel is not None
    low, high = axis.travel
    count = max(2, int(about))
    if axis.kind == "rotary":
        scale = math.pi / 180.0
        return [(value * scale, plain(value)) for value in angle_ticks(low / scale, high / scale, count)]
    return [(value, plain(value)) for value in ticks(low, high, count)]


def _unit(axis: Axis) -> str:
    return "deg" if axis.kind == "rotary" else "m"


def _overlap(first: tuple[float, float, float, float], second: tuple[float, float, float, float]) -> bool:
    return first[0] < second[2] and second[0] < first[2] and first[1] < second[3] and second[1] < first[3]
