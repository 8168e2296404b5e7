"""Distances between bodies in words, in millimetres throughout."""

from __future__ import annotations

_TOUCHING = 1e-6
"""Bodies nearer than this are said to touch [m]."""

_FEWEST, _MOST = 3, 12
"""So many significant digits are shown: more than the fewest only where a difference would not show."""


def millimetres(length: float, beside: float | None = None) -> str:
    """A length [m] for people, with digits enough to tell it from the one `beside` it.

    >>> millimetres(0.009997, 0.01)
    '9.997 mm'
    """
    for digits in range(_FEWEST, _MOST):
        text = _shown(length, digits)
        if beside is None or beside == length or text != _shown(beside, digits):
            return text
    return _shown(length, _FEWEST)


def apart(distance: float, margin: float = 0.0) -> str:
    """How near two bodies are and what must remain, both [m], as a part of a sentence.

    >>> apart(-0.00867, 0.01)
    'overlap by 8.67 mm (10 mm must remain)'
    """
    if abs(distance) < _TOUCHING:
        return f"touch{must_remain(margin)}"
    if distance < 0.0:
        return f"overlap by {millimetres(-distance)}{must_remain(margin)}"
    found = millimetres(distance, margin or None)
    if margin and found == millimetres(margin):
        return f"are {found} apart (more must remain)"
    return f"are {found} apart{must_remain(margin)}"


def must_remain(margin: float) -> str:
    """The margin [m] in brackets; empty where there is none."""
    return f" ({millimetres(margin)} must remain)" if margin else ""


def _shown(length: float, digits: int) -> str:
    value = 1e3 * length
    return f"{value:.0f} mm" if abs(value) >= 10.0**digits else f"{value:.{digits}g} mm"
