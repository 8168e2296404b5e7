"""From nodes to steps."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from sequencer.errors import did_you_mean
from sequencer.machine.machine import Machine
from sequencer.machine.node import Node
from sequencer.machine.reading import NAME, Fields, Reading, Unreadable, check_name, joined, quantity_or_word
from sequencer.machine.shape import axis_dimensions
from sequencer.machine.written import Quantity
from sequencer.places import Place
from sequencer.routine.body_reader import BodyReader, axes_of
from sequencer.routine.keys import (
    ANY,
    BRANCH,
    FITS,
    KINDS,
    LIMITS_OF_STEP,
    PASSING,
    REPEAT,
    STARTS,
    STEP,
)
from sequencer.routine.parameters import NumberParameter, Parameter
from sequencer.routine.routine import Routine
from sequencer.routine.steps import (
    ON_TIMEOUT,
    After,
    AtTime,
    Body,
    Branch,
    Cap,
    Choose,
    Following,
    LimitCaps,
    Move,
    Passing,
    Perform,
    Repeat,
    Start,
    Step,
    Wait,
    With,
)
from sequencer.units import NUMBER

FindRoutine = Callable[[str, Place, str], Routine | None]
"""Gives a routine by name for the place and path that name it; None where there is none (which it has noted)."""


@dataclass(slots=True)
class StepReader:
    """Reads steps of routines on a machine. What is broken is noted; a step that cannot be had is left out.

    `base` is where the names of steps begin in paths.
    """

    machine: Machine
    reading: Reading
    parameters: Mapping[str, Parameter]
    find: FindRoutine
    base: str = "steps"
    seen: dict[str, Place] = field(default_factory=dict)
    written: dict[str, Node] = field(default_factory=dict)

    def steps(self, node: Node, path: str) -> tuple[Step, ...]:
        """The steps of a list."""
        if node.items is None:
            self.reading.wrong(node, path, f"{node.found()} was found; a list of steps was expected")
            return ()
        found = []
        for item in node.items:
            self.written.update(item.entries or {})
        for index, item in enumerate(node.items):
            if item.entries is None or len(item.entries) != 1:
                message = f"{item.found()} was found; a step was expected, written as its name and a table of keys"
                if item.entries is not None:
                    message = f"a step is written as one name and a table of keys; {len(item.entries)} names were found"
                self.reading.wrong(item, f"{path}[{index}]", message)
                continue
            ((name, inner),) = item.entries.items()
            place = item.place_of(name)
            if not check_name(name, place, f"{self.base}.{name}", self.reading):
                continue
            first = self.seen.setdefault(name, place)
            if first is not place:
                message = f"two steps are called '{name}' (the other in line {first.line})"
                self.reading.wrong_at(place, f"{self.base}.{name}", message, "give each its own name", "R39")
            try:
                step = self.step(name, self.reading.fields(STEP, inner, f"{self.base}.{name}"), place)
            except Unreadable:
                continue
            if step is not None:
                found.append(step)
        return tuple(found)

    def step(self, name: str, fields: Fields, place: Place) -> Step | None:
        present = [kind for kind in KINDS if fields.at.entries and kind in fields.at.entries]
        misspelt = not present and any(STEP.key(key) is None for key in fields.at.entries or ())
        if misspelt:
            return None
        if len(present) != 1:
            found = "none was found" if not present else f"found {' and '.join(present)}"
            near = ""
            if not present:
                near = "; allowed: " + ", ".join(KINDS)
            self.reading.wrong_at(place, fields.path, f"a step has exactly one kind; {found}{near}")
            return None
        kind = present[0]
        self.check_fit(kind, fields)
        node = fields.node(kind)
        body: Body | None = None
        duration: int | str | None = None
        if node is not None:
            path = joined(fields.path, kind)
            try:
                if kind == "wait":
                    awaited = fields.value("wait")
                    if isinstance(awaited, int | str):
                        body, duration = Wait(None), awaited
                    elif awaited is not None:
                        body = Wait(awaited)
                else:
                    reader = self if kind in ("choose", "repeat", "perform") else BodyReader(self.machine, self.reading)
                    body = getattr(reader, f"{kind}_body")(node, path, fields)
            except Unreadable:
                body = None
        start = self.start(fields, place)
        fallback = fields.value("on_timeout")
        if fallback is not None and fallback not in ON_TIMEOUT:
            self.find(fallback, fields.at.place_of("on_timeout"), joined(fields.path, "on_timeout"))
        values: dict[str, Any] = fields.values(
            *("once", "until", "steady", "blind", "timeout", "on_timeout", "retry", "must_stay", "only_if"),
            *("usually", "preempt", "phase", "profile", "together", "touching", "route", "about"),
        )
        if kind == "pulse":
            duration = fields.value("for")
            if fields.node("for") is None and fields.node("until") is None:
                self.reading.wrong_at(
                    place, fields.path, "a pulse needs 'for' (a time) or 'until' (a condition)", rule="R26"
                )
        if kind == "press" and fields.node("until") is None:
            self.reading.wrong_at(
                place, fields.path, "a press needs 'until', the condition that shows the contact", rule="R46"
            )
        if kind == "wait" and duration is not None:
            for key in ("steady", "blind"):
                if fields.node(key) is not None:
                    self.reading.wrong_at(
                        fields.at.place_of(key),
                        joined(fields.path, key),
                        f"'{key}' needs a condition; this wait has a time",
                    )
        if kind in ("move", "flick", "pulse") and fields.node("until") is None:
            for key in ("steady", "blind"):
                if fields.node(key) is not None:
                    self.reading.wrong_at(
                        fields.at.place_of(key),
                        joined(fields.path, key),
                        f"'{key}' needs 'until', the condition it filters",
                    )
        if values.get("profile") == "motor" and (kind != "move" or values.get("together")):
            profile = fields.node("profile")
            if profile is not None:
                self.reading.wrong(
                    profile,
                    joined(fields.path, "profile"),
                    "'motor' is for moves whose axes need not arrive together",
                    "write s_curve or trapezoid",
                )
            values.pop("profile")
        limits = self.caps(fields, body)
        if body is None:
            return None
        return Step(name, body, start, duration=duration, limits=limits, place=place, **values)

    def check_fit(self, kind: str, fields: Fields) -> None:
        for key in fields.at.entries or {}:
            if key in FITS and kind not in FITS[key]:
                hint = ""
                if key == "for" and kind == "wait":
                    hint = "write wait: 100 ms"
                if key == "until" and kind == "wait":
                    hint = "the condition is the wait's own value"
                fitting = ", ".join(name for name in KINDS if name in FITS[key])
                self.reading.wrong_at(
                    fields.at.place_of(key),
                    joined(fields.path, key),
                    f"'{key}' does not fit a {kind}; it fits {fitting}",
                    hint,
                )

    def start(self, fields: Fields, place: Place) -> Start:
        present = [key for key in STARTS if fields.node(key) is not None]
        if len(present) > 1:
            self.reading.wrong_at(place, fields.path, f"a step starts in one way; found {' and '.join(present)}")
        if not present:
            return Following()
        key = present[0]
        node = fields.node(key)
        path = joined(fields.path, key)
        assert node is not None
        try:
            if key == "with":
                return With(fields.value("with", ""))
            if key == "at":
                time = fields.value("at")
                return AtTime(time) if isinstance(time, int) else Following()
            if key == "passing":
                return self.passing(node, path)
            if node.entries is not None:
                return After(self.reading.fields(ANY, node, path).value("any", ()), True)
            return After(_names(node, path, self.reading))
        except Unreadable:
            return Following()

    def passing(self, node: Node, path: str) -> Start:
        fields = self.reading.fields(PASSING, node, path)
        step, axis = fields.value("step"), fields.value("axis")
        values = fields.values("lead", "lag")
        axis_node = fields.node("axis")
        if axis is not None and axis not in self.machine.axes and axis_node is not None:
            near = did_you_mean(axis, self.machine.axes)
            raise self.reading.wrong(axis_node, joined(path, "axis"), f"unknown axis '{axis}'", near)
        at: str | float = "through"
        written = fields.node("at")
        if written is not None and written.value != "through":
            passed = axis or self.only_axis(step)
            if passed is not None:
                kind = self.machine.axes[passed].kind
                at = Quantity("position", words=True).read(
                    written, joined(path, "at"), self.reading.on_axis(passed, kind)
                )
            elif isinstance(written.value, str):
                at = written.value  # which axis is meant cannot be said; the graph's judgement asks for it
        return Passing(step, at, axis, **values) if step is not None else Following()

    def only_axis(self, name: str | None) -> str | None:
        """The axis that a step moves, as it is written, if it is one with a position; else None."""
        step = self.written.get(name) if name is not None else None
        body = (
            next((step.entries[kind] for kind in ("flick", "move") if kind in step.entries), None)
            if (step is not None and step.entries is not None)
            else None
        )
        if body is None:
            return None
        axes = list(body.entries or axes_of(Move(preset=str(body.value)), self.machine, self.parameters))
        known = self.machine.axes.get(axes[0]) if len(axes) == 1 else None
        return known.name if known is not None and known.kind != "spin" else None

    def caps(self, fields: Fields, body: Body | None) -> LimitCaps | None:
        node = fields.node("limits")
        if node is None:
            return None
        path = joined(fields.path, "limits")
        try:
            inner = self.reading.fields(LIMITS_OF_STEP, node, path)
        except Unreadable:
            return None
        axes = axes_of(body, self.machine, self.parameters) if body is not None else ()
        kinds = {"linear" if self.machine.axes[axis].kind == "linear" else "rotary" for axis in axes}
        found: dict[str, Cap] = {}
        for key in ("velocity", "acceleration", "jerk"):
            value = inner.node(key)
            if value is None:
                continue
            cap = self.cap(value, joined(path, key), key, kinds)
            if cap is not None:
                found[key] = cap
        return LimitCaps(**found) if found else None

    def cap(self, node: Node, path: str, key: str, kinds: set[str]) -> Cap | None:
        text = node.value
        try:
            if isinstance(text, str) and text.strip().endswith("%"):
                share = quantity_or_word(node, path, NUMBER, self.reading)
                if isinstance(share, float) and not 0.0 < share <= 1.0:
                    raise self.reading.wrong(node, path, f"{text} is not above 0 % and at most 100 %")
                return Cap(float(share), True)
            if len(kinds) > 1:
                raise self.reading.wrong(
                    node,
                    path,
                    "the step moves axes of different kinds, so one number does not fit them",
                    "write a share in %",
                )
            if not kinds:
                return None
            dimension = axis_dimensions(next(iter(kinds)))[key]
            value = quantity_or_word(node, path, dimension, self.reading)
            if isinstance(value, float) and value <= 0.0:
                raise self.reading.wrong(node, path, f"{node.text} is not greater than 0")
            return Cap(float(value))
        except Unreadable:
            return None

    def choose_body(self, node: Node, path: str, fields: Fields) -> Body:
        if node.items is None:
            raise self.reading.wrong(node, path, f"{node.found()} was found; a list of branches was expected")
        branches: list[Branch] = []
        otherwise: tuple[Step, ...] | None = None
        for index, item in enumerate(node.items):
            where = f"{path}[{index}]"
            branch = self.reading.fields(BRANCH, item, where)
            last = branch.node("else")
            if last is not None:
                if branch.node("if") is not None or branch.node("steps") is not None:
                    self.reading.wrong(item, where, "'else' stands alone: it holds the list of steps itself")
                if index != len(node.items) - 1:
                    self.reading.wrong(item, where, "'else' must be the last branch")
                otherwise = self.steps(last, joined(where, "else"))
                continue
            condition, steps = branch.value("if"), branch.node("steps")
            for key in ("if", "steps"):
                if branch.node(key) is None:
                    self.reading.wrong(item, joined(where, key), f"'{key}' is missing")
            inner = self.steps(steps, joined(where, "steps")) if steps is not None else ()
            if condition is not None:
                branches.append(Branch(condition, inner, item.place))
        if not node.items:
            raise self.reading.wrong(node, path, "an empty list was found; at least one branch is needed")
        return Choose(tuple(branches), otherwise)

    def repeat_body(self, node: Node, path: str, fields: Fields) -> Body:
        repeat = self.reading.fields(REPEAT, node, path)
        times, until, steps = repeat.value("times"), repeat.value("until"), repeat.node("steps")
        if (repeat.node("times") is None) == (repeat.node("until") is None):
            self.reading.wrong(node, path, "a repeat has either 'times' or 'until'")
        times_node = repeat.node("times")
        if isinstance(times, float) and times_node is not None and (times < 1 or times != int(times)):
            self.reading.wrong(times_node, joined(path, "times"), f"{times_node.text} is not a whole number, 1 or more")
        inner = self.steps(steps, joined(path, "steps")) if steps is not None else ()
        return Repeat(inner, times, until)

    def perform_body(self, node: Node, path: str, fields: Fields) -> Body:
        name = fields.value("perform")
        if name is None:
            raise Unreadable(path)
        performed = self.find(name, node.place, path)
        given: list[tuple[str, float | str]] = []
        table = fields.node("given")
        for parameter, inner in ((table.entries if table else None) or {}).items():
            where = f"{joined(fields.path, 'given')}.{parameter}"
            if isinstance(inner.value, str) and NAME.match(inner.value):
                given.append((parameter, inner.value))
                continue
            meant = performed.parameters.get(parameter) if performed is not None else None
            dimension = meant.dimension if isinstance(meant, NumberParameter) else None
            try:
                given.append((parameter, quantity_or_word(inner, where, dimension, self.reading)))
            except Unreadable:
                continue
        return Perform(name, tuple(given))


def _names(node: Node, path: str, reading: Reading) -> tuple[str, ...]:
    if isinstance(node.value, str):
        return (node.value,)
    names = []
    for index, item in enumerate(node.items or ()):
        if not isinstance(item.value, str):
            raise reading.wrong(item, f"{path}[{index}]", f"{item.found()} was found; the name of a step was expected")
        names.append(item.value)
    if node.items is None:
        raise reading.wrong(node, path, f"{node.found()} was found; a list of steps was expected")
    return tuple(names)
