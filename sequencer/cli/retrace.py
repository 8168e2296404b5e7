"""``retrace``: a recorded session once more through the same or changed routines."""

from __future__ import annotations

import argparse
from pathlib import Path

from sequencer.cli.findings import examine_files, say_findings
from sequencer.cli.inputs import Reader, existing_log, files_of
from sequencer.cli.output import Output
from sequencer.errors import StepgraphError

NAME = "retrace"
HELP = "what routines would have decided on a recorded session"
ABOUT = (
    "Runs the recorded readings and requests of a trace through routines, the same or changed ones, and lists the\n"
    "decisions that come out otherwise, the first one first, as far as the recording can tell. Fails where any does."
)
EXAMPLE = "stepgraph retrace match.csv --routine hang_ridge.routine.yaml"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("log", metavar="LOG", help="a trace")
    parser.add_argument(
        "--routine",
        action="append",
        required=True,
        metavar="FILE",
        help="a routine of now, or a folder of them; may be given again",
    )
    parser.add_argument(
        "--over",
        action="append",
        default=[],
        metavar="OVERLAY",
        help="an overlay to lay over the machine; may be given again, each over the one before",
    )
    parser.add_argument("--cut-end", action="store_true", help="accept a trace whose last line is cut off")


def run(arguments: argparse.Namespace, output: Output) -> int:
    from sequencer.trace import read_trace
    from sequencer.tune import retrace

    log = existing_log(Path(arguments.log))
    files = files_of(arguments.routine)
    reader = Reader.of(arguments)
    checked = []
    for path, name, examination, _ in examine_files(files, reader, (), output):
        if isinstance(examination, StepgraphError):
            output.problems(examination)
        elif examination.checked is None:
            say_findings(examination.findings, output)
            output.say(f"{name}: {examination.verdict}")
        else:
            checked.append(examination.checked)
            continue
        output.emit({"log": str(log), "error": f"{path} was refused by the check; nothing was run again"})
        output.say("nothing was run again")
        return 1
    with output.working(f"reading {log.name}"):
        trace = read_trace(log, cut_end=arguments.cut_end)
    with output.working("running it again", len(trace.rows)) as reached:
        found = retrace(trace, checked, advance=reached)
    output.say(str(found))
    output.emit({"log": str(log), **found.as_json()})
    return 0 if found.identical else 1
