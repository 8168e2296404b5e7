"""Findings of a check in words, and problems of files as findings."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Any, NamedTuple

from sequencer.clearance.distance_words import apart, millimetres, must_remain
from sequencer.cli.inputs import Reader, with_waivers
from sequencer.cli.output import CannotDo, Output
from sequencer.errors import MissingExtra, StepgraphError, counted

if TYPE_CHECKING:
    from sequencer.check import Examination, Finding
    from sequencer.check.advice import ClearanceAdvice
    from sequencer.pack import CheckedRoutine
    from sequencer.routine.routine import Routine, Waiver

VERDICT_STYLES = {"clear": "good", "conflict": "bad", "undecided": "doubtful", "invalid": "bad"}


class Examined(NamedTuple):
    """A file with what the check found out about its routine, or the error of a file that holds none."""

    path: Path
    name: str
    result: Examination | StepgraphError
    routine: Routine | None = None


def examine_files(files: Sequence[Path], reader: Reader, waivers: Sequence[Waiver], output: Output) -> list[Examined]:
    """Check every file; words about them come afterwards, so that they do not run through the progress bar."""
    from sequencer.check import examine

    found = []
    for path in output.progress(files, "checking"):
        try:
            routine = with_waivers(reader.routine(path), waivers)
            found.append(Examined(path, routine.name, examine(routine), routine))
        except (CannotDo, MissingExtra):
            raise
        except StepgraphError as error:
            found.append(Examined(path, path.name, error))
    return found


def say_findings(findings: tuple[Finding, ...], output: Output) -> None:
    """One line a finding, and its hint below."""
    for finding in findings:
        style = {"error": "bad", "undecided": "doubtful", "warning": "doubtful"}.get(finding.severity, "soft")
        severity = output.styled("waived" if finding.waived else finding.severity, "soft" if finding.waived else style)
        because = f" (because {finding.waived})" if finding.waived else ""
        output.say(f"{finding.place}: {severity}: {finding.message}{because} [{finding.id}]")
        if finding.hint:
            output.say(f"    {finding.hint}")


def say_examination(name: str, examination: Examination, output: Output) -> None:
    """The findings, the verdict in one line, and what it assumes."""
    say_findings(examination.findings, output)
    verdict = output.styled(examination.verdict, VERDICT_STYLES.get(examination.verdict, "strong"))
    plan = examination.plan
    lasts = f", {plan.duration:.2f} s, {counted(len(plan.steps), 'step')}" if plan is not None else ""
    output.say(f"{output.styled(name, 'strong')}: {verdict}{lasts}")
    advice = [] if examination.clearance is None else [_if_punctual(examination.clearance, examination)]
    for words in (*advice, f"assumes: {'; '.join(examination.assumes)}" if examination.assumes else ""):
        for line in wrap(words, max(output.width, 60) - 4, break_on_hyphens=False):
            output.say(f"    {output.styled(line, 'soft')}")


def _if_punctual(advice: ClearanceAdvice, examination: Examination) -> str:
    """How near the plan comes, as a sentence."""
    assert examination.plan is not None
    machine = examination.plan.routine.machine
    pieces = [name for name in advice.between if name in machine.pieces]
    words = f"if punctual: {' and '.join(advice.between)} come nearest"
    if advice.least > 0.0:
        ends = dict.fromkeys((millimetres(advice.bound, advice.least), millimetres(advice.least, advice.bound)))
        words += f", {' to '.join(ends)} apart at {advice.at:.2f} s{must_remain(advice.margin)}"
    else:
        words += f" and {apart(advice.least, advice.margin)} at {advice.at:.2f} s"
    words += f", if {' and '.join(pieces)} is there" if pieces else ""
    if advice.bad_from is not None:
        places = [f"{name} at {machine.axes[name].show(place)}" for name, place in advice.bad_places.items()]
        words += f"; too near from {advice.bad_from:.2f} s on, with {', '.join(places)}"
    if advice.gates_cost:
        words += f"; gates cost {advice.gates_cost * 1e3:.0f} ms"
    return words


def checked_fallbacks(routine: Routine, output: Output) -> list[CheckedRoutine] | None:
    """The routines that timeouts fall back to, checked; None where one is not clear, which is said."""
    from sequencer.check import examine
    from sequencer.rehearse import fallbacks_of

    found = []
    for fallback in fallbacks_of(routine):
        examination = examine(fallback)
        if examination.checked is None:
            say_findings(examination.findings, output)
            return None
        found.append(examination.checked)
    return found


def invalid(file: str, error: StepgraphError) -> dict[str, Any]:
    """What `check --json` says of a file that is no routine: the verdict "invalid", with each problem as a finding."""
    findings = []
    for number, problem in enumerate(getattr(error, "problems", ()) or [(None, str(error))], 1):
        place, message = _place_and_message(problem)
        findings.append(
            {
                "id": f"file#{number}" if number > 1 else "file",
                "rule": "file",
                "severity": "error",
                "file": place.file if place is not None else file,
                "line": place.line if place is not None else None,
                "column": place.column if place is not None else None,
                "step": None,
                "message": message,
                "hint": getattr(problem, "hint", None) or None,
                "from": None,
                "until": None,
            }
        )
    return {
        "verdict": "invalid",
        "assumes": [],
        "duration": None,
        "findings": findings,
        "steps": [],
        "critical": [],
        "clearance": None,
    }


def _place_and_message(problem: Any) -> tuple[Any, str]:
    if hasattr(problem, "message"):
        return problem.place, problem.message
    place, message = problem
    return place, message
