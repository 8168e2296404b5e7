"""What a verdict rests on, said with it every time."""

from __future__ import annotations

from collections.abc import Iterator
from math import floor
from typing import TYPE_CHECKING

from sequencer.check.bodies import Bodies, outside_bodies
from sequencer.check.fixed_pairs import fixed_words
from sequencer.check.spans import Span, band_of
from sequencer.errors import enumerate_words
from sequencer.machine.condition import term_text
from sequencer.machine.interlock import KeepOut, MustStay
from sequencer.machine.machine import Machine
from sequencer.plan.motion import moved_axes
from sequencer.plan.resolve import FlatRoutine
from sequencer.routine.parameters import NumberParameter
from sequencer.routine.routine import ANYWHERE
from sequencer.units import LENGTH, show

if TYPE_CHECKING:
    from sequencer.check.clear_starts import ClearStarts


def assumptions(flat: FlatRoutine, bodies: Bodies | None = None, starts: ClearStarts | None = None) -> Iterator[str]:
    """What must be so for the verdict on this routine to hold, and what was not judged.

    Args:
        flat: the routine.
        bodies: the machine's bodies, if it has any.
        starts: where it may start, if it starts from anywhere on a machine with bodies.
    """
    routine, machine = flat.routine, flat.machine
    if machine.overlays:
        yield f"laid over the machine: {'; '.join(machine.overlays)}"
    out = [
        f"{axis.name}.{actuator.name}"
        for axis in machine.axes.values()
        for actuator in axis.actuators
        if actuator.out_of_service
    ]
    if out:
        yield f"out of service: {enumerate_words(out)}"
    keep_outs = [rule.name for rule in machine.interlocks if isinstance(rule, KeepOut)]
    yield f"keep-outs declared: {enumerate_words(keep_outs) if keep_outs else 'none'}"
    required = [rule.name for rule in machine.interlocks if isinstance(rule, MustStay)]
    if required:
        yield f"conditions required for motion declared: {enumerate_words(required)}"
    moved = {axis for node in flat.nodes for axis in moved_axes(node)}
    bands = [
        f"{axis.name} {axis.show(band_of(machine, axis.name))}" for axis in machine.axes.values() if axis.name in moved
    ]
    if bands:
        yield f"each axis follows its orders within: {', '.join(bands)}"
    if routine.start == ANYWHERE:
        yield _anywhere(starts)
    else:
        yield f"it starts from {routine.start} within its position tolerances; the runner refuses other starts"
    for parameter in routine.parameters.values():
        if isinstance(parameter, NumberParameter):
            if parameter.low < parameter.high:
                low, high = show(parameter.low, parameter.dimension), show(parameter.high, parameter.dimension)
                yield f"{parameter.name} is between {low} and {high}"
        elif len(parameter.choices) > 1:
            yield f"{parameter.name} is one of {enumerate_words(parameter.choices)}"
    yield "axes that no step moves stay where they are"
    yield "readings are true and axes are zeroed"
    yield "the supervisor is on"
    if bodies is None:
        yield "no bodies declared; not judged: clearance between mechanisms"
    else:
        yield from _about_bodies(flat, bodies)
    yield from _about_motors(flat.machine)


def _about_motors(machine: Machine) -> Iterator[str]:
    moving = [axis for axis in machine.axes.values() if axis.travel is not None]
    judged = [axis.name for axis in moving if axis.has_motors_and_load]
    bare = [axis.name for axis in moving if not axis.has_motors_and_load]
    if not judged:
        yield "not judged: whether the actuators can follow, and where axes go without power"
        return
    yield (
        f"motors and loads are as declared: {enumerate_words(judged)}; judged is the punctual plan, without what "
        "controllers add to correct errors, and without power each axis for itself"
    )
    if bare:
        names = enumerate_words(bare)
        yield f"not judged of {names}: whether the actuators can follow, and where it goes without power"


def _anywhere(starts: ClearStarts | None) -> str:
    where = "it starts from anywhere in the travel outside every keep-out"
    if starts is not None:
        # Rounded down: it must not promise more than there is.
        where += f" where all bodies are shown to keep clear ({floor(100.0 * starts.share)} % of it)"
    return f"{where}; the runner refuses other starts"


def _about_bodies(flat: FlatRoutine, bodies: Bodies) -> Iterator[str]:
    yield f"bodies declared: {enumerate_words(list(flat.machine.bodies))}; nothing else is there to be met"
    pieces = [piece for piece in flat.machine.pieces.values() if piece.parts]
    always = [piece.name for piece in pieces if piece.name not in bodies.present]
    told = [
        f"{piece.name} while {term_text(bodies.present[piece.name])}" for piece in pieces if piece.name not in always
    ]
    if told or always:
        yield f"pieces count as bodies: {enumerate_words([*told, *(f'{name} always' for name in always)])}"
    plain = [piece.name for piece in flat.machine.pieces.values() if not piece.parts]
    if plain:
        yield f"pieces without an outline are not judged: {enumerate_words(plain)}"
    reasons: dict[str, list[str]] = {}
    for exempt in bodies.exempt:
        reasons.setdefault(exempt.because, []).append(" and ".join(exempt.between))
    for because, pairs in reasons.items():
        yield f"not watched: {', '.join(pairs)} ({because})"
    for node in flat.nodes:
        if node.step.touching is not None:
            meant = [" or ".join(flat.machine.bodies_meant(name)) for name in node.step.touching]
            yield f"{' and '.join(meant)} may touch in '{node.name}'"
    for body in outside_bodies(bodies):
        assert body.range is not None
        whole = _range(body.range)
        said = next((one for one in flat.routine.outside if one.body == body.name), None)
        if said is None:
            yield f"{body.name} stands within {whole}"
        elif said.since is None:
            yield f"{body.name} stands within {_range(said.range)} (in other routines {whole})"
        else:
            yield f"{body.name} stands within {whole}, from '{said.since}' on within {_range(said.range)}"
    yield from fixed_words(flat, bodies)
    yield "bodies are judged in the side view only: not judged is what turns about the vertical or reaches sideways"


def _range(span: Span) -> str:
    return f"{show(span[0], LENGTH)} to {show(span[1], LENGTH)}"
