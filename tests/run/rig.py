"""A small machine as plain data, routines by names, and an ideal follower that turns orders into readings.

Nothing here uses `check`: the runner is tested against the plain data alone. Times are given in seconds, as in a file.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from sequencer.pack import CheckedRoutine
from sequencer.pack.checked import machine_hash
from sequencer.pack.shape import check_shape
from sequencer.ports.orders import AxisOrder, Event, Orders
from sequencer.ports.readings import AxisReading, Readings
from sequencer.run import Runner

Data = dict[str, Any]

LIMITS = [[-1.0, 1.0], [-2.0, 2.0], None]
JERKY = [[-1.0, 1.0], [-2.0, 2.0], 20.0]
AXES = {"lift": 0, "wrist": 1, "roller": 2, "arm": 2}
OUTPUTS = {"lamp": 0, "horn": 1, "third": 2, "fourth": 3}


def ns(seconds: Any) -> Any:
    """Seconds as whole nanoseconds; parameters and None stay."""
    return round(seconds * 1e9) if isinstance(seconds, int | float) else seconds


def axis(name: str, kind: str = "linear", **changes: Any) -> Data:
    """An axis with 1 m/s and 2 m/s2, no jerk limit, no latency, holding between runs. Changes as in the plain data."""
    spin = kind == "spin"
    tolerance: Data = {"position": 0.01, "speed": 5.0, "settle": 0, "following": None, "behind": "fault"}
    tolerance.update(changes.pop("tolerance", {}))
    data: Data = {
        "name": name,
        "kind": kind,
        "travel": None if spin else [-3.0, 3.0],
        "limits": LIMITS,
        "sure": changes.get("limits", LIMITS),
        "tolerance": tolerance,
        "latency": [0, 0],
        "between": "hold",
        "rest": [{"mode": "voltage" if spin else "hold", "voltage": 0.0, "when": None}],
        "stop": "off" if spin else "ramp_then_hold",
        "feedforward": None,
    }
    data.update(changes)
    return data


def sensor(name: str, kind: str = "switch", **changes: Any) -> Data:
    data: Data = {"name": name, "kind": kind, "values": [], "stale_after": None, "derived": None}
    data.update(changes)
    return data


def derived(term: Any, steady: float = 0.0, blind: float = 0.0, axes: Sequence[int] = ()) -> Data:
    return {"term": term, "steady": ns(steady), "blind": ns(blind), "axes": list(axes)}


def machine(axes: Sequence[Data] | None = None, hz: int = 50, **changes: Any) -> Data:
    """lift, wrist and roller; beam, guard, clear, pressure, beam_count, piece; lamp, horn, third."""
    period = 1_000_000_000 // hz
    data: Data = {
        "name": "rig",
        "period": period,
        "longest_gap": 5 * period,
        "overlays": [],
        "axes": list(axes) if axes is not None else [axis("lift"), axis("wrist"), axis("roller", "spin")],
        "sensors": [
            sensor("beam"),
            sensor("guard"),
            sensor("clear"),
            sensor("pressure", "number"),
            sensor("beam_count", "number"),
            sensor("piece", "one_of", values=["none", "lantern", "float"], stale_after=200_000_000),
        ],
        "outputs": [
            {"name": "lamp", "kind": "switch", "rest": False},
            {"name": "horn", "kind": "number", "rest": 0.0},
            {"name": "third", "kind": "number", "rest": 0.0},
        ],
        "keep_outs": [],
        "must_stay": [],
        "presets": {},
    }
    data["sensors"] += changes.pop("more_sensors", [])
    data.update(changes)
    data["hash"] = machine_hash(data)
    return data


def keep_out(name: str, *box: list[Any], when: Any = None, because: str = "it would break") -> Data:
    return {"name": name, "box": [list(edge) for edge in box], "when": when, "because": because}


def must_stay(name: str, term: Any, axes: Sequence[int], stop: str | None = None) -> Data:
    return {"name": name, "term": term, "axes": list(axes), "stop": stop, "because": "somebody may be near"}


# Steps. `after` names predecessors ([]: the beginning); blocks hold their steps in "inside".


def step(name: str, kind: str, after: Any = (), **changes: Any) -> Data:
    data: Data = {"name": name, "kind": kind, "after": after, **changes}
    for key in ("duration", "timeout", "steady", "blind"):
        if key in data:
            data[key] = ns(data[key])
    return data


def wait(name: str, seconds: Any = None, after: Any = (), **changes: Any) -> Data:
    """A timed wait, or one that ends by `until`."""
    return step(name, "wait", after, duration=seconds, **changes)


def pulse(name: str, drives: Mapping[str, Any], seconds: Any = None, after: Any = (), **changes: Any) -> Data:
    """Drives an axis with volts or an output with a value while active."""
    rows: list[Any] = [
        ["axis", AXES[key], "voltage", value] if key in AXES else ["output", OUTPUTS[key], "value", value]
        for key, value in drives.items()
    ]
    return step(name, "pulse", after, drives=rows, duration=seconds, **changes)


def move(name: str, goals: Mapping[str, Any], after: Any = (), limits: Any = None, **changes: Any) -> Data:
    """Moves axes to numbers, or by goals of the plain data. Trapezoids unless `profile` says otherwise."""
    rows = [[AXES[key], goal if isinstance(goal, list) else ["at", goal]] for key, goal in goals.items()]
    changes.setdefault("profile", "trapezoid")
    changes.setdefault("timeout", 20.0)
    table = limits if isinstance(limits, dict) else {str(index): limits or LIMITS for index, _ in rows}
    return step(name, "move", after, goals=rows, limits=table, **changes)


def flick(name: str, through: Any, speed: Any, to: Any, after: Any = (), limits: Any = None, **changes: Any) -> Data:
    where = AXES[changes.pop("axis", "wrist")]
    changes.setdefault("timeout", 20.0)
    table = {str(where): limits or LIMITS}
    return step(name, "flick", after, axis=where, through=through, speed=speed, to=to, limits=table, **changes)


def press(name: str, effort: Any, toward: Any, after: Any = (), **changes: Any) -> Data:
    where = AXES[changes.pop("axis", "wrist")]
    changes.setdefault("timeout", 5.0)
    return step(name, "press", after, axis=where, effort=effort, toward=toward, limits={str(where): LIMITS}, **changes)


def put(name: str, values: Mapping[str, Any], after: Any = (), **changes: Any) -> Data:
    """A `set` step."""
    return step(name, "set", after, values=[[OUTPUTS[key], value] for key, value in values.items()], **changes)


def choose(
    name: str, branches: Sequence[tuple[Any, list[Data]]], otherwise: Any = None, after: Any = (), **changes: Any
) -> Data:
    return step(name, "choose", after, inside=[list(branches), otherwise], **changes)


def repeat(name: str, inside: list[Data], times: Any = None, after: Any = (), **changes: Any) -> Data:
    return step(name, "repeat", after, inside=inside, times=times, **changes)


def perform(name: str, inside: list[Data], after: Any = (), **changes: Any) -> Data:
    return step(name, "perform", after, inside=inside, **changes)


_COMMON: Data = {
    "once": None,
    "until": None,
    "must_stay": None,
    "only_if": None,
    "steady": 0,
    "blind": 0,
    "duration": None,
    "timeout": None,
    "on_timeout": "fault",
    "retry": 0,
    "preempt": False,
    "phase": True,
    "together": False,
    "profile": "s_curve",
    "place": "",
    "limits": {},
}


def checked(on: Data, *steps: Data, name: str = "r", **changes: Any) -> CheckedRoutine:
    """The plain data of a routine, from steps that name each other."""
    flat: list[Data] = []
    roots = _flatten(list(steps), -1, flat)
    numbers = {one["name"]: index for index, one in enumerate(flat)}
    for one in flat:
        one["start"] = _start(one, numbers)
    for one in flat:
        if one["start"]["kind"] == "after" and one["start"]["any"]:
            one["start"]["branches"] = _branches(one["start"]["steps"], flat, one.get("branches_are"))
    rows = [
        {**_COMMON, **{key: value for key, value in one.items() if key not in _SHORT}, "name": one["name"]}
        for one in flat
    ]
    data: Data = {
        "name": name,
        "from": "anywhere",
        "region": [],
        "parameters": [],
        "roots": roots,
        "steps": rows,
        "waived": [],
        "planned": 1.0,
    }
    data.update(changes)
    check_shape(on, [data])
    return CheckedRoutine(on, data)


_SHORT = {"after", "inside", "with_", "passing", "at", "branches_are"}


def _flatten(steps: Sequence[Data], parent: int, flat: list[Data]) -> list[int]:
    numbers = []
    for given in steps:
        one = {**given, "parent": parent}
        numbers.append(len(flat))
        index = len(flat)
        flat.append(one)
        if one["kind"] == "choose":
            branches, otherwise = one["inside"]
            one["branches"] = [{"term": term, "steps": _flatten(inside, index, flat)} for term, inside in branches]
            one["otherwise"] = None if otherwise is None else _flatten(otherwise, index, flat)
        elif one["kind"] in ("repeat", "perform"):
            one["steps"] = _flatten(one["inside"], index, flat)
    return numbers


def _start(one: Data, numbers: Mapping[str, int]) -> Data:
    if "with_" in one:
        return {"kind": "with", "step": numbers[one["with_"]]}
    if "at" in one:
        return {"kind": "at", "time": ns(one["at"])}
    if "passing" in one:
        given = {"at": "through", "axis": None, "lead": 0, "lag": 0, **one["passing"]}
        given["axis"] = None if given["axis"] is None else AXES[given["axis"]]
        given["lead"], given["lag"] = ns(given["lead"]), ns(given["lag"])
        return {**given, "kind": "passing", "step": numbers[given["step"]]}
    after = one["after"]
    if isinstance(after, dict):
        return {"kind": "after", "steps": [numbers[key] for key in after["any"]], "any": True, "branches": []}
    names = [after] if isinstance(after, str) else list(after)
    return {"kind": "after", "steps": [numbers[key] for key in names], "any": False, "branches": []}


def _branches(
    predecessors: Sequence[int], flat: Sequence[Data], given: Sequence[Sequence[str]] | None
) -> list[list[int]]:
    """Per predecessor of a join-any: itself and what leads to it alone."""
    numbers = {one["name"]: index for index, one in enumerate(flat)}
    if given is not None:
        return [[numbers[key] for key in branch] for branch in given]

    def before(index: int) -> set[int]:
        start = flat[index]["start"]
        direct = start.get("steps") or ([start["step"]] if "step" in start else [])
        found = {index}
        for other in direct:
            found |= before(other)
        return found

    chains = [before(one) for one in predecessors]
    return [sorted(chain - set().union(*(other for other in chains if other is not chain))) for chain in chains]


def number_parameter(name: str, value: float, low: float = -10.0, high: float = 10.0) -> Data:
    return {"name": name, "kind": "number", "value": value, "low": low, "high": high, "dimension": [0, 0, 0, 0, 0]}


# The ideal follower.

Script = Callable[[int], Any]


class Rig:
    """Drives a runner tick by tick: every ordered set-point becomes the measured position at the next tick.

    `delays` [ticks] by axis lets the machine follow later; `sensors` hold values or functions of the tick number. What
    was ordered and what happened is kept in `orders` and `events`.
    """

    def __init__(self, *routines: CheckedRoutine, delays: Mapping[str, int] | None = None, **sensors: Any) -> None:
        self.runner = Runner(list(routines))
        self.machine = self.runner.machine
        self.period: int = self.machine["period"]
        self.names = [one["name"] for one in self.machine["axes"]]
        self.spins = {one["name"] for one in self.machine["axes"] if one["kind"] == "spin"}
        self.positions = dict.fromkeys(self.names, 0.0)
        self.speeds = dict.fromkeys(self.names, 0.0)
        self.sensors: Data = {
            "beam": False,
            "guard": True,
            "clear": True,
            "pressure": 0.0,
            "beam_count": 0.0,
            "piece": "none",
            **sensors,
        }
        self.delays = dict(delays or {})
        self.pipes: dict[str, list[float]] = {name: [] for name in self.names}
        self.readings: dict[str, AxisReading | None] = {}
        self.stuck: set[str] = set()
        self.enabled: Any = True
        self.now = 0
        self.count = 0
        self.times: list[int] = []
        self.orders: list[Orders] = []
        self.events: list[Event] = []
        self.jitter: random.Random | None = None
        self.jitter_most = 100_000

    def start(self, name: str = "r", **given: Any) -> None:
        self.runner.request(name, **given)

    def run(self, ticks: int = 1, gap: int | None = None) -> Rig:
        """So many ticks; the first of them `gap` [ns] after the last one, the others a period apart."""
        for _ in range(ticks):
            self.tick(gap)
            gap = None
        return self

    def tick(self, gap: int | None = None) -> Orders:
        if self.count:
            self.now += self.period if gap is None else gap
        offset = (
            self.jitter.randint(-self.jitter_most, self.jitter_most) if self.jitter is not None and self.count else 0
        )
        orders = self.runner.tick(self.reading(self.now + offset))
        self.times.append(self.now)
        self.orders.append(orders)
        self.events += orders.events
        self.count += 1
        for name in self.names:
            self._follow(name, orders.axes[name])
        self.runner.status()
        return orders

    def reading(self, now: int) -> Readings:
        """The readings of this tick."""
        count = self.count

        def value(given: Any) -> Any:
            return given(count) if callable(given) else given

        axes: dict[str, Any] = {}
        for name in self.names:
            if name in self.readings:
                axes[name] = value(self.readings[name])
            elif name in self.spins:
                axes[name] = AxisReading(None, 0.0, 0.0)
            else:
                axes[name] = AxisReading(self.positions[name], self.speeds[name], 0.0)
        return Readings(now, value(self.enabled), axes, {name: value(given) for name, given in self.sensors.items()})

    def _follow(self, name: str, order: AxisOrder) -> None:
        if name in self.spins:
            return
        if name in self.stuck:
            self.speeds[name] = 0.0
            return
        pipe = self.pipes[name]
        before = self.positions[name]
        if order.mode in ("track", "hold"):
            pipe.append(order.position)
        elif order.mode == "effort":
            away = order.position - before
            most = abs(order.velocity) * self.period * 1e-9
            pipe.append(before + max(-most, min(most, away)))
        else:
            pipe.clear()
            self.speeds[name] = 0.0
            return
        if len(pipe) > self.delays.get(name, 0):
            self.positions[name] = pipe.pop(0)
        self.speeds[name] = (self.positions[name] - before) / (self.period * 1e-9)

    # What was seen.

    def volts(self, name: str = "roller") -> list[float]:
        """The volts ordered for a spin, tick by tick; 0 where it is off."""
        return [one.axes[name].volts if one.axes[name].mode == "effort" else 0.0 for one in self.orders]

    def output(self, name: str) -> list[Any]:
        return [one.outputs[name] for one in self.orders]

    def points(self, name: str = "lift") -> list[float]:
        return [one.axes[name].position for one in self.orders]

    def modes(self, name: str = "lift") -> list[str]:
        return [one.axes[name].mode for one in self.orders]

    def kinds(self, kind: str, name: str | None = None) -> list[Event]:
        return [one for one in self.events if one.kind == kind and name in (None, one.step, one.run)]

    def starts(self, name: str) -> list[int]:
        return [one.tick for one in self.kinds("start", name) if one.step == name]

    def ends(self, name: str) -> list[tuple[int, str]]:
        """(tick, outcome) of every activation of a step."""
        return [(one.tick, str(dict(one.values)["outcome"])) for one in self.kinds("end", name) if one.step == name]

    def span(self, name: str) -> tuple[int, int, str]:
        """First active tick, last active tick and outcome of the only activation of a step."""
        (begin,) = self.starts(name)
        ((end, outcome),) = self.ends(name)
        return begin, end - 1, outcome

    def outcomes(self, name: str = "r") -> list[tuple[int, str]]:
        """(tick, outcome) of every run of a routine."""
        return [
            (one.tick, str(dict(one.values)["outcome"]))
            for one in self.events
            if one.kind == "run" and one.run == name and one.text != "start"
        ]

    def outcome(self, name: str = "r") -> tuple[int, str]:
        (only,) = self.outcomes(name)
        return only

    def refusals(self) -> list[str]:
        return [one.text for one in self.events if one.kind == "refused"]

    def headline(self) -> str:
        return self.runner.status().headline


def started(*routines: CheckedRoutine, ticks: int = 0, stuck: Iterable[str] = (), **sensors: Any) -> Rig:
    """A rig whose first routine was asked for before the first tick, so that the start is handled at tick 0. Axes that
    are `stuck` stand, such as one that presses against something.
    """
    rig = Rig(*routines, **sensors)
    rig.stuck.update(stuck)
    rig.start(routines[0].name)
    return rig.run(ticks)
