"""Roots of quadratics, of cubics inside an interval, and of a function between two bounds; always bracketed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from math import copysign, sqrt

# Enough halvings for any bracket of doubles that spans less than 2^200; interpolation makes it far fewer.
_ITERATIONS = 200
# Two neighbouring doubles differ by this or a little less, relative to them [1].
_LAST_DIGIT = 2.3e-16


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

    The method of T. R. Chandrupatla, Advances in Engineering Software 28 (1997) 145 (from memory): inverse quadratic
    interpolation where the last three points lie so that it must stay inside the bracket, a halving where not.
    """
    newest, f_newest = low, function(low)
    other, f_other = high, function(high)
    if f_newest == 0.0:
        return low
    if f_other == 0.0:
        return high
    share = 0.5
    for _ in range(_ITERATIONS):
        x = newest + share * (other - newest)
        if x in (newest, other):
            break
        f = function(x)
        if f == 0.0:
            return x
        if (f < 0.0) == (f_newest < 0.0):
            before, f_before = newest, f_newest
        else:
            before, f_before, other, f_other = other, f_other, newest, f_newest
        newest, f_newest = x, f
        width = other - newest
        # As shares of the bracket from the other end: where the newest point is, and its value.
        place, value = width / (other - before), (f_newest - f_other) / (f_before - f_other)
        if value * value < place and (1.0 - value) * (1.0 - value) < 1.0 - place:
            share = f_newest / (f_other - f_newest) * (f_before / (f_other - f_before)) + (before - newest) / width * (
                f_newest / (f_before - f_newest)
            ) * (f_other / (f_before - f_other))
        else:
            share = 0.5
        # A step to the other side of the root shrinks the bracket at both ends; less than a digit is no step.
        least = min(_LAST_DIGIT * abs(newest) / abs(width), 0.5)
        share = min(max(share, least), 1.0 - least)
    return newest if abs(f_newest) < abs(f_other) else other
