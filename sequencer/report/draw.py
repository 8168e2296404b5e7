"""A machine as a picture: the space of each pair of axes with its keep-outs, and the side view at each preset."""

from __future__ import annotations

from itertools import combinations

from sequencer.errors import counted
from sequencer.machine.axis import Axis
from sequencer.machine.interlock import KeepOut, MustStay
from sequencer.machine.machine import Machine
from sequencer.report.axis_map import AxisMap
from sequencer.report.look import PLAIN, picture
from sequencer.report.machine_facts import MachineFacts, limits_of
from sequencer.report.outlines import BODY_SHADES
from sequencer.report.side_view import SideView
from sequencer.report.svg import shortened

WIDTH = 1120.0
MARGIN = 24.0
GAP = 20.0


def machine_svg(machine: Machine) -> str:
    """The machine as the text of an SVG file; the same machine gives the same text."""
    placed = [axis for axis in machine.axes.values() if axis.travel is not None]
    pairs = list(combinations(placed, 2))
    columns = 2 if len(pairs) in (0, 1, 3) else 3
    width = (WIDTH - 2 * MARGIN - (columns - 1) * GAP) / columns
    maps = [AxisMap(machine, first, second, width) for first, second in pairs]
    alone = len(maps) % columns == 0
    panels: list[AxisMap | MachineFacts] = [*maps, MachineFacts(machine, WIDTH - 2 * MARGIN if alone else width)]
    view = SideView(machine, WIDTH - 2 * MARGIN)
    rows = [panels[index : index + columns] for index in range(0, len(panels), columns)]
    top = 84.0
    heights = [max(panel.height for panel in row) for row in rows]
    maps_height = sum(heights) + GAP * len(rows) + 28.0
    root = picture(
        WIDTH,
        top + maps_height + view.height + MARGIN,
        f"Machine {machine.name}",
        f"{counted(len(placed), 'axis', 'axes')} with travel, {counted(len(machine.presets), 'preset')}, "
        f"{counted(len(machine.interlocks), 'interlock')}"
        + (f", {len(machine.bodies)} bodies" if machine.bodies else ""),
        BODY_SHADES if machine.bodies else PLAIN,
    )
    root.add("text", machine.name, x=MARGIN, y=38, font_size=20, class_="strong")
    about = _about(machine)
    root.add("text", shortened(about, 13, WIDTH - 2 * MARGIN), x=MARGIN, y=60, font_size=13, class_="soft")
    if pairs:
        root.add("text", "Where the axes may be", x=MARGIN, y=top + 12, font_size=14, class_="strong")
    y = top + 28.0
    for row, height in zip(rows, heights, strict=True):
        for index, panel in enumerate(row):
            panel.draw(root, MARGIN + index * (width + GAP), y)
        y += height + GAP
    view.draw(root, MARGIN, top + maps_height)
    return str(root)


def machine_text(machine: Machine) -> str:
    """The machine as tables for a terminal."""
    axes: list[tuple[str, ...]] = [("axis", "kind", "travel", "speed", "acceleration", "carried by")]
    axes += [_axis_row(axis) for axis in machine.axes.values()]
    lines = [f"{machine.name}: {_about(machine)}", "", *_table(axes)]
    if machine.presets:
        names = [axis.name for axis in machine.axes.values() if axis.travel is not None]
        table: list[tuple[str, ...]] = [("preset", *names)]
        for preset in machine.presets.values():
            values = [machine.axes[n].show(preset.positions[n]) if n in preset.positions else "-" for n in names]
            table.append((preset.name, *values))
        lines += ["", *_table(table)]
    if machine.interlocks:
        lines.append("")
    lines += [f"{interlock.name}: {interlock_words(machine, interlock)}" for interlock in machine.interlocks]
    return "\n".join(lines) + "\n"


def interlock_words(machine: Machine, interlock: KeepOut | MustStay) -> str:
    """An interlock in words: what it forbids or demands, when, and why."""
    if isinstance(interlock, KeepOut):
        box = " and ".join(
            f"{name} {machine.axes[name].show(low)} to {machine.axes[name].show(high)}"
            for name, (low, high) in interlock.box
        )
        text = f"keep out of {box}" + (f" when {interlock.when}" if interlock.when is not None else "")
    else:
        text = f"{', '.join(interlock.axes)} may only move while {interlock.condition}"
    return text + (f", because {interlock.because}" if interlock.because else "")


def _about(machine: Machine) -> str:
    parts = [
        _count(len(machine.axes), "axis", "axes"),
        _count(len(machine.sensors), "sensor"),
        _count(len(machine.outputs), "output"),
        _count(len(machine.presets), "preset"),
        _count(len(machine.interlocks), "interlock"),
        *([_count(len(machine.bodies), "body", "bodies")] if machine.bodies else []),
        f"a tick every {machine.period / 1e6:g} ms",
    ]
    return ", ".join(parts) + (f"; with {', '.join(machine.overlays)}" if machine.overlays else "")


def _count(number: int, one: str, many: str | None = None) -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"


def _axis_row(axis: Axis) -> tuple[str, ...]:
    travel = "-" if axis.travel is None else f"{axis.show(axis.travel[0])} to {axis.show(axis.travel[1])}"
    return (
        axis.name,
        axis.kind,
        travel,
        *limits_of(axis),
        axis.mount.to,
    )


def _table(rows: list[tuple[str, ...]]) -> list[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    return [lines[0], "─" * min(sum(widths) + 2 * len(widths) - 2, 120), *lines[1:]]
