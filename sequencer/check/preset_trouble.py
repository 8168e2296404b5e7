"""What is wrong with presets in themselves: bodies too near each other there, or a place in a keep-out."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.check.bodies import Bodies, bodies_of
from sequencer.clearance.box import Pair
from sequencer.clearance.distance_words import apart
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine, Preset
from sequencer.plan.resolve import FlatRoutine
from sequencer.routine.parameters import PresetParameter
from sequencer.routine.steps import At, Flick, Move, Press


def judged_pairs(bodies: Bodies, preset: Preset) -> Iterator[Pair]:
    """The pairs that a preset places for good: both of the machine, no piece, every axis between them named."""
    for pair in bodies.pairs:
        axes = bodies.axes_of(pair)
        placed = bool(axes) and all(axis in preset.positions for axis in axes)
        if placed and not bodies.has_piece(pair) and not bodies.outside_of(pair):
            yield pair


def boxes_with(machine: Machine, preset: Preset) -> Iterator[KeepOut]:
    """The keep-outs in which a preset lies whatever the conditions are."""
    for rule in machine.interlocks:
        if isinstance(rule, KeepOut) and rule.when is None:
            places = [(preset.positions.get(axis), span) for axis, span in dict(rule.box).items()]
            if all(place is not None and low <= place <= high for place, (low, high) in places):
                yield rule


def presets_used(flat: FlatRoutine) -> frozenset[str]:
    """The presets that a routine starts from, goes to or may be given."""
    routine = flat.routine
    used: set[object] = {routine.start}
    for parameter in routine.parameters.values():
        if isinstance(parameter, PresetParameter):
            used |= {parameter.preset, *parameter.choices}
    for node in flat.nodes:
        words: list[object] = []
        match node.step.body:
            case Move(goals=goals, preset=preset, per=per):
                words += [preset, *(goal.position for _, goal in goals if isinstance(goal, At))]
                words += [name for _, name in per[1]] if per is not None else []
            case Flick(through=through, to=to):
                words += [through, to]
            case Press(toward=toward):
                words.append(toward)
        used |= {node.scope.bindings.get(word, word) for word in words if isinstance(word, str)}
    return frozenset(name for name in routine.machine.presets if name in used)


def preset_troubles(machine: Machine, preset: Preset) -> Iterator[str]:
    """Everything that is wrong with a preset, each in some words."""
    if machine.bodies:
        bodies = bodies_of(machine)
        for pair in judged_pairs(bodies, preset):
            distance = pair.distance(bodies.tree.values(preset.positions))
            if distance <= pair.margin:
                yield f"{' and '.join(pair.names)} {apart(distance, pair.margin)}"
    for rule in boxes_with(machine, preset):
        yield f"in the keep-out {rule.name}"
