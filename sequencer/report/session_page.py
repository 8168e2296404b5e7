"""The report of a recorded session: an index of its runs, and for each what happened and why it ended so."""

from __future__ import annotations

from html import escape

from sequencer.machine.machine import Machine
from sequencer.report.page import Chapter, Section, inline, page, paragraph, table
from sequencer.report.run_sections import run_sections
from sequencer.report.timeline import timeline_of_trace
from sequencer.report.timeline_picture import timeline_svg
from sequencer.trace import Trace
from sequencer.tune import Account, why


def session_page(trace: Trace, machine: Machine | None = None, title: str | None = None) -> str:
    """The report of a trace as the text of an HTML file.

    Args:
        trace: the record.
        machine: what ran, for the side view and clearances; None: without them.
        title: of the page; None: the name of the machine in the trace.

    Raises:
        TraceError: the trace has no runs.
    """
    chapters = []
    for number, (run, account) in enumerate(zip(trace.runs(), why(trace), strict=True)):
        key = f"run{number + 1}"
        sections = [Section("why", "Why it ended so", paragraph(f"{account}."))]
        sections += run_sections(trace, run, key, machine)
        sections.append(Section("steps", "Steps", _steps(trace, number)))
        line = f"{run.outcome or 'not ended'} after {run.end - run.start:.2f} s"
        card = (
            f"<h1>{escape(run.name)} <small>run {number + 1} on {escape(trace.header.machine)}</small></h1>"
            f"{paragraph(str(account))}{inline(timeline_svg(timeline_of_trace(trace, run)), f'{key}-card')}"
        )
        good = None if run.outcome is None else run.outcome == "done"
        chapters.append(Chapter(key, f"Run {number + 1}: {run.name}", line, sections, card, good))
    heading = title or f"session on {trace.header.machine}"
    return page(heading, chapters, _opening(trace, heading, why(trace), len(chapters) > 1))


def _opening(trace: Trace, heading: str, accounts: tuple[Account, ...], several: bool) -> str:
    done = sum(account.outcome == "done" for account in accounts)
    facts = [
        f"{len(trace.rows)} ticks in {trace.duration:.1f} s; {done} of {len(accounts)} runs were done.",
        *(f"Overlay: {overlay}." for overlay in trace.header.overlays),
        *(f"Waived in {name}: {rule}: {because}." for name, rule, _, because in trace.header.waived),
    ]
    notes = [
        (f"{trace.seconds(event.now_ns):.2f} s", event.text, ", ".join(str(value) for _, value in event.values))
        for event in trace.events("note")
    ]
    words = "".join(paragraph(fact, "muted") for fact in facts)
    told = f"<h3>Notes</h3>{table(('at', 'note', 'value'), notes)}" if notes else ""
    return (f"<h1>{escape(heading)}</h1>" if several else "") + words + told


def _steps(trace: Trace, number: int) -> str:
    run = trace.runs()[number]
    rows = [
        (
            step.name,
            step.kind,
            f"{step.start - run.start:.2f} s",
            f"{step.end - run.start:.2f} s",
            step.outcome or "not ended",
            step.cause or "",
        )
        for step in trace.steps(run)
    ]
    return table(("step", "kind", "from", "to", "outcome", "because"), rows, numbers=(2, 3))
