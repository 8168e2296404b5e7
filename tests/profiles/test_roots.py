"""Roots of quadratics, cubics and bracketed functions."""

from __future__ import annotations

import math
import random

import pytest

from profiles.roots import first_cubic_root, quadratic_roots, root_between


@pytest.mark.parametrize(
    ("coefficients", "roots"),
    [
        ((1.0, -3.0, 2.0), [1.0, 2.0]),
        ((1.0, 0.0, 1.0), []),
        ((1.0, -2.0, 1.0), [1.0]),
        ((0.0, 2.0, -1.0), [0.5]),
        ((0.0, 0.0, 1.0), []),
        ((3.0, 0.0, 0.0), [0.0]),
        ((-1.0, 0.0, 4.0), [-2.0, 2.0]),
    ],
)
def test_a_quadratic_has_its_roots_in_order(coefficients, roots):
    assert quadratic_roots(*coefficients) == pytest.approx(roots)


def test_a_small_root_beside_a_large_one_is_not_cancelled():
    """x^2 - 1e8 x + 1: the small root is 1e-8 (1 + 1e-16); the schoolbook formula gets its first digit wrong."""
    assert quadratic_roots(1.0, -1e8, 1.0)[0] == pytest.approx(1e-8, rel=1e-15)


def test_the_first_root_of_a_cubic_is_found_between_its_turning_points():
    # (x - 1)(x - 2)(x - 3) turns at 2 -+ 1/sqrt(3).
    turns = [2.0 - 3.0**-0.5, 2.0 + 3.0**-0.5]
    assert first_cubic_root(1.0, -6.0, 11.0, -6.0, [0.0, *turns, 4.0]) == pytest.approx(1.0, rel=1e-14)
    assert first_cubic_root(1.0, -6.0, 11.0, -6.0, [1.2, *turns, 4.0]) == pytest.approx(2.0, rel=1e-14)
    assert first_cubic_root(1.0, -6.0, 11.0, -6.0, [3.5, 4.0]) is None
    assert first_cubic_root(1.0, 0.0, 0.0, 0.0, [0.0, 1.0]) == 0.0
    assert first_cubic_root(1.0, 0.0, 0.0, -1.0, [0.0, 1.0]) == 1.0


def test_a_bracketed_root_is_found_to_the_last_digits():
    source = random.Random(0)
    for _ in range(500):
        root = source.uniform(-5.0, 5.0)
        power = source.choice((1, 3, 5))
        low, high = root - source.uniform(0.0, 3.0), root + source.uniform(0.0, 3.0)
        found = root_between(lambda x, r=root, n=power: (x - r) ** n, low, high)
        assert abs(found - root) <= 1e-15 * (1.0 + abs(root)) or power > 1
        assert abs(found - root) <= 1e-9


def test_a_bracket_may_end_at_the_root_or_run_downwards():
    assert root_between(math.sin, 0.0, 1.0) == 0.0
    assert root_between(lambda x: x - 2.0, 1.0, 2.0) == 2.0
    assert root_between(lambda x: x - 1.5, 2.0, 1.0) == pytest.approx(1.5, rel=1e-15)
