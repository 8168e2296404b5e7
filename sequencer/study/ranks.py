"""Which variable goes with failures: Spearman's rank correlation.

C. Spearman, The proof and measurement of association between two things, American Journal of Psychology 15 (1904)
72-101: the correlation of the ranks, equal values sharing the mean of theirs. Of n independent pairs it lies about as a
normal variable of deviation 1/sqrt(n - 1) around 0 (M. G. Kendall, Rank Correlation Methods, 1948), which says what
counts as more than chance.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from statistics import NormalDist
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

CHANCE = 0.01
"""How likely chance alone makes at least one of all variables count [1]."""


class Influence(NamedTuple):
    """A variable that goes with something: by its rank correlation, from -1 to 1, and where it has more of it: at
    `high` or `low` values, at `both ends` or in the `middle` of its range. `counts`: it is more than chance."""

    name: str
    correlation: float
    where: Literal["high", "low", "both ends", "middle"]
    counts: bool


def ranks(values: npt.ArrayLike) -> Floats:
    """Ranks from 1 on, shape (n,); equal values share the mean of theirs.

    >>> ranks([10.0, 30.0, 20.0, 20.0]).tolist()
    [1.0, 4.0, 2.5, 2.5]
    """
    _, place, count = np.unique(np.asarray(values, dtype=np.float64), return_inverse=True, return_counts=True)
    last = np.cumsum(count)
    means: Floats = last - 0.5 * (count - 1)
    return means[place]


def rank_correlation(one: npt.ArrayLike, other: npt.ArrayLike) -> float:
    """Spearman's rank correlation, from -1 to 1; 0 where one of them is the same throughout.

    Args:
        one: values, shape (n,).
        other: those beside them, shape (n,).

    >>> rank_correlation([1.0, 2.0, 3.0, 4.0], [2.0, 4.0, 8.0, 16.0])
    1.0
    """
    first, second = ranks(one), ranks(other)
    first, second = first - first.mean(), second - second.mean()
    scale = sqrt(float(first @ first) * float(second @ second))
    return float(first @ second) / scale if scale > 0.0 else 0.0


def influences(names: Sequence[str], values: npt.ArrayLike, target: npt.ArrayLike) -> tuple[Influence, ...]:
    """How each variable goes with a target, strongest first.

    Besides its own rank, the distance of the rank from the middle is tried, for what happens at both ends of a range.

    Args:
        names: of the variables.
        values: of the variables, shape (n, k).
        target: what they may explain, shape (n,), such as 1.0 for each failure and 0.0 else.
    """
    table, asked = np.asarray(values, dtype=np.float64), np.asarray(target, dtype=np.float64)
    if len(asked) < 3 or not names:
        return ()
    # Two correlations for each variable, each of two signs.
    least = NormalDist().inv_cdf(1.0 - CHANCE / (4.0 * len(names))) / sqrt(len(asked) - 1.0)
    found = []
    for number, name in enumerate(names):
        along = ranks(table[:, number])
        straight = rank_correlation(along, asked)
        ends = rank_correlation(np.abs(along - 0.5 * (len(along) + 1.0)), asked)
        if abs(straight) >= abs(ends):
            found.append(Influence(name, straight, "high" if straight >= 0.0 else "low", abs(straight) > least))
        else:
            found.append(Influence(name, ends, "both ends" if ends >= 0.0 else "middle", abs(ends) > least))
    return tuple(sorted(found, key=lambda one: -abs(one.correlation)))
