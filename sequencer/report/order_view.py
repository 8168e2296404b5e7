"""An order as a picture: its route in the space of each two axes, and the bodies along it from the side."""

from __future__ import annotations

from itertools import combinations
from math import degrees

from sequencer.machine.axis import Axis
from sequencer.ordering.search import Ordered, Ordering, Place
from sequencer.report.course import Course
from sequencer.report.look import Shades, picture
from sequencer.report.machine_facts import body_signs, draw_sign
from sequencer.report.order_map import OrderMap
from sequencer.report.outlines import BODY_SHADES, Outlines
from sequencer.report.scene import Scene
from sequencer.report.svg import Element, shortened, wrapped

WIDTH, MARGIN, GAP = 1120.0, 24.0, 20.0
LARGE = 560.0
LINE = 17.0
GHOSTS = 9
"""So many times the bodies are drawn faintly on their way [1]."""

MOST_SMALL = 5
"""So many small pictures stand in a row [1]."""

APART = 0.06
"""Small pictures are so far apart, as a share of the whole time [1]."""

SHADES = Shades(
    (
        *BODY_SHADES.light,
        ".certified{fill:#009e73;fill-opacity:.1;stroke:#00805c;stroke-width:.8;stroke-opacity:.7}",
        ".waits{fill:#fdfcfa;stroke:#0072b2;stroke-width:2}",
    ),
    (*BODY_SHADES.dark, ".certified{stroke:#3fc79c}", ".waits{fill:#17191c;stroke:#56b4e9}"),
)

SIGNS = (
    ("blocked", "blocked wherever the other axes are on the way"),
    ("blocked-some", "blocked for some of their places; tracking bands are counted in both"),
    ("certified", "certified: clear wherever in it the axes are, whatever the timing"),
)


def order_svg(ordering: Ordering, found: Ordered, start: Place, goal: Place) -> str:
    """An order as the text of an SVG file; the same order gives the same text.

    Args:
        ordering: who found it.
        found: the order.
        start: where it starts.
        goal: where it goes.
    """
    return _Page(ordering, found, start, goal).text()


class _Page:
    def __init__(self, ordering: Ordering, found: Ordered, start: Place, goal: Place) -> None:
        self.ordering, self.found = ordering, found
        self.course = Course(ordering, found.plan)
        machine = ordering.machine
        self.names = (ordering.name(start), ordering.name(goal))
        ends = tuple(place if isinstance(place, str) else word for place, word in ((start, "here"), (goal, "there")))
        pairs = list(combinations([machine.axes[name] for name in ordering.axes], 2))
        columns = min(max(len(pairs), 1), 3)
        self.width = (WIDTH - 2 * MARGIN - (columns - 1) * GAP) / columns if columns > 1 else LARGE
        self.maps = [OrderMap(self.course, one, other, self.width, (ends[0], ends[1])) for one, other in pairs]
        self.rows = [self.maps[k : k + columns] for k in range(0, len(self.maps), columns)]
        self.legs = [
            (f"{leg.begin:.2f} s" if place == 0 else "", line)
            for leg in self.course.legs
            for place, line in enumerate(wrapped(self.course.words(leg), 12.5, WIDTH - 2 * MARGIN - LARGE - GAP - 56))
        ]
        self.outlines = Outlines(machine) if machine.bodies else None
        times = [self.course.duration * k / (GHOSTS + 1) for k in range(GHOSTS + 2)]
        self.along = [self.course.positions(time) for time in times]

    def text(self) -> str:
        """The document."""
        signs = 22.0 * 5
        maps = sum(max(view.height for view in row) + GAP for row in self.rows)
        scene = None if self.outlines is None else Scene(self.outlines, LARGE, self.along, 460.0)
        bodies = [] if self.outlines is None else list(body_signs(self.ordering.machine, self._places()))
        beside = 24.0 + LINE * len(self.legs) + 20.0 + signs + 22.0 * len(bodies)
        alone = scene is None and len(self.maps) == 1
        if alone:
            maps, tall = max(maps, beside), 0.0
        else:
            tall = max(beside, 0.0 if scene is None else scene.height + 30.0)
        small = [] if self.outlines is None else self._small()
        rest = max((one.height + 50.0 for one, _ in small), default=0.0) + (28.0 if small else 0.0)
        top = 84.0 + (28.0 if self.maps else 0.0)
        about = self._about()
        height = top + maps + 28.0 + tall + rest + MARGIN
        root = picture(WIDTH, height, f"{self.names[0]} to {self.names[1]}", about, SHADES)
        title = shortened(f"{self.names[0]} to {self.names[1]}", 22, WIDTH - 2 * MARGIN)
        root.add("text", title, x=MARGIN, y=38, font_size=20, class_="strong")
        root.add("text", shortened(about, 13, WIDTH - 2 * MARGIN), x=MARGIN, y=60, font_size=13, class_="soft")
        if self.maps:
            root.add("text", "In the space of two axes", x=MARGIN, y=top - 12, font_size=14, class_="strong")
        y = top
        for row in self.rows:
            for index, view in enumerate(row):
                view.draw(root, MARGIN + index * (self.width + GAP), y)
            y += max(view.height for view in row) + GAP
        y += 28.0
        left = MARGIN
        if scene is not None:
            root.add("text", "From the side", x=MARGIN, y=y - 12, font_size=14, class_="strong")
            self._side(root, scene, y)
            left += LARGE + GAP
        if alone:
            self._beside(root, MARGIN + LARGE + GAP, top + 12.0, bodies)
        else:
            self._beside(root, left, y, bodies)
        y += tall + (28.0 if small else 0.0)
        for index, (one, time) in enumerate(small):
            self._moment(root, one, time, index, MARGIN + index * (one.width + GAP), y)
        return str(root)

    def _about(self) -> str:
        found = self.found
        way = {"at once": "all axes at once", "gated": "with gates", "detour": "by a detour", "still": "nothing moves"}
        text = f"{way[found.kind]}, {found.duration:.2f} s if punctual, on {self.ordering.machine.name}"
        return text + (f"; all axes at once meet {found.in_the_way}" if found.in_the_way else "")

    def _side(self, root: Element, scene: Scene, top: float) -> None:
        """All along the route: faint on the way, the start dashed, the goal whole."""
        assert self.outlines is not None
        group = scene.open(root, MARGIN, top, "route")
        scene.rails(group, self.along[0])
        scene.still(group, self._places())
        moved = [name for name in self.outlines.order() if self.outlines.is_moved(name)]
        for positions in self.along[1:-1]:
            for name in moved:
                scene.body(group, name, positions, "ghost")
        for name in moved:
            scene.body(group, name, self.along[0], "ghost elsewhere")
        for name in moved:
            scene.body(group, name, self.along[-1])
        scene.scale_bar(root, MARGIN + LARGE, top + scene.height + 14.0)

    def _beside(self, root: Element, left: float, top: float, bodies: list[tuple[str, str]]) -> None:
        """What begins when, and what the signs mean."""
        root.add("text", "What begins when, if punctual", x=left, y=top + 12, font_size=13, class_="strong")
        y = top + 12.0 + LINE + 4.0
        for time, line in self.legs:
            root.add("text", time, x=left + 44, y=y, font_size=12.5, text_anchor="end", class_="soft")
            root.add("text", line, x=left + 56, y=y, font_size=12.5)
            y += LINE
        y += 14.0
        for sign, words in (*(SIGNS if bodies else SIGNS[-1:]), *bodies):
            if (sign, words) in SIGNS:
                root.add("rect", x=left, y=y - 7, width=28, height=14, class_=sign)
            else:
                draw_sign(root, sign, left, y)
            root.add("text", words, x=left + 40, y=y + 4, font_size=12, class_="soft")
            y += 22.0
        root.add("path", d=f"M{left:.1f} {y:.1f}h26", class_="course")
        root.add("text", "the route, if all is punctual", x=left + 40, y=y + 4, font_size=12, class_="soft")
        y += 22.0
        root.add("circle", cx=left + 13, cy=y, r=3.6, class_="waits")
        words = "an axis has waited here for another and begins to move"
        root.add("text", words, x=left + 40, y=y + 4, font_size=12, class_="soft")

    def _small(self) -> list[tuple[Scene, float]]:
        """The start, where legs begin, and the end, each a small picture."""
        assert self.outlines is not None
        begins = [leg.begin for leg in self.course.legs if leg.begin > 0.0]
        times = [0.0]
        for time in sorted(begins):
            if time - times[-1] > APART * self.course.duration < self.course.duration - time:
                times.append(time)
        if self.course.duration > 0.0:
            times.append(self.course.duration)
        if len(times) > MOST_SMALL:
            times = [times[round(k * (len(times) - 1) / (MOST_SMALL - 1))] for k in range(MOST_SMALL)]
        width = (WIDTH - 2 * MARGIN - (MOST_SMALL - 1) * GAP) / MOST_SMALL
        return [(Scene(self.outlines, width, self.along, 220.0), time) for time in times]

    def _moment(self, root: Element, scene: Scene, time: float, index: int, left: float, top: float) -> None:
        assert self.outlines is not None
        positions = self.course.positions(time)
        group = scene.open(root, left, top, f"moment-{index}")
        scene.rails(group, positions)
        scene.still(group, self._places())
        for name in self.outlines.order():
            if self.outlines.is_moved(name):
                scene.body(group, name, positions)
        y = top + scene.height + 16.0
        root.add("text", f"{time:.2f} s", x=left + 4, y=y, font_size=12.5, class_="strong")
        axes = self.ordering.machine.axes
        words = ", ".join(f"{name} {_short(axes[name], place)}" for name, place in positions.items())
        for line in wrapped(words, 11, scene.width - 8)[:2]:
            y += 14.0
            root.add("text", line, x=left + 4, y=y, font_size=11, class_="soft")

    def _places(self) -> dict[str, tuple[float, float]]:
        bodies = self.ordering.machine.bodies.values()
        given = self.ordering.grid.outside
        return {body.name: given.get(body.name, body.range) for body in bodies if body.range is not None}


def _short(axis: Axis, position: float) -> str:
    """A position to the millimetre or the degree."""
    return f"{degrees(position):.0f} deg" if axis.kind == "rotary" else f"{position:.3g} m"
