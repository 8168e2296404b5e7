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


def counted(function):
    def count(x):
        count.calls += 1
        return function(x)

    count.calls = 0
    return count


def test_a_bracketed_root_takes_few_evaluations():
    """Nine where halving alone takes fifty; at flat roots little is gained by anything but halving."""
    source = random.Random(1)
    calls = {1: [], 2: [], 3: []}
    for k in range(300):
        root, power = source.uniform(-5.0, 5.0), (1, 1, 2, 3)[k % 4]
        shape = counted(lambda x, r=root, n=power: math.copysign(abs(math.expm1(x - r)) ** n, x - r))
        found = root_between(shape, root - source.uniform(0.1, 3.0), root + source.uniform(0.1, 3.0))
        assert found == pytest.approx(root, abs=1e-7 if power > 1 else 1e-14)
        calls[power].append(shape.calls)
    assert sum(calls[1]) / len(calls[1]) < 9.5
    assert max(calls[1]) <= 11
    assert max(calls[2] + calls[3]) < 80


def test_a_value_of_one_is_not_a_root():
    assert root_between(lambda x: x - 2.0, 3.0, 0.0) == 2.0
    assert root_between(lambda x: x - 2.0, 0.0, 3.0) == 2.0
    step = counted(lambda x: 1.0 if x > 2.0 else -1.0)
    assert root_between(step, 0.0, 3.0) == pytest.approx(2.0, rel=1e-15)
    assert step.calls < 80


def test_the_side_with_the_smaller_value_is_returned():
    """Between two neighbouring doubles there is no middle; the root lies nearer to one of them."""
    above = math.nextafter(1.0, 2.0)
    assert root_between(lambda x: -1.0 if x <= 1.0 else 3.0, 1.0, above) == 1.0
    assert root_between(lambda x: -3.0 if x <= 1.0 else 1.0, 1.0, above) == above


def test_a_quadratic_with_one_root_has_it_once():
    assert quadratic_roots(1.0, 2.0, 1.0) == [-1.0]
    assert quadratic_roots(4.0, 0.0, -1.0) == [-0.5, 0.5]
    assert quadratic_roots(1.0, 0.0, 0.0) == [0.0]
    assert quadratic_roots(-2.0, 8.0, -6.0) == [1.0, 3.0]


def test_a_cubic_with_its_root_on_an_inner_edge_has_it_there():
    assert first_cubic_root(0.0, 1.0, -2.0, 1.0, [0.0, 1.0, 3.0]) == 1.0
    assert first_cubic_root(0.0, 0.0, 1.0, -1.0, [0.0, 0.5, 3.0]) == pytest.approx(1.0, rel=1e-15)
    assert first_cubic_root(0.0, 0.0, -1.0, 2.0, [0.0, 3.0]) == pytest.approx(2.0, rel=1e-15)
    # Values of exactly one are no roots.
    assert first_cubic_root(0.0, 0.0, 1.0, 1.0, [0.0, 2.0]) is None
    assert first_cubic_root(0.0, 0.0, 1.0, -1.0, [0.5, 2.0]) == pytest.approx(1.0, rel=1e-15)
