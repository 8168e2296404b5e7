"""The axes of a machine file."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from profiles import Limits
from sequencer.errors import ModelError, did_you_mean
from sequencer.files.parts import PartReader, read_keys
from sequencer.machine.actuator import Actuator, Motor
from sequencer.machine.axis import Axis, AxisKind, Load, Mount, PositionSource, RestCase, Tolerance, Zero
from sequencer.machine.condition import Condition
from sequencer.machine.keys import (
    ACTUATOR,
    AXIS,
    LIMITS,
    LOAD,
    MOUNT,
    REST_CASE,
    REST_MODES,
    SOURCE,
    TOLERANCE,
    ZERO,
)
from sequencer.machine.node import Node
from sequencer.machine.reading import Fields, Reading, Unreadable, joined
from sequencer.machine.written import Quantity
from sequencer.places import Place


class AxisReader(PartReader):
    """Reads axes with what drives, measures and loads them."""

    def axes(self, kinds: Mapping[str, AxisKind], motors: Mapping[str, Motor]) -> dict[str, Axis]:
        found = {}
        for name, node, path, place in self.top.children("axes"):
            fields = self.section(AXIS, node, path)
            fields_kind = kinds[name]
            if fields is None:
                continue
            fields.value("kind")
            found[name] = self.axis(name, fields_kind, fields, motors, place)
        return found

    def axis(self, name: str, kind: AxisKind, fields: Fields, motors: Mapping[str, Motor], place: Place) -> Axis:
        reading = self.reading.on_axis(name, kind)
        values: dict[str, Any] = read_keys(fields, ("travel", "latency", "between", "stop", "unpowered"), reading)
        if kind == "spin":
            for key in ("travel", "tolerance", "zero"):
                if fields.node(key) is not None and key != "tolerance":
                    self.reading.wrong_at(
                        fields.at.place_of(key), joined(fields.path, key), f"'{name}' is a spin; it has no {key}"
                    )
            values.pop("travel", None)
        else:
            for key in ("travel", "tolerance"):
                if fields.node(key) is None and fields.node("kind") is not None:
                    self.reading.wrong_at(
                        fields.at.place,
                        joined(fields.path, key),
                        f"'{key}' is missing; a {kind} axis needs it",
                    )
        mount = self.built(Mount, self.sub("mount", MOUNT, fields), *(key.name for key in MOUNT.keys))
        limits = self.sub("limits", LIMITS, fields)
        tolerance = self.built(
            Tolerance,
            self.sub("tolerance", TOLERANCE, fields),
            *(key.name for key in TOLERANCE.keys),
            reading=reading,
        )
        load = self.built(Load, self.sub("load", LOAD, fields), *(key.name for key in LOAD.keys), reading=reading)
        zero = self.built(Zero, self.sub("zero", ZERO, fields), "move", "until", "then", "once", reading=reading)
        actuators = self.actuators(fields, kind, motors)
        stated = {
            "mount": mount,
            "tolerance": tolerance,
            "load": load,
            "zero": zero if kind != "spin" else None,
            "actuators": actuators,
            "position": self.source(fields, reading, [actuator.name for actuator in actuators]),
            "rest": self.rest(fields, kind),
        }
        values.update({key: value for key, value in stated.items() if value})
        stand_in = Limits(1e6, 1e6)
        values["limits"] = self.built(Limits, limits, "velocity", "acceleration", "jerk", reading=reading) or stand_in
        broken: dict[str, Any] = {
            "travel": (-6.0, 6.0) if kind == "rotary" else (-1e6, 1e6),
            "tolerance": Tolerance(1.0),
        }
        if kind == "spin":
            broken = {}
        try:
            return Axis(name=name, kind=kind, place=place, **{**broken, **values})
        except ModelError as error:
            self.reading.wrong_at(place, fields.path, str(error))
        return Axis(name=name, kind=kind, place=place, limits=stand_in, **broken)

    def actuators(self, fields: Fields, kind: AxisKind, motors: Mapping[str, Motor]) -> tuple[Actuator, ...]:
        found = []
        declared = self.declared("motors")
        for name, node, path, place in fields.children("actuators"):
            inner = self.section(ACTUATOR, node, path)
            if inner is None:
                continue
            values = read_keys(
                inner,
                ("ratio", "travel_per_turn", "efficiency", "winding_limit", "supply_limit", "out_of_service"),
            )
            written = inner.node("travel_per_turn")
            if kind == "linear" and written is None:
                message = "'travel_per_turn' is missing; an actuator of a linear axis needs it"
                self.reading.wrong_at(node.place, joined(path, "travel_per_turn"), message)
            if kind != "linear" and written is not None:
                message = f"'travel_per_turn' belongs to linear axes; this axis is {_article(kind)}"
                self.reading.wrong_at(node.place_of("travel_per_turn"), joined(path, "travel_per_turn"), message)
                values.pop("travel_per_turn", None)
            motor_name = inner.value("motor")
            motor_node = inner.node("motor")
            if motor_name is not None and motor_node is not None and motor_name not in declared:
                self.reading.wrong(
                    motor_node,
                    joined(path, "motor"),
                    f"unknown motor '{motor_name}'",
                    did_you_mean(motor_name, declared),
                )
            if motor_name in motors and "ratio" in values:
                actuator = self.made(
                    Actuator, inner, {**values, "name": name, "motor": motors[motor_name], "place": place}
                )
                if actuator is not None:
                    found.append(actuator)
        return tuple(found)

    def source(self, fields: Fields, reading: Reading, known: list[str]) -> PositionSource | None:
        inner = self.sub("position", SOURCE, fields)
        if inner is None:
            return None
        names = inner.value("from", ())
        written = fields.node("actuators")
        declared = list((written.entries if written else None) or {})
        node = inner.node("from")
        if node is not None and node.items is not None and not node.items:
            self.reading.wrong(node, joined(inner.path, "from"), "at least one actuator is needed")
        for index, name in enumerate(names):
            if name not in declared and node is not None and node.items is not None:
                self.reading.wrong(
                    node.items[index],
                    f"{joined(inner.path, 'from')}[{index}]",
                    f"unknown actuator '{name}'",
                    did_you_mean(name, declared),
                )
        return PositionSource(names, **read_keys(inner, ("sense", "differ_by"), reading))

    def rest(self, fields: Fields, kind: AxisKind) -> tuple[RestCase, ...] | None:
        node = fields.node("rest")
        if node is None:
            return None
        path = joined(fields.path, "rest")
        if node.items is None:
            case = self.rest_case(node, path, kind, None)
            return (case,) if case else None
        cases = []
        for index, item in enumerate(node.items):
            inner = self.section(REST_CASE, item, f"{path}[{index}]")
            if inner is None:
                continue
            at = inner.node("at")
            case = self.rest_case(at, f"{path}[{index}].at", kind, inner.value("when")) if at else None
            if case is not None:
                cases.append(case)
            if inner.node("when") is None and index != len(node.items) - 1:
                self.reading.wrong(item, f"{path}[{index}]", "only the last rest case may have no 'when'")
        last = node.items[-1] if node.items else node
        if last.entries is None or "when" in last.entries or not node.items:
            self.reading.wrong(last, path, "the last rest case must have no 'when', so that one always applies")
            return None
        return tuple(cases) or None

    def rest_case(self, node: Node, path: str, kind: AxisKind, when: Condition | None) -> RestCase | None:
        if isinstance(node.value, str) and node.value in REST_MODES:
            if node.value == "hold" and kind == "spin":
                self.reading.wrong(node, path, "a spin has no position to hold", 'write a voltage, brake or "off"')
                return None
            return RestCase(node.value, when=when)  # type: ignore[arg-type]
        if isinstance(node.value, str) and node.value.isalpha():
            self.reading.wrong(
                node, path, f"'{node.value}' is not hold, brake, off or a voltage", did_you_mean(node.value, REST_MODES)
            )
            return None
        try:
            return RestCase("voltage", Quantity("voltage").read(node, path, self.reading), when)  # type: ignore[arg-type]
        except Unreadable:
            return None


def _article(kind: str) -> str:
    return "rotary" if kind == "rotary" else f"a {kind}"
