"""NAME.routine.yaml into a Routine, with the machine it is for and the routines it performs."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from sequencer.errors import did_you_mean
from sequencer.files.problems import FileErrors
from sequencer.files.read_machine import load_machine
from sequencer.files.shapes import check_shape
from sequencer.files.yaml_text import read_yaml
from sequencer.machine.machine import Machine
from sequencer.machine.node import Node, Problem
from sequencer.machine.reading import NAME, Reading, joined
from sequencer.places import Place
from sequencer.routine.keys import ROUTINE
from sequencer.routine.problems import problems_of
from sequencer.routine.reader import lists_in, routine_of, step_names
from sequencer.routine.routine import Routine

SUFFIX = ".routine.yaml"


def load_routine(path: str | Path, machine: Machine | None = None) -> Routine:
    """Read a routine file, the machine file that it names, and the routines that it performs or falls back to.

    Args:
        path: the routine's file; those it names are looked for in the same folder as NAME.routine.yaml.
        machine: the machine it is for (with overlays, say); None: read the file under `machine`, a path from the
            routine's file that does not leave its folder.

    Raises:
        FileErrors: anything is wrong with any of the files; every problem at once, each with file, line and column.
    """
    loader = _Loader(machine)
    routine = loader.load(Path(path), ())
    if loader.problems or routine is None:
        raise FileErrors(loader.problems)
    return routine


@dataclass(slots=True)
class _Loader:
    """Reads routine files, each once; collects the problems of all."""

    machine: Machine | None
    problems: list[Problem] = field(default_factory=list)
    loaded: dict[Path, Routine | None] = field(default_factory=dict)

    def load(self, path: Path, performing: tuple[str, ...]) -> Routine | None:
        key = path.resolve()
        if key in self.loaded:
            return self.loaded[key]
        self.loaded[key] = None
        try:
            node, refused = read_yaml(path)
        except FileErrors as errors:
            self.problems += errors.problems
            return None
        reading = Reading(list(refused), refused=frozenset(problem.place for problem in refused))
        check_shape(ROUTINE, node, reading)
        machine = self.machine_for(path, node, reading)
        if machine is None:
            self.problems += reading.problems
            return None
        name = path.name.removesuffix(SUFFIX)
        ring = (*performing, name)

        def find(wanted: str, place: Place, where: str) -> Routine | None:
            return self.find(wanted, place, where, path, ring)

        routine = routine_of(node, machine, reading, find)
        if routine is not None:
            steps = node.entries.get("steps") if node.entries else None
            written = frozenset(step_names(steps)) if steps else frozenset()
            noted = {problem.path for problem in reading.problems}
            for found in problems_of(routine, written):
                where = f"steps.{found.step}" if found.step else ""
                inner = joined(where, found.key) if found.key else where
                if not found.step:
                    where = inner
                if inner in noted:
                    continue
                place = _place_of(steps, found.step, found.key) if found.step else _place_below(node, found.key)
                place = place or found.place
                path_there = inner if place != found.place else where
                reading.problems.append(Problem(place, path_there, found.message, "", found.hint, found.rule))
            if performing and routine.name and routine.name != name:
                message = f"the file is {path.name}, and its routine is called '{routine.name}'"
                reading.wrong_at(routine.place, "routine", message, "give both the same name")
        self.problems += reading.problems
        self.loaded[key] = routine
        return routine

    def machine_for(self, path: Path, node: Node, reading: Reading) -> Machine | None:
        if self.machine is not None:
            return self.machine
        written = (node.entries or {}).get("machine")
        if written is None or not isinstance(written.value, str):
            if written is None:
                message = "'machine' is missing; the file of the machine is needed"
                reading.wrong_at(node.place, "machine", message, "add machine: machine.yaml")
            return None
        if not _stays_inside(written.value, path.parent):
            message = f"'{written.value}' leaves the folder of the routine"
            reading.wrong(written, "machine", message, "name a file in the folder, or pass the machine yourself", "Y7")
            return None
        file = path.parent / written.value
        if not file.is_file():
            names = [entry.name for entry in path.parent.glob("*.yaml") if not entry.name.endswith(SUFFIX)]
            message = f"the machine file '{written.value}' is not there"
            reading.wrong(written, "machine", message, did_you_mean(written.value, names))
            return None
        try:
            self.machine = load_machine(file)
        except FileErrors as errors:
            self.problems += errors.problems
            return None
        return self.machine

    def find(self, name: str, place: Place, where: str, path: Path, ring: tuple[str, ...]) -> Routine | None:
        """The routine of that name in the same folder; None after the problem was noted."""
        if name in ring:
            around = " -> ".join([*ring[ring.index(name) :], name])
            message = f"routines perform each other in a ring: {around}"
            self.problems.append(Problem(place, where, message, name, "a routine does not perform itself", "R9"))
            return None
        file = path.parent / f"{name}{SUFFIX}"
        if NAME.match(name) is None or not file.is_file():
            known = sorted(entry.name.removesuffix(SUFFIX) for entry in path.parent.glob(f"*{SUFFIX}"))
            choices = [*known, "fault", "continue", "cancel"] if where.endswith("on_timeout") else known
            message = f"unknown routine '{name}'; there is no {name}{SUFFIX} beside this file"
            self.problems.append(Problem(place, where, message, name, did_you_mean(name, choices)))
            return None
        return self.load(file, ring)


def _stays_inside(written: str, folder: Path) -> bool:
    target = Path(written)
    if target.is_absolute() or ".." in target.parts or "\\" in written or ":" in written:
        return False
    return (folder / target).resolve().is_relative_to(folder.resolve())


def _place_below(node: Node, path: str) -> Place | None:
    """The place of the last key of a path; None where it is not written."""
    *way, last = path.split(".")
    here: Node | None = node
    for key in way:
        here = (here.entries or {}).get(key) if here is not None else None
    return here.place_of(last) if here is not None and last in (here.entries or {}) else None


def _place_of(steps: Node | None, name: str, key: str) -> Place | None:
    """The place of a key of a step that is somewhere in a list of steps; None where it is not written."""
    for item in (steps.items if steps else None) or ():
        for step_name, step in (item.entries or {}).items():
            if step_name == name and step.entries is not None and key in step.entries:
                return step.place_of(key)
            for inner in lists_in(step):
                found = _place_of(inner, name, key)
                if found is not None:
                    return found
    return None
