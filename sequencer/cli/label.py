"""``label``: says of a recorded attempt whether it was made or missed."""

from __future__ import annotations

import argparse
from pathlib import Path

from sequencer.cli.inputs import existing_log
from sequencer.cli.output import CannotDo, Output

NAME = "label"
HELP = "say whether a recorded attempt was made or missed"
ABOUT = (
    "Writes into a trace whether one of its runs was made or missed, for tuning. Nothing else in the file changes. On\n"
    "the robot, runner.note('label', 'made') after the run says the same."
)
EXAMPLE = "stepgraph label match.csv 3 made"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("log", metavar="LOG", help="a trace")
    parser.add_argument("number", type=int, metavar="N", help="the run, counted from 1")
    parser.add_argument("label", choices=["made", "missed", "none"], help="none takes a label away")


def run(arguments: argparse.Namespace, output: Output) -> int:
    from sequencer.trace import TraceError, relabel

    path = existing_log(Path(arguments.log))
    label = None if arguments.label == "none" else arguments.label
    try:
        labelled = relabel(path, {arguments.number: label})
    except TraceError as error:
        said = str(error)
        raise CannotDo(said if said.startswith(str(path)) else f"{path}: {said}") from None
    runs = labelled.runs()
    chosen = runs[arguments.number - 1]
    count = sum(run.label is not None for run in runs)
    said = chosen.label or "no label"
    output.say(f"run {arguments.number}, {chosen.name}: {said}; {count} of {len(runs)} runs are labelled")
    output.emit(
        {
            "log": str(path),
            "runs": [{"number": number, "name": one.name, "label": one.label} for number, one in enumerate(runs, 1)],
        }
    )
    return 0
