"""A plan: every step of a routine with its times and profiles, if all goes punctually."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from profiles import Profile, State
from sequencer.errors import ModelError, counted, did_you_mean
from sequencer.routine.routine import Routine


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """One step in the plan. Times in [s] from the start of the routine.

    Attributes:
        name: path of the step ("outer/inner" inside a performed routine).
        kind: move, flick, press, pulse, wait, set, choose, repeat or perform.
        start: when it becomes active.
        motion_start: when it moves: later than `start` where a gate holds it.
        end: when it is done, settled included.
        earliest_end, latest_end: the range of `end` if waits take one tick, or as long as their timeouts let them;
            infinite where a wait may last for ever.
        profiles: its motion by axis; time 0 of each is `motion_start`.
        marks: named instants of its motion, such as "through" [s from the start of the routine].
        slack: how much later it might end without making the routine longer [s]; None until the check has worked it
            out.
        axes: the axes that it moves.
        opened_by: the step whose motion opens its gate in the plan, or None.
        about: what the plan took for granted, in words; "" for nothing.
        estimated: whether something was taken for granted.
    """

    name: str
    kind: str
    start: float
    motion_start: float
    end: float
    earliest_end: float
    latest_end: float
    profiles: Mapping[str, Profile] = field(default_factory=dict)
    marks: Mapping[str, float] = field(default_factory=dict)
    slack: float | None = None
    axes: tuple[str, ...] = ()
    opened_by: str | None = None
    about: str = ""
    estimated: bool = False

    @property
    def duration(self) -> float:
        """From becoming active to done [s]."""
        return self.end - self.start

    def __repr__(self) -> str:
        return f"<{self.kind} {self.name}: {self.start:.3f} to {self.end:.3f} s>"


@dataclass(frozen=True, slots=True)
class Plan:
    """What a routine does if all goes punctually: advice, never a proof.

    `steps` stand in file order; steps of branches that the plan does not take are left out. `duration` [s] is when
    the last step is done. `critical` names the steps that make the routine as long as it is (empty until the check
    has worked it out). `values` are the parameters it was planned with, `initial` [m or rad] where each axis stands
    at the start, `trajectories` the profiles of each axis with the time [s] at which each begins.
    """

    routine: Routine
    steps: tuple[PlannedStep, ...]
    duration: float
    values: Mapping[str, float | str] = field(default_factory=dict)
    initial: Mapping[str, float] = field(default_factory=dict)
    trajectories: Mapping[str, tuple[tuple[float, Profile], ...]] = field(default_factory=dict)
    critical: tuple[str, ...] = ()

    def step(self, name: str) -> PlannedStep:
        """The planned step of that name.

        Raises:
            ModelError: the plan has no such step.
        """
        for step in self.steps:
            if step.name == name:
                return step
        raise ModelError(f"the plan of '{self.routine.name}' has no step '{name}'; {did_you_mean(name, self.names)}")

    @property
    def names(self) -> tuple[str, ...]:
        """The names of its steps, in file order."""
        return tuple(step.name for step in self.steps)

    def state(self, axis: str, time: float) -> State:
        """Where an axis is at `time` [s] from the start: position [m or rad], velocity, acceleration."""
        current = State(self.initial[axis])
        for begin, profile in self.trajectories.get(axis, ()):
            if begin > time:
                break
            current = profile.at(time - begin)
        return current

    def __repr__(self) -> str:
        return f"<Plan of {self.routine.name}: {counted(len(self.steps), 'step')}, {self.duration:.3f} s>"
