"""``ready``: everything before a run in one command: check, rehearse, a short drill and pack, a line a routine."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer.cli.findings import VERDICT_STYLES, say_findings
from sequencer.cli.inputs import Reader, add_file_arguments, add_waive_argument, files_of, waivers_of, with_waivers
from sequencer.cli.output import CannotDo, Output, refuse_inputs
from sequencer.cli.workers import processes
from sequencer.errors import MissingExtra, ModelError, StepgraphError, counted

if TYPE_CHECKING:
    from sequencer.check import Examination
    from sequencer.check.finding import Finding
    from sequencer.pack import CheckedRoutine
    from sequencer.rehearse import Rehearsal
    from sequencer.routine.routine import Routine, Waiver
    from sequencer.study import Drill, DrillReport

NAME = "ready"
HELP = "check, rehearse, drill and pack a folder, a line a routine"
ABOUT = (
    "Checks every routine, runs every rehearsal that it keeps (or one on defaults), tries the worst single faults in\n"
    "the middle of every step, and writes the pack if all of them are clear and came out as they should."
)
EXAMPLE = "stepgraph ready routines/ --over saturday.yaml -o robot.pack"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_file_arguments(parser, "routine files")
    parser.add_argument("-o", "--output", default="robot.pack", metavar="FILE", help="the pack (default: robot.pack)")
    parser.add_argument("--without-drill", action="store_true", help="try no single faults")
    add_waive_argument(parser)


def run(arguments: argparse.Namespace, output: Output) -> int:
    files = files_of(arguments.paths)
    waivers = waivers_of(arguments.waive)
    reader = Reader.of(arguments)
    target = Path(arguments.output)
    refuse_inputs(target, [*files, *reader.overlays])
    with processes(1 if arguments.without_drill else None) as executor:
        drilled = None if arguments.without_drill else lambda drill: drill.report(drill.rows(executor))
        prepared = [_prepare(path, reader, waivers, drilled) for path in output.progress(files, "making ready")]
    for one in prepared:
        _say_problems(one, output)
    _say_warnings(prepared, output)
    headings = ("routine", "check", "rehearsals", "longest", "drill", "hash")
    output.table(headings, [_line(one, output) for one in prepared])
    data = {"pack": None, "hash": None, "routines": [one.as_json() for one in prepared]}
    unfit = [one for one in prepared if not one.fit]
    if any(finding.step is not None for one in prepared for finding in one.warnings):
        output.say("stepgraph check tells the warnings in full")
    if unfit:
        names = ", ".join(one.name for one in unfit)
        output.say(f"not ready: {names}; nothing was written")
        output.emit(data)
        return 1
    from sequencer.pack import write_pack

    digest = write_pack(target, [one.checked for one in prepared if one.checked is not None]).hash
    count = f"{len(prepared)} {'routine' if len(prepared) == 1 else 'routines'}"
    laid = f", with {', '.join(path.name for path in reader.overlays)} laid over" if reader.overlays else ""
    untried = "; single faults were not tried" if arguments.without_drill else ""
    output.say(f"ready: wrote {target}, {count}{laid}, {digest[:12]}{untried}")
    output.emit({**data, "pack": str(target), "hash": digest})
    return 0


@dataclass(slots=True)
class _Prepared:
    """A routine file and what came of it; `problem` stands for the rest where the file holds no routine."""

    path: Path
    name: str
    problem: StepgraphError | None = None
    examination: Examination | None = None
    rehearsals: list[tuple[Rehearsal, tuple[str, ...]]] = field(default_factory=list)
    unclear: list[tuple[str, Examination]] = field(default_factory=list)
    drill: DrillReport | None = None
    undrilled: str = ""

    @property
    def checked(self) -> CheckedRoutine | None:
        return None if self.examination is None else self.examination.checked

    @property
    def verdict(self) -> str:
        return "invalid" if self.examination is None else self.examination.verdict

    @property
    def warnings(self) -> list[Finding]:
        """What the check warns of although it is clear."""
        found = () if self.examination is None or self.checked is None else self.examination.findings
        return [finding for finding in found if finding.severity == "warning" and not finding.waived]

    @property
    def fit(self) -> bool:
        """Clear, with every rehearsal as it should be, and no single fault that met anything or left an output on."""
        return self.checked is not None and self.rehearsed_well and (self.drill is None or self.drill.fine)

    @property
    def rehearsed_well(self) -> bool:
        """Whether it was rehearsed, and every rehearsal came out as it should."""
        return bool(self.rehearsals) and not self.unclear and not any(found for _, found in self.rehearsals)

    def as_json(self) -> dict[str, Any]:
        return {
            "routine": None if self.problem is not None else self.name,
            "path": str(self.path),
            "verdict": self.verdict,
            "ready": self.fit,
            "hash": None if self.checked is None else self.checked.hash,
            "warnings": [finding.as_json() for finding in self.warnings],
            "rehearsals": [
                {
                    "name": rehearsal.name,
                    "outcome": rehearsal.outcome,
                    "duration": rehearsal.duration,
                    "fine": not found,
                    "shortfalls": list(found),
                }
                for rehearsal, found in self.rehearsals
            ],
            "drill": None
            if self.drill is None
            else {
                "fine": self.drill.fine,
                "tried": len(self.drill.rows),
                "conflicts": len(self.drill.conflicts),
                "left_on": len(self.drill.left_on),
            },
        }


def _prepare(
    path: Path, reader: Reader, waivers: list[Waiver], drilled: Callable[[Drill], DrillReport] | None
) -> _Prepared:
    from sequencer.check import examine

    try:
        routine = with_waivers(reader.routine(path), waivers)
    except (CannotDo, MissingExtra):
        raise
    except StepgraphError as error:
        return _Prepared(path, path.name, problem=error)
    prepared = _Prepared(path, routine.name, examination=examine(routine))
    if prepared.checked is not None:
        others = _rehearse(routine, prepared.checked, prepared)
        if drilled is not None and prepared.rehearsed_well:
            _drill(routine, prepared.checked, others, prepared, drilled)
    return prepared


def _drill(
    routine: Routine,
    checked: CheckedRoutine,
    others: list[CheckedRoutine],
    prepared: _Prepared,
    drilled: Callable[[Drill], DrillReport],
) -> None:
    """A short drill; none where no rehearsal ends well, so that there is nothing to disturb."""
    from sequencer.study import Drill

    try:
        drill = Drill(
            checked,
            machine=routine.machine,
            specs=routine.rehearsals,
            others=others,
            middles_only=True,
            choose=lambda fault: fault.short,
        )
    except ModelError as error:
        prepared.undrilled = str(error)
        return
    prepared.drill = drilled(drill)


def _rehearse(routine: Routine, checked: CheckedRoutine, prepared: _Prepared) -> list[CheckedRoutine]:
    """Every rehearsal that it keeps, or one on defaults; none where a routine that it falls back to is not clear."""
    from sequencer.check import examine
    from sequencer.rehearse import fallbacks_of, rehearse, shortfalls
    from sequencer.routine.steps import RehearsalSpec

    others: list[CheckedRoutine] = []
    for fallback in fallbacks_of(routine):
        examination = examine(fallback)
        if examination.checked is None:
            prepared.unclear.append((fallback.name, examination))
        else:
            others.append(examination.checked)
    if prepared.unclear:
        return others
    for spec in routine.rehearsals or (RehearsalSpec("on defaults"),):
        rehearsal = rehearse(checked, machine=routine.machine, spec=spec, others=others)
        prepared.rehearsals.append((rehearsal, shortfalls(rehearsal, routine.machine, spec)))
    return others


def _say_problems(one: _Prepared, output: Output) -> None:
    if one.problem is not None:
        output.problems(one.problem)
    if one.examination is not None and one.checked is None:
        say_findings(one.examination.findings, output)
    for name, examination in one.unclear:
        say_findings(examination.findings, output)
        output.say(f"{one.name} falls back to {name}, which is {examination.verdict}; it was not rehearsed")
    for rehearsal, found in one.rehearsals:
        if found:
            output.say(f"{one.name}, {rehearsal.name}: {'; '.join(found)}")
    if one.undrilled:
        output.say(f"{one.name}: single faults were not tried: {one.undrilled}")
    for row in () if one.drill is None else one.drill.rows:
        if not row.fine:
            met = "; ".join([*row.conflicts, *row.left_on])
            output.say(f"{one.name}, {row.fault}, {row.instant} ({row.at:.2f} s): {met}")


def _say_warnings(prepared: list[_Prepared], output: Output) -> None:
    """Those about the machine itself, once for all its routines; those about steps are counted in the table."""
    told = {(str(finding.place), finding.message): finding for one in prepared for finding in one.warnings}
    say_findings(tuple(finding for finding in told.values() if finding.step is None), output)


def _line(one: _Prepared, output: Output) -> tuple[str, ...]:
    fine = sum(1 for _, found in one.rehearsals if not found)
    whole = f"{fine} of {len(one.rehearsals)} fine" if one.rehearsals else "not run"
    style = "good" if one.rehearsals and fine == len(one.rehearsals) else "bad"
    longest = f"{max(rehearsal.duration for rehearsal, _ in one.rehearsals):.2f} s" if one.rehearsals else ""
    digest = one.checked.hash[:12] if one.checked is not None else ""
    verdict = output.styled(one.verdict, VERDICT_STYLES.get(one.verdict, "strong"))
    about_steps = sum(finding.step is not None for finding in one.warnings)
    verdict += f", {counted(about_steps, 'warning')}" if about_steps else ""
    return one.name, verdict, output.styled(whole, style), longest, _drill_words(one, output), digest


def _drill_words(one: _Prepared, output: Output) -> str:
    if one.drill is None:
        return "not tried"
    unfit = sum(1 for row in one.drill.rows if not row.fine)
    return output.styled(f"{len(one.drill.rows) - unfit} of {len(one.drill.rows)} fine", "bad" if unfit else "good")
