"""Profiles as pictures: the one a notebook shows, and the gallery."""

from __future__ import annotations

import runpy
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

from profiles import Limits, State, flick, s_curve, trapezoid
from profiles.picture import picture

LIMITS = Limits(2.0, 6.0, 60.0)
ROOT = Path(__file__).parents[2]
GALLERY = ROOT / "demos" / "profiles_gallery"
NAMESPACE = "{http://www.w3.org/2000/svg}"


def drawn(profile):
    """The curves of the four rows and the texts."""
    root = ElementTree.fromstring(profile._repr_svg_())
    curves = [path.get("d") for path in root.iter(f"{NAMESPACE}path") if path.get("stroke-width")]
    return curves, [text.text for text in root.iter(f"{NAMESPACE}text")]


def test_a_notebook_shows_position_velocity_acceleration_and_jerk():
    curves, texts = drawn(s_curve(0.0, 1.0, LIMITS))
    assert [name for name in texts if name in ("position", "velocity", "acceleration", "jerk")] == [
        "position",
        "velocity",
        "acceleration",
        "jerk",
    ]
    assert len(curves) == 4
    assert [curve.count("C") for curve in curves] == [7, 7, 7, 7]
    assert texts[0] == "Profile 0.933333 s, 0 to 1, 7 pieces"


def test_the_numbers_beside_the_rows_are_the_extremes():
    _, texts = drawn(s_curve(State(0.0, -1.0), 1.0, LIMITS))
    lowest = f"{s_curve(State(0.0, -1.0), 1.0, LIMITS).extremes().lowest_position:.4g}"
    assert lowest in texts
    assert {"2", "-1", "6", "-6", "60", "-60"} <= set(texts)
    # A rounding of zero is zero.
    assert not any("e-" in text for text in texts)


def test_the_curve_of_a_piece_is_exact():
    """The middle of a Bezier curve is the mean of its control points with weights 1, 3, 3, 1."""
    profile = trapezoid(0.0, 1.0, Limits(10.0, 4.0))
    curve = drawn(profile)[0][0]
    numbers = [float(number) for number in curve.replace("M", " ").replace("C", " ").split()]
    heights = numbers[1:8:2]
    middle = (heights[0] + 3 * heights[1] + 3 * heights[2] + heights[3]) / 8
    bottom, top = heights[0], 24.0
    assert (bottom - middle) / (bottom - top) == pytest.approx(profile.at(0.25).position, abs=1e-3)


def test_marks_are_named_in_the_picture():
    profile = flick(0.0, State(0.6, 1.9), 1.2, LIMITS)
    assert "through" in drawn(profile)[1]
    assert picture(profile) == profile._repr_svg_()


def test_a_profile_without_motion_is_drawn_at_its_place():
    curves, texts = drawn(s_curve(0.5, 0.5, LIMITS))
    assert len(curves) == 4
    assert {"1", "0", "0 s"} <= set(texts)


def test_a_row_that_stays_at_one_value_is_a_line():
    curves, _ = drawn(trapezoid(0.0, 1.0, LIMITS))
    heights = {float(number) for number in curves[3].replace("M", " ").replace("C", " ").split()[1::2]}
    assert len(heights) == 1


def test_the_gallery_is_drawn_by_its_script(tmp_path):
    pytest.importorskip("matplotlib")
    gallery = runpy.run_path(str(GALLERY / "gallery.py"))
    assert list(gallery["motions"]()) == ["trapezoid", "S-curve", "flick"]
    gallery["draw"](tmp_path / "gallery.svg")
    text = (tmp_path / "gallery.svg").read_text(encoding="utf-8")
    assert ElementTree.fromstring(text).tag == f"{NAMESPACE}svg"
    for words in ("S-curve: 1.104 s", "jerk [m/s³]", "limits"):
        assert words in text
    assert (GALLERY / "gallery.svg").stat().st_size < 200_000


def test_without_matplotlib_the_gallery_says_what_to_install():
    code = (
        "import sys, runpy; sys.modules['matplotlib'] = None; "
        f"sys.path.insert(0, {str(ROOT)!r}); runpy.run_path({str(GALLERY / 'gallery.py')!r})"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert found.returncode != 0
    assert found.stderr.strip() == "The gallery needs matplotlib: pip install 'stepgraph[plot]'"
