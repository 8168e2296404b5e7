"""machine.yaml into a Machine."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import radians
from pathlib import Path
from typing import Any

from sequencer.errors import ModelError, did_you_mean
from sequencer.files.overlay import lay_over
from sequencer.files.parts import PartReader
from sequencer.files.problems import FileErrors
from sequencer.files.read_axis import AxisReader
from sequencer.files.read_bodies import BodyReader
from sequencer.files.read_sensors import SensorReader
from sequencer.files.read_variation import VariationReader
from sequencer.files.shapes import check_shape
from sequencer.files.yaml_text import Document, read_yaml
from sequencer.machine.actuator import Motor
from sequencer.machine.axis import Axis, AxisKind
from sequencer.machine.condition import Kind
from sequencer.machine.interlock import Interlock, KeepOut, MustStay
from sequencer.machine.keys import (
    BATTERY,
    INTERLOCK,
    MACHINE,
    MOTOR,
)
from sequencer.machine.machine import Battery, Machine, Preset, axis_vocabulary
from sequencer.machine.node import Node
from sequencer.machine.reading import Reading, Unreadable, joined
from sequencer.machine.variation import Varied
from sequencer.machine.written import Pair, Quantity
from sequencer.units import VOLTAGE


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


class _MachineReader(PartReader):
    """Reads section by section; what is broken gets a stand-in, so that the rest is still looked at."""

    def machine(self, overlays: tuple[str, ...]) -> Machine | None:
        kinds = self.axis_kinds()
        sensor_reader = SensorReader(self.reading, self.top)
        sensors = sensor_reader.sensors()
        names: dict[str, Kind] = {}
        for name, kind in kinds.items():
            names.update(axis_vocabulary(name, kind))
        names.update({sensor.name: Kind(sensor.dimension, sensor.values) for sensor in sensors.values()})
        names["battery"] = Kind(VOLTAGE)
        self.reading.vocabulary = names
        sensors = {name: sensor_reader.linked(sensor, kinds) for name, sensor in sensors.items()}
        motors = self.motors()
        axes = AxisReader(self.reading, self.top).axes(kinds, motors)
        body_reader = BodyReader(self.reading, self.top)
        pieces = body_reader.pieces()
        bodies = body_reader.bodies()
        clearances = body_reader.clearances()
        outputs = sensor_reader.outputs()
        presets = self.presets(kinds, axes)
        interlocks = self.interlocks(kinds)
        variation = VariationReader(self.reading, self.top).variation(kinds, sensors)
        battery = self.built(Battery, self.sub("battery", BATTERY), *(key.name for key in BATTERY.keys))
        # Of what could not be read itself nothing more is said.
        known = {*motors, *axes, *pieces, *sensors, *(("",) if battery or self.top.node("battery") is None else ())}
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
                bodies=bodies,
                clearances=clearances,
                overlays=overlays,
                variation=tuple(varied for varied in variation if varied.of in known and self.whole(varied, axes)),
                place=self.top.at.place,
                **self.top.values("period", "longest_gap"),
            )
        except ModelError as error:
            for place, text in error.problems:
                if "a machine needs at least one axis" in text and self.top.node("axes") is None:
                    continue
                self.reading.wrong_at(place, self.reading.paths.get(place, ""), text)
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

    def whole(self, varied: Varied, axes: Mapping[str, Axis]) -> bool:
        """Whether all parts of an axis that varies could be read."""
        if varied.kind != "axis":
            return True
        axis, table = axes[varied.of], self.top.node("axes")
        written = ((table.entries if table else None) or {})[varied.of].entries or {}
        return not (("load" in written and axis.load is None) or ("actuators" in written and not axis.actuators))

    def motors(self) -> dict[str, Motor]:
        found = {}
        for name, node, path, place in self.top.children("motors"):
            fields = self.section(MOTOR, node, path)
            motor = self.built(Motor, fields, *(key.name for key in MOTOR.keys), name=name, place=place)
            if motor is not None:
                found[name] = motor
        return found

    def presets(self, kinds: Mapping[str, AxisKind], axes: Mapping[str, Axis]) -> dict[str, Preset]:
        found = {}
        for name, node, path, place in self.top.children("presets"):
            if node.entries is None:
                self.reading.wrong(node, path, f"{node.found()} was found; positions by axis were expected")
                continue
            if not node.entries:
                self.reading.wrong_at(place, path, "a preset places at least one axis")
            positions = self.by_axis(node, path, Quantity("position"), kinds)
            for axis_name, position in list(positions.items()):
                axis = axes.get(axis_name)
                if axis is None or axis.travel is None or axis.travel[0] <= position <= axis.travel[1]:
                    continue
                low, high = (axis.show(end) for end in axis.travel)
                message = f"{axis.show(position)} is outside the travel of {axis_name}, {low} to {high}"
                written = node.entries[axis_name]
                hint = ""
                if str(written.text).endswith("rad") and axis.travel[0] <= radians(position) <= axis.travel[1]:
                    hint = f"it is written in radians; in degrees write {position:.4g} deg"
                self.reading.wrong(written, joined(path, axis_name), message, hint)
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
                axes = fields.value("axes", ())
                if fields.node("axes") is not None and not axes:
                    self.reading.wrong_at(node.place_of("axes"), joined(path, "axes"), "at least one axis is needed")
                found.append(MustStay(name, stays, axes, fields.value("stop"), because, place))
        return tuple(found)
