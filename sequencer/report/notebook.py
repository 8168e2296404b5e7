"""What a notebook shows of plans, checked routines, traces, rehearsals, findings and what a check came to.

Importing `sequencer.report` gives these classes the methods that notebooks ask for: `_repr_svg_` and `_repr_html_`
(IPython documentation, Integrating your objects with IPython, Rich display). No notebook program is imported, and the
stages below know nothing of it. Pictures inside HTML are images of their own, so that their styles stay theirs.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Callable, Iterable, Mapping, Sequence
from html import escape
from typing import Any

from sequencer.check.finding import Examination, Finding
from sequencer.errors import counted
from sequencer.pack.checked import CheckedRoutine
from sequencer.plan.planned import Plan
from sequencer.rehearse.rehearsal import Rehearsal
from sequencer.trace import Trace

MOST_ROWS = 60
"""A table in a notebook has no more rows than this [1]; what is left out is counted below it."""

MOST_TIMELINES = 4
"""So many of the latest runs of a trace are drawn [1]."""


def register() -> None:
    """Give the classes their methods; to do it again changes nothing."""
    for kind, method, show in _SHOWN:
        setattr(kind, method, show)


def plan_svg(plan: Plan) -> str:
    """The timeline of a plan."""
    from sequencer.report.timeline import timeline_of_plan
    from sequencer.report.timeline_picture import timeline_svg

    return timeline_svg(timeline_of_plan(plan))


def checked_html(checked: CheckedRoutine) -> str:
    """Steps with what they wait for, what the verdict assumes, and the hash."""
    from sequencer.run.definition import MachineDefinition
    from sequencer.run.words import Words

    words = Words(MachineDefinition(checked.machine))
    steps = checked.routine["steps"]
    rows = [(step["name"], step["kind"], _starts(step, steps), _waits(step, words)) for step in steps]
    facts = f"{counted(len(steps), 'step')}, planned {checked.routine['planned']:.2f} s, {checked.hash[:16]}"
    assumed = "".join(f"<li>{escape(text)}</li>" for text in checked.assumes)
    return (
        _heading(f"{checked.name} on {checked.machine['name']}: checked", facts)
        + _table(("step", "kind", "starts", "waits for"), rows)
        + (f"<details><summary>what this assumes</summary><ul>{assumed}</ul></details>" if assumed else "")
    )


def trace_html(trace: Trace) -> str:
    """Every run with its outcome, and the latest as timelines."""
    from sequencer.report.timeline import timeline_of_trace
    from sequencer.report.timeline_picture import timeline_svg

    runs = trace.runs()
    rows = [
        (str(number), run.name, f"{run.start:.2f} s", f"{run.end - run.start:.2f} s", run.outcome or "not ended")
        for number, run in enumerate(runs, start=1)
    ]
    facts = f"{counted(len(trace.rows), 'tick')} in {trace.duration:.1f} s, {counted(len(runs), 'run')}"
    drawn = [
        _image(timeline_svg(timeline_of_trace(trace, run)), f"run of {run.name}") for run in runs[-MOST_TIMELINES:]
    ]
    table = _table(("run", "routine", "began at", "lasted", "outcome"), rows) if rows else ""
    return _heading(f"trace of {trace.header.machine}", facts) + table + "".join(drawn)


def rehearsal_html(rehearsal: Rehearsal) -> str:
    """The outcome and its cause, what was asked of it, the timeline."""
    from sequencer.report.timeline import timeline_of_trace
    from sequencer.report.timeline_picture import timeline_svg

    because = f": {rehearsal.cause}" if rehearsal.cause else ""
    asked = [
        (one.name, "held" if one.held else "not held", str(one.found), str(one.allowed))
        for one in rehearsal.expectations
    ]
    runs = rehearsal.trace.runs()
    drawn = _image(timeline_svg(timeline_of_trace(rehearsal.trace, runs[0])), f"run of {runs[0].name}") if runs else ""
    return (
        _heading(f"{rehearsal.name}: {rehearsal.outcome}", f"after {rehearsal.duration:.2f} s{because}")
        + (_table(("asked for", "", "found", "allowed"), asked) if asked else "")
        + drawn
    )


def finding_html(finding: Finding) -> str:
    """What was found, what mends it, and where it stands."""
    severity = "waived" if finding.waived else finding.severity
    colour = "#c1121f" if finding.refuses else "#b58900" if severity == "warning" else "#85837b"
    accepted = f" Accepted in writing: {finding.waived}." if finding.waived else ""
    hint = f"<br>{escape(finding.hint)}" if finding.hint else ""
    return (
        f'<div style="border-left:4px solid {colour};padding-left:10px;margin:8px 0">'
        f"<strong>{escape(severity)}</strong>: "
        f"{escape(finding.message)}.{escape(accepted)}{hint}<br><code>{escape(str(finding.place))}, "
        f"{escape(finding.id)}</code></div>"
    )


def examination_html(examination: Examination) -> str:
    """The verdict, the findings, the conflicts as pictures where there are any, else the plan."""
    from sequencer.report.routine_view import routine_svg

    plan = examination.plan
    name = plan.routine.name if plan is not None else "routine"
    refusing = [finding for finding in examination.findings if finding.refuses]
    drawn = ""
    if plan is not None and any(finding.witness or finding.way_in for finding in refusing):
        drawn = _image(routine_svg(plan.routine, examination), f"conflicts of {name}")
    elif plan is not None:
        drawn = _image(plan_svg(plan), f"plan of {name}")
    assumed = "".join(f"<li>{escape(text)}</li>" for text in examination.assumes)
    return (
        _heading(f"{name}: {examination.verdict}", f"planned {plan.duration:.2f} s" if plan is not None else "")
        + "".join(map(finding_html, examination.findings))
        + drawn
        + (f"<details><summary>what this assumes</summary><ul>{assumed}</ul></details>" if assumed else "")
    )


_SHOWN: tuple[tuple[type, str, Callable[[Any], str]], ...] = (
    (Plan, "_repr_svg_", plan_svg),
    (CheckedRoutine, "_repr_html_", checked_html),
    (Trace, "_repr_html_", trace_html),
    (Rehearsal, "_repr_html_", rehearsal_html),
    (Finding, "_repr_html_", finding_html),
    (Examination, "_repr_html_", examination_html),
)


def _starts(step: Mapping[str, Any], steps: list[Mapping[str, Any]]) -> str:
    start = step["start"]
    match start["kind"]:
        case "after" if not start["steps"]:
            return "at the beginning"
        case "after":
            between = " or " if start["any"] else ", "
            return f"after {between.join(steps[index]['name'] for index in start['steps'])}"
        case "at":
            return f"at {start['time'] / 1e9:.3g} s"
        case kind:
            return f"{kind} {steps[start['step']]['name']}"


def _waits(step: Mapping[str, Any], words: Any) -> str:
    told = [f"{key} {words.term(step[key])}" for key in ("only_if", "once", "until") if step[key] is not None]
    return ", ".join(told).replace("only_if", "only if")


def _heading(title: str, facts: str) -> str:
    return f"<div><strong>{escape(title)}</strong> <span>{escape(facts)}</span></div>"


def _table(headings: Iterable[str], rows: Sequence[tuple[str, ...]]) -> str:
    def line(cells: Iterable[str], tag: str) -> str:
        return f"<tr>{''.join(f'<{tag} align=left>{escape(cell)}</{tag}>' for cell in cells)}</tr>"

    body = "".join(line(row, "td") for row in rows[-MOST_ROWS:])
    more = f"<div>... and {len(rows) - MOST_ROWS} before them</div>" if len(rows) > MOST_ROWS else ""
    return f"<table><thead>{line(headings, 'th')}</thead><tbody>{body}</tbody></table>{more}"


def _image(svg: str, about: str) -> str:
    data = b64encode(svg.encode("utf-8")).decode("ascii")
    return f'<img alt="{escape(about)}" style="max-width:100%" src="data:image/svg+xml;base64,{data}">'
