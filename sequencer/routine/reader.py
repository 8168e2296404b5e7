"""From nodes to a Routine: what a routine file and the builder share."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from sequencer.errors import ModelError, did_you_mean
from sequencer.machine.condition import Kind
from sequencer.machine.machine import Machine
from sequencer.machine.node import Node
from sequencer.machine.reading import Fields, Reading, Unreadable, check_name, joined
from sequencer.machine.shape import Section
from sequencer.places import Place
from sequencer.routine.afterwards import AFTERWARDS, AfterwardsKey
from sequencer.routine.keys import DEFAULTS, KINDS, OUTSIDE_RANGE, PARAMETER, ROUTINE, STEP, WAIVER
from sequencer.routine.parameters import NumberParameter, Parameter, PresetParameter
from sequencer.routine.rehearsal_reader import RehearsalReader, preset_or_anywhere
from sequencer.routine.routine import ANYWHERE, OutsideRange, Routine, Waiver, walk
from sequencer.routine.step_reader import FindRoutine, StepReader
from sequencer.routine.steps import Perform, Step, Timeout
from sequencer.units import NUMBER, TIME, Dimension, Quantity, dimension_name, parse_quantity, show


def routine_of(node: Node, machine: Machine, reading: Reading, find: FindRoutine) -> Routine | None:
    """The routine that a node describes; None where no model could be made of it. Problems are noted in `reading`."""
    try:
        fields = reading.fields(ROUTINE, node, "")
    except Unreadable:
        return None
    return _RoutineReader(machine, reading, fields, find).routine()


@dataclass(slots=True)
class _RoutineReader:
    machine: Machine
    reading: Reading
    top: Fields
    find: FindRoutine
    parameters: dict[str, Parameter] = field(default_factory=dict)
    broken: set[str] = field(default_factory=set)
    performed: dict[str, Routine | None] = field(default_factory=dict)

    def routine(self) -> Routine | None:
        self.read_parameters()
        self.reading.judge = self.judge
        vocabulary = dict(self.machine.vocabulary())
        steps_node = self.top.node("steps")
        for name in step_names(steps_node) if steps_node else ():
            vocabulary[f"{name}.timed_out"] = Kind()
            vocabulary[f"{name}.elapsed"] = Kind(TIME)
        self.reading.vocabulary = vocabulary
        reader = StepReader(self.machine, self.reading, self.parameters, self.found)
        steps = reader.steps(steps_node, "steps") if steps_node else ()
        defaults = self.section("defaults", DEFAULTS)
        subroutines = {name: routine for name, routine in self.performed.items() if routine is not None}
        paths = tuple(paths_of(steps, subroutines))
        after = {key: self.afterwards(key) for key in AFTERWARDS}
        known = (*paths, *(f"{key}/{step.name}" for key, steps in after.items() for step in walk(steps)))
        rehearsals = RehearsalReader(self.machine, self.reading, self.parameters, frozenset(self.broken), paths)
        name = self.top.value("routine", "")
        place = self.top.at.place
        name_node = self.top.node("routine")
        if name_node is not None and name:
            check_name(name, name_node.place, "routine", self.reading)
        return Routine(
            name,
            self.machine,
            steps,
            preset_or_anywhere(self.machine, self.top, ANYWHERE) or ANYWHERE,
            self.parameters,
            _default_timeout(defaults),
            subroutines,
            rehearsals.rehearsals(self.top.node("rehearsals")),
            self.waivers(known),
            self.outside(),
            after["on_cancel"],
            after["on_fault"],
            about=self.top.value("about", ""),
            place=place,
        )

    def found(self, name: str, place: Place, path: str) -> Routine | None:
        """The routine of a name, looked for once."""
        if name not in self.performed:
            self.performed[name] = self.find(name, place, path)
        return self.performed[name]

    def afterwards(self, key: AfterwardsKey) -> tuple[Step, ...]:
        """The steps after a cancel or a fault; one alone is called what it is, such as `move`."""
        node = self.top.node(key)
        if node is None:
            return ()
        names = step_names(node) if node.items is not None else []
        vocabulary = dict(self.machine.vocabulary())
        vocabulary |= {f"{name}.timed_out": Kind() for name in names}
        self.reading.vocabulary = vocabulary | {f"{name}.elapsed": Kind(TIME) for name in names}
        # Which routines there are is nothing to them: they perform none, and fall back to none.
        reader = StepReader(self.machine, self.reading, self.parameters, lambda name, place, path: None, key)
        if node.entries is None:
            # What is neither a table nor a list was noted when the file's shape was looked at.
            return reader.steps(node, key) if node.items is not None else ()
        try:
            fields = self.reading.fields(STEP, node, key)
        except Unreadable:
            return ()
        name = next((kind for kind in KINDS if kind in node.entries), "")
        step = reader.step(name, fields, self.top.at.place_of(key))
        return () if step is None else (step,)

    def section(self, name: str, section: Section) -> Fields | None:
        node = self.top.node(name)
        if node is None:
            return None
        try:
            return self.reading.fields(section, node, name)
        except Unreadable:
            return None

    def read_parameters(self) -> None:
        taken = {**dict.fromkeys(self.machine.vocabulary(), "a name of the machine")}
        taken.update(dict.fromkeys(self.machine.outputs, "an output"))
        taken.update(dict.fromkeys(self.machine.presets, "a preset"))
        for name, node, path, place in self.top.children("parameters"):
            if name in taken or name in ("none", "planned", "through"):
                what = taken.get(name, "a word of the file format")
                self.reading.wrong_at(place, path, f"'{name}' is {what} already", "choose another name")
            try:
                parameter = self.parameter(name, self.reading.fields(PARAMETER, node, path), place)
            except Unreadable:
                parameter = None
            if parameter is None:
                self.broken.add(name)
            else:
                self.parameters[name] = parameter

    def parameter(self, name: str, fields: Fields, place: Place) -> Parameter | None:
        value, preset = fields.node("value"), fields.node("preset")
        if (value is None) == (preset is None):
            self.reading.wrong_at(place, fields.path, "a parameter has either a 'value' or a 'preset'")
            return None
        for key in ("choices",) if value is not None else ("range",):
            if fields.node(key) is not None:
                kind = "number" if value is not None else "preset"
                self.reading.wrong_at(
                    fields.at.place_of(key),
                    joined(fields.path, key),
                    f"'{key}' does not fit a parameter that is a {kind}",
                )
        about = fields.value("about", "")
        if value is not None:
            return self.number(name, value, fields, about, place)
        chosen = fields.value("preset")
        choices = fields.value("choices", (chosen,) if chosen is not None else ())
        if chosen is None:
            return None
        return self.preset(name, chosen, choices, fields, about, place)

    def number(self, name: str, value: Node, fields: Fields, about: str, place: Place) -> NumberParameter | None:
        quantity = self.any_quantity(value, joined(fields.path, "value"))
        pair = fields.node("range")
        bounds: tuple[float, float] | None = None
        if quantity is None:
            return None
        if pair is not None:
            if pair.items is None or len(pair.items) != 2:
                self.reading.wrong(
                    pair, joined(fields.path, "range"), "a pair was expected, the least and the greatest"
                )
                return None
            ends = [
                self.any_quantity(item, f"{joined(fields.path, 'range')}[{i}]") for i, item in enumerate(pair.items)
            ]
            low, high = ends
            if low is None or high is None:
                return None
            dimension = _shared_dimension([quantity, low, high])
            if dimension is None:
                names = dict.fromkeys(dimension_name(one.dimension) for one in (quantity, low, high))
                self.reading.wrong(
                    pair, joined(fields.path, "range"), f"value and range differ: {' and '.join(names)}", "use one unit"
                )
                return None
            if low.value > high.value:
                self.reading.wrong(
                    pair, joined(fields.path, "range"), "the range is in the wrong order; the first must be the smaller"
                )
                return None
            if not low.value <= quantity.value <= high.value:
                self.reading.wrong(
                    value,
                    joined(fields.path, "value"),
                    f"{value.text} is outside its range, {show(low.value, dimension)} to {show(high.value, dimension)}",
                )
                return None
            bounds = (low.value, high.value)
        else:
            dimension = quantity.dimension
        return NumberParameter(name, quantity.value, dimension, bounds, about, place)

    def any_quantity(self, node: Node, path: str) -> Quantity | None:
        value = node.value
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            self.reading.wrong(node, path, f"{node.found()} was found; a number with its unit was expected")
            return None
        if isinstance(value, int | float):
            return Quantity(float(value), NUMBER)
        try:
            return parse_quantity(value)
        except ModelError as error:
            self.reading.wrong(node, path, str(error))
            return None

    def preset(
        self, name: str, chosen: str, choices: tuple[str, ...], fields: Fields, about: str, place: Place
    ) -> PresetParameter | None:
        presets = self.machine.presets
        fine = True
        named = [("choices", choice) for choice in choices] if fields.node("choices") is not None else []
        for key, word in (("preset", chosen), *named):
            if word not in presets:
                self.reading.wrong_at(
                    fields.at.place_of(key),
                    joined(fields.path, key),
                    f"unknown preset '{word}'",
                    did_you_mean(word, presets),
                )
                fine = False
        if not fine:
            return None
        if chosen not in choices:
            self.reading.wrong_at(
                fields.at.place_of("preset"), joined(fields.path, "preset"), f"'{chosen}' is not among its choices"
            )
            return None
        axes = set(presets[chosen].positions)
        for choice in choices:
            if set(presets[choice].positions) != axes:
                self.reading.wrong_at(
                    fields.at.place_of("choices"),
                    joined(fields.path, "choices"),
                    f"'{choice}' places {_words(presets[choice].positions)} and '{chosen}' {_words(axes)}; "
                    "choices must place the same axes",
                )
                return None
        return PresetParameter(name, chosen, choices, about, place)

    def judge(self, word: str, dimension: Dimension, axis: str | None) -> str | None:
        """Whether a word may stand where a quantity of a dimension is needed, an axis at hand or not."""
        if word in self.broken:
            return None
        parameter = self.parameters.get(word)
        if isinstance(parameter, NumberParameter):
            zero = parameter.dimension == NUMBER and parameter.low == parameter.high == 0.0
            if parameter.dimension != dimension and not zero:
                return (
                    f"the parameter '{word}' is {dimension_name(parameter.dimension)}; "
                    f"{dimension_name(dimension)} is needed"
                )
            return None
        chosen = [parameter.preset] if isinstance(parameter, PresetParameter) else [word]
        if parameter is None and word not in self.machine.presets:
            if axis in self.machine.axes:
                near = did_you_mean(word, [*self.parameters, *self.machine.presets])
                return f"'{word}' is neither a parameter nor a preset; {near}"
            return f"'{word}' is not a parameter; {did_you_mean(word, self.parameters)}"
        if axis is None or axis not in self.machine.axes or dimension != self.machine.axes[axis].dimension:
            return f"'{word}' is a preset, which gives positions; {dimension_name(dimension)} is needed"
        if axis not in self.machine.presets[chosen[0]].positions:
            return f"'{word}' does not place {axis}; it places {_words(self.machine.presets[chosen[0]].positions)}"
        return None

    def outside(self) -> tuple[OutsideRange, ...]:
        """The ranges of bodies outside; whether they fit the machine is the graph's judgement."""
        found = []
        for name, node, path, place in self.top.children("outside"):
            try:
                fields = self.reading.fields(OUTSIDE_RANGE, node, path)
            except Unreadable:
                continue
            span = fields.value("range")
            if span is not None:
                found.append(OutsideRange(name, span, fields.value("since"), place))
        return tuple(found)

    def waivers(self, known: tuple[str, ...]) -> tuple[Waiver, ...]:
        found = []
        node = self.top.node("waive")
        for index, item in enumerate((node.items if node else None) or ()):
            path = f"waive[{index}]"
            try:
                fields = self.reading.fields(WAIVER, item, path)
            except Unreadable:
                continue
            step, step_node = fields.value("step"), fields.node("step")
            if step is not None and step_node is not None and step not in known:
                self.reading.wrong(step_node, joined(path, "step"), f"unknown step '{step}'", did_you_mean(step, known))
            down = fields.node("down_to")
            accepted = self.any_quantity(down, joined(path, "down_to")) if down is not None else None
            rule, because = fields.value("rule"), fields.value("because")
            if rule is not None and because is not None:
                found.append(Waiver(rule, step, because, accepted.value if accepted else None, item.place))
        return tuple(found)


def _shared_dimension(quantities: list[Quantity]) -> Dimension | None:
    """The dimension that all share; a bare 0 has any."""
    dimensions = {one.dimension for one in quantities if not (one.dimension == NUMBER and one.value == 0.0)}
    if not dimensions:
        return NUMBER
    return dimensions.pop() if len(dimensions) == 1 else None


def step_names(node: Node) -> list[str]:
    """The names of all steps below a list of steps, before anything is read."""
    names = []
    for item in node.items or ():
        for name, step in (item.entries or {}).items():
            names.append(name)
            for inner in lists_in(step):
                names += step_names(inner)
    return names


def lists_in(step: Node) -> list[Node]:
    """The lists of steps that stand in a step which is a block."""
    found = []
    for key in ("choose", "repeat"):
        inner = (step.entries or {}).get(key)
        if inner is None:
            continue
        for branch in (inner.items or ()) if key == "choose" else (inner,):
            found += [
                branch.entries[listed] for listed in ("steps", "else") if branch.entries and listed in branch.entries
            ]
    return found


def paths_of(steps: tuple[Step, ...], subroutines: dict[str, Routine], prefix: str = "") -> list[str]:
    """The paths of all steps, those of performed routines included."""
    found = []
    for step in walk(steps):
        found.append(prefix + step.name)
        if isinstance(step.body, Perform) and step.body.routine in subroutines:
            inner = subroutines[step.body.routine]
            found += paths_of(inner.steps, dict(inner.subroutines), f"{prefix}{step.name}/")
    return found


def _words(names: Any) -> str:
    return " and ".join(sorted(names))


def _default_timeout(defaults: Fields | None) -> Timeout | None:
    """The timeout of steps that give none. One that cannot be read is noted already: no step misses it then."""
    if defaults is None or defaults.node("timeout") is None:
        return None
    found: Timeout = defaults.value("timeout") or Timeout("none")
    return found
