"""What the runner is doing and why it waits, in words and values (R40)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sequencer.run.terms import Scope, build, names_of
from sequencer.run.words import Words, unknown_words

if TYPE_CHECKING:
    from sequencer.run.host import Host
    from sequencer.run.routine_run import Run
    from sequencer.run.step_state import Activation

WIDTH = 40
"""Characters of a headline [1]."""


@dataclass(frozen=True, slots=True)
class TermStatus:
    """One comparison of a condition: its words, the value now (None: UNKNOWN) and whether it is true."""

    text: str
    value: bool | float | str | None
    truth: bool | None


@dataclass(frozen=True, slots=True)
class StepStatus:
    """An active step: since when [ns], what it waits for, each term (false first, then unknown), time left to its
    timeout [ns].
    """

    name: str
    kind: str
    since: int
    waits_for: str
    terms: tuple[TermStatus, ...]
    left: int | None
    held_by: str | None


@dataclass(frozen=True, slots=True)
class RunStatus:
    name: str
    state: str
    cause: str
    steps: tuple[StepStatus, ...]
    chain: tuple[str, ...] = ()
    hopeless: str = ""
    slowed: str = ""


@dataclass(frozen=True, slots=True)
class Status:
    """`headline` in at most 40 characters; `fault` is what must be reset, or None; `held` names held axes with the
    interlock, `stuck` those of them that nothing will set free. `bypasses` are the findings waived, the parts out of
    service and the sensors assumed; `not_zeroed` names axes that count as anywhere, with the reason. `no_way` says why
    what was asked for last, or belongs to a cancel or a fault, has no way from here, and in which directions to jog.

    Of a run, `chain` holds every cause of its end in the order they came; `hopeless` says that nothing can happen any
    more; `slowed` what a run below full speed does not show.
    """

    tick: int
    headline: str
    enabled: bool
    fault: str | None
    runs: tuple[RunStatus, ...]
    held: tuple[tuple[str, str], ...]
    late_ticks: int
    stuck: tuple[str, ...] = ()
    bypasses: tuple[str, ...] = ()
    not_zeroed: tuple[tuple[str, str], ...] = ()
    no_way: str = ""


def status_of(host: Host) -> Status:
    """The status after the last tick."""
    runs = tuple(_run_status(host, run) for run in [*_ended_last(host), *host.runs])
    held = tuple((motion.definition.name, motion.held) for motion in host.motions if motion.held is not None)
    stuck = set(host.supervisor.waiting_for_each_other()) if len(held) > 1 else set()
    stuck |= {motion.definition.name for motion in host.motions if motion.held is not None and _is_hopeless(motion.run)}
    headline = _cut(_headline(host, runs, held))
    return Status(
        tick=host.tick_number,
        headline=headline,
        enabled=host.enabled,
        fault=host.fault_cause,
        runs=runs,
        held=held,
        late_ticks=host.late_ticks,
        stuck=tuple(name for name in host.axis_names if name in stuck),
        bypasses=(*host.bypasses, *host.assumed()),
        not_zeroed=tuple(
            (name, host.snapshot.lost[index] or _why_not_zeroed(host, name))
            for index, name in enumerate(host.axis_names)
            if not host.zeroed[index]
        ),
        no_way=host.no_way,
    )


def _why_not_zeroed(host: Host, name: str) -> str:
    return "its gauge says so" if host.values[name] is not None else host.unknown_reason(name)


def _ended_last(host: Host) -> list[Run]:
    """The runs that ended in the tick in which one ended last."""
    return [run for run in host.ended if run.ended_tick == host.ended[-1].ended_tick]


def _is_hopeless(run: Run | None) -> bool:
    return run is not None and run.hopeless is not None and run.state in ("running", "held")


def _cut(text: str) -> str:
    """At most as much as a display shows, no word in part."""
    if len(text) <= WIDTH:
        return text
    head = text[:WIDTH]
    if text[WIDTH] == " ":
        return head
    return head[: head.rfind(" ")].rstrip(" ,;:") if " " in head else head


def _headline(host: Host, runs: tuple[RunStatus, ...], held: tuple[tuple[str, str], ...]) -> str:
    if not host.enabled:
        return "disabled"
    for run in runs:
        if run.hopeless and len(held) != 1:
            return f"{run.name}: nothing can happen"
        if run.state == "held":
            return f"{run.name} is held"
    if held:
        return f"{held[0][0]} held by {held[0][1]}"
    for run in reversed(runs):
        if run.steps:
            return f"{run.name}: {run.steps[0].name}"
    if host.fault_cause is not None:
        return f"fault: {host.fault_cause}"
    if host.no_way:
        return host.no_way
    if runs:
        return f"{runs[-1].name} {runs[-1].state}"
    return "idle"


def _run_status(host: Host, run: Run) -> RunStatus:
    steps = tuple(_step_status(host, run, one) for one in run.active)
    slowed = ""
    if run.speed < 1.0 and not run.over:
        flicks = any(step.kind == "flick" for step in run.definition.steps)
        slowed = f"at {run.speed:g} of the limits" + ("; its flick is a rehearsal only" if flicks else "")
    hopeless = (run.hopeless or "") if _is_hopeless(run) else ""
    return RunStatus(run.name, run.state, run.cause, steps, tuple(run.chain), hopeless, slowed)


def _step_status(host: Host, run: Run, activation: Activation) -> StepStatus:
    step = activation.step
    data = step.data
    gated = activation.energised is None and data["once"] is not None
    term = data["once"] if gated else data["until"]
    now = run.held_at if run.state == "held" else host.now
    left = None if activation.timeout is None else activation.timeout - (now - activation.since)
    held = next((motion.held for motion in activation.motions if motion.held is not None), None)
    waits = _held_words(held, activation, host) if held is not None else _waits(activation, term, gated, run, host)
    terms = (
        tuple(sorted(_terms(term, run.scope, host.vocabulary), key=lambda one: {False: 0, None: 1, True: 2}[one.truth]))
        if term
        else ()
    )
    return StepStatus(step.name, step.kind, activation.since, waits, tuple(terms), left, held)


def _held_words(box: str, activation: Activation, host: Host) -> str:
    """Which keep-out holds the step, since when, and the axes it waits for (R54)."""
    motion = next(motion for motion in activation.motions if motion.held is not None)
    others = host.supervisor.others(box, motion)
    since = (host.now - motion.held_since) * 1e-9
    return f"held by {box} for {since:.3g} s" + (f", waiting for {' and '.join(others)}" if others else "")


def _waits(activation: Activation, term: Any, gated: bool, run: Run, host: Host) -> str:
    if gated:
        return f"its gate: {host.words(term, run.scope)}"
    if activation.step.kind == "choose" and activation.branch < 0:
        return guards_words(activation, host, run)
    if term is not None:
        watch = activation.watch
        words = host.vocabulary.term(term)
        if watch is not None and any(edge.before is edge.rising for edge in watch.edges):
            inner = host.vocabulary.term(term[1]) if term[0] in ("rising", "falling") else words
            truth, first = ("true", "fall") if term[0] == "rising" else ("false", "rise")
            return f"{words}; {inner} was already {truth} when the step began and must first {first}"
        lost = unknown_words(term, host.snapshot)
        return f"{words}; {lost}" if lost else words
    if activation.step.kind in ("move", "flick"):
        return arrival_words(activation, host)
    if activation.duration is not None:
        return "time"
    if activation.step.is_block:
        inside = [one.step.name for one in run.active if one.step.parent == activation.step.index]
        return f"its steps: {', '.join(inside)}" if inside else ""
    return "the jog to be let go" if activation.step.kind == "jog" else ""


def arrival_words(activation: Activation, host: Host) -> str:
    """How far the axes of a move are from their goals, as far as they are measured; along a way, from those of the leg
    at hand."""
    if activation.energised is None:
        return "standstill, to look its way up"
    way = "" if activation.way is None or activation.way.at_last else f"{activation.way}, "
    away = [
        f"{motion.definition.name} {motion.definition.show(host.values[motion.definition.name] - motion.goal)}"
        for motion in activation.motions
        if host.values.get(motion.definition.name) is not None
    ]
    return f"{way}arrival: {', '.join(away)} from the goal" if away else f"{way}arrival"


def guards_words(activation: Activation, host: Host, run: Run) -> str:
    """The guards of a choice that waits, with their values, and which of these are unknown."""
    guards = [branch["term"] for branch in activation.step.data["branches"]]
    words = "one of: " + "; ".join(host.words(guard, run.scope) for guard in guards)
    lost = ", ".join(filter(None, (unknown_words(guard, host.snapshot) for guard in guards)))
    return f"{words}; {lost}" if lost else words


def _terms(term: Any, scope: Scope, words: Words) -> list[TermStatus]:
    head = term[0]
    if head in ("and", "or"):
        return [found for part in term[1:] for found in _terms(part, scope, words)]
    value = None
    names = names_of(term)
    if len(names) == 1:
        value = scope.source(names[0]).get(names[0])
    truth = None if head in ("rising", "falling") else build(term, scope)()
    return [TermStatus(words.term(term), value, truth)]
