"""The matrix of changes between presets: one row a start, one column a goal, shaded by how much longer than the axes'
own motions it takes."""

from __future__ import annotations

from sequencer.ordering.preset_table import Change, PresetTable
from sequencer.report.look import picture
from sequencer.report.svg import Element, shortened, text_width

CELL_WIDTH, CELL_HEIGHT, HEAD, FOOT = 54.0, 26.0, 44.0, 46.0
_FILLS = {"at once": "#d9efe4", "gated": "#f8edc4", "detour": "#f6d3b8", "still": "#ffffff", "": "#f3c1c1"}
_WORDS = (("at once", "all axes at once"), ("gated", "with gates"), ("detour", "by a detour"), ("", "no way"))


def changes_svg(table: PresetTable) -> str:
    """The picture of all changes, as the text of an SVG document."""
    names = table.presets
    left = 24.0 + max((min(text_width(name, 12.0), 140.0) for name in names), default=40.0)
    lean = max((min(text_width(name, 12.0), 140.0) for name in names), default=40.0) * 0.72
    top = HEAD + lean
    width = max(left + CELL_WIDTH * len(names) + lean + 16.0, 420.0)
    height = top + CELL_HEIGHT * len(names) + FOOT
    clear = sum(1 for change in table if change.plan is not None)
    about = f"{clear} of {len(table)} changes between presets have a certified way; times in seconds"
    root = picture(width, height, f"Changes of {table.machine}", about)
    root.add("text", f"{table.machine}: from a row to a column [s]", x=16, y=26, font_size=15, class_="strong")
    for row, start in enumerate(names):
        y = top + row * CELL_HEIGHT
        root.add("text", shortened(start, 12.0, 140.0), x=left - 8, y=y + 17, font_size=12, text_anchor="end")
        column_x = left + (row + 0.5) * CELL_WIDTH
        root.add(
            "text",
            shortened(start, 12.0, 140.0),
            x=column_x,
            y=top - 8,
            font_size=12,
            transform=f"rotate(-45 {column_x:.1f} {top - 8:.1f})",
        )
        for column, goal in enumerate(names):
            _cell(root, left + column * CELL_WIDTH, y, None if goal == start else table.changes[start, goal])
    x, y = 16.0, height - 18.0
    for kind, words in _WORDS:
        root.add("rect", x=x, y=y - 11, width=14, height=14, style=f"fill:{_FILLS[kind]}")
        root.add("text", words, x=x + 19, y=y, font_size=11.5, class_="soft")
        x += 34.0 + text_width(words, 11.5)
    return str(root)


def _cell(root: Element, x: float, y: float, change: Change | None) -> None:
    group = root.add("g")
    if change is None:
        group.add("rect", x=x, y=y, width=CELL_WIDTH - 1, height=CELL_HEIGHT - 1, class_="band")
        return
    said = "no way" if change.duration is None else f"{change.duration:.3f} s, {change.kind}"
    group.add("title", f"{change.start} to {change.goal}: {said}" + (f"; {change.because}" if change.because else ""))
    group.add("rect", x=x, y=y, width=CELL_WIDTH - 1, height=CELL_HEIGHT - 1, style=f"fill:{_FILLS[change.kind]}")
    text = "none" if change.duration is None else f"{change.duration:.2f}"
    group.add("text", text, x=x + CELL_WIDTH / 2, y=y + 17, font_size=12, text_anchor="middle", style="fill:#23262b")
