"""What the check advises about clearance if everything is punctual; never a reason to call a routine clear."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

from profiles import Profile
from sequencer.check.advice import ClearanceAdvice
from sequencer.check.bodies import Bodies
from sequencer.check.clearance import ClearanceSearch, Encounter
from sequencer.check.contradiction import contradict
from sequencer.check.order import Order
from sequencer.check.places_outside import PlacesOutside
from sequencer.check.required import required_to_move
from sequencer.check.spans import Span, band_of
from sequencer.clearance.box import Pair
from sequencer.clearance.concurrency import diagram, timed_branch
from sequencer.clearance.motion import TimedClearance, timed_clearance
from sequencer.clearance.tree import Tree
from sequencer.errors import ModelError
from sequencer.plan.gates import watches_more
from sequencer.plan.planned import Plan
from sequencer.plan.resolve import FlatRoutine
from sequencer.plan.timing import ForwardPass
from sequencer.routine.routine import ANYWHERE

PRECISION = 1e-3
"""The least clearance of a plan is enclosed so narrowly [m]."""

_SPANS = 4_000
"""So many spans of time are looked at for it."""

_CELLS = 6_000
"""So many cells of a diagram are looked at for the slack of two steps."""

_FINEST = 1.0 / 128.0
"""Its cells are this share of each step."""


class Punctual(NamedTuple):
    """An encounter in the plan: from when to when it would happen [s], None if it would not, and a part of a
    sentence."""

    begin: float | None
    until: float | None
    words: str


def clearance_advice(order: Order, bodies: Bodies, plan: Plan) -> ClearanceAdvice | None:
    """How near the plan comes; None where nothing is watched, or where it starts in one of many places."""
    if order.flat.routine.start == ANYWHERE:
        return None
    found = [timed for timed in _timed(order, bodies, plan) if timed.pair is not None]
    if not found:
        return None
    worst = min(found, key=lambda timed: timed.least - (timed.pair.margin if timed.pair else 0.0))
    assert worst.pair is not None
    bad = min((timed.bad_from for timed in found if timed.bad_from is not None), default=None)
    places = {} if bad is None else {axis: plan.state(axis, bad).position for axis in plan.initial}
    return ClearanceAdvice(
        worst.least,
        min(worst.bound, *(_spare(timed) + worst.pair.margin for timed in found)),
        worst.pair.margin,
        worst.pair.names,
        worst.at,
        bad,
        _gates_cost(plan, order.flat),
        places,
    )


def punctual(search: ClearanceSearch, encounter: Encounter, plan: Plan) -> Punctual | None:
    """Whether an encounter happens in the plan, and how late its two steps may be where it does not."""
    names = {search.order.occurrences[part.number].name for part in encounter.parts if part.moving}
    steps = [step for step in plan.steps if step.name in names]
    if len(steps) < len(names) or not steps or search.order.flat.routine.start == ANYWHERE:
        # From anywhere the plan starts in one of many places: what it would say belongs to none of the others.
        return None
    begin, until = max(step.motion_start for step in steps), min(step.end for step in steps)
    if begin < until:
        outside = {name: span for name, span in encounter.box if name not in search.machine.axes}
        found = timed_clearance(*_asked(search.bodies, [encounter.pair], plan), until, begin, outside, PRECISION, 500)
        if found.bad_from is not None:
            return Punctual(found.bad_from, until, "")
    if len(steps) != 2 or not all(step.profiles for step in steps):
        return Punctual(None, None, "; punctual it would be clear")
    late = _slack(search, encounter, plan, steps[0].name, steps[1].name)
    return Punctual(None, None, f"; punctual it would be clear{late}")


def _slack(search: ClearanceSearch, encounter: Encounter, plan: Plan, first: str, second: str) -> str:
    one, other = plan.step(first), plan.step(second)
    clock = min(one.motion_start, other.motion_start)
    concerned = {part.axis for part in encounter.parts}
    branches = [
        timed_branch(
            search.bodies.tree,
            {
                axis: [(step.motion_start - clock, profile)]
                for axis, profile in step.profiles.items()
                if axis in concerned
            },
        )
        for step in (one, other)
    ]
    moved = {axis for step in (one, other) for axis in step.profiles}
    here = {name: span for name, span in encounter.box if name not in moved}
    band = {axis: band_of(search.machine, axis) for axis in moved & concerned}
    slack = diagram(search.bodies.tree, [encounter.pair], branches[0], branches[1], here, band, _FINEST, _CELLS).slack()
    said = [
        f"'{name}' may be up to {late * 1e3:.0f} ms late"
        for name, late in ((first, slack.first_late), (second, slack.second_late))
        if 0.0 <= late < float("inf")
    ]
    return f"; {' and '.join(said)}" if said else ""


def _timed(order: Order, bodies: Bodies, plan: Plan) -> Iterator[TimedClearance]:
    """The clearance of all pairs over the whole plan, of those that may touch or are not there in between."""
    places = PlacesOutside(order, bodies)
    windows: dict[tuple[_Window, ...], list[Pair]] = {}
    for pair in bodies.pairs:
        counted = _windows(order, bodies, plan, pair)
        windows.setdefault(tuple(_narrowed(counted, places, bodies.outside_of(pair), plan)), []).append(pair)
    for spans, pairs in windows.items():
        for begin, end, outside in spans:
            yield timed_clearance(*_asked(bodies, pairs, plan), end, begin, dict(outside), PRECISION, _SPANS)


class _Window(NamedTuple):
    """A span of time [s] and where bodies outside may stand meanwhile [m]."""

    begin: float
    end: float
    outside: tuple[tuple[str, Span], ...]


def _narrowed(
    spans: Sequence[tuple[float, float]], places: PlacesOutside, names: Sequence[str], plan: Plan
) -> Iterator[_Window]:
    """The spans of time parted where the routine says more about where bodies stand."""
    starts = {step.name: step.start for step in plan.steps}
    ranges: dict[str, Span] = {name: places.at_start(name) for name in names}
    changes = sorted(
        (starts[said.since], name, said.range)
        for name in names
        for said in places.said.get(name, ())
        if said.since in starts
    )
    times = [(0.0, dict(ranges))]
    for time, name, span in changes:
        ranges[name] = span
        times.append((time, dict(ranges)))
    for begin, end in spans:
        for number, (time, known) in enumerate(times):
            until = times[number + 1][0] if number + 1 < len(times) else end
            low, high = max(begin, time), min(end, until)
            if low < high or (begin == end == low == high):
                yield _Window(low, high, tuple(known.items()))


class _Asked(NamedTuple):
    """The first things that the clearance of a timed motion is asked with."""

    tree: Tree
    pairs: Sequence[Pair]
    moves: Mapping[str, Sequence[tuple[float, Profile]]]
    places: Mapping[str, float]


def _asked(bodies: Bodies, pairs: Sequence[Pair], plan: Plan) -> _Asked:
    known = bodies.tree.index
    moves = {axis: parts for axis, parts in plan.trajectories.items() if parts and axis in known}
    return _Asked(bodies.tree, pairs, moves, {axis: place for axis, place in plan.initial.items() if axis in known})


def _windows(order: Order, bodies: Bodies, plan: Plan, pair: Pair) -> tuple[tuple[float, float], ...]:
    """When a pair counts in the plan: not while it may touch, nor while its piece cannot be there."""
    needed = bodies.needs(pair)
    out = []
    for occurrence in order.occurrences:
        required = required_to_move(occurrence, bodies.machine.interlocks) if needed else ()
        gone = any(contradict(condition.term, term) for _, condition in required for term in needed)
        if gone or bodies.may_touch(occurrence.node.step, pair):
            out += [(step.start, step.end) for step in plan.steps if step.name == occurrence.name]
    found, time = [], 0.0
    for begin, end in sorted(out):
        if begin > time:
            found.append((time, begin))
        time = max(time, end)
    if time < plan.duration or not out:
        found.append((time, max(plan.duration, time)))
    return tuple(found)


def _spare(timed: TimedClearance) -> float:
    return timed.bound - (0.0 if timed.pair is None else timed.pair.margin)


def _gates_cost(plan: Plan, flat: FlatRoutine) -> float | None:
    """The plan's duration less that of the same steps without gates on positions [s]."""
    gated = {node.index for node in flat.nodes if node.step.once is not None and not watches_more(node)}
    if not gated:
        return 0.0
    nodes = tuple(
        replace(node, step=replace(node.step, once=None)) if node.index in gated else node for node in flat.nodes
    )
    try:
        return plan.duration - ForwardPass(replace(flat, nodes=nodes), plan.values, dict(plan.initial)).duration
    except ModelError:
        return None
