"""How sure a rate of success is: intervals for a binomial share.

Wilson's interval (E. B. Wilson, Probable inference, the law of succession, and statistical inference, Journal of the
American Statistical Association 22 (1927); method 3 of R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872). It
stays within 0 and 1 and covers about as often as it says, where the plain p +- z sqrt(p (1 - p)/n) does not (L. D.
Brown, T. T. Cai and A. DasGupta, Statistical Science 16 (2001) 101-133).
"""

from __future__ import annotations

from math import sqrt
from statistics import NormalDist
from typing import NamedTuple

from sequencer.errors import ModelError


class Rate(NamedTuple):
    """A share of successes and the interval about it, all from 0 to 1; of `made` in `tried`, sure to `level`."""

    share: float
    low: float
    high: float
    made: int
    tried: int
    level: float

    def __str__(self) -> str:
        spread = f"{100 * self.low:.0f} to {100 * self.high:.0f} %"
        return f"{self.made} of {self.tried} ({100 * self.share:.0f} %; {self.level:.0%} sure: {spread})"


def wilson(made: int, tried: int, level: float = 0.95) -> Rate:
    """The share of successes with Wilson's interval.

    (p + z^2/2n +- z sqrt(p (1 - p)/n + z^2/4n^2)) / (1 + z^2/n), z the two-sided normal quantile of the level.

    Args:
        made: successes.
        tried: attempts, at least one.
        level: how sure it is, between 0 and 1.

    Raises:
        ModelError: nothing was tried, more was made than tried, or the level is none.

    >>> str(wilson(81, 263))
    '81 of 263 (31 %; 95% sure: 26 to 37 %)'
    """
    if tried < 1:
        raise ModelError("a rate needs at least one attempt")
    if not 0 <= made <= tried:
        raise ModelError(f"{made} successes in {tried} attempts cannot be")
    if not 0.0 < level < 1.0:
        raise ModelError(f"a level of {level:g} is none; it lies between 0 and 1, such as 0.95")
    share = made / tried
    z = NormalDist().inv_cdf(0.5 + 0.5 * level)
    spread = z * sqrt(share * (1.0 - share) / tried + z * z / (4.0 * tried * tried))
    middle, scale = share + z * z / (2.0 * tried), 1.0 + z * z / tried
    # At the ends the closed form is exact but for rounding.
    low = 0.0 if made == 0 else (middle - spread) / scale
    high = 1.0 if made == tried else (middle + spread) / scale
    return Rate(share, low, high, made, tried, level)
