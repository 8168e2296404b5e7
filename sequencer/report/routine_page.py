"""The report of routines: what a check found, what the rehearsals came to, and a card to print for each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape

from sequencer.check.finding import Examination, Finding
from sequencer.clearance.distance_words import millimetres
from sequencer.rehearse import Rehearsal, shortfalls
from sequencer.rehearse.places import PlacesOutside
from sequencer.report.page import Chapter, Section, inline, page, paragraph, table
from sequencer.report.routine_view import routine_svg
from sequencer.report.run_sections import run_sections
from sequencer.report.timeline import timeline_of_plan, timeline_of_trace
from sequencer.report.timeline_picture import timeline_svg
from sequencer.routine.parameters import Parameter, PresetParameter
from sequencer.routine.routine import ANYWHERE, Routine
from sequencer.routine.steps import RehearsalSpec
from sequencer.units import show

LATER = (
    "This is what was declared and simulated, not the machine itself: before it moves for the first time, look at it, "
    "keep clear of it, and keep the stop within reach."
)
"""Stands in every report and on every card."""

_MOST_ASSUMED = 7
"""So many of the assumptions find room on a card [1]; the page has them all."""


@dataclass(frozen=True, slots=True)
class Reported:
    """A routine with what was found about it: `specs` are what the rehearsals were to show, one for each."""

    routine: Routine
    examination: Examination
    rehearsals: Sequence[Rehearsal] = ()
    specs: Sequence[RehearsalSpec] = ()
    more: Sequence[Section] = ()

    @property
    def short(self) -> tuple[str, ...]:
        """What the rehearsals fell short of, a sentence each."""
        pairs = zip(self.rehearsals, self.specs, strict=True)
        return tuple(
            f"{rehearsal.name}: {words}."
            for rehearsal, spec in pairs
            for words in shortfalls(rehearsal, self.routine.machine, spec)
        )

    @property
    def fine(self) -> bool:
        """Whether it is clear and its rehearsals were as they should be."""
        return self.examination.verdict == "clear" and not self.short


def routines_page(reported: Sequence[Reported], title: str | None = None) -> str:
    """The report of one or more routines as the text of an HTML file.

    Args:
        reported: the routines, in order; `more` of each are further sections at the end of its chapter.
        title: of the page; None: that of the only routine, or of their machine.
    """
    if title is None:
        machine = reported[0].routine.machine.name if reported else ""
        title = f"{reported[0].routine.name} on {machine}" if len(reported) == 1 else f"routines of {machine}"
    chapters = [_chapter(one, f"r{number}") for number, one in enumerate(reported)]
    opening = f"<h1>{escape(title)}</h1>" if len(chapters) > 1 else ""
    return page(title, chapters, opening)


def _chapter(one: Reported, key: str) -> Chapter:
    line: str = one.examination.verdict
    if one.examination.plan is not None:
        line += f", planned {one.examination.plan.duration:.2f} s"
    if one.rehearsals:
        pairs = zip(one.rehearsals, one.specs, strict=True)
        fine = sum(not shortfalls(rehearsal, one.routine.machine, spec) for rehearsal, spec in pairs)
        line += f"; {fine} of {len(one.rehearsals)} {'rehearsal' if len(one.rehearsals) == 1 else 'rehearsals'} fine"
    return Chapter(key, one.routine.name, line, [*_sections(one, key)], _card(one, line, key), one.fine)


def _sections(one: Reported, key: str) -> Iterator[Section]:
    routine, examination = one.routine, one.examination
    yield Section("verdict", "Verdict", _verdict(one))
    shown = next((rehearsal for rehearsal in one.rehearsals if _has_run(rehearsal, routine)), None)
    run_parts = {section.key: section for section in _run_sections(one, shown, key)} if shown is not None else {}
    if shown is not None and "side" in run_parts:
        yield Section("side", "From the side", paragraph(f"Rehearsal: {shown.name}.") + run_parts["side"].body)
    yield Section("timeline", "What happens when", _timelines(one, shown, key))
    if "axes" in run_parts:
        yield run_parts["axes"]
    if "clearance" in run_parts:
        covered = inline(routine_svg(routine, examination), f"{key}-covered")
        body = f"{run_parts['clearance'].body}<details><summary>All that the proof covers</summary>{covered}</details>"
        yield Section("clearance", "Clearance", body)
    if "battery" in run_parts:
        yield run_parts["battery"]
    if one.rehearsals:
        yield Section("rehearsals", "Rehearsals", _rehearsals(one))
    yield Section("findings", "Findings", _findings(one, key))
    yield from one.more


def _run_sections(one: Reported, shown: Rehearsal, key: str) -> Iterator[Section]:
    routine, checked = one.routine, one.examination.checked
    run = next(run for run in shown.trace.runs() if run.name == routine.name)
    standing = PlacesOutside(routine.machine, checked, {}).standing if checked is not None else {}
    return run_sections(shown.trace, run, key, routine.machine, checked, one.examination.plan, standing)


def _has_run(rehearsal: Rehearsal, routine: Routine) -> bool:
    return any(run.name == routine.name for run in rehearsal.trace.runs())


def _verdict(one: Reported) -> str:
    examination = one.examination
    facts: list[str] = []
    plan, advice = examination.plan, examination.clearance
    if plan is not None and plan.critical:
        facts.append(f"The plan is as long as {', '.join(plan.critical)} take one after the other.")
    if advice is not None:
        facts.append(
            f"Nearest of its bodies, if everything is punctual: {' and '.join(advice.between)}, "
            f"{millimetres(advice.least)} at {advice.at:.2f} s; "
            + (f"{millimetres(advice.margin)} must remain." if advice.margin else "they must not touch.")
        )
    refusing = sum(finding.refuses for finding in examination.findings)
    if refusing:
        facts.append(f"{refusing} {'finding refuses' if refusing == 1 else 'findings refuse'} it; see below.")
    if examination.checked is not None:
        facts.append(f"Hash of the checked routine: {examination.checked.hash[:16]}.")
    words = "".join(map(paragraph, facts))
    assumed = "".join(f"<li>{escape(text)}</li>" for text in examination.assumes)
    listed = f"<h4>This verdict assumes</h4><ul class='assumes'>{assumed}</ul>" if assumed else ""
    return f"{words}{listed}{paragraph(LATER, 'muted')}"


def _timelines(one: Reported, shown: Rehearsal | None, key: str) -> str:
    plan, checked = one.examination.plan, one.examination.checked
    parts = []
    if plan is not None:
        parts.append(f"<h4>Planned</h4>{inline(timeline_svg(timeline_of_plan(plan)), f'{key}-plan')}")
    for number, rehearsal in enumerate(one.rehearsals):
        if not _has_run(rehearsal, one.routine):
            continue
        timeline = timeline_of_trace(rehearsal.trace, one.routine.name, checked, plan)
        drawn = inline(timeline_svg(timeline), f"{key}-rehearsal-{number}")
        name = escape(f"Rehearsed: {rehearsal.name}")
        if rehearsal is shown:
            parts.append(f"<h4>{name}</h4>{drawn}")
        else:
            parts.append(f"<details><summary>{name}</summary>{drawn}</details>")
    return "".join(parts) or paragraph("There is no plan, and nothing was rehearsed.")


def _rehearsals(one: Reported) -> str:
    machine = one.routine.machine
    rows = []
    for rehearsal, spec in zip(one.rehearsals, one.specs, strict=True):
        found = shortfalls(rehearsal, machine, spec)
        held = sum(expectation.held for expectation in rehearsal.expectations)
        near = rehearsal.clearance
        rows.append(
            (
                rehearsal.name,
                "fine" if not found else "failed",
                rehearsal.outcome,
                f"{rehearsal.duration:.2f} s",
                f"{held} of {len(rehearsal.expectations)}",
                "-" if near is None else f"{millimetres(near.least)} ({' and '.join(near.between)})",
                "-" if rehearsal.least_battery is None else f"{rehearsal.least_battery:.3g} V",
            )
        )
    headings = ("rehearsal", "", "outcome", "lasted", "expectations held", "least clearance", "lowest battery")
    return table(headings, rows, numbers=(3, 6)) + "".join(paragraph(words, "wrong") for words in one.short)


def _findings(one: Reported, key: str) -> str:
    """The findings with their places, and the conflicts between bodies as pictures."""
    found = one.examination.findings
    words = "".join(map(_finding, found)) or paragraph("None.")
    seen = any(finding.refuses and finding.witness is not None for finding in found)
    if not seen or not one.routine.machine.bodies:
        return words
    return words + inline(routine_svg(one.routine, one.examination), f"{key}-conflicts")


def _finding(finding: Finding) -> str:
    severity = "waived" if finding.waived else finding.severity
    accepted = f" Accepted in writing: {finding.waived}." if finding.waived else ""
    hint = f'<p class="hint">{escape(finding.hint)}</p>' if finding.hint else ""
    return (
        f'<div class="finding {escape(severity)}"><p><strong>{escape(severity)}</strong>: '
        f"{escape(finding.message)}.{escape(accepted)}</p>{hint}<code>{escape(str(finding.place))}, "
        f"{escape(finding.id)}</code></div>"
    )


def _card(one: Reported, line: str, key: str) -> str:
    """One landscape page for the pit: verdict, timeline, where it starts, parameters, what it waits for."""
    routine, plan = one.routine, one.examination.plan
    drawn = inline(timeline_svg(timeline_of_plan(plan)), f"{key}-card") if plan is not None else ""
    start = _start_words(routine)
    parameters = [(name, _value(parameter), _range(parameter)) for name, parameter in routine.parameters.items()]
    columns = [f"<div><h4>Starts from</h4>{paragraph(start)}</div>"]
    if parameters:
        columns.append(f"<div><h4>Parameters</h4>{table(('', 'value', 'range'), parameters)}</div>")
    assumed = "".join(f"<li>{escape(text)}</li>" for text in one.examination.assumes[:_MOST_ASSUMED])
    if assumed:
        columns.append(f"<div><h4>Assumes</h4><ul>{assumed}</ul></div>")
    checked = one.examination.checked
    made = f" &middot; {checked.hash[:16]}" if checked is not None else ""
    return (
        f"<h1>{escape(routine.name)} <small>on {escape(routine.machine.name)}</small></h1>"
        f"<p><strong>{escape(line)}</strong>{made}</p>{drawn}"
        f'<div class="columns">{"".join(columns)}</div>{paragraph(LATER)}'
    )


def _start_words(routine: Routine) -> str:
    if routine.start == ANYWHERE:
        return "anywhere"
    machine = routine.machine
    preset = machine.presets[routine.start]
    places = ", ".join(f"{axis} {machine.axes[axis].show(value)}" for axis, value in preset.positions.items())
    return f"{routine.start}: {places}"


def _value(parameter: Parameter) -> str:
    if isinstance(parameter, PresetParameter):
        return parameter.preset
    return show(parameter.value, parameter.dimension)


def _range(parameter: Parameter) -> str:
    if isinstance(parameter, PresetParameter):
        return ", ".join(parameter.choices)
    if parameter.bounds is None:
        return "constant"
    return " to ".join(show(bound, parameter.dimension) for bound in parameter.bounds)
