"""Findings of a check in words, and problems of files as findings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sequencer.cli.output import Output

if TYPE_CHECKING:
    from sequencer.check import Examination, Finding
    from sequencer.errors import StepgraphError

VERDICT_STYLES = {"clear": "good", "conflict": "bad", "undecided": "doubtful", "invalid": "bad"}


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
    """The findings, then the verdict in one line."""
    say_findings(examination.findings, output)
    verdict = output.styled(examination.verdict, VERDICT_STYLES.get(examination.verdict, "strong"))
    plan = examination.plan
    lasts = f", {plan.duration:.2f} s, {len(plan.steps)} steps" if plan is not None else ""
    assumes = "; ".join(examination.assumes)
    output.say(f"{output.styled(name, 'strong')}: {verdict}{lasts}" + (f" (assumes: {assumes})" if assumes else ""))


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
