"""Units against pint, the public unit library (its definitions follow the SI brochure and CODATA)."""

from __future__ import annotations

import math

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer import units
from sequencer.errors import ModelError
from sequencer.units import SYMBOLS, Dimension, dimension_name, exact, parse_quantity, parse_unit, show, si_unit

REGISTRY = pint.UnitRegistry()
BASE = ("meter", "kilogram", "second", "ampere", "radian")
IN_PINT = {"turn": "turn", "rpm": "revolutions_per_minute", "%": "percent", "lbf": "force_pound", "in": "inch"}
DIMENSIONS = {name: value for name, value in vars(units).items() if name.isupper() and isinstance(value, tuple)}


@pytest.mark.parametrize("symbol", SYMBOLS)
def test_every_symbol_agrees_with_pint(symbol: str) -> None:
    ours = SYMBOLS[symbol]
    theirs = (1.0 * REGISTRY.Unit(IN_PINT.get(symbol, symbol))).to_base_units()
    assert ours.factor == pytest.approx(theirs.magnitude, rel=1e-12)
    # pint calls the radian dimensionless but keeps it as a unit, so that powers of all five can be compared
    powers = {str(unit): power for unit, power in theirs.unit_items()}
    assert tuple(powers.pop(name, 0) for name in BASE) == ours.dimension
    assert powers == {}


@pytest.mark.parametrize(
    "text",
    ["1.2 m/s2", "62 deg", "4e-5 kg.m2", "0.3 N.m.s/rad", "-1800 deg/s2", "10 N.s/m", "5450 rpm", "88 %", "45 lb"],
)
def test_quantities_agree_with_pint(text: str) -> None:
    number, unit = text.split()
    spelt = unit.replace(".", "*").replace("s2", "s**2").replace("m2", "m**2")
    theirs = (float(number) * REGISTRY.Unit(IN_PINT.get(spelt, spelt))).to_base_units()
    assert parse_quantity(text).value == pytest.approx(theirs.magnitude, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("62 dge", "unknown unit 'dge': 'dge'; did you mean 'deg'?"),
        ("1.2 m/sec", "unknown unit 'm/sec': 'sec'; allowed: %, A, Hz, N, V, cm, deg, in, kg, lb, m, mm and 5 more"),
        ("010 m", "'010 m' has a leading zero; write 10"),
        ("-01.5 m", "'-01.5 m' has a leading zero; write -1.5"),
        ("1e400 m", "'1e400 m' is not finite; write a number that is"),
        ("inf m", "'inf m' is not a quantity; write a number, a space and a unit, such as 1.2 m"),
        ("nan", "'nan' is not a quantity; write a number, a space and a unit, such as 1.2 m"),
        ("1,5 m", "'1,5 m' is not a quantity; write a number, a space and a unit, such as 1.2 m"),
        ("", "'' is not a quantity; write a number, a space and a unit, such as 1.2 m"),
        ("1 m//s", "unknown unit 'm//s': ''; allowed: %, A, Hz, N, V, cm, deg, in, kg, lb, m, mm and 5 more"),
    ],
)
def test_what_is_no_quantity_is_refused_with_what_would_be(text: str, said: str) -> None:
    with pytest.raises(ModelError) as caught:
        parse_quantity(text)
    assert str(caught.value) == said


@given(
    st.floats(allow_nan=False, allow_infinity=False, width=64).filter(lambda value: abs(value) < 1e300),
    st.sampled_from(sorted(DIMENSIONS.values())),
)
def test_what_exact_writes_reads_back_to_the_same_bits(value: float, dimension: Dimension) -> None:
    read = parse_quantity(exact(value, dimension))
    assert read.value == value
    assert read.dimension == dimension


@given(st.floats(-1e6, 1e6, allow_nan=False), st.sampled_from(sorted(DIMENSIONS.values())))
def test_what_people_are_shown_is_right_to_four_digits(value: float, dimension: Dimension) -> None:
    read = parse_quantity(show(value, dimension))
    assert read.dimension == dimension
    assert read.value == pytest.approx(value, rel=5.1e-4, abs=1e-300)


@pytest.mark.parametrize("name", sorted(DIMENSIONS))
def test_every_dimension_has_a_name_whose_unit_is_of_it(name: str) -> None:
    dimension = DIMENSIONS[name]
    words = dimension_name(dimension)
    if "such as" in words:
        assert parse_unit(words.split("such as ")[1].rstrip(")"))[1] == dimension
    if si_unit(dimension) != "1":
        assert parse_unit(si_unit(dimension)) == (1.0, dimension)


def test_a_bare_number_is_a_plain_number_and_an_angle_is_no_length() -> None:
    assert parse_quantity("3").dimension == units.NUMBER
    assert parse_quantity("180 deg") == (math.pi, units.ANGLE)
    assert units.ANGLE != units.NUMBER
