"""The plain data of a checked routine, made ready to be interpreted: indices and numbers, nothing computed twice."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from profiles import Envelope, Limits
from sequencer.errors import RequestRefused, did_you_mean
from sequencer.routine.way_table import WayTable
from sequencer.units import ANGLE, ANGULAR_SPEED, LENGTH, SPEED, show, show_turning

_INFINITE = float("inf")
ROUNDING = 1e-9
"""Boxes are inflated by this [m or rad]: a position one rounding error beside an edge is never counted as inside."""

FARTHEST = 1e4
"""The travel of a spin, which has none, to either side [m or rad]. An axis is believed to be a travel beyond its ends
at most.
"""


class AxisDefinition:
    """One axis of the machine data. Positions [m or rad], durations [ns]."""

    __slots__ = (
        "band",
        "behind",
        "carries_on",
        "current_name",
        "differ_by",
        "error_name",
        "fastest",
        "feedforward",
        "following",
        "highest",
        "index",
        "is_followed",
        "is_linear",
        "is_spin",
        "latency",
        "limits",
        "longest_gap",
        "lowest",
        "most_current",
        "name",
        "position_tolerance",
        "rest",
        "settle",
        "speed_name",
        "speed_tolerance",
        "stall",
        "stop",
        "sure",
        "travel",
        "zero",
    )

    def __init__(self, index: int, data: Mapping[str, Any], period: int, longest_gap: int) -> None:
        self.index = index
        self.name: str = data["name"]
        self.error_name = f"{self.name}.error"
        self.speed_name = f"{self.name}.speed"
        self.current_name = f"{self.name}.current"
        self.longest_gap = longest_gap * 1e-9
        self.is_spin = data["kind"] == "spin"
        self.is_linear = data["kind"] == "linear"
        travel = data["travel"]
        self.travel: tuple[float, float] = (-FARTHEST, FARTHEST) if travel is None else (travel[0], travel[1])
        low, high = self.travel
        self.lowest, self.highest = 2.0 * low - high, 2.0 * high - low
        self.limits = limits_of(data["limits"])
        self.sure = limits_of(data["sure"])
        tolerance = data["tolerance"]
        self.position_tolerance: float = tolerance["position"]
        self.speed_tolerance: float = tolerance["speed"]
        self.settle: int = tolerance["settle"]
        self.following: float = _INFINITE if tolerance["following"] is None else tolerance["following"]
        self.is_followed = tolerance["following"] is not None
        self.band = self.following if self.is_followed else self.position_tolerance
        self.behind: str = tolerance["behind"]
        self.latency: tuple[int, int] = (data["latency"][0], data["latency"][1])
        self.carries_on = data["between"] == "carry_on"
        self.rest: list[dict[str, Any]] = data["rest"]
        self.stop: str = data["stop"]
        self.feedforward: dict[str, float] | None = data.get("feedforward")
        self.fastest = max(self.limits.velocity[1], -self.limits.velocity[0])
        self.stall = max(self.settle, self.latency[1] + 3 * period)
        # What machine data of before these were known does not have.
        self.zero: dict[str, Any] | None = data.get("zero")
        self.differ_by: float | None = data.get("differ_by")
        self.most_current: float | None = data.get("most_current")

    def show(self, position: float) -> str:
        """A position or a distance for people, in the unit that files use."""
        return show(position, LENGTH if self.is_linear else ANGLE)

    def show_speed(self, speed: float) -> str:
        """A speed for people, in the unit that files use."""
        if self.is_spin:
            return show_turning(speed)
        return show(speed, SPEED if self.is_linear else ANGULAR_SPEED)


class MachineDefinition:
    """The machine data with its axes, and names to indices."""

    __slots__ = (
        "axes",
        "axis_index",
        "data",
        "keep_outs",
        "longest_gap",
        "must_stay",
        "outputs",
        "period",
        "presets",
        "sensors",
    )

    def __init__(self, data: Mapping[str, Any]) -> None:
        self.data = data
        self.period: int = data["period"]
        self.longest_gap: int = data["longest_gap"]
        self.axes = [
            AxisDefinition(index, axis, self.period, self.longest_gap) for index, axis in enumerate(data["axes"])
        ]
        self.axis_index = {axis.name: axis.index for axis in self.axes}
        self.sensors: list[dict[str, Any]] = data["sensors"]
        self.outputs: list[dict[str, Any]] = data["outputs"]
        self.keep_outs: list[dict[str, Any]] = data["keep_outs"]
        self.must_stay: list[dict[str, Any]] = data["must_stay"]
        self.presets = {
            name: {self.axes[index].name: position for index, position in positions}
            for name, positions in data["presets"].items()
        }


class StepDefinition:
    """One step of the routine data, with the steps that its start and end set going."""

    __slots__ = (
        "axes",
        "blind",
        "data",
        "duration",
        "elapsed_key",
        "entries",
        "envelopes",
        "index",
        "is_block",
        "joins_any",
        "kind",
        "limits",
        "name",
        "on_timeout",
        "outputs",
        "parent",
        "passers",
        "retry",
        "start",
        "steady",
        "successors",
        "timed_out_key",
        "timeout",
        "together",
        "ways",
        "withs",
    )

    def __init__(self, index: int, data: Mapping[str, Any]) -> None:
        self.index = index
        self.data = data
        self.name: str = data["name"]
        self.elapsed_key = f"{self.name}.elapsed"
        self.timed_out_key = f"{self.name}.timed_out"
        self.kind: str = data["kind"]
        self.is_block = self.kind in ("choose", "repeat", "perform")
        self.parent: int = data["parent"]
        self.start: Mapping[str, Any] = data["start"]
        self.steady = data["steady"]
        self.blind = data["blind"]
        self.duration = data["duration"]
        self.timeout: int | None = data["timeout"]
        self.on_timeout: str = data["on_timeout"]
        self.retry: int = data["retry"]
        self.together: bool = data["together"]
        self.ways: list[int] = data.get("ways", [])
        self.envelopes = {int(axis): Envelope(**numbers) for axis, numbers in data.get("envelopes", {}).items()}
        self.limits = {int(axis): limits_of(limits) for axis, limits in data["limits"].items()}
        if data.get("profile", "s_curve") != "s_curve":
            # Its accelerations jump, so those of its brake may: under a jerk limit it would pass that of the velocity.
            self.limits = {axis: Limits(one.velocity, one.acceleration) for axis, one in self.limits.items()}
        self.successors: list[int] = []
        self.joins_any: list[int] = []
        self.withs: list[int] = []
        self.passers: list[int] = []
        self.axes = _axes_claimed(self.kind, data)
        self.outputs = _outputs_claimed(self.kind, data)
        self.entries = _entries(self.kind, data)


class RoutineDefinition:
    """The routine data as a graph of `StepDefinition`s. Shared by all runs of it and never changed by them (R1).

    `axes` and `outputs` are all that its steps drive, `alone` the axes that it does not take over by `preempt`,
    `placed` those that it moves or presses to places, for which they need a zero. `ends` is
    where its moves leave axes, as far as they are plain numbers. `starts` are the boxes of which one must hold all axes
    at the start [axis by index, lowest, highest], none: anywhere. `after` holds what runs after a cancel or a fault.
    `touching` are the steps, by index, in which bodies may touch. `ways` are the tables that its steps look their ways
    up in, and `enters` those steps that look from wherever it starts.
    """

    __slots__ = (
        "after",
        "alone",
        "asks_for_times",
        "axes",
        "by_hand",
        "chooses",
        "data",
        "ends",
        "enters",
        "entries",
        "hash",
        "name",
        "outputs",
        "parameters",
        "passes",
        "placed",
        "region",
        "start",
        "starts",
        "stays",
        "steps",
        "touching",
        "ways",
    )

    def __init__(self, data: Mapping[str, Any], hash_text: str, by_hand: bool = False) -> None:
        self.data = data
        self.hash = hash_text
        self.by_hand = by_hand
        self.after = {
            key: RoutineDefinition({**data[key], "name": f"{data['name']}.{key}"}, hash_text)
            for key in ("on_cancel", "on_fault")
            if data.get(key) is not None
        }
        self.name: str = data["name"]
        self.start: str = data["from"]
        self.region: list[list[float]] = data["region"]
        self.starts: list[list[list[float]]] = [self.region] if self.region else data.get("starts", [])
        self.parameters: dict[str, dict[str, Any]] = {parameter["name"]: parameter for parameter in data["parameters"]}
        self.steps = [StepDefinition(index, step) for index, step in enumerate(data["steps"])]
        self.axes = {axis for step in self.steps for axis in step.axes}
        self.placed = {axis for step in self.steps if step.kind in ("move", "flick", "press") for axis in step.axes}
        self.alone = {axis for step in self.steps if not step.data["preempt"] for axis in step.axes}
        self.outputs = {output for step in self.steps for output in step.outputs}
        self.ends: dict[int, float] = {
            axis: float(goal[1])
            for step in self.steps
            if step.kind == "move"
            for axis, goal in step.data["goals"]
            if goal[0] == "at" and not isinstance(goal[1], list)
        }
        for step in self.steps:
            start = step.start
            if start["kind"] == "after":
                for predecessor in start["steps"]:
                    (self.steps[predecessor].joins_any if start["any"] else self.steps[predecessor].successors).append(
                        step.index
                    )
            elif start["kind"] == "with":
                self.steps[start["step"]].withs.append(step.index)
            elif start["kind"] == "passing":
                self.steps[start["step"]].passers.append(step.index)
        self.touching = frozenset(
            step for groups in data.get("cleared", {}).values() for _, _, steps in groups for step in steps
        )
        self.ways = tuple(WayTable.from_data(table) for table in data.get("ways", {}).get("tables", ()))
        self.enters: list[int] = data.get("enters", [])
        self.stays = any(step.data["must_stay"] is not None for step in self.steps)
        self.passes = any(step.passers for step in self.steps)
        self.chooses = any(step.kind == "choose" for step in self.steps)
        self.asks_for_times = any(name.endswith(".elapsed") for name in texts_in(data["steps"]))
        self.entries: list[int] = list(data["roots"])

    def goes_straight_to(self, table: WayTable) -> bool:
        """Whether it may start anywhere, to look its way to the goal of a table up."""
        return not self.region and any(
            self.ways[number] is table for step in self.enters for number in self.steps[step].ways
        )


def _axes_claimed(kind: str, data: Mapping[str, Any]) -> list[int]:
    """The axes that a step owns while it is active."""
    match kind:
        case "move":
            return [axis for axis, _ in data["goals"]]
        case "flick" | "press" | "zero" | "jog":
            return [data["axis"]]
        case "pulse":
            return [drive[1] for drive in data["drives"] if drive[0] == "axis"]
    return []


def _outputs_claimed(kind: str, data: Mapping[str, Any]) -> list[int]:
    """The outputs that a step writes."""
    if kind == "pulse":
        return [drive[1] for drive in data["drives"] if drive[0] == "output"]
    return [output for output, _ in data["values"]] if kind == "set" else []


def _entries(kind: str, data: Mapping[str, Any]) -> list[list[int]]:
    """The steps directly inside a block: of each branch and of its `otherwise`, or of the one passage."""
    match kind:
        case "choose":
            branches = [list(branch["steps"]) for branch in data["branches"]]
            return branches if data["otherwise"] is None else [*branches, list(data["otherwise"])]
        case "repeat" | "perform":
            return [list(data["steps"])]
    return []


def texts_in(data: Any) -> frozenset[str]:
    """Every text in plain data; among them are the names that conditions ask for."""
    found: set[str] = set()
    left = [data]
    while left:
        one = left.pop()
        if isinstance(one, str):
            found.add(one)
        elif isinstance(one, Mapping):
            left.extend(one.values())
        elif isinstance(one, list | tuple):
            left.extend(one)
    return frozenset(found)


def limits_of(data: Any) -> Limits:
    """Limits from their plain form [[vmin, vmax], [amin, amax], jerk or None]."""
    velocity, acceleration, jerk = data
    return Limits((velocity[0], velocity[1]), (acceleration[0], acceleration[1]), jerk)


def parameter_values(definition: RoutineDefinition, given: Mapping[str, float | str]) -> dict[str, float | str]:
    """Every parameter with its given or default value.

    Raises:
        RequestRefused: an unknown name, a number outside its range, a preset that is no choice.
    """
    values: dict[str, float | str] = {name: known["value"] for name, known in definition.parameters.items()}
    for name, value in given.items():
        data = definition.parameters.get(name) if isinstance(name, str) else None
        if data is None:
            raise RequestRefused(
                f"{definition.name} has no parameter '{name}'; {did_you_mean(str(name), definition.parameters)}"
            )
        if data["kind"] == "preset":
            if not isinstance(value, str) or value not in data["choices"]:
                raise RequestRefused(f"{name} cannot be '{value}'; {did_you_mean(str(value), data['choices'])}")
        elif isinstance(value, bool) or not isinstance(value, int | float) or not data["low"] <= value <= data["high"]:
            raise RequestRefused(f"{name} is {_shown(value, data)}; allowed are {_range_words(data)}")
        values[name] = value
    return values


_MOST_SHOWN = 1e300
"""A whole number beyond it need not be one that can be turned into another unit."""


def _shown(value: Any, data: Mapping[str, Any]) -> str:
    """A value that was given for a parameter; what is no number as it was written."""
    if isinstance(value, bool) or not isinstance(value, int | float) or abs(value) > _MOST_SHOWN:
        return f"{value!r:.40}"
    m, kg, second, amp, rad = data["dimension"]
    return show(value, (m, kg, second, amp, rad), 6)


def _range_words(data: Mapping[str, Any]) -> str:
    return f"{_shown(data['low'], data)} to {_shown(data['high'], data)}"
