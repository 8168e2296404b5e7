"""A profile drawn as SVG: position, velocity, acceleration and jerk over time, with the standard library alone."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from profiles.profile import Profile

_WIDTH, _ROW, _GAP, _LEFT, _TOP = 520.0, 78.0, 14.0, 84.0, 24.0
_COLOURS = ("#3b6fb6", "#2f8f5b", "#b8721d", "#a1467e")


class _Stretch(NamedTuple):
    """A quantity over one piece: times, values and slopes at both ends; exact for a cubic."""

    begin: float
    end: float
    first: float
    last: float
    first_slope: float
    last_slope: float


def picture(profile: Profile) -> str:
    """The profile as one SVG element; curves are exact, since each piece of a cubic is one Bezier curve.

    Args:
        profile: Any profile; one without duration is drawn as its place.

    >>> from profiles import Limits, trapezoid
    >>> picture(trapezoid(0.0, 1.0, Limits(1.0, 2.0)))[:4]
    '<svg'
    """
    height = _TOP + 4 * _ROW + 3 * _GAP + 26.0
    found = profile.extremes()
    jerks = [part.jerk for part in profile.segments] or [0.0]
    ranges = (found[0:2], found[2:4], found[4:6], (min(jerks), max(jerks)))
    rows = zip(("position", "velocity", "acceleration", "jerk"), _COLOURS, _stretches(profile), ranges, strict=True)
    duration = profile.duration or 1.0
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:.0f} {height:.0f}" width="{_WIDTH:.0f}" '
        f'height="{height:.0f}" font-family="sans-serif" font-size="11" fill="none">',
        f"<title>{escape(repr(profile))}</title>",
        f'<text x="{_LEFT:.0f}" y="14" fill="#777">{escape(repr(profile)[1:-1])}</text>',
    ]
    for k, (name, colour, stretches, (low, high)) in enumerate(rows):
        parts += _row(name, colour, stretches, low, high, _TOP + k * (_ROW + _GAP), duration)
    bottom = _TOP + 4 * _ROW + 3 * _GAP
    for name, time in profile.marks.items():
        x = _x(time, duration)
        parts.append(f'<path d="M{x:.2f} {_TOP}V{bottom}" stroke="#777" stroke-dasharray="3 3"/>')
        parts.append(f'<text x="{x + 3:.2f}" y="{_TOP + 10}" fill="#777">{escape(name)}</text>')
    parts.append(f'<text x="{_LEFT}" y="{bottom + 16}" fill="#777">0 s</text>')
    parts.append(
        f'<text x="{_WIDTH - 8}" y="{bottom + 16}" fill="#777" text-anchor="end">{profile.duration:.6g} s</text></svg>'
    )
    return "\n".join(parts)


def _stretches(profile: Profile) -> list[list[_Stretch]]:
    rows: list[list[_Stretch]] = [[], [], [], []]
    for part in profile.segments:
        begin, end = part.start_time, part.start_time + part.duration
        (p0, v0, a0), (p1, v1, a1), j = part.start, part.end, part.jerk
        for row, (first, last, first_slope, last_slope) in zip(
            rows, ((p0, p1, v0, v1), (v0, v1, a0, a1), (a0, a1, j, j), (j, j, 0.0, 0.0)), strict=True
        ):
            row.append(_Stretch(begin, end, first, last, first_slope, last_slope))
    if not profile.segments:
        for row, value in zip(rows, (*profile.start, 0.0), strict=True):
            row.append(_Stretch(0.0, 1.0, value, value, 0.0, 0.0))
    return rows


def _row(
    name: str, colour: str, stretches: Sequence[_Stretch], low: float, high: float, top: float, duration: float
) -> list[str]:
    if high - low <= 1e-12 * max(abs(low), abs(high)):
        low, high = low - 0.5, high + 0.5

    def y(value: float) -> float:
        return top + _ROW * (high - value) / (high - low)

    path = ""
    at = None
    for stretch in stretches:
        ordinates = _ordinates(stretch)
        if at is None or abs(y(ordinates[0]) - y(at)) > 0.005:
            path += f"{'M' if at is None else 'L'}{_x(stretch.begin, duration):.2f} {y(ordinates[0]):.2f}"
        third = (stretch.end - stretch.begin) / 3.0
        points = (
            f"{_x(stretch.begin + k * third, duration):.2f} {y(ordinate):.2f}"
            for k, ordinate in enumerate(ordinates)
            if k > 0
        )
        path += "C" + " ".join(points)
        at = ordinates[-1]
    lines = [f'<path d="M{_LEFT} {y(0.0):.2f}H{_WIDTH - 8}" stroke="#bbb"/>'] if low <= 0.0 <= high else []
    return [
        *lines,
        f'<path d="{path}" stroke="{colour}" stroke-width="1.8" stroke-linejoin="round"/>',
        f'<text x="{_LEFT - 8}" y="{top + 0.5 * _ROW + 4:.2f}" fill="{colour}" text-anchor="end">{name}</text>',
        f'<text x="{_LEFT - 8}" y="{top + 9:.2f}" fill="#777" text-anchor="end">{_label(high, high - low)}</text>',
        f'<text x="{_LEFT - 8}" y="{top + _ROW:.2f}" fill="#777" text-anchor="end">{_label(low, high - low)}</text>',
    ]


def _label(value: float, range_of_row: float) -> str:
    return f"{0.0 if abs(value) <= 1e-9 * range_of_row else value:.4g}"


def _ordinates(stretch: _Stretch) -> tuple[float, float, float, float]:
    """The control points of the Bezier curve that is the cubic with these ends and slopes."""
    third = (stretch.end - stretch.begin) / 3.0
    return (
        stretch.first,
        stretch.first + third * stretch.first_slope,
        stretch.last - third * stretch.last_slope,
        stretch.last,
    )


def _x(time: float, duration: float) -> float:
    return _LEFT + (_WIDTH - 8.0 - _LEFT) * time / duration
