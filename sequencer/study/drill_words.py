"""A drill in words: a line for each fault with the worst of its instants, and a sentence for single rows."""

from __future__ import annotations

from sequencer.study.drill_report import DrillReport, DrillRow, FaultSummary
from sequencer.units import LENGTH, show

HEADINGS = ("fault", "tried", "outcomes", "noticed after", "travel then", "false by", "clearance", "the operator sees")
CLEARANCE = HEADINGS.index("clearance")

UNTRUE = "* readings or brakes are not true with it: what came of it is told, not judged"


def summary_cells(one: FaultSummary) -> tuple[str, ...]:
    """One fault over all its instants, a cell for each heading."""
    fault = f"{one.fault} *" if one.untrue else one.fault
    outcomes = ", ".join(f"{count} {outcome}" for outcome, count in one.outcomes.most_common())
    noticed = "never" if one.noticed is None else f"{one.noticed:.2f} s"
    if one.noticed is not None and one.unnoticed:
        noticed += f", {one.unnoticed} never"
    near = ""
    if one.clearance is not None:
        near = f"{show(round(one.clearance.least, 3), LENGTH)} ({' and '.join(one.clearance.between)})"
    seen = one.headlines.most_common(1)
    headline = f"{seen[0][0]}{f' (+{len(one.headlines) - 1})' if len(one.headlines) > 1 else ''}" if seen else ""
    return fault, str(one.tried), outcomes, noticed, str(one.travel or ""), str(one.lie or ""), near, headline


def where_and_when(row: DrillRow) -> str:
    """What goes wrong, and at which instant."""
    return f"{row.fault}, {row.instant} ({row.at:.2f} s)"


def conflict_rows(report: DrillReport) -> list[DrillRow]:
    """The rows in which something was met, those first that count."""
    return sorted((row for row in report.rows if row.conflicts), key=lambda row: bool(row.untrue))


def sums(report: DrillReport) -> str:
    """What it adds up to."""
    untrue = sum(1 for row in report.rows if row.conflicts and row.untrue)
    return (
        f"{len(report.rows)} of {report.planned} tried: {len(report.conflicts)} conflicts where readings and brakes "
        f"are true, {untrue} where they are not, {len(report.left_on)} with something left on"
    )
