"""A checked routine from the side: all that its proof covers, the closest approach, and steps beside each other; or,
where it is not clear, how bodies come too near each other or the machine into a keep-out, and what would mend it."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.check.finding import Examination
from sequencer.check.side_by_side import side_by_side
from sequencer.errors import ModelError, counted
from sequencer.plan.planned import Plan
from sequencer.report.diagram_view import DiagramView
from sequencer.report.look import picture
from sequencer.report.outlines import BODY_SHADES
from sequencer.report.routine_panels import BOLD, GAP, MARGIN, WIDTH, Conflict, Diagrams, Panel, Step, Whole
from sequencer.report.routine_story import Story
from sequencer.report.svg import shortened
from sequencer.report.way_in_view import WayInView
from sequencer.routine.routine import Routine

TOP = 84.0
TOGETHER = 480.0
MOST_COLUMNS = 5
MOST_STEPS = 24
MOST_CONFLICTS = 6


def routine_svg(routine: Routine, examination: Examination) -> str:
    """What a check found about the bodies of a routine and the keep-outs that it gets into, as the text of an SVG file;
    the same gives the same text.

    Args:
        routine: on a machine with bodies, or with ways into a keep-out.
        examination: what `examine` found about it.

    Raises:
        ModelError: its machine has no bodies, and there is no way into a keep-out either, or the routine cannot be laid
            out.
    """
    refused = [finding for finding in examination.findings if finding.refuses]
    ways = [finding for finding in refused if finding.way_in is not None][:MOST_CONFLICTS]
    told = [finding for finding in refused if finding.witness is not None][:MOST_CONFLICTS]
    panels: list[Panel] = [WayInView(routine.machine, examination, finding) for finding in ways]
    if routine.machine.bodies or not ways:
        story = Story(routine, examination)
        panels += [Conflict(story, finding, f"conflict-{k}") for k, finding in enumerate(told)]
        if not told:
            panels.append(Whole(story))
            panels += _steps(story)
            clear = examination.verdict == "clear"
            panels += _diagrams([DiagramView(one, _third(), clear) for one in story.diagrams()])
    return _document(routine, examination, panels)


def together_svg(routine: Routine, examination: Examination, first: str, second: str) -> str:
    """The coordination diagram of two steps as the text of an SVG file.

    Args:
        routine: on a machine with bodies.
        examination: what `examine` found about it.
        first: path of a step, the abscissa.
        second: path of another, of other axes.

    Raises:
        ModelError: there is no such step, or the two cannot be beside each other.
    """
    story = Story(routine, examination)
    if examination.plan is None:
        raise ModelError(f"'{routine.name}' cannot be planned, so that its steps cannot be put beside each other")
    shown = side_by_side(story.swept, examination.plan, first, second)
    view = DiagramView(shown, TOGETHER, examination.verdict == "clear")
    return _document(routine, examination, _diagrams([view]), TOGETHER)


def _steps(story: Story) -> list[Panel]:
    names = story.swept.moving_steps()[:MOST_STEPS]
    columns = min(MOST_COLUMNS, max(len(names), 1))
    width = (WIDTH - 2 * MARGIN - (columns - 1) * GAP) / max(columns, 3)
    corners = story.corners()
    return [Step(story, name, width, corners) for name in names]


def _third() -> float:
    return (WIDTH - 2 * MARGIN - 2 * GAP) / 3.0


def _diagrams(views: list[DiagramView]) -> list[Panel]:
    return [Diagrams(views[index : index + 3]) for index in range(0, len(views), 3)]


def _document(
    routine: Routine, examination: Examination, panels: Sequence[Panel], wide: float = WIDTH - 2 * MARGIN
) -> str:
    """The page: panels of one kind side by side as far as they fit into `wide` [px], the others below each other."""
    rows: list[list[Panel]] = []
    for panel in panels:
        row = rows[-1] if rows else []
        used = sum(one.width + GAP for one in row)
        if row and type(row[0]) is type(panel) and used + panel.width <= wide + 1.0:
            row.append(panel)
        else:
            rows.append([panel])
    y, placed, heading = TOP, [], ""
    for row in rows:
        if row[0].heading and row[0].heading != heading:
            y += 28.0
        placed.append(y)
        heading = row[0].heading
        y += max(panel.height for panel in row) + GAP
    about = _about(routine, examination)
    root = picture(wide + 2 * MARGIN, y + MARGIN - GAP, f"Routine {routine.name} from the side", about, BODY_SHADES)
    root.add("text", shortened(routine.name, BOLD * 20, wide), x=MARGIN, y=38, font_size=20, class_="strong")
    style = "soft" if examination.verdict == "clear" else "bad-text"
    root.add("text", shortened(about, 13, wide), x=MARGIN, y=60, font_size=13, class_=style)
    heading = ""
    for row, top in zip(rows, placed, strict=True):
        if row[0].heading and row[0].heading != heading:
            root.add("text", row[0].heading, x=MARGIN, y=top - 12, font_size=14, class_="strong")
        heading = row[0].heading
        for index, panel in enumerate(row):
            panel.draw(root, MARGIN + index * (panel.width + GAP), top)
    return str(root)


def _about(routine: Routine, examination: Examination) -> str:
    plan: Plan | None = examination.plan
    lasts = f", {plan.duration:.2f} s, {counted(len(plan.steps), 'step')}" if plan is not None else ""
    over = f"; with {', '.join(routine.machine.overlays)}" if routine.machine.overlays else ""
    return f"{examination.verdict}{lasts}, on {routine.machine.name}{over}"
