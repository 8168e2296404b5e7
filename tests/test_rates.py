"""Rates and their intervals."""

from __future__ import annotations

from math import comb, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.errors import ModelError
from sequencer.rates import wilson


@pytest.mark.parametrize(
    ("made", "tried", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_intervals_are_those_of_newcombe(made: int, tried: int, low: float, high: float) -> None:
    """R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872, Table I, method 3."""
    found = wilson(made, tried)
    assert (found.low, found.high) == (pytest.approx(low, abs=5e-5), pytest.approx(high, abs=5e-5))


def test_intervals_are_those_of_scipy() -> None:
    stats = pytest.importorskip("scipy.stats")
    for made, tried, level in ((3, 7, 0.9), (0, 4, 0.99), (50, 50, 0.8), (12, 31, 0.95)):
        wanted = stats.binomtest(made, tried).proportion_ci(level, method="wilson")
        found = wilson(made, tried, level)
        assert (found.low, found.high) == (pytest.approx(wanted.low, abs=1e-12), pytest.approx(wanted.high, abs=1e-12))


@given(st.integers(1, 200).flatmap(lambda tried: st.tuples(st.integers(0, tried), st.just(tried))))
def test_an_interval_holds_its_share_and_mirrors(pair: tuple[int, int]) -> None:
    made, tried = pair
    found, mirrored = wilson(made, tried), wilson(tried - made, tried)
    assert 0.0 <= found.low <= found.share <= found.high <= 1.0
    assert found.low == pytest.approx(1.0 - mirrored.high, abs=1e-12)


@pytest.mark.parametrize(
    ("made", "tried", "level", "said"),
    [(0, 0, 0.9, "at least one attempt"), (3, 2, 0.9, "3 successes in 2"), (1, 2, 1.0, "level of 1 is none")],
)
def test_senseless_rates_are_refused(made: int, tried: int, level: float, said: str) -> None:
    with pytest.raises(ModelError, match=said):
        wilson(made, tried, level)


@pytest.mark.parametrize(
    ("tried", "chance", "published"),
    [(17, 0.5, 0.951), (40, 0.5, 0.919), (30, 0.2, 0.946), (98, 0.2, 0.928), (592, 0.005, 0.792)],
)
def test_intervals_cover_where_the_plain_ones_do_not(tried: int, chance: float, published: float) -> None:
    """L. D. Brown, T. T. Cai, A. DasGupta, Statistical Science 16 (2001) 101-133, on p +- 1.96 sqrt(p (1 - p)/n) at
    nominally 95 % (these five figures are from memory; exact binomial sums give them again)."""
    plain = covered = 0.0
    for made in range(tried + 1):
        weight = comb(tried, made) * chance**made * (1.0 - chance) ** (tried - made)
        share = made / tried
        plain += weight * (abs(share - chance) <= 1.959964 * sqrt(share * (1.0 - share) / tried))
        found = wilson(made, tried)
        covered += weight * (found.low <= chance <= found.high)
    assert plain == pytest.approx(published, abs=1.5e-3)
    assert 0.945 < covered < 0.975
