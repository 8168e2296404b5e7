"""``report``: one page about routines or about a recorded session, to look at, to send, to print."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.cli.findings import Examined, examine_files
from sequencer.cli.further import Further
from sequencer.cli.inputs import (
    Reader,
    add_file_arguments,
    add_waive_argument,
    existing,
    files_of,
    waivers_of,
)
from sequencer.cli.output import CannotDo, Output, refuse_inputs
from sequencer.cli.workers import processes
from sequencer.errors import StepgraphError

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from sequencer.report.routine_page import Reported

NAME = "report"
HELP = "one page about routines or a recorded session, for a browser or the printer"
ABOUT = (
    "Checks and rehearses each routine and writes one HTML file that needs no other and no network: verdict, the\n"
    "machine from the side with a slider for the time, timelines, what was ordered and measured, clearance, battery,\n"
    "findings. For a trace: its runs, and why each ended so. Printed, it is one landscape card a routine or run."
)
EXAMPLE = "stepgraph report hang_ridge.routine.yaml -o report.html"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_file_arguments(parser, "routine files, or one trace (.csv)")
    parser.add_argument("-o", "--output", metavar="FILE", default="report.html", help="the page (default: report.html)")
    parser.add_argument("--machine", metavar="FILE", help="of a trace: what ran, for the view from the side")
    parser.add_argument(
        "--seed", type=int, default=0, metavar="N", help="seed of the simulated machine's noise (default: 0)"
    )
    parser.add_argument(
        "--drill", action="store_true", help="of routines: try single faults too, in the middle of every step"
    )
    parser.add_argument(
        "--spread",
        type=int,
        metavar="N",
        help="of routines: rehearse each N times on machines drawn from the variation",
    )
    parser.add_argument(
        "--attempts", action="append", default=[], metavar="LOG", help="of a routine: a trace with labelled attempts"
    )
    parser.add_argument(
        "--coverage", metavar="FILE", help="of routines: what pytest --routine-coverage-to wrote about its tests"
    )
    parser.add_argument("--cut-end", action="store_true", help="accept a trace whose last line is cut off")
    add_waive_argument(parser)


def run(arguments: argparse.Namespace, output: Output) -> int:
    target = Path(arguments.output)
    if target.is_dir():
        target /= "report.html"
    if target.suffix.lower() not in (".html", ".htm"):
        raise CannotDo(f"a report is an HTML page, and {target} does not end in .html")
    traces = [text for text in arguments.paths if Path(text).suffix.lower() == ".csv"]
    if traces and len(arguments.paths) > 1:
        raise CannotDo(f"{traces[0]} is a trace; it gets a report of its own, so name it alone")
    if traces:
        for given, name in (
            (arguments.drill, "drill"),
            (arguments.spread, "spread"),
            (arguments.attempts, "attempts"),
            (arguments.coverage, "coverage"),
        ):
            if given:
                raise CannotDo(f"--{name} goes with routines, and {traces[0]} is a trace")
        return _trace(Path(traces[0]), target, arguments, output)
    if arguments.machine is not None:
        raise CannotDo("--machine goes with a trace; a routine names its own machine")
    return _routines(target, arguments, output)


def _trace(path: Path, target: Path, arguments: argparse.Namespace, output: Output) -> int:
    from sequencer.report.session_page import session_page
    from sequencer.trace import TraceError, read_trace

    with output.working(f"reading {path.name}"):
        trace = read_trace(existing(path), cut_end=arguments.cut_end)
    machine = None
    inputs = [path]
    if arguments.machine is not None:
        file = existing(Path(arguments.machine))
        inputs.append(file)
        machine = Reader.of(arguments).machine(file)
        unknown = [name for name, _ in trace.header.axes if name not in machine.axes]
        if unknown:
            raise CannotDo(f"{path} is of another machine: {file} has no axis {' and no axis '.join(unknown)}")
    try:
        with output.working(f"drawing {path.name}"):
            text = session_page(trace, machine)
    except TraceError as error:
        raise CannotDo(f"{path}: {error}") from None
    output.write(target, text, inputs)
    runs = trace.runs()
    output.say(f"wrote {target}: {len(runs)} {'run' if len(runs) == 1 else 'runs'}")
    output.emit({"report": str(target), "runs": len(runs)})
    return 0


def _routines(target: Path, arguments: argparse.Namespace, output: Output) -> int:
    from sequencer.report.routine_page import routines_page

    files = files_of(arguments.paths)
    reader = Reader.of(arguments)
    further = Further.of(arguments, output)
    inputs = [*files, *reader.overlays, *further.files]
    refuse_inputs(target, inputs)
    examined = examine_files(files, reader, waivers_of(arguments.waive), output)
    reported, unread = [], 0
    with processes(None if arguments.drill or arguments.spread else 1) as executor:
        for one in output.progress(examined, "rehearsing"):
            if isinstance(one.result, StepgraphError):
                output.problems(one.result)
                unread += 1
            else:
                reported.append(_reported(one, arguments.seed, further, executor, output))
    if not reported:
        raise CannotDo("none of the files is a routine that could be read; no report was written")
    output.write(target, routines_page(reported), inputs)
    beside = f"; {unread} of {len(files)} files could not be read" if unread else ""
    output.say(f"wrote {target}: {_told(reported)}{beside}")
    output.emit(
        {
            "report": str(target),
            "routines": [
                {"routine": one.routine.name, "verdict": one.examination.verdict, "fine": one.fine} for one in reported
            ],
            "unread": unread,
        }
    )
    return 0 if all(one.fine for one in reported) and not unread else 1


def _told(reported: Sequence[Reported]) -> str:
    fine = sum(one.fine for one in reported)
    return f"{len(reported)} {'routine' if len(reported) == 1 else 'routines'}, {fine} fine"


def _reported(one: Examined, seed: int, further: Further, executor: Executor | None, output: Output) -> Reported:
    """A routine with its rehearsals; none where it, or a routine that it falls back to, is not clear."""
    from sequencer.check import examine
    from sequencer.check.finding import Examination
    from sequencer.rehearse import fallbacks_of, rehearse
    from sequencer.report.routine_page import Reported
    from sequencer.routine.steps import RehearsalSpec

    assert one.routine is not None
    assert isinstance(one.result, Examination)
    more = further.sections(one.path, one.routine)
    others = [examine(fallback).checked for fallback in fallbacks_of(one.routine)]
    known = [checked for checked in others if checked is not None]
    if one.result.checked is None or len(known) < len(others):
        return Reported(one.routine, one.result, more=more)
    specs = one.routine.rehearsals or (RehearsalSpec("on defaults"),)
    rehearsals = [
        rehearse(one.result.checked, machine=one.routine.machine, spec=spec, seed=seed, others=known) for spec in specs
    ]
    if further.runs:
        more = [*further.spread(one.path, one.routine, one.result.checked, known, executor, output), *more]
    if further.drilled:
        more = [*further.drill(one.routine, one.result.checked, known, executor, output), *more]
    return Reported(one.routine, one.result, rehearsals, specs, more)
