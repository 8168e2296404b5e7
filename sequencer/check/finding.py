"""What a check finds, and what it concludes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from sequencer.check.advice import ClearanceAdvice
from sequencer.errors import StepgraphError
from sequencer.pack.checked import CheckedRoutine
from sequencer.places import NOWHERE, Place
from sequencer.plan.planned import Plan

if TYPE_CHECKING:
    from sequencer.check.feasibility import Feasibility
    from sequencer.check.unpowered import WithoutPower

Severity = Literal["error", "undecided", "warning", "note"]
Verdict = Literal["clear", "conflict", "undecided", "invalid"]

INVALID_RULES = frozenset({"model", "graph", "ownership", "timeouts"})
"""Rules whose errors mean that the routine is no routine; errors of all others are conflicts."""


class Witness(NamedTuple):
    """A configuration in which two bodies are too near each other, or are not shown to be clear.

    Attributes:
        between: the two bodies.
        places: where every axis with a position and every body outside stands [m or rad].
        distance: how far they are apart there [m], negative where they overlap; None if that is not what is wrong.
        margin: what must remain [m].
        steps: the steps that move them, by path.
        waits: the step, by path, that would have to wait for another so that they keep clear; "" if none is known.
        axis, position: its gate: the axis that it would wait for, and the place [m or rad].
    """

    between: tuple[str, str]
    places: Mapping[str, float]
    distance: float | None
    margin: float
    steps: tuple[str, ...] = ()
    waits: str = ""
    axis: str = ""
    position: float = 0.0


class WayIn(NamedTuple):
    """Where phases lead the machine into a keep-out.

    Attributes:
        box: the keep-out, by name.
        spans: where each of its axes may be meanwhile [m or rad], with what it may be off its orders.
        places: one configuration in it that they can come to [m or rad].
        steps: the steps that move its axes, by path.
        waits: the step, by path, that would have to wait for another; "" if none is known.
        axis, position: its gate: the axis that it would wait for, and the place [m or rad].
    """

    box: str
    spans: Mapping[str, tuple[float, float]]
    places: Mapping[str, float]
    steps: tuple[str, ...] = ()
    waits: str = ""
    axis: str = ""
    position: float = 0.0


@dataclass(frozen=True, slots=True)
class Finding:
    """One result of a check.

    Attributes:
        rule: the rule that found it: keep_out, travel, ...
        severity: "error" and "undecided" refuse a checked routine; "warning" and "note" do not.
        message: what was found and what is allowed, in a sentence.
        step: path of the step, or None for the whole routine.
        place: where the step or the rule stands in its file.
        hint: what would mend it; "" for nothing.
        begin, until: when it would happen in the plan [s from the start]; None if not, or if it is no matter of time.
        found, allowed: the numbers compared, in SI, where there are two.
        witness: where bodies come too near each other, if it is a matter of bodies.
        way_in: how the machine gets into a keep-out, if it is a matter of one.
        id: names it within its examination; filled in by `numbered`.
        waived: why it was accepted in writing; "" if it was not.
    """

    rule: str
    severity: Severity
    message: str
    step: str | None = None
    place: Place = field(compare=False, default=NOWHERE)
    hint: str = ""
    begin: float | None = None
    until: float | None = None
    found: float | None = None
    allowed: float | None = None
    witness: Witness | None = field(compare=False, default=None)
    way_in: WayIn | None = field(compare=False, default=None)
    id: str = ""
    waived: str = ""

    @property
    def refuses(self) -> bool:
        """Whether no checked routine is made because of it."""
        return self.severity in ("error", "undecided") and not self.waived

    def as_json(self) -> dict[str, Any]:
        """The finding as `check --json` prints it; a waived one is a note that says so."""
        return {
            "id": self.id,
            "rule": self.rule,
            "severity": "note" if self.waived else self.severity,
            "file": self.place.file or None,
            "line": self.place.line or None,
            "column": self.place.column or None,
            "step": self.step,
            "message": f"{self.message} (waived: {self.waived})" if self.waived else self.message,
            "hint": self.hint or None,
            "from": self.begin,
            "until": self.until,
        }

    def __str__(self) -> str:
        accepted = f" (waived: {self.waived})" if self.waived else ""
        return f"{self.place}: {self.severity}: {self.message}{accepted}" + (f"; {self.hint}" if self.hint else "")


@dataclass(frozen=True, slots=True)
class Examination:
    """All that a check found out about a routine; it is made for clear routines and for others alike.

    `checked` is the compiled routine, or None where a finding refuses it; `plan` is None where none could be made.
    `clearance` tells how near the plan comes if it is punctual; None where no bodies are watched. `feasibility` is what
    the plan takes out of actuators and battery, `unpowered` where axes go when the power is cut; None where nothing is
    declared of any motor.
    """

    verdict: Verdict
    assumes: tuple[str, ...]
    findings: tuple[Finding, ...]
    plan: Plan | None
    checked: CheckedRoutine | None
    clearance: ClearanceAdvice | None = None
    feasibility: Feasibility | None = None
    unpowered: WithoutPower | None = None

    def as_json(self) -> dict[str, Any]:
        """What `check --json` prints for one routine."""
        plan = self.plan
        return {
            "verdict": self.verdict,
            "assumes": list(self.assumes),
            "duration": None if plan is None else plan.duration,
            "findings": [finding.as_json() for finding in self.findings],
            "steps": []
            if plan is None
            else [{"name": s.name, "start": s.start, "end": s.end, "slack": s.slack} for s in plan.steps],
            "critical": [] if plan is None else list(plan.critical),
            "clearance": None if self.clearance is None else self.clearance.as_json(),
        }


class CheckFailed(StepgraphError):
    """A routine that is not clear: `findings` holds everything found, `verdict` says what kind of no it is."""

    def __init__(self, name: str, examination: Examination) -> None:
        refusing = [finding for finding in examination.findings if finding.refuses]
        super().__init__(
            f"'{name}' is not checked: {examination.verdict}, {len(refusing)} "
            f"{'finding refuses' if len(refusing) == 1 else 'findings refuse'} it\n"
            + "\n".join(str(finding) for finding in refusing)
        )
        self.findings = examination.findings
        self.verdict = examination.verdict
        self.examination = examination


def verdict_of(findings: Iterable[Finding]) -> Verdict:
    """What the findings add up to: invalid before conflict before undecided before clear."""
    refusing = [finding for finding in findings if finding.refuses]
    errors = [finding for finding in refusing if finding.severity == "error"]
    if any(finding.rule in INVALID_RULES for finding in errors):
        return "invalid"
    if errors:
        return "conflict"
    return "undecided" if refusing else "clear"


def numbered(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """The findings, worst first and else in the order given, each with its id: rule, step, and a count where both
    repeat."""
    order = {"error": 0, "undecided": 1, "warning": 2, "note": 3}
    counts: dict[str, int] = {}
    named = []
    for finding in sorted(findings, key=lambda one: order[one.severity] if not one.waived else 3):
        name = finding.rule if finding.step is None else f"{finding.rule}:{finding.step}"
        counts[name] = counts.get(name, 0) + 1
        named.append(replace(finding, id=name if counts[name] == 1 else f"{name}#{counts[name]}"))
    return tuple(named)
