"""Rank correlations against scipy's, and which variables they point at."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.study.ranks import influences, rank_correlation, ranks

stats = pytest.importorskip("scipy.stats")

FEW_VALUES = st.lists(st.tuples(st.integers(0, 6), st.integers(-3, 3)), min_size=3, max_size=40)


@given(FEW_VALUES)
def test_ranks_and_correlations_are_those_of_scipy(pairs: list[tuple[int, int]]) -> None:
    one, other = ([float(pair[place]) for pair in pairs] for place in (0, 1))
    assert ranks(one).tolist() == stats.rankdata(one).tolist()
    if len(set(one)) > 1 and len(set(other)) > 1:
        assert rank_correlation(one, other) == pytest.approx(stats.spearmanr(one, other).statistic, abs=1e-12)
    else:
        assert rank_correlation(one, other) == 0.0


def test_a_variable_is_pointed_at_with_the_side_on_which_it_happens() -> None:
    chance = np.random.default_rng(5)
    values = chance.random((1500, 4))
    fails = (values[:, 0] > 0.8) | (values[:, 1] < 0.2) | (abs(values[:, 2] - 0.5) > 0.4)
    found = {one.name: one for one in influences(["a", "b", "c", "d"], values, fails)}
    assert (found["a"].where, found["a"].counts) == ("high", True)
    assert (found["b"].where, found["b"].counts) == ("low", True)
    assert (found["c"].where, found["c"].counts) == ("both ends", True)
    assert not found["d"].counts
    assert next(iter(found)) == "a"
    inside = influences(["c"], values[:, 2:3], abs(values[:, 2] - 0.5) < 0.1)
    assert (inside[0].where, inside[0].counts) == ("middle", True)


def test_chance_alone_rarely_counts() -> None:
    """One in a hundred studies of ten variables may show one; of 400 such studies more than 10 do with a chance of
    0.3 % (binomial)."""
    chance = np.random.default_rng(11)
    names = [f"v{number}" for number in range(10)]
    wrong = 0
    for _ in range(400):
        found = influences(names, chance.random((80, 10)), chance.random(80) < 0.2)
        wrong += any(one.counts for one in found)
    assert wrong <= 10


def test_two_runs_explain_nothing() -> None:
    assert influences(["a"], [[1.0], [2.0]], [0.0, 1.0]) == ()
