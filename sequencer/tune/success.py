"""From labelled attempts to the timing that works: the window of success with its posterior, and what to try next.

An attempt at timing t succeeds with p(t) = p_max (Phi((c + w - t)/s) - Phi((c - w - t)/s)): inside a window of half
width w about c it works p_max of the time, and the edges are blurred by the machine's own spread s. The posterior of
(c, w, s, p_max) is summed exactly over a grid. The next timing is that which is best in one draw from the posterior (W.
R. Thompson, On the likelihood that one unknown probability exceeds another, Biometrika 25 (1933) 285-294): so it is
tried where it may well be best, and not only where it is best already.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache
from math import erf, isfinite, sqrt
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sequencer.errors import ModelError
from sequencer.rates import Rate, wilson

Array = NDArray[np.float64]

CENTRES, WIDTHS, BLURS, TOPS = 61, 16, 12, 11
"""So many values of c, w, s and p_max make the grid [1]."""

DRAWS = 4000
"""So many draws stand for the posterior where quantiles are asked for [1]."""

NARROWEST, SHARPEST = 0.05, 0.02
"""The least half width of a window and the least blur, as shares of the range of timings [1]."""

LEAST_TOP = 0.5
"""A window in which less than this share succeeds is not worth the name [1]."""


class Attempt(NamedTuple):
    """One try: its timing, in the unit of the range, and whether it was made."""

    timing: float
    made: bool


class Band(NamedTuple):
    """The chance of success over timings, each of shape (n,): its mean in the posterior, and the interval about it."""

    timings: Array
    mean: Array
    low: Array
    high: Array


class Window(NamedTuple):
    """Mean and interval of one quantity of the window."""

    mean: float
    low: float
    high: float


class Success:
    """What attempts tell about the timing.

    Before any attempt the centre may lie anywhere in the range of timings or half a range beside it, each as likely;
    half width and blur are as likely to lie in one octave as in another, up to the range and half of it; p_max is as
    likely at 0.5 as at 1.

    Args:
        attempts: what was tried, in any order.
        low: the lowest timing that may be used.
        high: the highest.

    Raises:
        ModelError: no range, or a timing that is no number.
    """

    def __init__(self, attempts: Iterable[Attempt], low: float, high: float) -> None:
        self.attempts = tuple(Attempt(float(timing), bool(made)) for timing, made in attempts)
        if not (isfinite(low) and isfinite(high) and low < high):
            raise ModelError(f"timings from {low:g} to {high:g} are no range; there is nothing to choose")
        if not all(isfinite(one.timing) for one in self.attempts):
            raise ModelError("the timing of an attempt is no number")
        self.low, self.high = low, high
        span = high - low
        self._centres = np.linspace(low - 0.5 * span, high + 0.5 * span, CENTRES)
        self._widths = np.geomspace(NARROWEST * span, span, WIDTHS)
        self._blurs = np.geomspace(SHARPEST * span, 0.5 * span, BLURS)
        self._tops = np.linspace(LEAST_TOP, 1.0, TOPS)
        logarithm = np.log(_believed())
        counts: dict[float, list[int]] = {}
        for timing, made in self.attempts:
            counts.setdefault(timing, [0, 0])[made] += 1
        for timing, (missed, hit) in counts.items():
            chance = self._inside(timing)[..., None] * self._tops
            # Far outside the window a success is all but impossible, not impossible: somebody may have mislabelled it.
            chance = np.clip(chance, 1e-9, 1.0 - 1e-9)
            logarithm += hit * np.log(chance) + missed * np.log1p(-chance)
        weight = np.exp(logarithm - logarithm.max())
        self._weight = weight / weight.sum()

    def chance(self, timing: float) -> float:
        """The chance of success at a timing, as the posterior has it."""
        return float((self._weight * (self._inside(timing)[..., None] * self._tops)).sum())

    def best(self) -> tuple[float, float]:
        """The timing in the range at which the chance is greatest, and the chance."""
        timings = np.linspace(self.low, self.high, 201)
        means = self._means(timings)
        # A flat top has no best place; its middle is farthest from both edges.
        top = np.flatnonzero(means >= means.max() - 1e-9)
        timing = float(timings[top].mean())
        return timing, self.chance(timing)

    def proposal(self, seed: int) -> float:
        """The next timing to try: the best in one draw from the posterior, within the range.

        Args:
            seed: of the draw; the same gives the same.
        """
        (draw,) = self._draws(1, seed)
        centre = float(self._centres[draw[0]])
        return min(max(centre, self.low), self.high)

    def band(self, timings: Sequence[float] | Array, level: float = 0.9, seed: int = 0) -> Band:
        """The chance over timings.

        Args:
            timings: shape (n,).
            level: how sure the interval is.
            seed: of the draws that stand for the posterior.
        """
        known = np.asarray(timings, dtype=float)
        draws = self._draws(DRAWS, seed)
        centre, width = self._centres[draws[:, 0]], self._widths[draws[:, 1]]
        blur, top = self._blurs[draws[:, 2]], self._tops[draws[:, 3]]
        chances = np.array([top * _inside(centre, width, blur, timing) for timing in known])
        low, high = np.quantile(chances, (0.5 - 0.5 * level, 0.5 + 0.5 * level), axis=1)
        return Band(known, self._means(known), low, high)

    def centre(self, level: float = 0.9) -> Window:
        """Where the middle of the window lies."""
        return _summary(self._centres, self._weight.sum(axis=(1, 2, 3)), level)

    def half_width(self, level: float = 0.9) -> Window:
        """How far the window reaches to each side."""
        return _summary(self._widths, self._weight.sum(axis=(0, 2, 3)), level)

    def rate(self, level: float = 0.95) -> Rate | None:
        """The share that was made, whatever the timing; None where nothing was tried."""
        if not self.attempts:
            return None
        return wilson(sum(one.made for one in self.attempts), len(self.attempts), level)

    @property
    def doubt(self) -> str:
        """What these attempts cannot tell, in a sentence; "" where they tell both edges of a window."""
        if not self.attempts:
            return "Nothing was tried yet: every timing in the range is as good as another."
        made = [one.timing for one in self.attempts if one.made]
        missed = [one.timing for one in self.attempts if not one.made]
        if not missed:
            return "Every attempt was made: where it begins to fail is not known, nor how near that is."
        if not made:
            return "Every attempt was missed: where it works, or whether timing is what is wrong, is not known."
        below, above = min(missed) < min(made), max(missed) > max(made)
        if below and above:
            return ""
        if not (below or above):
            return "No miss lies outside what was made: the edges of the window are not known."
        side, other = ("lower", "higher") if below else ("higher", "lower")
        return f"Misses lie on the {side} side only: how far the window goes on the {other} side is not known."

    def as_json(self) -> dict[str, Any]:
        """Plain data: the best timing, the window and what is not known."""
        timing, chance = self.best()
        return {
            "attempts": len(self.attempts),
            "made": sum(one.made for one in self.attempts),
            "best": {"timing": timing, "chance": chance},
            "centre": self.centre()._asdict(),
            "half_width": self.half_width()._asdict(),
            "doubt": self.doubt or None,
        }

    def _inside(self, timing: float) -> Array:
        """Phi((c + w - t)/s) - Phi((c - w - t)/s) over the grid of c, w and s."""
        return _inside(self._centres[:, None, None], self._widths[:, None], self._blurs, timing)

    def _means(self, timings: Array) -> Array:
        share = (self._weight * self._tops).sum(axis=3)
        return np.array([(share * self._inside(timing)).sum() for timing in timings])

    def _draws(self, number: int, seed: int) -> NDArray[np.intp]:
        """Draws from the posterior as places in the grid, shape (number, 4)."""
        generator = np.random.default_rng(seed)
        flat = np.searchsorted(np.cumsum(self._weight.ravel()), generator.random(number), side="right")
        flat = np.minimum(flat, self._weight.size - 1)
        return np.stack(np.unravel_index(flat, self._weight.shape), axis=1)


@cache
def _believed() -> Array:
    """What is believed before any attempt, over the grid: each of its outermost values stands for half as much of the
    range as one within (trapezoidal rule)."""
    believed = np.ones((CENTRES, WIDTHS, BLURS, TOPS))
    for place in range(4):
        along = np.moveaxis(believed, place, 0)
        along[0] *= 0.5
        along[-1] *= 0.5
    return believed


def _inside(centre: Array, width: Array, blur: Array, timing: float) -> Array:
    return _normal((centre + width - timing) / blur) - _normal((centre - width - timing) / blur)


_REACH, _STEPS = 8.0, 32_000


@cache
def _table() -> tuple[Array, Array]:
    places = np.linspace(-_REACH, _REACH, _STEPS + 1)
    return places, np.array([0.5 * (1.0 + erf(place / sqrt(2.0))) for place in places])


def _normal(value: Array) -> Array:
    """The normal distribution function, from a table: within 1e-8."""
    places, known = _table()
    return np.interp(value, places, known)


def _summary(values: Array, weight: Array, level: float) -> Window:
    """Mean and central interval of a quantity that has weights at some values and is spread evenly between them."""
    total = np.cumsum(weight)
    edges = np.concatenate(([values[0]], 0.5 * (values[1:] + values[:-1]), [values[-1]]))
    cumulated = np.concatenate(([0.0], total / total[-1]))
    low, high = np.interp((0.5 - 0.5 * level, 0.5 + 0.5 * level), cumulated, edges)
    return Window(float((values * weight).sum() / total[-1]), float(low), float(high))
