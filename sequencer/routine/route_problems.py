"""What is wrong with a move that asks for a clear way: goals that are known too late, and keys that contradict it."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.machine.condition import Operand
from sequencer.routine.graph import StepNode
from sequencer.routine.parameters import NumberParameter
from sequencer.routine.routine import Routine
from sequencer.routine.step_values import RoutineProblem, problem
from sequencer.routine.steps import At, Move


def route_problems(node: StepNode, routine: Routine) -> Iterator[RoutineProblem]:
    """Everything that keeps the ways of a step from being worked out beforehand."""
    step = node.step
    if step.route is None:
        return
    if not isinstance(step.body, Move):
        yield problem(node, "R47", f"'route' does not fit a {step.kind}; it fits move", key="route")
        return
    for axis, goal in step.body.goals:
        if not isinstance(goal, At) or _is_number_parameter(goal.position, routine):
            message = f"the ways to a goal are worked out beforehand, and that of {axis} is known only when it runs"
            yield problem(node, "R47", message, "name a preset, or a position", "route")
    contradicting = {
        "together": step.together,
        "preempt": step.preempt,
        "touching": step.touching is not None,
        "profile: motor": step.profile == "motor",
    }
    for key, is_there in contradicting.items():
        if is_there:
            message = f"'route: clear' and '{key}' contradict each other"
            yield problem(node, "R47", message, f"leave out one of them in '{step.name}'", "route")


def _is_number_parameter(operand: Operand, routine: Routine) -> bool:
    return isinstance(operand, str) and isinstance(routine.parameters.get(operand), NumberParameter)
