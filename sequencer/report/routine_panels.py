"""The parts of a routine's picture: all that its proof covers, a step, a conflict, steps beside each other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from sequencer.check.finding import Finding
from sequencer.check.side_by_side import side_by_side
from sequencer.clearance.distance_words import millimetres
from sequencer.report.diagram_view import DiagramView
from sequencer.report.machine_facts import body_signs, draw_sign
from sequencer.report.routine_story import Story
from sequencer.report.scene import Scene, distance_words
from sequencer.report.svg import Element, shortened, wrapped
from sequencer.routine.afterwards import AFTERWARDS

if TYPE_CHECKING:
    from sequencer.check.advice import ClearanceAdvice

WIDTH, MARGIN, GAP = 1120.0, 24.0, 20.0
LARGE = 640.0
LINE = 17.0
CAPTION = 24.0
BOLD = 1.12
"""So much wider are texts in a heavy face [1]."""

BELOW = 22.0
"""Room for the scale below a picture [px]."""


class Panel:
    """A part of the page: `width` and `height` [px]; `heading` stands over the first of its kind."""

    heading = ""
    width = WIDTH - 2 * MARGIN
    height = 0.0

    def draw(self, root: Element, left: float, top: float) -> None:
        """Draw it with its upper left corner there [px]."""
        raise NotImplementedError


class Whole(Panel):
    """All that the routine sweeps, and its closest approach."""

    def __init__(self, story: Story) -> None:
        self.story = story
        self.scene = Scene(story.outlines, LARGE, story.corners())
        self.signs = list(body_signs(story.routine.machine, story.places()))
        self.words = self._words()
        beside = 30.0 + LINE * len(self.words) + 24.0 + 22.0 * (len(self.signs) + 3)
        self.height = max(self.scene.height + BELOW, beside)

    def draw(self, root: Element, left: float, top: float) -> None:
        story, scene = self.story, self.scene
        group = scene.open(root, left, top, "whole")
        scene.rails(group, story.ends[0])
        for name in reversed(story.sweeps):
            scene.sweep(group, name, story.sweeps[name])
        scene.still(group, story.places())
        for positions in story.ends:
            for name in story.sweeps:
                scene.body(group, name, positions, "ghost")
        near = self._closest()
        if near is not None:
            advice, positions = near
            for name in story.sweeps:
                scene.body(group, name, positions)
            scene.culprits(group, advice.between, positions)
            scene.measure(group, advice.between, positions, advice.least)
        scene.scale_bar(root, left + LARGE, top + scene.height + 14.0)
        self._beside(root, left + LARGE + GAP, top)

    def _beside(self, root: Element, left: float, top: float) -> None:
        group = root.add("g", transform=f"translate({left:.1f} {top:.1f})")
        y = 14.0
        for style, line in self.words:
            group.add("text", line, x=0, y=y, font_size=14 if style == "strong" else 12.5, class_=style)
            y += LINE + (4.0 if style == "strong" else 0.0)
        y += 14.0
        room = self.width - LARGE - GAP - 46.0
        signs = [*self.signs, ("body body-1 covers", "all that the proof covers, whatever the timing")]
        for sign, words in [*signs, ("body body-1 ghost", "where the plan leaves them after each step")]:
            draw_sign(group, sign, 0.0, y)
            group.add("text", shortened(words, 12, room), x=40, y=y + 4, font_size=12, class_="soft")
            y += 22.0

    def _closest(self) -> tuple[ClearanceAdvice, dict[str, float]] | None:
        advice, plan = self.story.examination.clearance, self.story.examination.plan
        if advice is None or plan is None:
            return None
        positions = self.story.positions(advice.at)
        step = next((one.name for one in plan.steps if one.profiles and one.start <= advice.at <= one.end), None)
        places = self.story.places(step)
        return advice, {**positions, **self.story.nearest_places(advice.between, positions, places)}

    def _words(self) -> list[tuple[str, str]]:
        advice, plan = self.story.examination.clearance, self.story.examination.plan
        room = self.width - LARGE - GAP
        words: list[tuple[str, str]] = []
        if advice is not None and plan is not None:
            words.append(("strong", "Closest approach, if punctual"))
            active = [step.name for step in plan.steps if step.profiles and step.start <= advice.at <= step.end]
            during = f" in {' and '.join(active)}" if active else ""
            margin = f"; {millimetres(advice.margin)} must remain" if advice.margin else ""
            names = [name for name in advice.between if self.story.outlines.is_piece(name)]
            there = f", if {names[0]} is there" if names else ""
            far = f"{distance_words(advice.least)} at {advice.at:.2f} s"
            text = f"{' and '.join(advice.between)}: {far}{during}{there}{margin}."
            words += [("soft", line) for line in wrapped(text, 12.5, room)]
            if advice.gates_cost:
                text = f"Gates make the plan {advice.gates_cost * 1e3:.0f} ms longer."
                words += [("soft", line) for line in wrapped(text, 12.5, room)]
        return words


class Step(Panel):
    """What bodies sweep while one step moves."""

    heading = "Step by step"

    def __init__(self, story: Story, step: str, width: float, corners: Sequence[Mapping[str, float]]) -> None:
        self.story, self.step = story, step
        self.width = width
        self.scene = Scene(story.outlines, width, corners, 250.0)
        self.words = wrapped(self._words(), 11, width - 8)
        self.height = self.scene.height + CAPTION + 14.0 * len(self.words)

    def draw(self, root: Element, left: float, top: float) -> None:
        story, scene = self.story, self.scene
        name = f"step-{story.swept.moving_steps().index(self.step)}"
        group = scene.open(root, left, top, name)
        scene.rails(group, story.ends[0])
        for body in reversed(story.sweeps):
            scene.sweep(group, body, [sweep for sweep in story.sweeps[body] if self.step in sweep.steps])
        scene.still(group, story.places(self.step))
        plan = story.examination.plan
        planned = None if plan is None else next((one for one in plan.steps if one.name == self.step), None)
        if planned is not None:
            for body in story.sweeps:
                scene.body(group, body, story.positions(planned.end), "ghost" if not planned.profiles else "")
        y = top + scene.height + 16.0
        root.add("text", shortened(self.step, 13, self.width), x=left + 4, y=y, font_size=13, class_="strong")
        for line in self.words:
            y += 14.0
            root.add("text", line, x=left + 4, y=y, font_size=11, class_="soft")

    def _words(self) -> str:
        one = next(one for one in self.story.swept.order.occurrences if one.name == self.step)
        axes = self.story.routine.machine.axes
        words = []
        for axis in one.axes:
            spans = [phases.table[one.number, axis].whole for phases in self.story.swept.phases]
            low, high = min(low for low, _ in spans), max(high for _, high in spans)
            words.append(f"{axis} {axes[axis].show(low)} to {axes[axis].show(high)}")
        touching = one.node.step.touching
        if touching is not None:
            meant = [" or ".join(self.story.routine.machine.bodies_meant(name)) for name in touching]
            return f"{', '.join(words)}; {' and '.join(meant)} may touch and overlap here"
        return ", ".join(words)


class Diagrams(Panel):
    """Diagrams of two steps in one row."""

    heading = "Side by side"

    def __init__(self, row: Sequence[DiagramView]) -> None:
        self.row = row
        self.height = max(view.height for view in row)

    def draw(self, root: Element, left: float, top: float) -> None:
        for index, view in enumerate(self.row):
            view.draw(root, left + index * (view.width + GAP), top)


def title_of(what: str, finding: Finding) -> str:
    """What stands over a conflict; one in what runs afterwards says so."""
    place = (finding.step or "").partition("/")[0]
    return f"{what}, {place}" if place in AFTERWARDS else what


class Conflict(Panel):
    """Two bodies where they come too near each other, in words beside, and the diagram of the two steps."""

    def __init__(self, story: Story, finding: Finding, name: str) -> None:
        self.story, self.finding, self.name = story, finding, name
        assert finding.witness is not None
        self.witness = finding.witness
        self.scene = Scene(story.outlines, 560.0, [*story.corners(), self.witness.places], 560.0)
        room = self.width - self.scene.width - GAP
        self.message = wrapped(f"{finding.message}.", 12.5, room)
        self.hint = wrapped(finding.hint, BOLD * 12.5, room)
        self.diagram: DiagramView | None = None
        plan = story.examination.plan
        if len(self.witness.steps) == 2 and plan is not None and set(self.witness.steps) <= set(plan.names):
            shown = side_by_side(story.swept, plan, *self.witness.steps, witness=self.witness)
            self.diagram = DiagramView(shown, min(room, 420.0), False)
        self.words = 26.0 + LINE * (len(self.message) + len(self.hint)) + 22.0
        beside = self.words + (self.diagram.height if self.diagram is not None else 0.0)
        self.height = max(self.scene.height + BELOW, beside) + 12.0

    def draw(self, root: Element, left: float, top: float) -> None:
        story, scene, witness = self.story, self.scene, self.witness
        group = scene.open(root, left, top, self.name)
        scene.rails(group, witness.places)
        for body in witness.between:
            if body in story.sweeps:
                scene.sweep(group, body, [one for one in story.sweeps[body] if one.steps & set(witness.steps)])
        scene.still(group, {name: (witness.places[name],) * 2 for name in story.places()})
        for body in story.outlines.order():
            if body in story.sweeps and not story.outlines.is_piece(body):
                scene.body(group, body, witness.places)
        scene.culprits(group, witness.between, witness.places)
        scene.measure(group, witness.between, witness.places, witness.distance)
        scene.scale_bar(root, left + scene.width, top + scene.height + 14.0)
        x, y = left + scene.width + GAP, top + 14.0
        title = shortened(title_of(" and ".join(witness.between), self.finding), 14, self.width - scene.width - GAP)
        root.add("text", title, x=x, y=y, font_size=14, class_="strong")
        y += 22.0
        for style, lines in (("soft", self.message), ("strong", self.hint)):
            for line in lines:
                root.add("text", line, x=x, y=y, font_size=12.5, class_=style)
                y += LINE
            y += 6.0
        if self.diagram is not None:
            self.diagram.draw(root, x, top + self.words)
