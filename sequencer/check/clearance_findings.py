"""What the check says about bodies that come too near each other, with the gate that would mend each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from sequencer.check.bodies import Bodies
from sequencer.check.clearance import ClearanceSearch, Encounter
from sequencer.check.clearance_advice import punctual
from sequencer.check.clearance_mend import Mender, way_of
from sequencer.check.finding import Finding, Witness
from sequencer.check.fixed_pairs import fixed_findings
from sequencer.check.order import Order
from sequencer.check.phases import Scenario
from sequencer.check.places_outside import PlacesOutside
from sequencer.check.preset_trouble import judged_pairs, presets_used
from sequencer.check.scenarios import start_spans
from sequencer.check.spans import ROUNDING, Span
from sequencer.check.together import Part
from sequencer.check.written import Mend
from sequencer.clearance.box import Pair
from sequencer.clearance.distance_words import apart, must_remain
from sequencer.clearance.proof import Verdict
from sequencer.errors import counted
from sequencer.machine.machine import Preset
from sequencer.plan.planned import Plan
from sequencer.routine.routine import ANYWHERE

_MOST_FINDINGS = 6
"""Of one pair no more are told than this; the rest is counted."""

_MOST_MENDS = 8
"""For so many encounters of a routine a gate is looked for: each try asks for all encounters anew."""


def clearance_findings(search: ClearanceSearch, plan: Plan | None) -> Iterator[Finding]:
    """Pairs whose distance never changes, the start, the presets, and what `encounter_findings` finds."""
    yield from fixed_findings(search.order.flat, search.bodies)
    yield from _start_findings(search)
    yield from _preset_findings(search)
    yield from encounter_findings(search, plan)


def encounter_findings(search: ClearanceSearch, plan: Plan | None) -> Iterator[Finding]:
    """One finding for each pair and each set of steps that bring it together."""
    encounters = list(search.encounters())
    mender = Mender(search, encounters)
    told: dict[tuple[str, str], int] = {}
    seen = set()
    mended = 0
    # A conflict says more than a doubt about the same steps.
    for encounter in sorted(encounters, key=lambda one: one.outcome != "conflict"):
        steps = (encounter.pair.names, frozenset(_index(search, part) for part in encounter.parts))
        if steps in seen:
            continue
        seen.add(steps)
        told[encounter.pair.names] = told.get(encounter.pair.names, 0) + 1
        if told[encounter.pair.names] > _MOST_FINDINGS:
            continue
        mended += 1
        yield _finding(search, encounter, plan, mender.gate(encounter) if mended <= _MOST_MENDS else None)
    for (first, second), count in told.items():
        if count > _MOST_FINDINGS:
            text = f"{first} and {second}: {counted(count - _MOST_FINDINGS, 'more way')} for them to meet"
            yield Finding("clearance", "error", text, None, search.order.flat.routine.place)


def _start_findings(search: ClearanceSearch) -> Iterator[Finding]:
    """Pairs that are too near where the routine starts, with its tolerances and the tracking bands."""
    order, bodies, proofs = search.order, search.bodies, search.proofs
    routine, machine = order.flat.routine, order.flat.machine
    if routine.start == ANYWHERE:
        return
    known = machine.presets[routine.start].positions
    search.cleared.start(start_spans(order.flat))
    spans: dict[str, Span] = {name: bodies.widened(name, span) for name, span in start_spans(order.flat).items()}
    places = PlacesOutside(order, bodies)
    firsts = [one for one in order.occurrences if not one.started and not one.ended]
    for pair in bodies.pairs:
        axes = bodies.axes_of(pair)
        unknown = [axis for axis in axes if axis not in known]
        if len(unknown) == len(axes) or any(search.parts(one, pair) for one in firsts):
            # Nothing is known of any of its axes: the runner refuses the start if they stand too near.
            continue
        outside = [(name, places.at_start(name)) for name in bodies.outside_of(pair)]
        proof = proofs.of(pair, (*sorted((axis, spans[axis]) for axis in axes), *outside))
        if proof.outcome == "clear":
            continue
        sure = proof.outcome == "conflict" and not unknown and not bodies.needs(pair)
        missing = " and ".join(unknown)
        yield Finding(
            "start_region",
            "error" if sure else "undecided",
            f"'{routine.name}' starts from {routine.start}, tolerances and tracking counted, where "
            f"{_words(proof)}{_if_there(bodies, pair)}"
            + (f"; the preset gives {missing} no position" if unknown else ""),
            None,
            routine.place,
            f"add {missing} to the preset '{routine.start}'" if unknown else "start from another preset",
            found=proof.distance,
            allowed=pair.margin,
            witness=_still(pair, proof),
        )


def left_in_touch_findings(
    search: ClearanceSearch, interrupted: Order, places: Sequence[Scenario]
) -> Iterator[Finding]:
    """Pairs that stand too near where a step in which they may touch was broken off, while what runs afterwards begins
    without moving them or saying that they may touch.

    Args:
        search: of what runs afterwards.
        interrupted: the routine that was stopped.
        places: where its axes may stand then.
    """
    bodies, order = search.bodies, search.order
    firsts = [one for one in order.occurrences if not one.started and not one.ended]
    outside = PlacesOutside(order, bodies)
    for pair in bodies.pairs:
        axes = bodies.axes_of(pair)
        if not axes or not firsts or not any(bodies.may_touch(one.node.step, pair) for one in interrupted.occurrences):
            continue
        if any(set(one.axes) & set(axes) and one.node.step.only_if is None for one in firsts):
            continue
        standing = [(name, outside.at_start(name)) for name in bodies.outside_of(pair)]
        for place in places:
            box = (*sorted((axis, bodies.widened(axis, place.start[axis])) for axis in axes), *standing)
            proof = search.proofs.of(pair, box)
            if proof.outcome != "clear":
                first = firsts[0].node
                yield Finding(
                    "clearance",
                    "error" if proof.outcome == "conflict" else "undecided",
                    f"'{first.name}' begins where a step was stopped in which they may touch: "
                    f"{_words(proof)}{_if_there(bodies, pair)}, and nothing moves them apart",
                    first.name,
                    first.step.place,
                    "begin with the step that moves them apart, with the same touching",
                    found=proof.distance,
                    allowed=pair.margin,
                    witness=_still(pair, proof),
                )
                break


def _still(pair: Pair, proof: Verdict) -> Witness | None:
    """What there is to see of a pair that is too near while nothing moves."""
    places = _places(proof)
    return None if places is None else Witness(pair.names, places, proof.distance, pair.margin)


def _preset_findings(search: ClearanceSearch) -> Iterator[Finding]:
    """Presets in which bodies of the machine are too near each other, wherever what they do not name stands."""
    bodies, machine = search.bodies, search.machine
    touching = [one for one in search.order.occurrences if one.node.step.touching is not None]
    used = presets_used(search.order.flat)
    for preset in machine.presets.values():
        for pair in judged_pairs(bodies, preset):
            if not any(bodies.may_touch(one.node.step, pair) for one in touching):
                yield from _preset_finding(search, preset, pair, preset.name in used)


def _preset_finding(search: ClearanceSearch, preset: Preset, pair: Pair, used: bool) -> Iterator[Finding]:
    places = sorted((axis, preset.positions[axis]) for axis in search.bodies.axes_of(pair))
    proof = search.proofs.of(pair, tuple((axis, (place, place)) for axis, place in places))
    if proof.outcome != "clear":
        yield Finding(
            "clearance",
            "error" if used else "warning",
            f"in the preset '{preset.name}' {_words(proof)}",
            None,
            preset.place,
            "move the preset, or exempt the pair with a reason",
            found=proof.distance,
            allowed=pair.margin,
            witness=_still(pair, proof),
        )


def _finding(search: ClearanceSearch, encounter: Encounter, plan: Plan | None, mend: Mend | None) -> Finding:
    names = " and ".join(encounter.pair.names)
    if not encounter.parts:
        text = f"{names}: too many steps may be active together to look at all of it"
        return Finding("clearance", "undecided", text, None, search.order.flat.routine.place, "put steps in an order")
    first = next((part for part in encounter.parts if part.moving), encounter.parts[0])
    node = search.order.occurrences[first.number].node
    parts = [first, *(part for part in encounter.parts if part is not first)]
    said = " while ".join(_said(search, encounter.scenario, part) for part in parts)
    timed = None if plan is None else punctual(search, encounter, plan)
    return Finding(
        "clearance",
        "error" if encounter.outcome == "conflict" else "undecided",
        f"{said}; so {_words(encounter.proof)}{_if_there(search.bodies, encounter.pair)}"
        + ("" if timed is None else timed.words),
        node.name,
        node.step.place,
        _hint(search, encounter, None if mend is None else mend.line),
        None if timed is None else timed.begin,
        None if timed is None else timed.until,
        found=encounter.proof.distance,
        allowed=encounter.pair.margin,
        witness=_witness(search, encounter, mend),
    )


def _witness(search: ClearanceSearch, encounter: Encounter, mend: Mend | None) -> Witness | None:
    places = _places(encounter.proof)
    if places is None:
        return None
    steps = tuple(dict.fromkeys(search.order.occurrences[part.number].name for part in encounter.parts if part.moving))
    distance, margin = encounter.proof.distance, encounter.pair.margin
    if mend is None:
        return Witness(encounter.pair.names, places, distance, margin, steps)
    return Witness(encounter.pair.names, places, distance, margin, steps, mend.step, mend.gate.axis, mend.gate.position)


def _places(proof: Verdict) -> dict[str, float] | None:
    """The configuration in which a pair is not clear, or the middle of where that stays undecided."""
    if proof.witness is not None:
        return dict(proof.witness)
    if proof.cell is None or proof.pair is None:
        return None
    middle = [0.5 * (low + high) for low, high in zip(proof.cell.low, proof.cell.high, strict=True)]
    return dict(zip(proof.pair.tree.coordinates, middle, strict=True))


def _hint(search: ClearanceSearch, encounter: Encounter, line: str | None) -> str:
    if line is not None:
        return f"this line mends it: {line}"
    moving = {part.number for part in encounter.parts if part.moving}
    if _ends_there(search, encounter):
        return "it ends there, so no gate mends it; give another goal, or move the other body out of the way first"
    if len(moving) == 1:
        if sum(part.moving for part in encounter.parts) > 1:
            return "move its axes in steps of their own, so that one can wait for the other (after, or once)"
        return "no gate mends it, for nothing else moves beside it: a detour is needed, by way of another place"
    two = way_of(search, encounter)
    if two is None:
        return "no single gate mends it; the steps need another order, or another way"
    first, second = two.first.node.name, two.second.node.name
    match two.way:
        case "any" | "either before the other":
            return f"no gate mends it; let '{second}' start after '{first}' is over, or the other way round (after)"
        case "first before second":
            return f"no gate mends it; let '{second}' start after '{first}' is over (after)"
        case "second before first":
            return f"no gate mends it; let '{first}' start after '{second}' is over (after)"
        case "taking turns":
            return f"no single gate mends it: '{first}' and '{second}' have to take turns; split them into more steps"
        case "undecided":
            return (
                f"neither '{first}' nor '{second}' can go first, and whether they can take turns stays undecided: try "
                "a detour, by way of another place in between"
            )
        case "detour":
            return (
                f"neither '{first}' nor '{second}' can go first: a detour is needed, by way of another place in between"
            )


def _ends_there(search: ClearanceSearch, encounter: Encounter) -> bool:
    """Whether the pair is too near where all that moves has come to its goal."""
    phases = next(phases for phases in search.phases if phases.scenario is encounter.scenario)
    box = dict(encounter.box)
    for part in encounter.parts:
        if part.moving:
            box[part.axis] = search.bodies.widened(part.axis, phases.table[part.number, part.axis].goal)
    return search.proofs.of(encounter.pair, tuple((name, box[name]) for name, _ in encounter.box)).outcome != "clear"


def _words(proof: Verdict) -> str:
    """What a proof found, as a part of a sentence."""
    pair = proof.pair
    assert pair is not None
    tree, names = pair.tree, " and ".join(pair.names)
    coordinates = [tree.coordinates[number] for number in pair.concerns]
    margin = must_remain(pair.margin)
    if proof.witness is not None and proof.distance is not None:
        at = ", ".join(f"{name} at {tree.show(name, proof.witness[name])}" for name in coordinates)
        return f"{names} {apart(proof.distance, pair.margin)} with {at}"
    if proof.cell is None:
        return f"it stays undecided whether {names} keep clear{margin}"
    spans = proof.cell.spans(tree, pair)
    at = ", ".join(f"{name} {tree.show(name, low)} to {tree.show(name, high)}" for name, (low, high) in spans.items())
    return f"it stays undecided after {counted(proof.cells, 'cell')} whether {names} keep clear{margin} with {at}"


def _if_there(bodies: Bodies, pair: Pair) -> str:
    names = [name for name in pair.names if name in bodies.machine.pieces]
    return f", if {' and '.join(names)} {'is' if len(names) == 1 else 'are'} there" if names else ""


def _index(search: ClearanceSearch, part: Part) -> int:
    return -1 if part.number < 0 else search.order.occurrences[part.number].node.index


def _said(search: ClearanceSearch, scenario: Scenario, part: Part) -> str:
    axis = search.machine.axes[part.axis]
    low, high = part.span
    where = axis.show(low) if high - low < 1e-9 else f"{axis.show(low)} to {axis.show(high)}"
    if part.number < 0:
        return f"{part.axis} may stand at {where} {scenario.when}"
    name = search.order.occurrences[part.number].name
    if part.moving:
        # From within its position tolerance to its goal: it is there already.
        hardly = high - low <= 2.0 * axis.tolerance.position + ROUNDING
        return f"'{name}' {'keeps' if hardly else 'moves'} {part.axis} within {where}"
    return f"{part.axis} may rest at {where} after '{name}'"
