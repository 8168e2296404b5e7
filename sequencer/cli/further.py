"""What a report may hold besides a check and its rehearsals: a drill, a spread, labelled attempts, what tests met."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer.cli.inputs import existing
from sequencer.cli.output import CannotDo, Output
from sequencer.errors import ModelError

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from sequencer.pack import CheckedRoutine
    from sequencer.report.page import Section
    from sequencer.routine.routine import Routine
    from sequencer.trace import Trace


@dataclass(frozen=True, slots=True)
class Further:
    """What was asked for on the command line, read.

    Attributes:
        files: everything that was read for it.
        drilled: whether single faults are to be tried.
        runs: so many rehearsals on drawn machines; 0: none.
        attempts: traces with labelled attempts.
        coverage: what tests have met, as pytest wrote it; None: not asked for.
    """

    files: tuple[Path, ...] = ()
    drilled: bool = False
    runs: int = 0
    attempts: tuple[Trace, ...] = ()
    coverage: Mapping[str, Any] | None = None

    @staticmethod
    def of(arguments: argparse.Namespace, output: Output) -> Further:
        """Read what `--drill`, `--spread`, `--attempts` and `--coverage` name.

        Raises:
            CannotDo: a file is missing or is something else, or the number of runs is none.
        """
        from sequencer.trace import read_trace

        if arguments.spread is not None and arguments.spread < 1:
            raise CannotDo(f"--spread is {arguments.spread}; at least one run is needed")

        logs = [existing(Path(text)) for text in arguments.attempts]
        traces = tuple(read_trace(path) for path in output.progress(logs, "reading"))
        file = None if arguments.coverage is None else existing(Path(arguments.coverage))
        files = (*logs, *(() if file is None else (file,)))
        return Further(files, arguments.drill, arguments.spread or 0, traces, None if file is None else _coverage(file))

    def sections(self, path: Path, routine: Routine) -> list[Section]:
        """What the attempts and the tests tell of one routine; nothing where they know nothing of it."""
        from sequencer.report.further_sections import coverage_section, tuning_section
        from sequencer.tune.timing import timing_of

        found = []
        if any(run.name == routine.name for trace in self.attempts for run in trace.runs()):
            try:
                timing = timing_of(self.attempts, routine)
            except ModelError as error:
                raise CannotDo(str(error)) from None
            found.append(tuning_section(timing, f"tuning-{path.name.partition('.')[0]}"))
        if self.coverage is not None:
            records = self.coverage["routines"]
            known = {Path(file).resolve(): record for file, record in records.items()}
            if path.resolve() in known:
                found.append(coverage_section(known[path.resolve()], self.coverage["machines"].values()))
        return found

    def drill(
        self,
        routine: Routine,
        checked: CheckedRoutine,
        others: Sequence[CheckedRoutine],
        executor: Executor | None,
        output: Output,
    ) -> list[Section]:
        """The worst single faults in the middle of every step; nothing where no rehearsal ends well, which is said."""
        from sequencer.report.further_sections import drill_section
        from sequencer.study import Drill

        try:
            drill = Drill(
                checked,
                machine=routine.machine,
                specs=routine.rehearsals,
                others=list(others),
                middles_only=True,
                choose=lambda fault: fault.short,
            )
        except ModelError as error:
            output.say(f"{routine.name}: single faults were not tried: {error}")
            return []
        rows = output.progress(drill.rows(executor), f"drilling {routine.name}", drill.count)
        return [drill_section(drill.report(rows))]

    def spread(
        self,
        path: Path,
        routine: Routine,
        checked: CheckedRoutine,
        others: Sequence[CheckedRoutine],
        executor: Executor | None,
        output: Output,
    ) -> list[Section]:
        """The first rehearsal again and again on drawn machines; nothing where that cannot be, which is said."""
        from sequencer.report.further_sections import spread_section
        from sequencer.study import Spread

        spec = next(iter(routine.rehearsals), None)
        try:
            planned = Spread(checked, machine=routine.machine, runs=self.runs, spec=spec, others=list(others))
        except ModelError as error:
            output.say(f"{routine.name}: it was not spread: {error}")
            return []
        rows = output.progress(planned.rows(executor), f"running {routine.name}", planned.count)
        return [spread_section(planned.report(list(rows)), f"spread-{path.name.partition('.')[0]}")]


def _coverage(path: Path) -> Mapping[str, Any]:
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        for record in data["routines"].values():
            if not {"name", "points", "seen", "outcomes", "rehearsals", "reason"} <= set(record):
                raise KeyError("a routine")
        for machine in data["machines"].values():
            if not {"name", "presets", "held"} <= set(machine):
                raise KeyError("a machine")
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        raise CannotDo(
            f"{path} is not what tests have met; pytest --routine-coverage-to {path.name} writes such a file"
        ) from None
    found: Mapping[str, Any] = data
    return found
