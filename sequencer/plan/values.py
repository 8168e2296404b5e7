"""The parameters and the start that a plan is made for."""

from __future__ import annotations

from collections.abc import Mapping

from sequencer.errors import ModelError, did_you_mean, enumerate_words
from sequencer.plan.motion import Values, goals_of, moved_axes
from sequencer.plan.resolve import FlatRoutine
from sequencer.routine.parameters import NumberParameter
from sequencer.routine.routine import ANYWHERE, Routine
from sequencer.routine.steps import Flick, Press
from sequencer.units import show


def chosen_values(routine: Routine, parameters: Mapping[str, float | str]) -> Values:
    """A value for every parameter: what is given, or the parameter's own.

    Raises:
        ModelError: a parameter is unknown, its value is of the wrong type, or it is outside its range or choices.
    """
    for name in parameters:
        if name not in routine.parameters:
            raise ModelError(f"'{routine.name}' has no parameter '{name}'; {did_you_mean(name, routine.parameters)}")
    values: dict[str, float | str] = {}
    for name, parameter in routine.parameters.items():
        given = parameters.get(name)
        if isinstance(parameter, NumberParameter):
            values[name] = parameter.value if given is None else _number(parameter, given)
        elif given is None:
            values[name] = parameter.preset
        elif not isinstance(given, str) or given not in parameter.choices:
            raise ModelError(
                f"parameter '{name}' is {given!r}; it must be one of the presets {enumerate_words(parameter.choices)}"
            )
        else:
            values[name] = given
    return values


def initial_positions(flat: FlatRoutine, start: str | None) -> tuple[dict[str, float], tuple[str, ...]]:
    """Where each axis stands at the start [m or rad], and the axes of which that is not known.

    Those are planned from the end of their travel that lies farther from their first goal: the longer way.

    Raises:
        ModelError: there is no such preset.
    """
    machine = flat.machine
    name = flat.routine.start if start is None else start
    if name != ANYWHERE and name not in machine.presets:
        raise ModelError(
            f"'{flat.routine.name}' cannot start from '{name}': there is no such preset; "
            f"{did_you_mean(name, [*machine.presets, ANYWHERE])}"
        )
    known = dict(machine.presets[name].positions) if name != ANYWHERE else {}
    assumed = []
    for axis in machine.axes.values():
        if axis.travel is not None and axis.name not in known:
            low, high = axis.travel
            goal = _first_goal(flat, axis.name)
            known[axis.name] = low if goal is None or goal > 0.5 * (low + high) else high
            assumed.append(axis.name)
    return known, tuple(assumed)


def _number(parameter: NumberParameter, given: float | str) -> float:
    if isinstance(given, str | bool):
        raise ModelError(f"parameter '{parameter.name}' is {given!r}; it must be a number in SI units")
    # A range that went through text and back may end a rounding beside itself.
    margin = 1e-12 * max(abs(parameter.low), abs(parameter.high), 1e-300)
    if not parameter.low - margin <= given <= parameter.high + margin:
        raise ModelError(
            f"parameter '{parameter.name}' is {show(given, parameter.dimension)}; its range is "
            f"{show(parameter.low, parameter.dimension)} to {show(parameter.high, parameter.dimension)}"
        )
    return float(given)


def _first_goal(flat: FlatRoutine, axis: str) -> float | None:
    for node in flat.nodes:
        if axis not in moved_axes(node):
            continue
        body = node.step.body
        if isinstance(body, Flick | Press):
            found = node.scope.operand(body.through if isinstance(body, Flick) else body.toward, axis)
        else:
            goal = dict(goals_of(node))[axis]
            found = getattr(goal, "position", None) or 0.0
        return found if isinstance(found, float) else None
    return None
