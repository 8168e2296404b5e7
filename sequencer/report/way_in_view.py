"""A way into a keep-out in the space of two axes: the box, all that the axes may be meanwhile, and what would mend it.

No side view shows a declared box; the positions of its axes do. Of a box of more axes two are shown, those that move
first; where the others are then is told in words.
"""

from __future__ import annotations

from collections.abc import Mapping

from sequencer.check.finding import Examination, Finding
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine
from sequencer.plan.planned import Plan
from sequencer.report.axis_map import AxisMap
from sequencer.report.routine_panels import BOLD, GAP, LINE, Panel, title_of
from sequencer.report.scene import RING
from sequencer.report.svg import Element, shortened, wrapped

_PLOT = 560.0
"""Width of the plot [px]."""

_LOOKS = 200
"""The plan is drawn through so many points [1]."""

_SIGNS = (
    ("body body-1 covers", "where the axes may be meanwhile, whatever the timing, tracking counted"),
    ("blocked", "what of that lies in the keep-out"),
    ("course", "the plan, if all is punctual"),
)


class WayInView(Panel):
    """One conflict with a keep-out.

    Args:
        machine: the machine.
        examination: what the check found.
        finding: the conflict; it has a way in.
    """

    def __init__(self, machine: Machine, examination: Examination, finding: Finding) -> None:
        assert finding.way_in is not None
        self.machine, self.examination = machine, examination
        self.way = finding.way_in
        self.title = title_of(self.way.box, finding)
        self.rule = next(
            one for one in machine.interlocks if isinstance(one, KeepOut) and one.name == finding.way_in.box
        )
        names = shown_axes(machine, self.rule, finding.way_in.spans)
        self.names = names
        self.map = AxisMap(machine, machine.axes[names[0]], machine.axes[names[1]], _PLOT)
        room = self.width - _PLOT - GAP
        self.message = wrapped(f"{finding.message}.", 12.5, room)
        self.hint = wrapped(finding.hint, BOLD * 12.5, room)
        self.others = wrapped(self._others(), 12.5, room)
        lines = len(self.message) + len(self.hint) + len(self.others)
        self.height = max(self.map.height, 48.0 + LINE * lines + 22.0 * (len(_SIGNS) + 1)) + 12.0

    def draw(self, root: Element, left: float, top: float) -> None:
        self.map.draw(root, left, top)
        group = root.add("g", transform=f"translate({left:.1f} {top:.1f})")
        self._rectangle(group, self.way.spans, "body body-1 covers")
        part = group.add("g")
        part.add("title", f"{self.way.box}: what the proof does not keep out of it")
        self._rectangle(part, self._inside(), "blocked")
        plan = self.examination.plan
        if plan is not None and set(self.names) <= set(plan.initial) and self.title == self.way.box:
            group.add("path", d=self._course(plan), class_="course")
        if self.way.axis in self.names:
            self._gate(group)
        places = [self.way.places.get(name, 0.5 * sum(self._span(name))) for name in self.names]
        group.add("circle", cx=self.map.x(places[0]), cy=self.map.y(places[1]), r=RING, class_="ring")
        self._beside(root, left + _PLOT + GAP, top + 14.0)

    def _beside(self, root: Element, x: float, y: float) -> None:
        title = shortened(self.title, 14, self.width - _PLOT - GAP)
        root.add("text", title, x=x, y=y, font_size=14, class_="strong")
        y += 22.0
        for style, lines in (("soft", self.message), ("strong", self.hint), ("soft", self.others)):
            for line in lines:
                root.add("text", line, x=x, y=y, font_size=12.5, class_=style)
                y += LINE
            y += 6.0
        signs = [*_SIGNS, ("gate-wanted", "the gate that mends it")] if self.way.axis in self.names else _SIGNS
        for style, words in signs:
            y += 10.0
            if style in ("course", "gate-wanted"):
                root.add("path", d=f"M{x:.1f} {y:.1f}h28", class_=style)
            else:
                root.add("rect", x=x, y=y - 7.0, width=28, height=14, class_=style)
            root.add("text", words, x=x + 40.0, y=y + 4.0, font_size=12, class_="soft")
            y += 12.0

    def _span(self, name: str) -> tuple[float, float]:
        travel = self.machine.axes[name].travel or (0.0, 0.0)
        return self.way.spans.get(name, travel)

    def _inside(self) -> dict[str, tuple[float, float]]:
        """What of the spans lies in the box."""
        box = dict(self.rule.box)
        found = {}
        for name in self.names:
            low, high = self._span(name)
            first, last = box.get(name, (low, high))
            found[name] = (max(low, first), max(min(high, last), max(low, first)))
        return found

    def _rectangle(self, group: Element, spans: Mapping[str, tuple[float, float]], style: str) -> None:
        across, up = (spans.get(name, self._span(name)) for name in self.names)
        x, y = self.map.x(across[0]), self.map.y(up[1])
        wide, high = max(self.map.x(across[1]) - x, 2.0), max(self.map.y(up[0]) - y, 2.0)
        group.add("rect", x=x, y=y, width=wide, height=high, class_=style)

    def _gate(self, group: Element) -> None:
        part = group.add("g")
        part.add("title", f"{self.way.waits} waits there")
        other = self.names[1] if self.way.axis == self.names[0] else self.names[0]
        low, high = self.machine.axes[other].travel or (0.0, 0.0)
        if self.way.axis == self.names[0]:
            x = self.map.x(self.way.position)
            part.add("line", x1=x, y1=self.map.y(high), x2=x, y2=self.map.y(low), class_="gate-wanted")
        else:
            y = self.map.y(self.way.position)
            part.add("line", x1=self.map.x(low), y1=y, x2=self.map.x(high), y2=y, class_="gate-wanted")

    def _course(self, plan: Plan) -> str:
        points = []
        for look in range(_LOOKS + 1):
            time = plan.duration * look / _LOOKS
            across, up = (plan.state(name, time).position for name in self.names)
            points.append(f"{self.map.x(across):.2f} {self.map.y(up):.2f}")
        return f"M{'L'.join(dict.fromkeys(points))}"

    def _others(self) -> str:
        """Where the axes are that the plot does not show."""
        words = []
        for name, (low, high) in self.way.spans.items():
            if name not in self.names:
                axis = self.machine.axes[name]
                words.append(f"{name} within {axis.show(low)} to {axis.show(high)}")
        return f"Meanwhile {' and '.join(words)}." if words else ""


def shown_axes(machine: Machine, rule: KeepOut, spans: Mapping[str, tuple[float, float]]) -> tuple[str, str]:
    """The two axes of the plot, in file order: those of the box that go farthest; beside a single one the first other
    axis of the machine that has a travel, or itself."""
    travels = {axis.name: axis.travel for axis in machine.axes.values() if axis.travel is not None}
    shares = {name: (high - low) / (travels[name][1] - travels[name][0]) for name, (low, high) in spans.items()}
    chosen = sorted((name for name, _ in rule.box), key=lambda name: -shares.get(name, 0.0))[:2]
    if len(chosen) == 1:
        chosen.append(next((name for name in travels if name not in chosen), chosen[0]))
    first, second = sorted(chosen, key=list(travels).index)
    return first, second
