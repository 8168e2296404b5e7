"""Routines as files: what is written reads back to the very same model."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from typing import Any

from sequencer.files.yaml_text import plain_scalar
from sequencer.machine.condition import Condition, Operand, term_text
from sequencer.machine.sensor import Output, Sensor, Value
from sequencer.routine.afterwards import afterwards_of, is_unnamed
from sequencer.routine.body_reader import axes_of
from sequencer.routine.parameters import NumberParameter, Parameter
from sequencer.routine.routine import OutsideRange, Routine, walk
from sequencer.routine.steps import (
    After,
    At,
    AtTime,
    By,
    Cap,
    Choose,
    Drive,
    Expectation,
    Flick,
    FromReading,
    Goal,
    Leaning,
    Move,
    Passing,
    Perform,
    Press,
    Pulse,
    RehearsalSpec,
    Repeat,
    Set,
    Step,
    TimeOperand,
    Timeout,
    Wait,
    With,
)
from sequencer.units import (
    ANGULAR_SPEED,
    CURRENT,
    LENGTH,
    NUMBER,
    VOLTAGE,
    Dimension,
    exact,
    parse_quantity,
    show,
)

_PLAIN = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_ .+<>=()/%^*-;!'")
_PLAIN_START = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_+.(")


def write_routine(routine: Routine, machine: str = "machine.yaml") -> str:
    """The text of a routine file, to be kept as NAME.routine.yaml beside the `machine` file it names.

    Numbers are written with as many digits as reading them back to the same value takes.
    """
    writer = _Writer(routine)
    lines = [f"routine: {scalar(routine.name)}", f"machine: {scalar(machine)}", f"from: {scalar(routine.start)}"]
    if routine.about:
        lines.append(f"about: {scalar(routine.about)}")
    if routine.outside:
        lines.append("outside:")
        lines += [f"  {scalar(one.body)}: {flow(writer.outside(one))}" for one in routine.outside]
    if routine.parameters:
        lines.append("parameters:")
        lines += [f"  {scalar(name)}: {flow(writer.parameter(one))}" for name, one in routine.parameters.items()]
    if routine.default_timeout is not None:
        lines.append(f"defaults: {flow({'timeout': writer.timeout(routine.default_timeout)})}")
    lines.append("steps:" if routine.steps else "steps: []")
    lines += writer.steps(routine.steps, "")
    for key, after in afterwards_of(routine):
        inner = _Writer(after)
        if is_unnamed(after.steps):
            lines.append(f"{key}: {flow(inner.keys(after.steps[0]))}")
        else:
            lines += [f"{key}:", *inner.steps(after.steps, "")]
    if routine.rehearsals:
        lines.append("rehearsals:")
        lines += [f"- {scalar(one.name)}: {flow(writer.rehearsal(one))}" for one in routine.rehearsals]
    if routine.waivers:
        lines.append("waive:")
        for waiver in routine.waivers:
            keys: dict[str, Any] = {"rule": waiver.rule, "step": waiver.step, "down_to": waiver.down_to}
            lines.append("- " + flow(_given(keys | {"because": waiver.because})))
    return "\n".join(lines) + "\n"


def scalar(value: str | bool | int | float) -> str:
    """A scalar as it may stand anywhere in YAML, quoted only where it must be.

    >>> scalar("lift > 0.4 m"), scalar("on"), scalar("a: b")
    ('lift > 0.4 m', '"on"', '"a: b"')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    starts = value[:1] in _PLAIN_START or (value[:1] == "-" and value[1:2].isalnum())
    if value and starts and value.strip() == value and _PLAIN.issuperset(value):
        try:
            if plain_scalar(value) == value:
                return value
        except ValueError:
            pass
    quoted = json.dumps(value, ensure_ascii=False)
    return "".join(char if char.isprintable() else f"\\U{ord(char):08x}" for char in quoted)


def flow(value: Any) -> str:
    """Plain data on one line."""
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{scalar(key)}: {flow(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(flow(inner) for inner in value) + "]"
    return scalar(value)


def quantity(value: float, dimension: Dimension) -> str:
    """A number with a unit that people would choose if that reads back to the same value, else in SI.

    >>> quantity(1.0122909661567112, (0, 0, 0, 0, 1)), quantity(1.1, (1, 0, 0, 0, 0))
    ('58 deg', '1.1 m')
    """
    for text in (show(value, dimension, 6), show(value, dimension, 12), show(value, dimension, 15)):
        if parse_quantity(text).value == value:
            return text
    return exact(value, dimension)


def time_text(time: TimeOperand) -> str:
    """Whole nanoseconds as milliseconds where they are whole, else as they are; a parameter's name as it is."""
    if isinstance(time, str):
        return time
    if time % 1_000_000_000 == 0:
        return f"{time // 1_000_000_000} s"
    return f"{time // 1_000_000} ms" if time % 1_000_000 == 0 else f"{time} ns"


class _Writer:
    """Puts the parts of one routine into the plain data of its file."""

    def __init__(self, routine: Routine) -> None:
        self.routine = routine
        self.machine = routine.machine
        self.by_name = {step.name: step for step in walk(routine.steps)}

    def parameter(self, parameter: Parameter) -> dict[str, Any]:
        if isinstance(parameter, NumberParameter):
            keys: dict[str, Any] = {"value": self.number(parameter.value, parameter.dimension)}
            if parameter.bounds is not None:
                keys["range"] = [self.number(end, parameter.dimension) for end in parameter.bounds]
        else:
            keys = {"preset": parameter.preset, "choices": list(parameter.choices)}
        return keys | ({"about": parameter.about} if parameter.about else {})

    def outside(self, outside: OutsideRange) -> dict[str, Any]:
        return _given({"range": [quantity(end, LENGTH) for end in outside.range], "since": outside.since})

    def number(self, value: float, dimension: Dimension) -> str | float:
        return value if dimension == NUMBER else quantity(value, dimension)

    def operand(self, operand: Operand, dimension: Dimension) -> str | float:
        return operand if isinstance(operand, str) else self.number(operand, dimension)

    def position(self, axis: str, operand: Operand) -> str | float:
        return self.operand(operand, self.machine.axes[axis].dimension)

    def timeout(self, timeout: Timeout) -> str:
        if timeout.kind == "none":
            return "none"
        return ("planned + " if timeout.kind == "planned" else "") + time_text(timeout.time)

    def steps(self, steps: Iterable[Step], indent: str) -> list[str]:
        lines: list[str] = []
        for step in steps:
            head = f"{indent}- {scalar(step.name)}:"
            keys = self.keys(step)
            match step.body:
                case Choose(branches=branches, otherwise=otherwise):
                    lines += [head, f"{indent}    choose:"]
                    for branch in branches:
                        lines.append(f"{indent}    - if: {scalar(_text(branch.condition))}")
                        lines += self.inner("steps", branch.steps, indent + "      ")
                    if otherwise is not None:
                        first, *rest = self.inner("else", otherwise, indent + "      ")
                        lines += [f"{indent}    - {first.strip()}", *rest]
                    lines += [f"{indent}    {key}: {flow(value)}" for key, value in keys.items()]
                case Repeat(steps=passage, times=times, until=until):
                    lines += [head, f"{indent}    repeat:"]
                    if times is not None:
                        lines.append(f"{indent}      times: {flow(self.whole(times))}")
                    if until is not None:
                        lines.append(f"{indent}      until: {scalar(_text(until))}")
                    lines += self.inner("steps", passage, indent + "      ")
                    lines += [f"{indent}    {key}: {flow(value)}" for key, value in keys.items()]
                case _:
                    lines.append(f"{head} {flow(keys)}")
        return lines

    def inner(self, key: str, steps: tuple[Step, ...], indent: str) -> list[str]:
        return [f"{indent}{key}:", *self.steps(steps, indent)] if steps else [f"{indent}{key}: []"]

    def keys(self, step: Step) -> dict[str, Any]:
        """The keys of a step; those of a block without the block itself."""
        keys: dict[str, Any] = {**self.body(step), **self.start(step)}
        for key in ("once", "until", "must_stay", "only_if"):
            condition: Condition | None = getattr(step, key)
            if condition is not None:
                keys[key] = _text(condition)
        for key in ("steady", "blind"):
            if getattr(step, key) != 0:
                keys[key] = time_text(getattr(step, key))
        if isinstance(step.body, Pulse) and step.duration is not None:
            keys["for"] = time_text(step.duration)
        if step.timeout is not None:
            keys["timeout"] = self.timeout(step.timeout)
        if step.usually is not None:
            keys["usually"] = time_text(step.usually)
        plain = Step("", Wait())
        for key in ("on_timeout", "retry", "preempt", "phase", "profile", "together", "about"):
            if getattr(step, key) != getattr(plain, key):
                keys[key] = getattr(step, key)
        if step.touching is not None:
            keys["touching"] = list(step.touching)
        if step.route is not None:
            keys["route"] = step.route
        if step.limits is not None:
            keys["limits"] = self.caps(step)
        return keys

    def start(self, step: Step) -> dict[str, Any]:
        match step.start:
            case After(steps=steps, any=first):
                return {"after": {"any": list(steps)} if first else list(steps)}
            case With(step=name):
                return {"with": name}
            case AtTime(time=time):
                return {"at": time_text(time)}
            case Passing(step=name, at=at, axis=axis, lead=lead, lag=lag):
                keys: dict[str, Any] = {
                    "step": name,
                    "at": at if isinstance(at, str) else self.milestone(name, axis, at),
                }
                if axis is not None:
                    keys["axis"] = axis
                if lead != 0:
                    keys["lead"] = time_text(lead)
                if lag != 0:
                    keys["lag"] = time_text(lag)
                return {"passing": keys}
        return {}

    def milestone(self, name: str, axis: str | None, at: float) -> str | float:
        watched = self.by_name.get(name)
        axes = axes_of(watched.body, self.machine, self.routine.parameters) if watched else ()
        return self.position(axis or axes[0], at)

    def caps(self, step: Step) -> dict[str, Any]:
        axes = axes_of(step.body, self.machine, self.routine.parameters)
        axis = self.machine.axes[axes[0]]
        dimensions = {
            "velocity": axis.speed_dimension,
            "acceleration": axis.acceleration_dimension,
            "jerk": axis.jerk_dimension,
        }
        caps: dict[str, Cap | None] = {key: getattr(step.limits, key) for key in dimensions}
        return {
            key: _percent(cap.value) if cap.share else quantity(cap.value, dimensions[key])
            for key, cap in caps.items()
            if cap is not None
        }

    def body(self, step: Step) -> dict[str, Any]:
        match step.body:
            case Move(goals=goals, preset=preset, per=per):
                if preset is not None:
                    return {"move": preset}
                if per is not None:
                    return {"move": {"per": per[0], **dict(per[1])}}
                return {"move": {axis: self.goal(axis, goal) for axis, goal in goals}}
            case Flick(axis=axis, through=through, speed=speed, to=to):
                pace = self.operand(speed, self.machine.axes[axis].speed_dimension)
                places = {"through": self.position(axis, through), "speed": pace, "to": self.position(axis, to)}
                return {"flick": {axis: places}}
            case Press(axis=axis, effort=effort, toward=toward):
                return {"press": {axis: self.operand(effort, CURRENT), "toward": self.position(axis, toward)}}
            case Pulse(drives=drives):
                return {"pulse": {drive.target: self.drive(drive) for drive in drives}}
            case Wait(condition=condition):
                return {"wait": _text(condition) if condition is not None else time_text(step.duration or 0)}
            case Set(values=values):
                return {"set": {name: self.value(self.machine.outputs[name], value) for name, value in values}}
            case Perform(routine=name, given=given):
                inner = self.routine.subroutines.get(name)
                passed = {one: self.given(inner, one, value) for one, value in given}
                return {"perform": name, **({"given": passed} if passed else {})}
        return {}

    def goal(self, axis: str, goal: Goal) -> Any:
        match goal:
            case At(position=position):
                return self.position(axis, position)
            case By(distance=distance):
                return {"by": self.position(axis, distance)}
            case FromReading(sensor=sensor, bounds=bounds):
                return {"reading": sensor, "range": [self.position(axis, end) for end in bounds]}

    def drive(self, drive: Drive) -> Any:
        if drive.quantity == "value":
            output = self.machine.outputs[drive.target]
            return drive.value if isinstance(drive.value, str) else self.value(output, drive.value)
        assert not isinstance(drive.value, bool)
        return self.operand(drive.value, VOLTAGE if drive.quantity == "voltage" else ANGULAR_SPEED)

    def given(self, inner: Routine | None, name: str, value: Operand) -> Any:
        parameter = inner.parameters.get(name) if inner is not None else None
        dimension = parameter.dimension if isinstance(parameter, NumberParameter) else NUMBER
        return self.operand(value, dimension)

    def value(self, of: Sensor | Output, value: Value) -> Any:
        if isinstance(value, bool | str):
            return value
        return self.number(value, of.dimension or NUMBER)

    def whole(self, times: Operand) -> Any:
        return int(times) if isinstance(times, float) and times.is_integer() else times

    def rehearsal(self, rehearsal: RehearsalSpec) -> dict[str, Any]:
        keys: dict[str, Any] = {}
        if rehearsal.gauges:
            keys["gauges"] = {name: self.gauge(self.machine.sensors[name], one) for name, one in rehearsal.gauges}
        if rehearsal.parameters:
            keys["parameters"] = {name: self.given(self.routine, name, one) for name, one in rehearsal.parameters}
        keys |= _given({"from": rehearsal.start, "piece": rehearsal.piece})
        if rehearsal.offered:
            keys["offered"] = {name: time_text(time) for name, time in rehearsal.offered}
        if rehearsal.pressed:
            keys["pressed"] = {name: time_text(time) for name, time in rehearsal.pressed}
        if rehearsal.contacts:
            keys["contacts"] = {one.axis: self.contact(one) for one in rehearsal.contacts}
        expect = rehearsal.expect
        if expect != Expectation():
            within = None if expect.finishes_within is None else time_text(expect.finishes_within)
            least = None if expect.clearance is None else quantity(expect.clearance, LENGTH)
            asked = {"outcome": expect.outcome, "finishes_within": within, "clearance": least}
            keys["expect"] = _given(asked | {"order": list(expect.order) or None, "never": list(expect.never) or None})
        return keys

    def contact(self, contact: Leaning) -> dict[str, Any]:
        axis = self.machine.axes[contact.axis]
        stiff, until = contact.stiffness, contact.until
        return _given(
            {
                "at": quantity(contact.at, axis.dimension),
                "side": contact.side,
                "stiffness": None if stiff is None else quantity(stiff, axis.stiffness_dimension),
                "damping": quantity(contact.damping, axis.viscous_dimension) if contact.damping else None,
                "since": time_text(contact.since) if contact.since else None,
                "until": None if until is None else time_text(until),
            }
        )

    def gauge(self, sensor: Sensor, gauge: Value | tuple[tuple[int, Value], ...]) -> Any:
        if isinstance(gauge, tuple):
            return [[time_text(time), self.value(sensor, value)] for time, value in gauge]
        return self.value(sensor, gauge)


def _given(keys: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in keys.items() if value is not None}


def _text(condition: Condition) -> str:
    return condition.text or term_text(condition.term)


def _percent(share: float) -> str:
    """A share in % that reads back to the same number, where one does."""
    near = share * 100.0
    for candidate in (round(near, 6), near, math.nextafter(near, 0.0), math.nextafter(near, math.inf)):
        if parse_quantity(f"{candidate!r} %").value == share:
            return f"{candidate:g} %" if parse_quantity(f"{candidate:g} %").value == share else f"{candidate!r} %"
    return f"{near!r} %"
