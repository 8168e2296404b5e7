"""machine.yaml into a Machine."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from profiles import Limits
from profiles.errors import ProfileError
from sequencer.errors import ModelError, did_you_mean
from sequencer.files.overlay import lay_over
from sequencer.files.problems import FileErrors
from sequencer.files.shapes import check_shape
from sequencer.files.yaml_text import Document, read_yaml
from sequencer.machine.actuator import Actuator, Motor
from sequencer.machine.axis import Axis, AxisKind, Load, Mount, PositionSource, RestCase, Tolerance, Zero
from sequencer.machine.condition import Condition, Kind
from sequencer.machine.interlock import Interlock, KeepOut, MustStay
from sequencer.machine.keys import (
    ACTUATOR,
    AXIS,
    BATTERY,
    INTERLOCK,
    LIMITS,
    LOAD,
    MACHINE,
    MOTOR,
    MOUNT,
    OUTPUT,
    PIECE,
    REST_CASE,
    REST_MODES,
    SENSOR,
    SOURCE,
    TOLERANCE,
    ZERO,
)
from sequencer.machine.machine import Battery, Machine, Preset, axis_vocabulary
from sequencer.machine.node import Node
from sequencer.machine.piece import Piece
from sequencer.machine.sensor import Derivation, Output, PlantLink, Sensor
from sequencer.machine.shape import Fields, Formula, Pair, Quantity, Reading, Unreadable, check_name, joined
from sequencer.machine.value import value_of
from sequencer.places import Place
from sequencer.units import NUMBER, VOLTAGE, Dimension, dimension_name, parse_unit


def load_machine(path: str | Path, overlays: Iterable[str | Path] = ()) -> Machine:
    """Read a machine file, with overlays laid over it in the order given.

    Raises:
        FileErrors: anything is wrong with the files; every problem at once, each with file, line and column.
    """
    file = Path(path)
    document = read_yaml(file)
    names = []
    for overlay in overlays:
        document, because = lay_over(document, file, Path(overlay))
        names.append(f"{Path(overlay).name.split('.')[0]}: {because}")
    return machine_of(document, tuple(names))


def machine_of(document: Document, overlays: tuple[str, ...] = ()) -> Machine:
    """The machine that a document describes.

    Raises:
        FileErrors: anything is wrong with it.
    """
    reading = Reading(list(document.problems), refused=frozenset(problem.place for problem in document.problems))
    check_shape(MACHINE, document.root, reading)
    machine = _MachineReader(reading, reading.fields(MACHINE, document.root, "")).machine(overlays)
    if reading.problems or machine is None:
        raise FileErrors(reading.problems)
    return machine


@dataclass(slots=True)
class _MachineReader:
    """Reads section by section; what is broken is noted and gets a stand-in, so that the rest is still looked at."""

    reading: Reading
    top: Fields

    def machine(self, overlays: tuple[str, ...]) -> Machine | None:
        kinds = self.axis_kinds()
        sensors = self.sensors()
        names: dict[str, Kind] = {}
        for name, kind in kinds.items():
            names.update(axis_vocabulary(name, kind))
        names.update({sensor.name: Kind(sensor.dimension, sensor.values) for sensor in sensors.values()})
        names["battery"] = Kind(VOLTAGE)
        self.reading.vocabulary = names
        sensors = {name: self.linked(sensor, kinds) for name, sensor in sensors.items()}
        motors = self.motors()
        axes = self.axes(kinds, motors)
        pieces = self.pieces()
        outputs = self.outputs()
        presets = self.presets(kinds, axes)
        interlocks = self.interlocks(kinds)
        battery = self.built(Battery, self.sub("battery", BATTERY), *(key.name for key in BATTERY.keys))
        try:
            return Machine(
                self.top.value("machine", "unnamed"),
                axes,
                battery=battery,
                motors=motors,
                sensors=sensors,
                outputs=outputs,
                pieces=pieces,
                presets=presets,
                interlocks=interlocks,
                overlays=overlays,
                place=self.top.at.place,
                **self.top.values("period", "longest_gap"),
            )
        except ModelError as error:
            for place, text in error.problems:
                if "a machine needs at least one axis" in text and self.top.node("axes") is None:
                    continue
                self.reading.wrong_at(place, self.reading.paths.get(place, ""), text)
            return None

    def sub(self, name: str, section: Any, fields: Fields | None = None) -> Fields | None:
        """The section under a key, None where it is absent or no table (noted)."""
        fields = fields or self.top
        node = fields.node(name)
        if node is None:
            return None
        try:
            return self.reading.fields(section, node, joined(fields.path, name))
        except Unreadable:
            return None

    def section(self, section: Any, node: Node, path: str) -> Fields | None:
        try:
            return self.reading.fields(section, node, path)
        except Unreadable:
            return None

    def built(self, make: Any, fields: Fields | None, *names: str, reading: Reading | None = None, **more: Any) -> Any:
        """An object from the values of the keys; None where keys it needs are missing or it refuses them (noted)."""
        if fields is None:
            return None
        return self.made(make, fields, {**_read(fields, names, reading), **more})

    def made(self, make: Any, fields: Fields, values: dict[str, Any]) -> Any:
        if any(key.required and key.name not in values for key in fields.section.keys):
            return None
        try:
            return make(**values)
        except (ModelError, ProfileError) as error:
            self.reading.wrong_at(fields.at.place, fields.path, str(error))
        return None

    def axis_kinds(self) -> dict[str, AxisKind]:
        """The kinds of the axes; one that says none counts as linear, so that reading goes on."""
        kinds: dict[str, AxisKind] = {}
        table = self.top.node("axes")
        for name, node in ((table.entries if table else None) or {}).items():
            written = (node.entries or {}).get("kind")
            kind = written.value if written else None
            kinds[name] = "rotary" if kind == "rotary" else "spin" if kind == "spin" else "linear"
        return kinds

    def motors(self) -> dict[str, Motor]:
        found = {}
        for name, node, path, place in self.top.children("motors"):
            fields = self.section(MOTOR, node, path)
            motor = self.built(Motor, fields, *(key.name for key in MOTOR.keys), name=name, place=place)
            if motor is not None:
                found[name] = motor
        return found

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
        values: dict[str, Any] = _read(fields, ("travel", "latency", "between", "stop", "unpowered"), reading)
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
        table = self.top.node("motors")
        declared = list((table.entries if table else None) or {})
        for name, node, path, place in fields.children("actuators"):
            inner = self.section(ACTUATOR, node, path)
            if inner is None:
                continue
            values = _read(
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
        for index, name in enumerate(names):
            if name not in declared and node is not None and node.items is not None:
                self.reading.wrong(
                    node.items[index],
                    f"{joined(inner.path, 'from')}[{index}]",
                    f"unknown actuator '{name}'",
                    did_you_mean(name, declared),
                )
        return PositionSource(names, **_read(inner, ("sense", "differ_by"), reading))

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

    def sensors(self) -> dict[str, Sensor]:
        """The sensors without their conditions, which may name sensors that stand below."""
        found = {}
        for name, node, path, place in self.top.children("sensors"):
            fields = self.section(SENSOR, node, path)
            if fields is None:
                continue
            kind = fields.value("kind", "switch")
            derived = fields.node("from") is not None
            if not derived and fields.node("kind") is None:
                self.reading.wrong_at(
                    place, joined(path, "kind"), "'kind' is missing; write it, or what the sensor is derived 'from'"
                )
            if derived and kind != "switch":
                self.reading.wrong_at(place, joined(path, "kind"), "a derived sensor is a switch")
                kind = "switch"
            if not derived:
                for key in ("steady", "blind"):
                    if fields.node(key) is not None:
                        self.reading.wrong_at(
                            node.place_of(key),
                            joined(path, key),
                            f"'{key}' belongs to a sensor that is derived 'from' others",
                        )
            dimension, values = self.typed(fields, kind)
            found[name] = Sensor(name, kind, dimension, values, fields.value("stale_after"), place=place)
        return found

    def typed(self, fields: Fields, kind: str) -> tuple[Dimension | None, tuple[str, ...]]:
        """The dimension of a number and the words of a one_of."""
        dimension: Dimension | None = None
        words: tuple[str, ...] = ()
        unit = fields.node("unit")
        if unit is not None and kind != "number":
            self.reading.wrong(unit, joined(fields.path, "unit"), f"a {kind} has no unit")
        if kind == "number":
            dimension = NUMBER
            text = fields.value("unit")
            if text is not None and unit is not None:
                try:
                    dimension = parse_unit(text)[1]
                except ModelError as error:
                    self.reading.wrong(unit, joined(fields.path, "unit"), str(error))
        listed = fields.node("values")
        if listed is not None and kind != "one_of":
            self.reading.wrong(listed, joined(fields.path, "values"), f"a {kind} has no list of values")
        if kind == "one_of":
            words = fields.value("values", ())
            if listed is None or (listed.items is not None and len(listed.items) == 0):
                place = fields.at.place if listed is None else listed.place
                self.reading.wrong_at(
                    place, joined(fields.path, "values"), "a one_of needs its values, a list of words"
                )
            elif listed.items is not None:
                for index, item in enumerate(listed.items):
                    inner = f"{joined(fields.path, 'values')}[{index}]"
                    if not isinstance(item.value, str) or not check_name(item.value, item.place, inner, self.reading):
                        continue
                    if item.value in [other.value for other in listed.items[:index]]:
                        self.reading.wrong(item, inner, f"'{item.value}' stands in the list twice", "remove one")
        return dimension, words

    def linked(self, sensor: Sensor, kinds: Mapping[str, AxisKind]) -> Sensor:
        """The sensor with what it is derived from and what it reads on the plant."""
        table = self.top.node("sensors")
        node = ((table.entries if table else None) or {})[sensor.name]
        fields = Fields(SENSOR, node, f"sensors.{sensor.name}", self.reading)
        derived: Derivation | None = None
        if fields.node("from") is not None:
            source = fields.value("from")
            if source is not None:
                derived = Derivation(source, **fields.values("steady", "blind"))
        plant = fields.node("plant")
        link = self.plant_link(sensor, plant, joined(fields.path, "plant"), kinds) if plant is not None else None
        if plant is not None and fields.node("from") is not None:
            self.reading.wrong(
                plant, joined(fields.path, "plant"), "a derived sensor has no plant of its own", "remove it"
            )
        return Sensor(
            sensor.name, sensor.kind, sensor.dimension, sensor.values, sensor.stale_after, derived, link, sensor.place
        )

    def plant_link(self, sensor: Sensor, node: Node, path: str, kinds: Mapping[str, AxisKind]) -> PlantLink | None:
        text = node.value
        if not isinstance(text, str):
            self.reading.unexpected(node, path, SENSOR.keys[-1].shape)
            return None
        if text.replace(" ", "").startswith("gap("):
            self.reading.wrong(
                node, path, "'gap(...)' is not supported yet", "remove it, and script the gauge in rehearsals"
            )
            return None
        if sensor.kind == "switch":
            try:
                return PlantLink(condition=Formula().read(node, path, self.reading))
            except Unreadable:
                return None
        if sensor.kind == "one_of":
            if text == "piece":
                return PlantLink(piece=True)
            self.reading.wrong(node, path, f"a one_of reads the held piece on the plant, not '{text}'", "write piece")
            return None
        known = {name: kind for name, kind in self.reading.vocabulary.items() if name.partition(".")[0] in kinds}
        if text not in known:
            self.reading.wrong(node, path, f"unknown name '{text}'", did_you_mean(text, known))
            return None
        dimension = known[text].dimension
        if dimension != sensor.dimension and dimension is not None and sensor.dimension is not None:
            self.reading.wrong(
                node,
                path,
                f"'{text}' is {dimension_name(dimension)}, and the sensor reads {dimension_name(sensor.dimension)}",
            )
            return None
        return PlantLink(quantity=text)

    def outputs(self) -> dict[str, Output]:
        found = {}
        for name, node, path, place in self.top.children("outputs"):
            fields = self.section(OUTPUT, node, path)
            kind = fields.value("kind") if fields is not None else None
            if fields is None or kind is None:
                continue
            dimension, values = self.typed(fields, kind)
            rest = fields.node("rest")
            if rest is None:
                continue
            try:
                value = value_of(rest, joined(path, "rest"), kind, dimension, values, self.reading)
            except Unreadable:
                continue
            found[name] = Output(name, kind, value, dimension, values, place)
        return found

    def pieces(self) -> dict[str, Piece]:
        found = {}
        names = ("mass", "carried_by", "centre", "gripped_by", "grip_torque", "turns_to_leave")
        for name, node, path, place in self.top.children("pieces"):
            piece = self.built(Piece, self.section(PIECE, node, path), *names, name=name, place=place)
            if piece is not None:
                found[name] = piece
        return found

    def presets(self, kinds: Mapping[str, AxisKind], axes: Mapping[str, Axis]) -> dict[str, Preset]:
        found = {}
        for name, node, path, place in self.top.children("presets"):
            if node.entries is None:
                self.reading.wrong(node, path, f"{node.found()} was found; positions by axis were expected")
                continue
            positions = self.by_axis(node, path, Quantity("position"), kinds)
            for axis_name, position in list(positions.items()):
                axis = axes.get(axis_name)
                if axis is None or axis.travel is None or axis.travel[0] <= position <= axis.travel[1]:
                    continue
                low, high = (axis.show(end) for end in axis.travel)
                message = f"{axis.show(position)} is outside the travel of {axis_name}, {low} to {high}"
                self.reading.wrong(node.entries[axis_name], joined(path, axis_name), message)
                del positions[axis_name]
            found[name] = Preset(name, positions, place)
        return found

    def by_axis(self, node: Node, path: str, item: Any, kinds: Mapping[str, AxisKind]) -> dict[str, Any]:
        """Values by axis, each read with its axis at hand."""
        found = {}
        for axis, inner in (node.entries or {}).items():
            where = joined(path, axis)
            if axis not in kinds:
                self.reading.wrong_at(node.place_of(axis), where, f"unknown axis '{axis}'", did_you_mean(axis, kinds))
            elif kinds[axis] == "spin":
                self.reading.wrong_at(node.place_of(axis), where, f"'{axis}' is a spin and has no position")
            else:
                try:
                    found[axis] = item.read(inner, where, self.reading.on_axis(axis, kinds[axis]))
                except Unreadable:
                    continue
        return found

    def interlocks(self, kinds: Mapping[str, AxisKind]) -> tuple[Interlock, ...]:
        found: list[Interlock] = []
        for name, node, path, place in self.top.children("interlocks"):
            fields = self.section(INTERLOCK, node, path)
            if fields is None:
                continue
            box, condition = fields.node("keep_out"), fields.node("must_stay")
            if (box is None) == (condition is None):
                self.reading.wrong_at(place, path, "an interlock has either 'keep_out' or 'must_stay'")
                continue
            foreign = ("axes", "stop") if box is not None else ("when",)
            for key in foreign:
                if fields.node(key) is not None:
                    other = "must_stay" if box is not None else "keep_out"
                    self.reading.wrong_at(node.place_of(key), joined(path, key), f"'{key}' belongs to '{other}'")
            because = fields.value("because", "")
            if box is not None:
                intervals = self.by_axis(box, joined(path, "keep_out"), Pair(Quantity("position")), kinds)
                made = (
                    self.made(
                        KeepOut,
                        fields,
                        {
                            "name": name,
                            "box": tuple(intervals.items()),
                            "because": because,
                            "when": fields.value("when"),
                            "place": place,
                        },
                    )
                    if intervals or not box.entries
                    else None
                )
                if made is not None:
                    found.append(made)
                continue
            stays = fields.value("must_stay")
            if fields.node("axes") is None:
                self.reading.wrong_at(node.place, joined(path, "axes"), "'axes' is missing; a list of axes is needed")
            if stays is not None:
                found.append(MustStay(name, stays, fields.value("axes", ()), fields.value("stop"), because, place))
        return tuple(found)


def _read(fields: Fields, names: Iterable[str], reading: Reading | None = None) -> dict[str, Any]:
    """The values of those keys that are there and readable."""
    absent = object()
    found = {name: fields.read(name, reading or fields.reading, absent) for name in names}
    return {name: value for name, value in found.items() if value is not absent}


def _article(kind: str) -> str:
    return "rotary" if kind == "rotary" else f"a {kind}"
