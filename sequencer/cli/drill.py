"""``drill``: every single fault at every instant of interest, and what the operator sees of it."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer.cli.findings import checked_fallbacks, say_findings
from sequencer.cli.inputs import (
    Reader,
    add_file_arguments,
    add_waive_argument,
    files_of,
    names_one_file,
    waivers_of,
    with_waivers,
)
from sequencer.cli.output import CannotDo, Output, refuse_inputs
from sequencer.cli.workers import add_worker_arguments, workers_of
from sequencer.errors import ModelError, did_you_mean

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from sequencer.routine.routine import Routine
    from sequencer.study import DrillReport, DrillRow
    from sequencer.study.drill_report import FaultSummary

NAME = "drill"
HELP = "try every single fault at every instant of interest"
ABOUT = (
    "Rehearses each routine again and again, with one fault at a time (actuators, encoders, sensors, pieces, late\n"
    "ticks, power, cancel and hold) at the start, in the middle and at the end of every step. Fails where something\n"
    "is met though readings and brakes are true, or an output stays on; where they are not true, time and travel are\n"
    "listed. It shows what the programs do with a simulated machine; it is no proof that a real one does no harm."
)
EXAMPLE = "stepgraph drill hang_ridge.routine.yaml --csv hang_ridge.csv"

MOST_SHOWN = 12
"""So many single rows are told in words; the others are counted."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_file_arguments(parser, "routine files")
    parser.add_argument(
        "--fault", action="append", default=[], metavar="WORDS", help="only faults with these words, such as 'encoder'"
    )
    parser.add_argument("--name", metavar="NAME", help="only in the rehearsal of that name")
    parser.add_argument(
        "--short", action="store_true", help="only what is likeliest to hurt, in the middle of every step"
    )
    parser.add_argument("--csv", metavar="FILE", help="write every row to this .csv file")
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="seed of the simulated machine (default: 0)")
    add_worker_arguments(parser)
    add_waive_argument(parser)


def run(arguments: argparse.Namespace, output: Output) -> int:
    files = files_of(arguments.paths)
    reader = Reader.of(arguments)
    if arguments.csv is not None:
        if len(files) > 1:
            raise CannotDo(f"--csv is for one routine, and there are {len(files)}; drill them one by one")
        if Path(arguments.csv).suffix.lower() != ".csv":
            raise CannotDo(f"rows are written as .csv, and {arguments.csv} ends otherwise")
        refuse_inputs(Path(arguments.csv), [*files, *reader.overlays])
    waivers = waivers_of(arguments.waive)
    results: list[dict[str, Any]] = []
    code = 0
    with workers_of(arguments) as executor:
        for path in files:
            routine = with_waivers(reader.routine(path), waivers)
            report = _drill(path, routine, arguments, executor, output)
            if report is None:
                results.append({"routine": routine.name, "path": str(path), "error": "it is not clear; not drilled"})
                code = 1
                continue
            _say(report, output)
            if arguments.csv is not None:
                output.write(Path(arguments.csv), report.as_csv())
                output.say(f"wrote {arguments.csv}")
            results.append({"path": str(path), **report.as_json()})
            code = max(code, 0 if report.fine else 1)
            if not report.complete:
                break
    output.emit(results[0] if names_one_file(arguments.paths) else results)
    return code


def _drill(
    path: Path, routine: Routine, arguments: argparse.Namespace, executor: Executor | None, output: Output
) -> DrillReport | None:
    from sequencer.check import examine
    from sequencer.study import Drill

    examination = examine(routine)
    others = checked_fallbacks(routine, output) if examination.checked is not None else None
    if examination.checked is None or others is None:
        say_findings(examination.findings, output)
        output.say(f"{routine.name}: the check found it {examination.verdict}; nothing was drilled")
        return None
    specs = [spec for spec in routine.rehearsals if arguments.name in (None, spec.name)]
    if arguments.name is not None and not specs:
        names = [spec.name for spec in routine.rehearsals]
        raise CannotDo(f"{path} has no rehearsal '{arguments.name}'; {did_you_mean(arguments.name, names)}")
    words = arguments.fault
    try:
        drill = Drill(
            examination.checked,
            machine=routine.machine,
            specs=specs,
            others=others,
            middles_only=arguments.short,
            choose=lambda fault: (
                (fault.short or not arguments.short) and (not words or any(word in fault.words for word in words))
            ),
            seed=arguments.seed,
        )
    except ModelError as error:
        raise CannotDo(str(error)) from None
    for word in words:
        if not any(word in fault for fault in drill.faults):
            raise CannotDo(f"no fault has the words '{word}'; there are: {', '.join(drill.faults)}")
    rows: list[DrillRow] = []
    try:
        rows.extend(output.progress(drill.rows(executor), f"drilling {routine.name}", drill.count))
    except KeyboardInterrupt:
        output.say(f"interrupted: {len(rows)} of {drill.count} were tried; this is what they came to")
    return drill.report(rows)


def _say(report: DrillReport, output: Output) -> None:
    from sequencer.study.drill_words import HEADINGS, UNTRUE, conflict_rows, sums, where_and_when

    output.table(HEADINGS, [_line(one, output) for one in report.by_fault()])
    if any(row.untrue for row in report.rows):
        output.say(UNTRUE)
    met = conflict_rows(report)
    for row in met[:MOST_SHOWN]:
        sign = output.styled("conflict", "soft" if row.untrue else "bad")
        because = f" ({row.untrue})" if row.untrue else ""
        output.say(f"{sign}{because}: {where_and_when(row)}: {'; '.join(row.conflicts)}")
    if len(met) > MOST_SHOWN:
        output.say(f"... and {len(met) - MOST_SHOWN} more rows with conflicts")
    for row in report.left_on[:MOST_SHOWN]:
        output.say(f"{output.styled('left on', 'bad')}: {where_and_when(row)}: {', '.join(row.left_on)}")
    for words in report.left_out:
        output.say(f"not drilled: {words}")
    mark = output.styled("fine", "good") if report.fine else output.styled("not fine", "bad")
    output.say(f"{output.styled(report.routine, 'strong')}: {mark}, {sums(report)}")
    output.say()


def _line(one: FaultSummary, output: Output) -> tuple[str, ...]:
    from sequencer.study.drill_words import CLEARANCE, summary_cells

    cells = list(summary_cells(one))
    if one.conflicts:
        cells[CLEARANCE] = output.styled(cells[CLEARANCE], "soft" if one.untrue else "bad")
    return tuple(cells)
