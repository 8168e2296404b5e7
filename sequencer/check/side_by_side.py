"""Two steps beside each other: where they block each other, whatever their timing, and how the plan goes between."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

from sequencer.check.finding import Witness
from sequencer.check.order import Occurrence
from sequencer.check.spans import Span, band_of
from sequencer.check.swept import Swept
from sequencer.clearance.concurrency import Branch, Diagram, diagram, timed_branch
from sequencer.errors import ModelError
from sequencer.plan.gates import thresholds_of
from sequencer.plan.planned import Plan, PlannedStep

_CELLS = 40_000
"""So many cells of a diagram are looked at."""

_FINEST = 1.0 / 48.0
"""They are this share of each step."""


@dataclass(frozen=True, slots=True)
class GateLine:
    """A step, by name, waits until the other has got so far [s of its own motion]; `words` say for what.

    `wanted` tells that the routine does not have the gate, but would be clear with it.
    """

    step: str
    progress: float
    words: str
    wanted: bool = False


@dataclass(frozen=True, slots=True)
class SideBySide:
    """The diagram of two planned steps.

    Attributes:
        names: of the two steps; the first is the abscissa.
        found: where they block each other; progress in seconds of each step's own motion.
        gates: what either waits for in the other.
        starts: when each starts to move in the plan [s from the start of the routine].
    """

    names: tuple[str, str]
    found: Diagram
    gates: tuple[GateLine, ...]
    starts: tuple[float, float]


def pairs_of_steps(swept: Swept, plan: Plan) -> list[tuple[str, str]]:
    """The planned steps that may be active together and move different axes, where bodies depend on both; gated ones
    first."""
    known = {step.name: step for step in plan.steps if step.profiles}
    found = []
    moving = [one for one in swept.order.occurrences if one.axes and one.name in known]
    for one, other in combinations(moving, 2):
        if swept.order.concurrent(one) >> other.number & 1 and not set(one.axes) & set(other.axes):
            mine, hers = set(known[one.name].profiles), set(known[other.name].profiles)
            if any(mine & set(axes) and hers & set(axes) for axes in map(swept.bodies.axes_of, swept.bodies.pairs)):
                found.append((one.name, other.name))
    gated = {node.name for node in swept.order.flat.nodes if node.step.once is not None}
    return sorted(dict.fromkeys(found), key=lambda pair: not gated & set(pair))


def side_by_side(swept: Swept, plan: Plan, first: str, second: str, witness: Witness | None = None) -> SideBySide:
    """The diagram of two steps of a plan.

    Args:
        swept: what the routine does.
        plan: its plan.
        first: path of a step that moves.
        second: path of another, of other axes.
        witness: a conflict of the two; the gate that would mend it is shown too, and only its bodies are looked at.

    Raises:
        ModelError: there is no such step in the plan, it moves nothing, both move one axis, or they are never active
            together.
    """
    steps = [plan.step(name) for name in (first, second)]
    for step in steps:
        if not step.profiles:
            raise ModelError(f"'{step.name}' moves no axis; a diagram is of two steps that move")
    common = set(steps[0].profiles) & set(steps[1].profiles)
    if common:
        raise ModelError(
            f"'{first}' and '{second}' both move {' and '.join(sorted(common))}, so never at once; "
            "choose steps of different axes"
        )
    if not any(
        swept.order.concurrent(one) >> other.number & 1 for one in _of(swept, first) for other in _of(swept, second)
    ):
        raise ModelError(
            f"'{first}' and '{second}' are never active together, so nothing is between them; "
            "choose two that may run beside each other"
        )
    branches = [_branch(swept, step) for step in steps]
    moved = {axis for step in steps for axis in step.profiles if axis in swept.bodies.tree.index}
    pairs = [
        pair
        for pair in swept.bodies.pairs
        if (witness is None or pair.names == witness.between) and all(_concerns(swept, pair.names, s) for s in steps)
    ]
    excused = [node.step for node in swept.order.flat.nodes if node.name in (first, second)]
    pairs = [pair for pair in pairs if not any(swept.bodies.may_touch(step, pair) for step in excused)]
    tree = swept.bodies.tree
    band = {axis: band_of(swept.bodies.machine, axis) for axis in moved}
    found = diagram(
        tree, pairs, branches[0], branches[1], _others(swept, steps, moved), band, finest=_FINEST, budget=_CELLS
    )
    gates = [*_gates(swept, plan, steps[0], steps[1]), *_gates(swept, plan, steps[1], steps[0])]
    if witness is not None and witness.waits:
        gates += _wanted(swept, steps, witness)
    return SideBySide((first, second), found, tuple(gates), (steps[0].motion_start, steps[1].motion_start))


def _of(swept: Swept, name: str) -> list[Occurrence]:
    return [one for one in swept.order.occurrences if one.name == name]


def _concerns(swept: Swept, names: tuple[str, str], step: PlannedStep) -> bool:
    pair = next(one for one in swept.bodies.pairs if one.names == names)
    return bool(set(swept.bodies.axes_of(pair)) & set(step.profiles))


def _branch(swept: Swept, step: PlannedStep) -> Branch:
    known = swept.bodies.tree.index
    return timed_branch(swept.bodies.tree, {a: p for a, p in step.profiles.items() if a in known})


def _others(swept: Swept, steps: list[PlannedStep], moved: set[str]) -> dict[str, Span]:
    """Where everything else may be while both steps move."""
    names = {step.name for step in steps}
    found: dict[str, Span] = {}
    for name in swept.bodies.tree.coordinates:
        if name in moved:
            continue
        if name not in swept.bodies.tree.axes:
            found[name] = swept.outside(name, steps[0].name)
            continue
        boxes = [sweep.box[name] for sweep in swept.of([name, *sorted(moved)]) if sweep.steps & names]
        if boxes:
            found[name] = min(low for low, _ in boxes), max(high for _, high in boxes)
        else:
            found[name] = swept.bodies.widened(name, swept.phases[0].scenario.start[name])
    return found


def _gates(swept: Swept, plan: Plan, waiting: PlannedStep, other: PlannedStep) -> list[GateLine]:
    """What a step's own gate asks of the axes of another."""
    node = next(node for node in swept.order.flat.nodes if node.name == waiting.name)
    found = []
    for asked in thresholds_of(node, plan.values):
        if asked.axis in other.profiles:
            sign = ">" if asked.sign > 0.0 else "<"
            found += _line(swept, waiting.name, other, asked.axis, asked.position, sign)
    return found


def _wanted(swept: Swept, steps: list[PlannedStep], witness: Witness) -> list[GateLine]:
    other = steps[1] if steps[0].name == witness.waits else steps[0]
    if witness.axis not in other.profiles:
        return []
    profile = other.profiles[witness.axis]
    sign = ">" if profile.goal.position > profile.start.position else "<"
    return _line(swept, witness.waits, other, witness.axis, witness.position, sign, wanted=True)


def _line(
    swept: Swept, waits: str, other: PlannedStep, axis: str, position: float, sign: str, wanted: bool = False
) -> list[GateLine]:
    time = other.profiles[axis].first_time_at(position)
    if time is None:
        return []
    words = f"{waits} waits for {axis} {sign} {swept.bodies.machine.axes[axis].show(position)}"
    return [GateLine(waits, time, words, wanted)]
