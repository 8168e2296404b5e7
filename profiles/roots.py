"""Roots of quadratics, of cubics inside an interval, and of a function between two bounds; always bracketed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from math import copysign, sqrt

# Enough halvings for any bracket of doubles that spans less than 2^200; secant steps make it far fewer.
_ITERATIONS = 200


def quadratic_roots(a: float, b: float, c: float) -> list[float]:
    """The real roots of a x^2 + b x + c = 0 in ascending order, without cancellation; none if all x are roots.

    The form q = -(b + sign(b) sqrt(b^2 - 4ac))/2, x = q/a, c/q of W. H. Press et al., Numerical Recipes, section
    5.6 (from memory).

    >>> quadratic_roots(1.0, -3.0, 2.0)
    [1.0, 2.0]
    """
    if a == 0.0:
        return [] if b == 0.0 else [-c / b]
    discriminant = b * b - 4.0 * a * c
    if discriminant < 0.0:
        return []
    q = -0.5 * (b + copysign(sqrt(discriminant), b))
    if q == 0.0:
        return [0.0]
    first, second = q / a, c / q
    if first == second:
        return [first]
    return [first, second] if first < second else [second, first]


def first_cubic_root(a: float, b: float, c: float, d: float, edges: Sequence[float]) -> float | None:
    """The first root of a x^3 + b x^2 + c x + d between the first and the last edge, or None.

    `edges` are ascending and the cubic is monotone between neighbours, so that a change of sign tells of exactly
    one root.
    """

    def value(x: float) -> float:
        return d + x * (c + x * (b + x * a))

    at_low = value(edges[0])
    if at_low == 0.0:
        return edges[0]
    for low, high in pairwise(edges):
        at_high = value(high)
        if at_high == 0.0:
            return high
        if (at_low < 0.0) != (at_high < 0.0):
            return root_between(value, low, high)
        at_low = at_high
    return None


def root_between(function: Callable[[float], float], low: float, high: float) -> float:
    """The root of a continuous function that has different signs at `low` and `high`, to the last digits.

    Regula falsi with the Illinois weight, and a halving whenever that shrinks the bracket too little.
    """
    f_low, f_high = function(low), function(high)
    if f_low == 0.0:
        return low
    if f_high == 0.0:
        return high
    kept = 0
    for _ in range(_ITERATIONS):
        width = high - low
        middle = 0.5 * (low + high)
        if not min(low, high) < middle < max(low, high):
            break
        x = high - f_high * width / (f_high - f_low)
        if abs(kept) >= 3 or not min(low, high) < x < max(low, high):
            x, kept = middle, 0
        f = function(x)
        if f == 0.0:
            return x
        if (f < 0.0) == (f_high < 0.0):
            high, f_high = x, f
            if kept > 0:
                f_low *= 0.5
            kept = kept + 1 if kept > 0 else 1
        else:
            low, f_low = x, f
            if kept < 0:
                f_high *= 0.5
            kept = kept - 1 if kept < 0 else -1
        if abs(high - low) <= 2e-16 * abs(x):
            break
    return low if abs(f_low) < abs(f_high) else high
