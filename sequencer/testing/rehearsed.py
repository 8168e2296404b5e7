"""What the fixtures give: machines and routines read once a session, and rehearsals of them in virtual time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer.check import examine
from sequencer.errors import ModelError, did_you_mean
from sequencer.files import load_machine, load_routine
from sequencer.machine.machine import NANOSECONDS, Machine
from sequencer.machine.sensor import Value
from sequencer.plant import Plant
from sequencer.rehearse import Rehearsal, fallbacks_of, rehearse
from sequencer.routine.routine import Routine
from sequencer.units import NUMBER, TIME, Dimension, dimension_name, parse_quantity

if TYPE_CHECKING:
    from sequencer.check import Examination
    from sequencer.pack import CheckedRoutine
    from sequencer.plan import Plan
    from sequencer.plant import Fault
    from sequencer.routine.steps import RehearsalSpec
    from sequencer.testing.coverage import Coverage
    from sequencer.trace import StepRecord, Trace

ENDING = ".routine.yaml"

Written = Value | Sequence[tuple[float | str, Value]]
"""A gauge's constant, or (time, value) in the order of time; numbers are in SI, texts carry their unit."""


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """A rehearsal with what it was a rehearsal of; the assertions of `sequencer.testing` take it.

    `plan` is what the check planned for the defaults; None where there is none.
    """

    rehearsal: Rehearsal
    checked: CheckedRoutine
    machine: Machine
    plan: Plan | None = None

    @property
    def outcome(self) -> str:
        """done, cancelled or faulted."""
        return self.rehearsal.outcome

    @property
    def cause(self) -> str | None:
        """Why it is not done."""
        return self.rehearsal.cause

    @property
    def duration(self) -> float:
        """From the start of the run to its end [s]."""
        return self.rehearsal.duration

    @property
    def steps(self) -> tuple[StepRecord, ...]:
        """Every activation of a step, in the order of their starts."""
        return self.rehearsal.steps

    @property
    def trace(self) -> Trace:
        """Every tick of it."""
        return self.rehearsal.trace

    @property
    def step_names(self) -> tuple[str, ...]:
        """Every step of the routine, whether it ran or not."""
        return tuple(step["name"] for step in self.checked.routine["steps"])

    def __str__(self) -> str:
        return f"{self.checked.name}, {self.rehearsal.name}"


class Workshop:
    """Reads machines and routines, checks each once, and rehearses them.

    Args:
        overlays: files laid over every machine.
        coverage: where to count what rehearsals exercise; None: nowhere.
    """

    def __init__(self, overlays: Sequence[Path] = (), coverage: Coverage | None = None) -> None:
        self.overlays = tuple(overlays)
        self.coverage = coverage
        self._machines: dict[Path, Machine] = {}
        self._routines: dict[Path, Routine] = {}
        self._examined: dict[int, tuple[Routine, Examination]] = {}

    def machine(self, path: Path) -> Machine:
        """The machine of a file, with the overlays laid over it."""
        key = path.resolve()
        if key not in self._machines:
            self._machines[key] = load_machine(path, self.overlays)
        return self._machines[key]

    def routine(self, path: Path) -> Routine:
        """The routine of a file, on its machine with the overlays laid over it."""
        key = path.resolve()
        if key not in self._routines:
            routine = load_routine(path)
            if self.overlays:
                routine = load_routine(path, self.machine(Path(routine.machine.place.file)))
            self._routines[key] = routine
        return self._routines[key]

    def examined(self, routine: Routine) -> Examination:
        """What the check finds out about a routine.

        Raises:
            ModelError: it is not clear; the message has the first finding.
        """
        # The routine is kept with its result, so that no other can come to have its identity.
        if id(routine) not in self._examined:
            self._examined[id(routine)] = routine, examine(routine)
        examination = self._examined[id(routine)][1]
        if examination.checked is None:
            refusing = [
                one for one in examination.findings if one.severity in ("error", "undecided") and not one.waived
            ]
            first = f": {refusing[0].place}: {refusing[0].message}" if refusing else ""
            more = f" (and {len(refusing) - 1} more)" if len(refusing) > 1 else ""
            raise ModelError(f"{routine.name} is not rehearsed, since it is {examination.verdict}{first}{more}")
        return examination

    def rehearse(
        self,
        routine: Routine,
        *,
        spec: RehearsalSpec | None = None,
        gauges: Mapping[str, Written] | None = None,
        faults: Sequence[Fault] = (),
        **others: Any,
    ) -> Rehearsed:
        """Run a routine on the plant in virtual time.

        Args:
            routine: the routine.
            spec: a rehearsal kept with it.
            gauges: scripts by sensor, numbers in SI or texts with units.
            faults: what goes wrong on the plant.
            others: whatever else `sequencer.rehearse` takes, such as `piece`, `start`, `parameters`, `seed`.

        Raises:
            ModelError: the routine is not clear, or something named does not exist.
        """
        examination = self.examined(routine)
        assert examination.checked is not None
        hosted = {_file_of(one): self.examined(one).checked for one in (routine, *fallbacks_of(routine))}
        known = {file: checked for file, checked in hosted.items() if checked is not None}
        machine = routine.machine
        rehearsal = rehearse(
            examination.checked,
            machine=machine,
            spec=spec,
            gauges={name: _script(machine, name, written) for name, written in (gauges or {}).items()},
            faults=faults,
            **{"others": list(known.values())[1:], **others},
        )
        if self.coverage is not None:
            self.coverage.add(rehearsal, known, machine, machine.place.file or machine.name)
        return Rehearsed(rehearsal, examination.checked, machine, examination.plan)


def _file_of(routine: Routine) -> str:
    """The file of a routine, or the name of one that was built in Python."""
    return routine.place.file or routine.name


def plant_of(machine: Machine, start: str | Mapping[str, float] | None = None, **others: Any) -> Plant:
    """A plant that stands at a preset, or at positions [m or rad] by axis.

    Args:
        machine: what is simulated.
        start: the preset or the positions; None: as a plant stands by itself.
        others: whatever else `Plant` takes, such as `faults`, `piece` and `seed`.

    Raises:
        ModelError: there is no such preset.
    """
    if not isinstance(start, str):
        return Plant(machine, start=start, **others)
    if start not in machine.presets:
        raise ModelError(f"start: unknown preset '{start}'; {did_you_mean(start, machine.presets)}")
    positions = machine.presets[start].positions.items()
    travelling = {axis: position for axis, position in positions if machine.axes[axis].travel is not None}
    return Plant(machine, start=travelling, **others)


def found_near(name: str, folder: Path, root: Path) -> Path:
    """The file of that name in a folder, or else in the nearest folder above it, no higher than `root`.

    Args:
        name: the file's name, or a path from one of these folders.
        folder: where to look first.
        root: where to look last.

    Raises:
        ModelError: it is in none of them.
    """
    for place in (folder, *folder.parents):
        if (place / name).is_file():
            return place / name
        if place == root:
            break
    near = did_you_mean(name, [path.name for path in folder.glob("*.yaml")])
    raise ModelError(f"{name} is neither in {folder} nor in a folder above it; {near}")


def quantity(text: float | str, dimension: Dimension, what: str) -> float:
    """A number in SI, or one read from a text with its unit.

    Args:
        text: the number or the text.
        dimension: what it must be.
        what: how messages call it.

    Raises:
        ModelError: it is no quantity, or another one.
    """
    if not isinstance(text, str):
        return float(text)
    found = parse_quantity(text)
    if found.dimension != dimension and not (found.dimension == NUMBER and found.value == 0.0):
        wanted, got = dimension_name(dimension), dimension_name(found.dimension)
        raise ModelError(f"{what} is {wanted}, and '{text}' is {got}")
    return found.value


def _script(machine: Machine, name: str, written: Written) -> Any:
    """In SI and nanoseconds, as a rehearsal takes it."""
    if isinstance(written, bool | int | float | str):
        return _value(machine, name, written)
    return [
        (round(quantity(time, TIME, f"a time of {name}") * NANOSECONDS), _value(machine, name, value))
        for time, value in written
    ]


def _value(machine: Machine, name: str, value: Value) -> Value:
    sensor = machine.sensors.get(name)
    if sensor is None or sensor.dimension is None or not isinstance(value, str):
        return value
    return quantity(value, sensor.dimension, name)
