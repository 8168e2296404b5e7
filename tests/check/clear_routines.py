"""Random routines that are called clear, and as often as not only just: gates that were offered are pasted in."""

from __future__ import annotations

import re
from random import Random

from random_world import Pairs, Source, grown, routine_of, ways_back, with_gate

from sequencer.check import Finding, examine
from sequencer.machine.machine import Machine
from sequencer.routine.routine import Routine
from sequencer.routine.steps import Step

LINE = re.compile(r"this line mends it: ([\w/]+): once: (.*?)(?:  # instead of: .*)?$")


def lines_of(finding: Finding) -> tuple[str, str] | None:
    """The step and the gate that a finding offers."""
    match = LINE.search(finding.hint or "")
    return (match[1], match[2]) if match else None


def clear_routine(
    random: Random, machine: Machine, start: str, touching: Pairs = (), most: int = 6
) -> tuple[Routine, int]:
    """A routine that is called clear, half of them with something that runs after a cancel or a fault; and how many of
    its steps have a gate that was offered."""
    source, mended = Source(random, touching), set()

    def accepted(steps: tuple[Step, ...]) -> tuple[Step, ...] | None:
        for _ in range(3):
            found = examine(routine_of(machine, steps, start))
            if found.verdict == "clear":
                return steps
            refused = [one for one in found.findings if one.severity in ("error", "undecided")]
            offered = [line for line in map(lines_of, refused) if line is not None]
            if len(offered) < len(refused):
                return None
            steps = with_gate(steps, *offered[0])
            mended.add(offered[0][0])
        return None

    steps = grown(source, accepted, random.randint(2, most))
    for _ in range(3 if random.random() < 0.5 else 0):
        routine = routine_of(machine, steps, start, **ways_back(source))
        if examine(routine).verdict == "clear":
            return routine, len(mended)
    return routine_of(machine, steps, start), len(mended)


def lawful_steps(
    source: Source, machine: Machine, start: str, rules: frozenset[str], most: int = 6
) -> tuple[Step, ...]:
    """Steps against which nothing is found but what these rules find."""

    def accepted(steps: tuple[Step, ...]) -> tuple[Step, ...] | None:
        found = examine(routine_of(machine, steps, start)).findings
        return steps if {one.rule for one in found if one.severity in ("error", "undecided")} <= rules else None

    return grown(source, accepted, source.random.randint(2, most))
