"""Draws one motion three ways, side by side: trapezoid, S-curve and flick, with the limits that each keeps.

    python demos/profiles_gallery/gallery.py [file.svg]

The axis is a hoist that brings a paper lantern up to the eaves; gravity lets it brake harder than it speeds up. The
flick lets a float pass the edge of the pond at 1.2 m/s and then comes to rest.
"""

from __future__ import annotations

import sys
from pathlib import Path

from profiles import Limits, Profile, State, flick, s_curve, trapezoid

try:
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot
except ImportError:
    raise SystemExit("The gallery needs matplotlib: pip install 'stepgraph[plot]'") from None

LIMITS = Limits(velocity=(-1.5, 1.5), acceleration=(-6.0, 4.0), jerk=40.0)
QUANTITIES = ("position [m]", "speed [m/s]", "acceleration [m/s²]", "jerk [m/s³]")
COLOURS = ("#3b6fb6", "#2f8f5b", "#b8721d", "#a1467e")
# Samples that draw the curve of one piece.
DENSITY = 12


def motions() -> dict[str, Profile]:
    """The three columns."""
    return {
        "trapezoid": trapezoid(0.0, 1.0, LIMITS),
        "S-curve": s_curve(0.0, 1.0, LIMITS),
        "flick": flick(0.0, State(0.45, 1.2), 1.0, LIMITS),
    }


def curves(profile: Profile) -> list[list[float]]:
    """Times, then position, velocity, acceleration and jerk at these times; both values where one jumps."""
    rows: list[list[float]] = [[] for _ in range(5)]
    for part in profile.segments:
        for k in range(DENSITY + 1):
            elapsed = part.duration * k / DENSITY
            values = (part.start_time + elapsed, *part.state_after(elapsed), part.jerk)
            for row, value in zip(rows, values, strict=True):
                row.append(value)
    return rows


def draw(path: Path) -> None:
    """Writes the picture; the format is that of the file's ending."""
    pyplot.rcParams.update(
        {
            "svg.hashsalt": "gallery",
            "svg.fonttype": "none",
            "font.size": 9,
            "axes.spines.top": False,
            "axes.spines.right": False,
        }
    )
    columns = motions()
    figure, grid = pyplot.subplots(4, 3, figsize=(10.5, 7.6), sharex=True, sharey="row", layout="constrained")
    for column, (name, profile) in enumerate(columns.items()):
        # A trapezoid pays no heed to the jerk limit.
        jerks = () if name == "trapezoid" else (-LIMITS.jerk, LIMITS.jerk)
        limits = ((), LIMITS.velocity, LIMITS.acceleration, jerks)
        times, *rows = curves(profile)
        for axes, values, colour, bounds in zip(grid[:, column], rows, COLOURS, limits, strict=True):
            axes.axhline(0.0, color="#cccccc", linewidth=0.8)
            for bound in bounds:
                axes.axhline(bound, color="#c0392b", linewidth=0.9, linestyle=(0, (5, 3)))
            axes.plot(times, values, color=colour, linewidth=1.8, solid_joinstyle="round")
            axes.fill_between(times, values, color=colour, alpha=0.08, linewidth=0)
            axes.axvline(profile.duration, color="#999999", linewidth=0.8, linestyle=":")
            for instant in profile.marks.values():
                axes.axvline(instant, color="#555555", linewidth=0.9, linestyle="--")
        grid[0, column].set_title(f"{name}: {profile.duration:.3f} s", loc="left", fontweight="bold")
        grid[3, column].set_xlabel("time [s]")
    for axes, quantity in zip(grid[:, 0], QUANTITIES, strict=True):
        axes.set_ylabel(quantity)
    grid[3, 0].text(
        0.03, 0.72, "jumps of the acceleration\nare impulses of jerk", transform=grid[3, 0].transAxes, color="#666666"
    )
    through = columns["flick"].marks["through"]
    grid[0, 2].annotate(
        "through 0.45 m\nat 1.2 m/s",
        (through, 0.45),
        (through + 0.12, 0.1),
        color="#444444",
        arrowprops={"arrowstyle": "->", "color": "#777777"},
    )
    grid[1, 0].annotate("limits", (0.02, -1.36), color="#c0392b")
    figure.savefig(path, metadata={"Date": None} if path.suffix == ".svg" else None, dpi=110)
    pyplot.close(figure)


if __name__ == "__main__":
    draw(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_name("gallery.svg"))
