"""Waivers: findings accepted in writing, and those that no longer fit anything."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from sequencer.check.finding import INVALID_RULES, Finding
from sequencer.routine.routine import Waiver


def waived(findings: Iterable[Finding], waivers: Iterable[Waiver]) -> Iterator[Finding]:
    """The findings, those that a waiver fits marked with its reason; then a warning for each waiver that fits none.

    A waiver fits by rule and step (None: any), and with `down_to` only while the value found is not lower than that.
    What makes a routine invalid cannot be waived.
    """
    written = list(waivers)
    used: set[int] = set()
    for finding in findings:
        fitting = [index for index, waiver in enumerate(written) if _fits(waiver, finding)]
        used.update(fitting)
        yield replace(finding, waived=written[fitting[0]].because) if fitting else finding
    for index, waiver in enumerate(written):
        if index not in used:
            step = f" of '{waiver.step}'" if waiver.step else ""
            yield Finding(
                "waivers",
                "warning",
                f"the waiver for {waiver.rule}{step} ({waiver.because}) fits no finding",
                waiver.step,
                waiver.place,
                "take it out, so that it does not hide a new finding",
            )


def _fits(waiver: Waiver, finding: Finding) -> bool:
    if finding.rule in INVALID_RULES or finding.severity == "note" or waiver.rule != finding.rule:
        return False
    if waiver.step is not None and waiver.step != finding.step:
        return False
    return waiver.down_to is None or (finding.found is not None and finding.found >= waiver.down_to)
