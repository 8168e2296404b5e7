"""The mandatory supervisor: at every tick, whatever the steps want, the machine stays out of every keep-out box.

What an axis occupies is the interval of its set-points still in flight (its latency) and of the way it needs to stop,
widened by its tracking band. The invariant: the product of what the axes occupy misses every box that holds. Starting
from "every axis brakes", which keeps the invariant by induction, axes are let go in the order of the machine file; an
axis that may not go stops at the edge of the box that blocks it, or brakes at once, and goes on when the way is free.

The supervisor believes its readings: a lying encoder deceives it. It is no safety function.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Protocol

from profiles import ProfileError, State, s_curve, trapezoid
from sequencer.run.blocked import Blocked, BlockedGrids, Running, grids_of
from sequencer.run.definition import ROUNDING, MachineDefinition
from sequencer.run.free_cell import FreeCell
from sequencer.run.motion import Motion
from sequencer.run.terms import Scope, Test, build

if TYPE_CHECKING:
    from sequencer.run.routine_run import Run

Report = Callable[[str, Motion, str], None]
"""Told when an axis is held ("hold") and goes on ("go"): (what, motion, in words)."""


class Obstacle(Protocol):
    """What the machine must miss, in axis positions. `axes` are those it depends on."""

    name: str
    axes: frozenset[int]
    when: Test | None

    def holds(self) -> bool:
        """Whether it counts now; UNKNOWN counts (R16)."""
        ...

    def missed(self, lows: Sequence[float], highs: Sequence[float]) -> bool:
        """Whether no combination of positions in these intervals, one an axis, lies in it."""
        ...

    def side(self, axis: int) -> tuple[float, float]:
        """The interval of an axis outside of which it is surely missed."""
        ...


class Box:
    """A keep-out box, widened by the tracking band of each of its axes."""

    __slots__ = ("axes", "edges", "name", "sides", "when")

    def __init__(self, name: str, edges: Sequence[tuple[int, float, float]], when: Test | None) -> None:
        self.name = name
        self.edges = tuple(edges)
        self.sides = {axis: (low, high) for axis, low, high in edges}
        self.axes = frozenset(self.sides)
        self.when = when

    def holds(self) -> bool:
        """Whether the box counts now; UNKNOWN counts (R16)."""
        return self.when is None or self.when() is not False

    def missed(self, lows: Sequence[float], highs: Sequence[float]) -> bool:
        """Whether at least one axis stays wholly outside."""
        for axis, low, high in self.edges:  # noqa: SIM110 - asked several times a tick, and a generator takes twice as long
            if highs[axis] < low or lows[axis] > high:
                return True
        return False

    def side(self, axis: int) -> tuple[float, float]:
        """The interval of an axis that the box takes up."""
        return self.sides[axis]


class Supervisor:
    """Commits, shortens or holds the candidates of one tick."""

    __slots__ = (
        "asked",
        "boxes",
        "by_name",
        "cell",
        "highs",
        "lows",
        "motions",
        "of_axis",
        "report",
        "running",
        "tables",
    )

    def __init__(
        self,
        machine: MachineDefinition,
        motions: list[Motion],
        scope: Scope,
        report: Report,
        tables: Iterable[BlockedGrids] | None = None,
    ) -> None:
        self.motions = motions
        self.report = report
        self.boxes: list[Obstacle] = []
        self.by_name: dict[str, Obstacle] = {}
        self.cell = FreeCell(len(motions))
        self.asked: list[Obstacle] = []
        self.of_axis: list[list[Obstacle]] = [[] for _ in motions]
        for data in machine.keep_outs:
            edges = []
            for axis, low, high in data["box"]:
                margin = machine.axes[axis].band + ROUNDING
                edges.append((axis, low - margin, high + margin))
            when = None if data["when"] is None else build(data["when"], scope)
            self.add(Box(data["name"], edges, when))
        self.tables: list[Blocked] = []
        self.running: Running = []
        for guarded, grids in grids_of(machine.data) if tables is None else tables:
            when = None if guarded.when is None else build(guarded.when, scope)
            table = Blocked(guarded, when, motions, grids)
            self.tables.append(table)
            self.add(table)
        self.lows = [0.0] * len(motions)
        self.highs = [0.0] * len(motions)

    def add(self, obstacle: Obstacle) -> None:
        """Keep the machine out of one more; its name must be its own."""
        self.boxes.append(obstacle)
        self.by_name[obstacle.name] = obstacle
        self.cell = FreeCell(len(self.motions))
        for axis in sorted(obstacle.axes):
            self.of_axis[axis].append(obstacle)

    def go_by(self, runs: Iterable[Run]) -> None:
        """Let the routines that run go where their checks have proved them clear of bodies, or let them touch now."""
        running = [(run.definition, run.touching()) for run in runs]
        if running != self.running:
            self.running = running
            for table in self.tables:
                table.go_by(running)

    def commit(self, now: int, gap: int) -> None:
        """Take every axis' candidate where the boxes allow it; hold the others."""
        lows, highs = self.lows, self.highs
        cell_lows, cell_highs = self.cell.lows, self.cell.highs
        inside = True
        for index, motion in enumerate(self.motions):
            if motion.held is not None and not self._bars_as_before(index, motion):
                self._try_to_go_on(motion, now)
            motion.prepare()
            low = lows[index] = motion.low
            high = highs[index] = motion.high
            if low < cell_lows[index] or high > cell_highs[index]:
                inside = False
        for box in self.asked if inside else self.boxes:
            if not box.missed(lows, highs) and box.holds():
                self._resolve(now)
                break
        else:
            if not inside:
                self._renew_cell()
        for motion in self.motions:
            if motion.profile is not None:
                motion.commit(now, gap)

    def _renew_cell(self) -> None:
        """Find anew which obstacles must be asked at every tick: tables, and boxes that the axes are in."""
        boxes = [box for box in self.boxes if isinstance(box, Box)]
        met = self.cell.renew(boxes, self.lows, self.highs)
        self.asked = [one for one in self.boxes if one in met or not isinstance(one, Box)]

    def others(self, name: str, motion: Motion) -> list[str]:
        """The other axes of a keep-out: those that a held axis waits for (R54)."""
        index = motion.definition.index
        box = self.by_name[name]
        return [self.motions[axis].definition.name for axis in sorted(box.axes) if axis != index]

    def lasts(self, name: str) -> bool:
        """Whether a keep-out always counts: no sensor lets axes through that it holds."""
        return self.by_name[name].when is None

    def inside(self) -> list[Obstacle]:
        """The keep-outs that the machine is in as it stands. Tables of blocked cells are coarser than what was proved,
        and so do not count here.
        """
        lows = [motion.occupied_low for motion in self.motions]
        highs = [motion.occupied_high for motion in self.motions]
        boxes = [box for box in self.boxes if isinstance(box, Box)]
        return [box for box in boxes if not box.missed(lows, highs) and box.holds()]

    def entered(self) -> list[Obstacle]:
        """All that the machine is in as it stands, blocked cells included."""
        lows = [motion.occupied_low for motion in self.motions]
        highs = [motion.occupied_high for motion in self.motions]
        return [box for box in self.boxes if not box.missed(lows, highs) and box.holds()]

    def is_clear(self, lows: Sequence[float], highs: Sequence[float]) -> bool:
        """Whether all that there is would be missed by what lies in these intervals, whether it counts now or not."""
        return all(box.missed(lows, highs) for box in self.boxes)

    def met(self, axis: int, low: float, high: float) -> list[Obstacle]:
        """All that an axis meets if it occupies [low, high] while the others stay as they are."""
        lows = [motion.occupied_low for motion in self.motions]
        highs = [motion.occupied_high for motion in self.motions]
        lows[axis], highs[axis] = low, high
        return [box for box in self.of_axis[axis] if not box.missed(lows, highs) and box.holds()]

    def blocks(self, axis: int, low: float, high: float) -> Obstacle | None:
        """The first box that an axis meets if it occupies [low, high] while the others stay as they are."""
        return next(iter(self.met(axis, low, high)), None)

    def waiting_for_each_other(self) -> list[str]:
        """The held axes that none of the others' goals will set free: they wait for each other.

        Least fixed point: a held axis gets free if every keep-out that blocks its way has another axis that is or gets
        free and whose goal lies outside. What remains, and is blocked by another that remains, is returned.
        """
        held = {motion.definition.index for motion in self.motions if motion.held is not None}
        free = {motion.definition.index for motion in self.motions} - held
        blocking = {axis: self._boxes_on_the_way(self.motions[axis]) for axis in held}
        while True:
            freed = {
                axis
                for axis in held - free
                if all(
                    any(other in free and self._ends_outside(other, box, axis) for other in box.axes)
                    for box in blocking[axis]
                )
            }
            if not freed:
                break
            free |= freed
        stuck = held - free
        mutual = {axis for axis in stuck if any(stuck & box.axes - {axis} for box in blocking[axis])}
        return [self.motions[axis].definition.name for axis in sorted(mutual)]

    def _boxes_on_the_way(self, motion: Motion) -> list[Obstacle]:
        """The keep-outs that an axis meets between what it occupies and its goal, as the others stand."""
        lows, highs = self._on_the_way(motion)
        return [box for box in self.of_axis[motion.definition.index] if not box.missed(lows, highs) and box.holds()]

    def _on_the_way(self, motion: Motion) -> tuple[list[float], list[float]]:
        """What the axes occupy, and of one all the way to its goal."""
        axis = motion.definition.index
        lows = [other.occupied_low for other in self.motions]
        highs = [other.occupied_high for other in self.motions]
        goal = motion.bound if motion.aim is None else motion.goal
        lows[axis], highs[axis] = min(lows[axis], goal), max(highs[axis], goal)
        return lows, highs

    def _ends_outside(self, axis: int, box: Obstacle, held: int) -> bool:
        """Whether an axis comes to rest where the box no longer blocks the way of another that is held."""
        motion = self.motions[axis]
        lows, highs = self._on_the_way(self.motions[held])
        lows[axis] = highs[axis] = motion.goal if motion.aim is not None else motion.position
        return box.missed(lows, highs)

    def _resolve(self, now: int) -> None:
        """Some box is met if all go: start from all braking, let them go in order."""
        lows, highs = self.lows, self.highs
        motions = self.motions
        for index, motion in enumerate(motions):
            if motion.profile is None:
                lows[index], highs[index] = motion.occupied_low, motion.occupied_high
            else:
                lows[index], highs[index] = motion.reach_if_braking()
        entered = [box for box in self.boxes if not box.missed(lows, highs) and box.holds()]
        done: set[int] = set()
        for index, motion in enumerate(motions):
            if motion.profile is None or index in done:
                continue
            unit = motion.unit
            done.update(member.definition.index for member in unit)
            braking = [(lows[m.definition.index], highs[m.definition.index]) for m in unit]
            for member in unit:
                lows[member.definition.index], highs[member.definition.index] = member.low, member.high
            blocking = self._blocking(unit, entered, braking)
            if blocking is None:
                continue
            if len(unit) == 1 and self._to_the_edge(motion, blocking):
                self._hold(motion, blocking, now)
                continue
            for member in unit:
                member.brake_from_committed()
                member.prepare()
                lows[member.definition.index], highs[member.definition.index] = member.low, member.high
                self._hold(member, blocking, now)

    def _blocking(
        self, unit: list[Motion], entered: list[Obstacle], braking: list[tuple[float, float]]
    ) -> Obstacle | None:
        """The first box that the unit meets with what it occupies now. A box already entered blocks only what goes
        deeper into it.
        """
        for member, (before_low, before_high) in zip(unit, braking, strict=True):
            axis = member.definition.index
            for box in self.of_axis[axis]:
                if box.missed(self.lows, self.highs) or not box.holds():
                    continue
                if box in entered and not deepens(box, axis, before_low, before_high, member.low, member.high):
                    continue
                return box
        return None

    def _to_the_edge(self, motion: Motion, box: Obstacle) -> bool:
        """Re-plan a held axis to rest just outside the box, if that is on its way and can be reached without going
        over; where it cannot, the axis must brake.
        """
        if motion.aim is None or not motion.mastered_by(motion.plan_limits, motion.state()):
            return False
        axis = motion.definition.index
        low, high = box.side(axis)
        edge = low - ROUNDING if motion.position < low else high + ROUNDING
        if not min(motion.position, motion.goal) <= edge <= max(motion.position, motion.goal):
            return False
        planner = s_curve if motion.plan_limits.jerk is not None else trapezoid
        try:
            motion.follow(planner(motion.state(), State(edge), motion.plan_limits), motion.gain)
        except ProfileError:
            return False
        motion.prepare()
        self.lows[axis], self.highs[axis] = motion.low, motion.high
        for other in self.of_axis[axis]:  # noqa: SIM110 - a generator takes twice as long
            if not other.missed(self.lows, self.highs) and other.holds():
                return False
        return True

    def _hold(self, motion: Motion, box: Obstacle, now: int) -> None:
        if motion.activation is None or motion.stop_kind is not None or motion.aim is None:
            return
        if motion.held is None:
            motion.held_since = now
            others = self.others(box.name, motion)
            words = f"{motion.definition.name} is held by {box.name}"
            self.report("hold", motion, words + (f", waiting for {' and '.join(others)}" if others else ""))
        motion.held = box.name

    def _try_to_go_on(self, motion: Motion, now: int) -> None:
        """A held axis (with its group) goes on to its goal once its whole way there is free of every box, as the others
        stand; but a box that it is in already, it may leave by the nearer face.
        """
        unit = motion.unit
        if motion.aim is None or motion is not unit[0] or (motion.run is not None and motion.run.state == "held"):
            return
        lows = [other.occupied_low for other in self.motions]
        highs = [other.occupied_high for other in self.motions]
        for member in unit:
            axis = member.definition.index
            lows[axis] = min(lows[axis], member.goal)
            highs[axis] = max(highs[axis], member.goal)
        blocking = [
            (member, box)
            for member in unit
            for box in self.of_axis[member.definition.index]
            if not box.missed(lows, highs) and box.holds() and not self._leaves(unit, box)
        ]
        if blocking:
            if all(box.name != motion.held for _, box in blocking):
                for member in unit:
                    member.held = None
                    self._hold(member, next((box for one, box in blocking if one is member), blocking[0][1]), now)
            return
        try:
            profiles = motion.aim([member.state() for member in unit])
        except ProfileError as problem:
            self.report("stuck", motion, f"{motion.definition.name} cannot go on: {problem}")
            return
        for member, profile in zip(unit, profiles, strict=True):
            member.follow(profile, member.gain)
            member.held = None
            self.report("go", member, f"{member.definition.name} goes on")

    def _bars_as_before(self, index: int, motion: Motion) -> bool:
        """Whether it is plain at once that the box by which an axis is held still lies in its way: the axis goes alone,
        the box has not been entered, and counts.
        """
        box = self.by_name[str(motion.held)]
        if not isinstance(box, Box) or motion.group is not None or motion.aim is None:
            return False
        entered = True
        for axis, face_low, face_high in box.edges:
            other = self.motions[axis]
            low, high = other.occupied_low, other.occupied_high
            if high < face_low or low > face_high:
                entered = False
                if axis != index or (motion.goal < face_low and high < face_low) or motion.goal > face_high < low:
                    return False
        return not entered and box.holds()

    def _leaves(self, unit: list[Motion], box: Obstacle) -> bool:
        """Whether a box is entered already and the goals of the unit lead out of it by the nearer face."""
        if box.missed([one.occupied_low for one in self.motions], [one.occupied_high for one in self.motions]):
            return False
        for member in unit:
            if member.definition.index in box.axes:
                face_low, face_high = box.side(member.definition.index)
                downwards = member.occupied_high - face_low <= face_high - member.occupied_low
                if not (member.goal < face_low if downwards else member.goal > face_high):
                    return False
        lows = [one.goal if one in unit else one.occupied_low for one in self.motions]
        highs = [one.goal if one in unit else one.occupied_high for one in self.motions]
        return box.missed(lows, highs)


def deepens(box: Obstacle, axis: int, before_low: float, before_high: float, low: float, high: float) -> bool:
    """Whether the axis gets deeper into a box that it is already in, measured from the nearer face."""
    faces = box.side(axis)
    return depth(faces, low, high) > depth(faces, before_low, before_high) + ROUNDING


def depth(faces: tuple[float, float], low: float, high: float) -> float:
    """How deep an interval of an axis lies between the faces of a box [m or rad], measured from the nearer one."""
    return min(high - faces[0], faces[1] - low)
