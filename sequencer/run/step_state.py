"""One activation of a step: what it waits for, what it drives, since when. Made at activation, thrown away at
its end.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sequencer.run.terms import Edge, Test, Watch

if TYPE_CHECKING:
    from sequencer.run.definition import StepDefinition
    from sequencer.run.motion import Motion
    from sequencer.run.ways import Way

ROOT = -1
"""The parent of the steps that are in no block."""

IDLE, ACTIVE, ENDED, DEAD = range(4)
"""Where a step stands in its run: not yet active, active, ended, or never to start (a loser of a join, a branch not
taken).
"""


class Milestone:
    """A step that waits for the instant a profile passes a place. `instant` [ns of the motion clock] is None while it
    cannot be told.
    """

    __slots__ = ("axis", "fired", "instant", "lag", "lead", "place", "step")

    def __init__(self, step: int, place: float | None, axis: int | None, lead: int, lag: int) -> None:
        self.step = step
        self.place = place
        self.axis = axis
        self.lead = lead
        self.lag = lag
        self.instant: int | None = None
        self.fired = False


class Activation:
    """`since` [ns] and `tick` are those of the activation; `energised` [ns] is when the gate opened, None before.

    `held_places` says where each axis was when the run was held. `settled` [ns] counts, by axis, how long it has stood
    within tolerance. `passes` counts a repeat's passages. `way` is what a move goes along that looks it up.
    """

    __slots__ = (
        "attempt",
        "branch",
        "duration",
        "edges",
        "energised",
        "gate",
        "guards",
        "held_places",
        "last_entry_tick",
        "milestones",
        "motions",
        "must_stay",
        "outputs",
        "passes",
        "remaining",
        "sequence",
        "settled",
        "since",
        "skipped",
        "step",
        "tick",
        "timeout",
        "times",
        "watch",
        "way",
        "way_places",
    )

    def __init__(self, step: StepDefinition, since: int, tick: int, sequence: int) -> None:
        self.step = step
        self.since = since
        self.tick = tick
        self.sequence = sequence
        self.energised: int | None = None
        self.gate: Test | None = None
        self.edges: list[Edge] = []
        self.watch: Watch | None = None
        self.must_stay: Test | None = None
        self.duration: int | None = None
        self.timeout: int | None
        self.attempt: int
        self.motions: list[Motion] = []
        self.outputs: list[int] = []
        self.settled: list[int] = []
        self.milestones: list[Milestone] = []
        self.guards: list[Test] = []
        self.held_places: dict[int, float] = {}
        self.skipped = False
        self.branch = -1
        self.passes = 0
        self.times: int | None = None
        self.remaining: int
        self.last_entry_tick: int
        self.way: Way | None = None
        self.way_places: list[int] = []


def motion_of(activation: Activation, milestone: Milestone) -> Motion:
    """The axis whose profile a milestone belongs to."""
    if milestone.axis is None:
        return activation.motions[0]
    return next(motion for motion in activation.motions if motion.definition.index == milestone.axis)
