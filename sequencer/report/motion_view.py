"""The machine from the side as it moved: its outlines, and by frame where each of them is."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from html import escape
from math import atan2, cos, degrees, hypot, sin
from typing import Any

from sequencer.machine.machine import Machine
from sequencer.report.look import picture
from sequencer.report.outlines import BODY_SHADES, Outlines, draw_body
from sequencer.report.page import data_island, inline
from sequencer.report.poses import Point, moved, poses, resting_position
from sequencer.report.scene import Scene
from sequencer.trace import Row, RunRecord, StepRecord, Trace
from sequencer.units import show

WIDTH, TALLEST = 400.0, 420.0

MOST_FRAMES = 1200
"""A longer record is shown in every second, third, ... tick."""

STUB = 0.22
"""How long an arm is drawn that has no body, as a share of what is seen."""


class MotionView:
    """One run, or all that a rehearsal recorded, from the side.

    Args:
        machine: the machine, with or without bodies.
        trace: the record.
        begin: from when [s] of the record.
        end: until when [s].
        steps: what is told as active.
        key: its own in the page.
        standing: where bodies outside stand [m] that no sensor tells of.
    """

    def __init__(
        self,
        machine: Machine,
        trace: Trace,
        begin: float,
        end: float,
        steps: Iterable[StepRecord],
        key: str,
        standing: Mapping[str, float] | None = None,
    ) -> None:
        self.machine, self.key = machine, key
        self.names = [name for name, _ in trace.header.axes]
        rows = [row for row in trace.rows if begin - 1e-9 <= trace.seconds(row.now_ns) <= end + 1e-9]
        rows = rows[:: -(-len(rows) // MOST_FRAMES)] if rows else rows
        self.times = [round(trace.seconds(row.now_ns) - begin, 4) for row in rows]
        self.steps = [(step.name, round(step.start - begin, 4), round(step.end - begin, 4)) for step in steps]
        self.sensors = [name for name, _ in trace.header.sensors]
        self.outlines = Outlines(machine) if machine.bodies else None
        self.standing = dict(standing or {})
        self.positions = self._positions(rows)
        self.pieces = [self._piece(row) for row in rows]

    def html(self) -> str:
        """The picture with its slider and what it shows in words; nothing where no frame was recorded."""
        if not self.times:
            return ""
        parts: list[dict[str, Any]] = []
        if self.outlines is not None:
            svg = self._bodies(self.outlines, parts)
        else:
            svg = self._sticks(parts)
        axes = [axis for axis in self.machine.axes.values() if axis.travel is not None and axis.name in self.names]
        labels = ["time", "active steps", *(axis.name for axis in axes), *(["piece held"] if any(self.pieces) else [])]
        values = [[show(frame[axis.name], axis.dimension, 4) for frame in self.positions] for axis in axes]
        if any(self.pieces):
            values.append([piece or "none" for piece in self.pieces])
        data = {"times": self.times, "parts": parts, "steps": self.steps, "values": values}
        readout = "".join(f"<dt>{escape(label)}</dt><dd data-readout></dd>" for label in labels)
        last = len(self.times) - 1
        return (
            f'<div class="motion" data-motion="{self.key}-data">{svg}<div><div class="steer">'
            f'<button type="button">play</button><input type="range" min="0" max="{last}" value="0" step="1" '
            f'aria-label="time in the run"></div><dl class="readout">{readout}</dl></div></div>'
            f"{data_island(f'{self.key}-data', data)}"
        )

    def _positions(self, rows: Sequence[Row]) -> list[dict[str, float]]:
        """Where every axis and every body outside is, by frame; what was not read stays where it was last."""
        now = {name: resting_position(self.machine, name) for name in self.machine.axes}
        outside = {body.name: body for body in self.machine.bodies.values() if body.carried_by == "outside"}
        for name, body in outside.items():
            low, high = body.range or (0.0, 0.0)
            now[name] = self.standing.get(name, 0.5 * (low + high))
        found = []
        for row in rows:
            for index, name in enumerate(self.names):
                measured = row.measured[index] if name in self.machine.axes else None
                if measured is not None and measured.position is not None:
                    now[name] = measured.position
            for name, body in outside.items():
                read = self._sensed(row, body.reading)
                if read is not None and body.range is not None and _tells_place(self.machine, body.reading):
                    now[name] = min(max(read, body.range[0]), body.range[1])
            found.append(dict(now))
        return found

    def _sensed(self, row: Row, name: str | None) -> float | None:
        if name is None or name not in self.sensors:
            return None
        sensed = row.sensors[self.sensors.index(name)]
        value = None if sensed is None else sensed[0]
        return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None

    def _piece(self, row: Row) -> str:
        """The piece that the machine says it holds."""
        for name, sensor in self.machine.sensors.items():
            if sensor.plant is not None and sensor.plant.piece and name in self.sensors:
                sensed = row.sensors[self.sensors.index(name)]
                value = None if sensed is None else sensed[0]
                return value if isinstance(value, str) and value in self.machine.pieces else ""
        return ""

    def _bodies(self, outlines: Outlines, parts: list[dict[str, Any]]) -> str:
        scene = Scene(outlines, WIDTH, self._corners(), TALLEST)
        root = picture(WIDTH, scene.height + 22.0, "The machine from the side", "", BODY_SHADES)
        group = scene.open(root, 0.0, 0.0, "motion")
        scene.rails(group, self.positions[0])
        for number, name in enumerate(outlines.order()):
            first = outlines.placed(name, self.positions[0])
            drawn = draw_body(group, outlines, name, first, scene.place)
            if name in self.machine.bodies and self.machine.bodies[name].carried_by == "frame":
                continue
            drawn.attributes.update({"id": f"part-{number}", "class": f"{drawn.attributes['class']} moving"})
            part: dict[str, Any] = {"id": f"{self.key}-part-{number}", "at": self._motion(outlines, name, scene.place)}
            if outlines.is_piece(name):
                part["there"] = "".join("1" if piece == name else "0" for piece in self.pieces)
            parts.append(part)
        scene.scale_bar(root, WIDTH, scene.height + 14.0)
        return inline(str(root), self.key)

    def _motion(self, outlines: Outlines, name: str, place: Callable[[Point], tuple[float, float]]) -> list[int]:
        """By frame the shift [tenths of a pixel] and the turn [hundredths of a degree] from the first frame."""
        found: list[int] = []
        start: tuple[tuple[float, float], float] | None = None
        for positions in self.positions:
            corner, angle = _pose(outlines.placed(name, positions))
            here = place(corner), -angle
            if start is None:
                start = here
            (x0, y0), before = start
            (x, y), after = here
            turn = after - before
            shift = x - (cos(turn) * x0 - sin(turn) * y0), y - (sin(turn) * x0 + cos(turn) * y0)
            found += [round(10 * shift[0]), round(10 * shift[1]), round(100 * degrees(turn))]
        return found

    def _corners(self) -> list[Mapping[str, float]]:
        """Frames enough to know what is to be seen."""
        step = max(1, len(self.positions) // 60)
        return [*self.positions[::step], self.positions[-1]]

    def _sticks(self, parts: list[dict[str, Any]]) -> str:
        """A machine without bodies: slides on their rails, arms as lines."""
        machine = self.machine
        all_poses = [poses(machine, positions) for positions in self.positions]
        ends: dict[str, list[tuple[Point, Point]]] = {}
        seen = [pose.tip for frame in all_poses for pose in frame.values()]
        rails: dict[str, list[tuple[Point, Point]]] = {}
        for axis in machine.axes.values():
            if axis.kind == "linear" and axis.travel is not None:
                low, high = axis.travel
                rails[axis.name] = [
                    (
                        moved(frame[axis.name].base, frame[axis.name].direction, (low, 0.0)),
                        moved(frame[axis.name].base, frame[axis.name].direction, (high, 0.0)),
                    )
                    for frame in all_poses
                ]
                seen += [point for pair in rails[axis.name] for point in pair]
        size = max(
            max(x for x, _ in seen) - min(x for x, _ in seen), max(y for _, y in seen) - min(y for _, y in seen), 0.5
        )
        for axis in machine.axes.values():
            if axis.kind == "rotary":
                length = max([STUB * size, *self._carried(axis.name)])
                ends[axis.name] = [
                    (frame[axis.name].tip, moved(frame[axis.name].tip, frame[axis.name].direction, (length, 0.0)))
                    for frame in all_poses
                ]
            elif axis.kind == "linear":
                ends[axis.name] = [(frame[axis.name].base, frame[axis.name].tip) for frame in all_poses]
        seen += [point for pairs in ends.values() for pair in pairs for point in pair]
        low_x, high_x = min(x for x, _ in seen), max(x for x, _ in seen)
        low_y, high_y = min(y for _, y in seen), max(y for _, y in seen)
        around = 0.08 * max(high_x - low_x, high_y - low_y)
        scale = min(WIDTH / (high_x - low_x + 2 * around), TALLEST / (high_y - low_y + 2 * around))
        spare = 0.5 * (WIDTH - (high_x - low_x) * scale)

        def place(point: Point) -> tuple[float, float]:
            return spare + (point[0] - low_x) * scale, (high_y + around - point[1]) * scale

        height = (high_y - low_y + 2 * around) * scale
        root = picture(WIDTH, height, "The machine from the side", "")
        for kind, lines in (("rail", rails), ("slide", ends)):
            for number, (name, pairs) in enumerate(lines.items()):
                style = "stick" if machine.axes[name].kind == "rotary" else kind
                line = root.add("line", id=f"{kind}-{number}", class_=style)
                line.add("title", name)
                at = [round(10 * value) for pair in pairs for point in pair for value in place(point)]
                for attribute, value in zip(("x1", "y1", "x2", "y2"), at[:4], strict=True):
                    line.attributes[attribute] = f"{value / 10:g}"
                parts.append({"id": f"{self.key}-{kind}-{number}", "at": at, "ends": True})
        return inline(str(root), self.key)

    def _carried(self, axis: str) -> list[float]:
        """How far off an axis carries others [m]."""
        return [hypot(*other.mount.at) for other in self.machine.axes.values() if other.mount.to == axis]


def _pose(parts: Sequence[Sequence[Point]]) -> tuple[Point, float]:
    """A corner of a body, and the direction [rad] from it to the next."""
    (x0, y0), (x1, y1) = parts[0][0], parts[0][1]
    return (x0, y0), atan2(y1 - y0, x1 - x0)


def _tells_place(machine: Machine, sensor: str | None) -> bool:
    """Whether a reading is the place of a body itself, and not a gap."""
    link = machine.sensors[sensor].plant if sensor is not None and sensor in machine.sensors else None
    return link is None or link.gap is None


def whole_run(trace: Trace, run: RunRecord) -> tuple[float, float]:
    """From the start of a run to the end of what follows it without a pause (its way back after a cancel)."""
    end = run.end
    for other in trace.runs():
        if other.name.startswith(f"{run.name}.") and 0.0 <= other.start - end <= 1.0:
            end = other.end
    return run.start, end
