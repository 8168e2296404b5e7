"""Sections of a report that need more than a check and its rehearsals: a drill, a spread, labelled attempts, tests."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from html import escape
from typing import Any

from sequencer.errors import counted
from sequencer.report.page import Section, inline, paragraph, table
from sequencer.report.spread_view import spread_svg
from sequencer.report.timing_picture import timing_svg
from sequencer.study import DrillReport, SpreadReport, spread_words
from sequencer.study.drill_words import HEADINGS, UNTRUE, conflict_rows, summary_cells, sums, where_and_when
from sequencer.tune.timing import Timing

MOST_ROWS = 12
"""So many single rows of a drill are told [1]; the others are counted."""


def drill_section(report: DrillReport) -> Section:
    """What every single fault came to: a line each with the worst of its instants, then what was met or left on."""
    parts = [
        paragraph(f"{'Fine' if report.fine else 'Not fine'}: {sums(report)}.", "good" if report.fine else "wrong"),
        table(HEADINGS, [summary_cells(one) for one in report.by_fault()], numbers=(1,)),
    ]
    if any(row.untrue for row in report.rows):
        parts.append(paragraph(f"{UNTRUE}.", "muted"))
    met = conflict_rows(report)
    told = [
        (where_and_when(row), "; ".join(row.conflicts), f"not judged: {row.untrue}" if row.untrue else "conflict")
        for row in met[:MOST_ROWS]
    ]
    told += [(where_and_when(row), ", ".join(row.left_on), "left on") for row in report.left_on[:MOST_ROWS]]
    if told:
        parts.append(table(("when", "what", ""), told))
    hidden = max(len(met) - MOST_ROWS, 0) + max(len(report.left_on) - MOST_ROWS, 0)
    if hidden:
        parts.append(paragraph(f"... and {hidden} more; stepgraph drill --csv writes every row.", "muted"))
    parts += [paragraph(f"Not drilled: {words}.", "muted") for words in report.left_out]
    return Section("drill", "If something breaks", "".join(parts))


def spread_section(report: SpreadReport, key: str) -> Section:
    """How often it works on machines as they may really be: figures, ways of failing, and a picture.

    Args:
        report: of at least one run.
        key: its own in the page.
    """
    success = report.success
    tone = "good" if success.made == success.tried else "wrong"
    parts = [
        paragraph(f"{report.rehearsal}: worked in {success}; seed {report.seed}.", tone),
        table(spread_words.HEADINGS, [spread_words.distribution_cells(one) for one in report.distributions]),
    ]
    if report.reasons:
        told = [(str(one.runs), spread_words.reason_words(one)) for one in report.reasons[:MOST_ROWS]]
        parts.append(table(("runs", "failed because"), told, numbers=(0,)))
    if report.influences:
        words = spread_words.influence_words(report.influences)
        parts.append(paragraph(f"{words[0].upper()}{words[1:]}."))
    parts.append(f'<div class="attempts">{inline(spread_svg(report), key)}</div>')
    return Section("spread", "On machines as they may really be", "".join(parts))


def tuning_section(timing: Timing, key: str, seed: int = 0) -> Section:
    """The attempts over their timing as a picture, and what they tell.

    Args:
        timing: what labelled attempts tell.
        key: its own in the page.
        seed: of the draw for the next try.
    """
    words = "".join(paragraph(f"{line}." if line[-1] != "." else line) for line in timing.words(seed))
    drawn = inline(timing_svg(timing), key) if timing.success.attempts else ""
    return Section("tuning", "Tuning from labelled attempts", f'{words}<div class="attempts">{drawn}</div>')


def coverage_section(record: Mapping[str, Any], machines: Iterable[Mapping[str, Any]] = ()) -> Section:
    """What a run of tests exercised of one routine, the untested points by name.

    Args:
        record: of the routine, as `pytest --routine-coverage-to` writes it.
        machines: of the machines, as it stands beside the routines there.

    Raises:
        KeyError, TypeError: these are not such data.
    """
    if record["reason"]:
        return _coverage(paragraph(f"Not counted: {record['reason']}."))
    points = [(str(owner), str(what)) for owner, what in record["points"]]
    seen = {(str(owner), str(what)) for owner, what in record["seen"]}
    untested = [point for point in points if point not in seen]
    share = f"{100 * (len(points) - len(untested)) / len(points):.0f} %" if points else "none"
    met = f"{share} of {counted(len(points), 'point')} met in {counted(record['rehearsals'], 'rehearsal')}."
    parts = [paragraph(met, "wrong" if untested else "good")]
    if untested:
        rows = "".join(f"<li>no test in which {escape(owner)} {escape(what)}</li>" for owner, what in untested)
        parts.append(f"<ul>{rows}</ul>")
    ends = [
        (step, ", ".join(f"{count} {outcome}" for outcome, count in counts.items()))
        for step, counts in record["outcomes"].items()
    ]
    if ends:
        parts.append(table(("step", "how it ended"), ends))
    for machine in machines:
        idle = [name for name, times in machine["presets"].items() if not times]
        if idle:
            parts.append(paragraph(f"{machine['name']}: no move ended at {', '.join(idle)}.", "muted"))
        still = [name for name, times in machine["held"].items() if not times]
        if still:
            words = f"{machine['name']}: nothing was held or stopped by {', '.join(still)}."
            parts.append(paragraph(words, "muted"))
    return _coverage("".join(parts))


def _coverage(body: str) -> Section:
    return Section("coverage", "What the tests have met", body)
