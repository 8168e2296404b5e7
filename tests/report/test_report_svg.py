"""The SVG writer: what it writes is well-formed whatever the texts say."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.report.look import angle_ticks, plain, ticks
from sequencer.report.svg import element, number, shortened, text_width


@given(st.text(), st.text())
def test_any_text_gives_well_formed_xml_that_reads_back(text: str, value: str) -> None:
    root = element("g", id=value)
    root.add("text", text)
    read = ElementTree.fromstring(str(root))
    allowed = "".join(
        c for c in text if c in "\t\n\r" or " " <= c <= "\ud7ff" or "\ue000" <= c <= "\ufffd" or c > "\uffff"
    )
    assert (read[0].text or "") == allowed.replace("\r\n", "\n").replace("\r", "\n")


def test_attribute_names_get_hyphens_and_numbers_two_decimals() -> None:
    assert str(element("line", x1=1.0, y1=0.126, class_="rule", stroke_width=2, fill=None)) == (
        '<line x1="1" y1="0.13" class="rule" stroke-width="2"/>\n'
    )
    assert (number(-0.001), number(10.0), number(100)) == ("0", "10", "100")


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6), st.integers(1, 12))
def test_ticks_are_round_in_order_and_inside(low: float, span: float, about: int) -> None:
    found = ticks(low, low + span, about)
    assert found == sorted(set(found))
    assert len(found) <= 2.6 * about + 2
    assert all(low - 1e-6 * span <= value <= low + span + 1e-6 * span for value in found)


@pytest.mark.parametrize(
    ("low", "high", "about", "expected"),
    [(0.0, 3.61, 4, [0.0, 1.0, 2.0, 3.0]), (-0.12, 0.3, 5, [-0.1, 0.0, 0.1, 0.2, 0.3]), (2.0, 2.0, 4, [2.0])],
)
def test_ticks_are_what_a_person_would_write(low: float, high: float, about: int, expected: list[float]) -> None:
    assert ticks(low, high, about) == expected


def test_angles_are_divided_as_angles_are() -> None:
    assert angle_ticks(-95.0, 120.0, 6) == [-90.0, -45.0, 0.0, 45.0, 90.0]
    assert plain(-95.0) == "\N{MINUS SIGN}95"


def test_a_text_that_is_too_wide_is_cut_with_an_ellipsis() -> None:
    assert shortened("raise", 12, 200) == "raise"
    cut = shortened("raise the lantern to the ridge", 12, 80)
    assert cut.endswith("…")
    assert text_width(cut, 12) <= 80
