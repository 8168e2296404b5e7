"""Findings about what happens without power: what it would meet, and what `unpowered` and `stop` say against it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from sequencer.check.finding import Finding
from sequencer.check.proofs import Proofs
from sequencer.check.spans import Span, meets
from sequencer.check.unpowered import WithoutPower
from sequencer.errors import enumerate_words
from sequencer.machine.axis import Axis
from sequencer.machine.interlock import KeepOut, MustStay
from sequencer.machine.machine import Machine
from sequencer.plan.resolve import FlatRoutine, Node
from sequencer.units import show


def unpowered_findings(flat: FlatRoutine, found: WithoutPower, proofs: Proofs | None) -> Iterator[Finding]:
    """All that is to be said of a routine without power; warnings, for no program can prevent it.

    Args:
        flat: the routine.
        found: where its axes go.
        proofs: of its bodies; None where none are declared.
    """
    for axis in flat.machine.axes.values():
        if axis.name in found.tendencies:
            yield from _declared(axis, found)
            yield from _stops(flat.machine, axis, found)
    yield from _met(flat, found, proofs)


def _declared(axis: Axis, found: WithoutPower) -> Iterator[Finding]:
    does, most = found.tendencies[axis.name], found.most[axis.name]
    said = axis.unpowered
    if said is None:
        return
    other = sorted(does - {said, "stays"})
    if said in does and not other:
        return
    pull, hold = _force(axis, abs(most.pull)), _force(axis, most.hold)
    what = f"{enumerate_words(other)} somewhere" if other else "stays everywhere"
    yield Finding(
        "unpowered",
        "warning",
        f"{axis.name} is said to do this without power: {said}; as its load is declared it {what} (it is pulled with "
        f"up to {pull} at {axis.show(most.position)} and held with {hold})",
        None,
        axis.place,
        "try it out, people clear and the axis blocked below; then mend the load or what is said of it",
        found=abs(most.pull),
        allowed=most.hold,
    )


def _stops(machine: Machine, axis: Axis, found: WithoutPower) -> Iterator[Finding]:
    """Stops that end without drive on an axis that does not stay."""
    goes = sorted(found.tendencies[axis.name] - {"stays"})
    if not goes:
        return
    rules = [rule for rule in machine.interlocks if isinstance(rule, MustStay) and axis.name in rule.axes]
    ends = {"its stop": axis.stop} | {f"the stop of {rule.name}": rule.stop for rule in rules if rule.stop is not None}
    for what, kind in ends.items():
        if kind in ("off", "ramp_then_off"):
            yield Finding(
                "unpowered",
                "warning",
                f"{what} is {kind}, which lets {axis.name} go, and without power it {enumerate_words(goes)}",
                None,
                axis.place,
                "ramp_then_hold keeps it, as long as there is power; what must never move needs a brake or a block",
            )


def _met(flat: FlatRoutine, found: WithoutPower, proofs: Proofs | None) -> Iterator[Finding]:
    """One finding for everything that may be met, at the instant at which that comes first."""
    nodes = {node.name: node for node in flat.nodes}
    seen: dict[str, list[float]] = {}
    first: dict[str, tuple[str, dict[str, Span]]] = {}
    for at, step, spans in found.of_instant():
        for what in _meets(flat, nodes.get(step), spans, proofs):
            seen.setdefault(what, []).append(at)
            first.setdefault(what, (step, spans))
    for what, times in seen.items():
        step, spans = first[what]
        ways = [f"{name} within {_within(flat.machine.axes[name], span)}" for name, span in spans.items()]
        when = f"at {times[0]:.2f} s" if times[0] == times[-1] else f"between {times[0]:.2f} s and {times[-1]:.2f} s"
        yield Finding(
            "unpowered",
            "warning",
            f"with the power cut {when}, {what}: at first {' and '.join(ways)}",
            step or None,
            nodes[step].step.place if step in nodes else flat.routine.place,
            "no program prevents it: keep people out of that reach, or hold the axis with a brake or a spring",
            begin=times[0],
            until=times[-1],
        )


def _meets(flat: FlatRoutine, node: Node | None, spans: Mapping[str, Span], proofs: Proofs | None) -> Iterator[str]:
    if all(low == high for low, high in spans.values()):
        return
    for rule in flat.machine.interlocks:
        if isinstance(rule, KeepOut) and all(axis in spans and meets(spans[axis], span) for axis, span in rule.box):
            when = "" if rule.when is None else f" while {rule.when}"
            yield f"the machine may come into {rule.name}{when}"
    if proofs is None:
        return
    bodies = proofs.bodies
    for pair in bodies.pairs:
        if node is not None and bodies.may_touch(node.step, pair):
            continue
        axes = bodies.axes_of(pair)
        if not all(axis in spans for axis in axes) or bodies.outside_of(pair):
            # Where a body outside stands is known to the rehearsals only.
            continue
        box = tuple(sorted((axis, spans[axis]) for axis in axes))
        if not proofs.surely_clear(pair, box) and proofs.of(pair, box).outcome != "clear":
            first, second = pair.names
            carried = " if it is there" if bodies.has_piece(pair) else ""
            yield f"{first} and {second} may meet{carried}"


def _within(axis: Axis, span: Span) -> str:
    return axis.show(round(span[0], 4)) if span[0] == span[1] else " to ".join(axis.show(round(end, 4)) for end in span)


def _force(axis: Axis, force: float) -> str:
    return show(float(f"{force:.3g}"), axis.effort_dimension)
