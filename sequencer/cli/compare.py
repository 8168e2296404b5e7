"""``compare``: two recorded runs beside each other, aligned by their steps."""

from __future__ import annotations

import argparse
from pathlib import Path

from sequencer.cli.inputs import existing_log
from sequencer.cli.output import CannotDo, Output

NAME = "compare"
HELP = "what differs between a good and a bad recorded run"
ABOUT = (
    "Aligns two runs of one routine by their steps and tells, for each step that differs, what came later, lower or\n"
    "higher in the bad one, the greatest difference first. Fails where anything differs."
)
EXAMPLE = "stepgraph compare good.csv bad.csv --run 3"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("good", metavar="GOOD", help="a trace with a run as it should be")
    parser.add_argument("bad", metavar="BAD", help="a trace with a run that was not; it may be the same file")
    parser.add_argument("--good-run", type=int, metavar="N", help="the good run, from 1; else the last that was done")
    parser.add_argument("--run", type=int, metavar="N", help="the bad run, from 1; else the last of that routine")


def run(arguments: argparse.Namespace, output: Output) -> int:
    from sequencer.trace import TraceError, read_trace
    from sequencer.tune import compare

    good, bad = (read_trace(existing_log(Path(path))) for path in (arguments.good, arguments.bad))
    try:
        found = compare(good, bad, arguments.good_run, arguments.run)
    except TraceError as error:
        raise CannotDo(f"{arguments.good} and {arguments.bad}: {error}") from None
    output.say(str(found))
    output.emit({"good": arguments.good, "bad": arguments.bad, **found.as_json()})
    return 1 if found.steps else 0
