"""Timelines as pictures: a lane for each axis and output, the motion drawn below its steps."""

from __future__ import annotations

from sequencer.report.look import picture, plain, ticks
from sequencer.report.svg import Element, number, shortened, text_width
from sequencer.report.timeline import BLOCKS, Bar, Lane, Timeline

WIDTH = 1120.0
LEAST_LEFT, MOST_LEFT, RIGHT = 132.0, 200.0, 36.0
HEAD = 96.0
BAR, ROW_GAP = 22.0, 9.0
CURVE = 56.0
PADDING = 10.0
TEXT, NAME = 12.0, 13.0


def timeline_svg(timeline: Timeline) -> str:
    """The timeline as the text of an SVG file; the same timeline gives the same text."""
    names = max([0.0, *(text_width(lane.name, NAME) for lane in timeline.lanes)])
    scale = _Scale(timeline.duration, min(max(names + 40.0, LEAST_LEFT), MOST_LEFT))
    layouts = [_Layout(lane, scale) for lane in timeline.lanes]
    legend = _Legend(timeline)
    bottom = HEAD + sum(layout.height for layout in layouts)
    height = bottom + 34.0 + legend.height
    root = picture(WIDTH, height, f"Timeline of {timeline.title}", timeline.subtitle)
    root.add("text", timeline.title, x=24, y=36, font_size=20, class_="strong")
    root.add("text", shortened(timeline.subtitle, 13, WIDTH - 48), x=24, y=57, font_size=13, class_="soft")
    if timeline.failure:
        words = shortened(timeline.failure, 13, WIDTH - 72 - text_width(timeline.subtitle, 13))
        x = 24 + text_width(timeline.subtitle, 13) + 8
        root.add("text", words, x=x, y=57, font_size=13, class_="bad-text")
    top = HEAD
    for index, layout in enumerate(layouts):
        if index % 2 == 0:
            root.add("rect", x=0, y=top, width=WIDTH, height=layout.height, class_="band")
        top += layout.height
    _time_axis(root, scale, bottom)
    links = _Links()
    top = HEAD
    for layout in layouts:
        _draw_lane(root, layout, scale, top, links)
        top += layout.height
    links.draw(root)
    legend.draw(root, bottom + 40.0)
    return str(root)


class _Scale:
    """Time [s] to pixels."""

    def __init__(self, duration: float, left: float) -> None:
        self.duration = max(duration, 1e-9)
        self.left = left
        self.marks = ticks(0.0, self.duration, 10)

    def x(self, time: float) -> float:
        return self.left + min(max(time, 0.0), self.duration) / self.duration * (WIDTH - self.left - RIGHT)

    @property
    def end(self) -> float:
        return WIDTH - RIGHT


class _Placed:
    """A bar with its row and where its name stands."""

    def __init__(self, bar: Bar, scale: _Scale) -> None:
        self.bar = bar
        self.left = scale.x(bar.start)
        self.right = max(scale.x(bar.end), self.left + 3.0)
        if bar.instant:
            self.left, self.right = self.left - 6.0, self.left + 6.0
        self.row = 0
        name = bar.name if bar.outcome in ("done", None) else f"{bar.name}: {bar.outcome}"
        wide = text_width(name, TEXT)
        self.label = name
        if not bar.instant and wide + 12.0 <= self.right - self.left:
            self.label_x, self.taken_from, self.taken_to = self.left + 7.0, self.left, self.right
        elif self.right + wide + 8.0 <= WIDTH - 6.0:
            self.label_x, self.taken_from, self.taken_to = self.right + 5.0, self.left, self.right + wide + 10.0
        else:
            self.label = shortened(name, TEXT, self.left - scale.left - 8.0)
            wide = text_width(self.label, TEXT)
            self.label_x = self.left - wide - 4.0
            self.taken_from, self.taken_to = self.label_x - 4.0, self.right


class _Layout:
    """One lane with its bars in as many rows as their names need."""

    def __init__(self, lane: Lane, scale: _Scale) -> None:
        self.lane = lane
        self.placed = [_Placed(bar, scale) for bar in sorted(lane.bars, key=lambda bar: (bar.start, bar.name))]
        ends: list[float] = []
        ranges: list[float] = []
        for placed in self.placed:
            first, last = _range(placed.bar, scale)
            row = 0
            while row < len(ends) and (ends[row] > placed.taken_from + 0.5 or ranges[row] > first):
                row += 1
            if row == len(ends):
                ends.append(0.0)
                ranges.append(0.0)
            ends[row] = placed.taken_to
            ranges[row] = max(ranges[row], last)
            placed.row = row
        self.rows = len(ends)
        self.curve_top = PADDING + self.rows * (BAR + ROW_GAP)
        self.height = self.curve_top + (CURVE + PADDING if lane.curves else 0.0)


class _Links:
    """Dashed lines from a milestone to what it starts; drawn last, when both ends are known."""

    def __init__(self) -> None:
        self.marks: dict[str, tuple[float, float]] = {}
        self.wanted: list[tuple[str, float, float]] = []

    def draw(self, root: Element) -> None:
        for name, x, y in self.wanted:
            if name in self.marks:
                from_x, from_y = self.marks[name]
                root.add("path", d=f"M{number(from_x)} {number(from_y)}L{number(x)} {number(y)}", class_="link")


def _time_axis(root: Element, scale: _Scale, bottom: float) -> None:
    for time in scale.marks:
        x = scale.x(time)
        root.add("line", x1=x, y1=HEAD - 6, x2=x, y2=bottom, class_="rule")
        for y in (HEAD - 12, bottom + 18):
            label = f"{plain(time)} s" if time == 0.0 else plain(time)
            root.add("text", label, x=x, y=y, font_size=11, text_anchor="middle", class_="soft")
    root.add("line", x1=scale.left, y1=HEAD, x2=scale.end, y2=HEAD, class_="frame")
    root.add("line", x1=scale.left, y1=bottom, x2=scale.end, y2=bottom, class_="frame")


def _draw_lane(root: Element, layout: _Layout, scale: _Scale, top: float, links: _Links) -> None:
    lane = layout.lane
    group = root.add("g")
    middle = top + PADDING + (BAR + ROW_GAP) / 2
    group.add("text", shortened(lane.name, NAME, scale.left - 32), x=24, y=middle + 1, font_size=NAME, class_="strong")
    if lane.curves:
        _draw_curves(group, lane, scale, top + layout.curve_top)
    for placed in layout.placed:
        _draw_bar(group, placed, scale, top + PADDING + placed.row * (BAR + ROW_GAP), links)


def _draw_curves(group: Element, lane: Lane, scale: _Scale, top: float) -> None:
    values = [value for curve in lane.curves for _, value in curve.points]
    low, high = min(values), max(values)
    span = high - low
    if span <= 0.0:
        low, span = low - 0.5, 1.0

    def y(value: float) -> float:
        return top + 4.0 + (CURVE - 8.0) * (1.0 - (value - low) / span)

    for value in {min(values), max(values)}:
        group.add("line", x1=scale.left, y1=y(value), x2=scale.end, y2=y(value), class_="rule")
    for value in sorted({min(values), max(values)}):
        label = f"{plain(float(f'{value:.3g}'))} {lane.unit}"
        group.add("text", label, x=scale.left - 8, y=y(value) + 3.5, font_size=10.5, text_anchor="end", class_="soft")
    for curve in sorted(lane.curves, key=lambda curve: not curve.planned):
        alone = len(lane.curves) == 1
        path = "L".join(f"{number(scale.x(time))} {number(y(value))}" for time, value in curve.points)
        group.add("path", d=f"M{path}", class_="curve" if alone or not curve.planned else "curve-planned")


def _draw_bar(group: Element, placed: _Placed, scale: _Scale, top: float, links: _Links) -> None:
    bar = placed.bar
    part = group.add("g")
    part.add("title", _tooltip(bar))
    middle, low = top + BAR / 2, top + BAR
    colour = "block" if bar.kind in BLOCKS else bar.kind
    left, right = placed.left, placed.right
    if _is_uncertain(bar):
        _draw_range(part, scale, bar, low + 4.0)
    if bar.slack:
        end = scale.x(bar.end + bar.slack)
        part.add("line", x1=right, y1=low - 1, x2=end, y2=low - 1, class_="slack")
        part.add("line", x1=end, y1=low - 5, x2=end, y2=low + 1, class_="range")
    if bar.instant:
        x = (left + right) / 2
        part.add("path", d=_diamond(x, middle, 6.0), class_=colour, stroke_width=2.2 if bar.critical else 1.2)
    else:
        moving = min(max(scale.x(bar.moving), left), right)
        held = moving - left > 1.0
        if held:
            part.add("rect", x=left, y=top + 0.5, width=moving - left, height=BAR - 1, rx=3, class_="gate")
            left = moving
        width = max(right - left, 2.0)
        part.add("rect", x=left, y=top + 0.5, width=width, height=BAR - 1, rx=3, class_=colour, stroke_width=1.2)
        if held:
            part.add("path", d=f"M{number(moving)} {number(middle - 5)}l6 5l-6 5z", class_="opening")
        if bar.critical:
            part.add("line", x1=placed.left, y1=low, x2=right, y2=low, class_="critical")
        if bar.outcome not in ("done", "skipped", None):
            part.add("rect", x=placed.left, y=top + 0.5, width=right - placed.left, height=BAR - 1, rx=3, class_="bad")
        if not bar.ended:
            part.add(
                "path", d=f"M{number(right)} {number(top)}l5 {number(BAR / 2)}l-5 {number(BAR / 2)}", class_="frame"
            )
    if bar.planned is not None:
        start, end = map(scale.x, bar.planned)
        part.add("rect", x=start, y=low + 2.5, width=max(end - start, 2.0), height=3, rx=1.5, class_="planned")
    x = placed.label_x
    if placed.label_x < right and bar.moving > bar.start:
        x = _label_beside_gate(placed, scale)
    part.add("text", placed.label, x=x, y=middle + 4, font_size=TEXT)
    for mark in bar.marks:
        x = scale.x(mark.time)
        part.add("path", d=_diamond(x, low, 5.0), class_="mark")
        links.marks[bar.name] = (x, low + 5.0)
    if bar.passing:
        links.wanted.append((bar.passing, placed.left + (6.0 if bar.instant else 0.0), top))


def _label_beside_gate(placed: _Placed, scale: _Scale) -> float:
    """Inside a bar that waits first, the name stands in the part that moves if it fits there, else in front."""
    moving = scale.x(placed.bar.moving) + 10.0
    return moving if moving + text_width(placed.label, TEXT) + 4.0 <= placed.right else placed.label_x


def _is_uncertain(bar: Bar) -> bool:
    """Whether nobody knows when the step ends; what merely follows such a step is not marked again."""
    if bar.kind in BLOCKS or not bar.estimated or bar.latest is None or bar.earliest is None:
        return False
    return bar.latest > bar.earliest + 1e-6


def _range(bar: Bar, scale: _Scale) -> tuple[float, float]:
    """From where to where the end of a step is uncertain [px]; where it is not, a range that crosses no other."""
    if not _is_uncertain(bar) or bar.earliest is None or bar.latest is None:
        return WIDTH, 0.0
    return scale.x(bar.earliest), scale.x(bar.latest)


def _draw_range(part: Element, scale: _Scale, bar: Bar, y: float) -> None:
    first, last = _range(bar, scale)
    beyond = bar.latest is not None and bar.latest > scale.duration
    part.add("line", x1=first, y1=y, x2=last, y2=y, class_="range")
    part.add("line", x1=first, y1=y - 3, x2=first, y2=y + 3, class_="range")
    if beyond:
        part.add("path", d=f"M{number(last - 4)} {number(y - 3)}l4 3l-4 3", class_="range")
    else:
        part.add("line", x1=last, y1=y - 3, x2=last, y2=y + 3, class_="range")


def _diamond(x: float, y: float, size: float) -> str:
    one, back = number(size), number(-size)
    return f"M{number(x - size)} {number(y)}l{one} {back}l{one} {one}l{back} {one}z"


def _tooltip(bar: Bar) -> str:
    lines = [f"{bar.name} ({bar.kind})", f"{bar.start:.3f} s to {bar.end:.3f} s"]
    if bar.moving > bar.start:
        lines.append(f"moves from {bar.moving:.3f} s" + (f", once {bar.gate}" if bar.gate else ""))
    if bar.planned is not None:
        lines.append(f"planned {bar.planned[0]:.3f} s to {bar.planned[1]:.3f} s")
    if bar.outcome:
        lines.append(bar.outcome)
    if bar.slack:
        lines.append(f"may end {bar.slack:.3f} s later")
    if bar.estimated:
        lines.append("its end is an estimate")
    lines += [f"{mark.text} at {mark.time:.3f} s" for mark in bar.marks]
    if bar.about and bar.about != bar.outcome:
        lines.append(bar.about)
    return "\n".join(lines)


class _Legend:
    """The signs that this picture uses, and no others."""

    def __init__(self, timeline: Timeline) -> None:
        bars = timeline.bars()
        kinds = {"block" if bar.kind in BLOCKS else bar.kind for bar in bars}
        order = ("move", "flick", "press", "pulse", "set", "wait", "step", "block")
        self.entries: list[tuple[str, str]] = [(kind, kind) for kind in order if kind in kinds]
        signs = (
            ("critical", "critical path", any(bar.critical for bar in bars)),
            ("slack", "may end later", any(bar.slack for bar in bars)),
            ("gate", "held by its gate", any(bar.moving > bar.start for bar in bars)),
            ("range", "may end anywhere here", any(map(_is_uncertain, bars))),
            ("mark", "milestone", any(bar.marks for bar in bars)),
            ("bad", "not done", any(bar.outcome not in ("done", "skipped", None) for bar in bars)),
            ("planned", "planned", any(bar.planned for bar in bars)),
        )
        curves = [curve for lane in timeline.lanes for curve in lane.curves]
        self.entries += [(sign, words) for sign, words, there in signs if there]
        both = {curve.planned for curve in curves} == {True, False}
        if curves:
            self.entries.append(("curve", "measured" if both else "position"))
        if both:
            self.entries.append(("curve-planned", "ordered"))
        self.places: list[tuple[float, float]] = []
        x, row = 24.0, 0
        for _, words in self.entries:
            wide = 36.0 + text_width(words, 11.5) + 14.0
            if x + wide > WIDTH - 24.0:
                x, row = 24.0, row + 1
            self.places.append((x, row * 22.0))
            x += wide
        self.height = (row + 1) * 22.0 + 14.0

    def draw(self, root: Element, top: float) -> None:
        for (sign, words), (x, down) in zip(self.entries, self.places, strict=True):
            y = top + down
            _draw_sign(root, sign, x, y)
            root.add("text", words, x=x + 34, y=y + 4, font_size=11.5, class_="soft")


def _draw_sign(root: Element, sign: str, x: float, y: float) -> None:
    match sign:
        case "critical" | "slack" | "range" | "curve" | "curve-planned":
            root.add("line", x1=x, y1=y, x2=x + 26, y2=y, class_=sign)
        case "mark":
            root.add("path", d=_diamond(x + 13, y, 5.0), class_="mark")
        case "set":
            root.add("path", d=_diamond(x + 13, y, 6.0), class_="set", stroke_width=1.2)
        case "planned":
            root.add("rect", x=x, y=y - 1.5, width=26, height=3, rx=1.5, class_="planned")
        case "gate":
            root.add("rect", x=x, y=y - 7, width=20, height=14, rx=3, class_="gate")
            root.add("path", d=f"M{number(x + 20)} {number(y - 5)}l6 5l-6 5z", class_="opening")
        case _:
            root.add("rect", x=x, y=y - 7, width=26, height=14, rx=3, class_=sign, stroke_width=1.2)
