"""The picture of a spread says what the report says."""

from __future__ import annotations

import re
from math import radians
from pathlib import Path
from xml.etree import ElementTree

import pytest

from sequencer import load_machine
from sequencer.machine.variation import Varied
from sequencer.report.spread_view import spread_svg
from sequencer.study import SpreadReport, SpreadRow

LANTERN = Path(__file__).parents[2] / "demos" / "lantern" / "machine.yaml"
SVG = "{http://www.w3.org/2000/svg}"


def report(runs: int = 40) -> SpreadReport:
    """Of runs of which those with the most friction fail; the others let go at angles that rise evenly."""
    rows = [
        SpreadRow(
            run,
            (12.0 + run / runs,),
            "cancelled: late" if run >= 0.75 * runs else "",
            "done",
            None,
            None if run >= 0.75 * runs else 4.0 + 0.01 * run,
            None,
            2.0,
            radians(70.0 + 0.2 * run),
            9.0 + 0.05 * run,
        )
        for run in range(runs)
    ]
    varied = (Varied("axis", "lift", "coulomb", 12.0, 13.0),)
    return SpreadReport("hang & go", "good", load_machine(LANTERN), varied, tuple(rows), runs, 1)


def bars(root: ElementTree.Element, kind: str) -> list[dict[str, str]]:
    return [dict(one.attrib) for one in root.iter(f"{SVG}rect") if one.get("class") == kind]


def test_it_shows_the_share_the_figures_and_what_goes_with_failing() -> None:
    text = spread_svg(report())
    root = ElementTree.fromstring(text)
    said = [one.text or "" for one in root.iter(f"{SVG}text")]
    assert "hang & go: worked in 30 of 40 (75 %; 95% sure: 60 to 86 %)" in said
    assert "release angle [deg]" in said
    assert "duration [s]" in said
    assert "clearance to spare [m]" not in said
    assert "lift.coulomb, high" in said
    whole, share = (float(bars(root, kind)[0]["width"]) for kind in ("short", "share"))
    assert share / whole == pytest.approx(0.75, abs=1e-3)


def test_bars_are_as_tall_as_they_are_many_and_stay_in_the_picture() -> None:
    """30 durations evenly over 32 bars are one a bar; 40 angles are one or two."""
    text = spread_svg(report())
    root = ElementTree.fromstring(text)
    panels: dict[tuple[bool, int], list[float]] = {}
    for one in bars(root, "bar"):
        bottom = round(float(one["y"]) + float(one["height"]))
        panels.setdefault((float(one["x"]) > 380.0, bottom), []).append(float(one["height"]))
    (first, *_) = panels.values()
    assert len(first) == 30
    assert max(first) == min(first)
    angles = next(heights for heights in panels.values() if len(heights) == 32)
    assert {round(height / min(angles), 1) for height in angles} == {1.0, 2.0}
    assert sum(round(height / min(angles)) for height in angles) == 40
    numbers = [float(value) for value in re.findall(r"(?:x|y|width|height)=\"(-?[\d.]+)\"", text)]
    assert min(numbers) >= 0.0


def test_runs_that_are_all_alike_still_make_a_picture() -> None:
    alike = report(1)
    assert "worked in 1 of 1" in spread_svg(alike)
