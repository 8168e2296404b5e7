"""``why``: one sentence for every run of a recorded session that did not end as it should."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.cli.inputs import existing, existing_log
from sequencer.cli.output import CannotDo, Output

if TYPE_CHECKING:
    from sequencer.trace import Trace

NAME = "why"
HELP = "why runs of a recorded session ended as they did"
ABOUT = (
    "One sentence for every run of a trace that did not end done: the step that decided it, the values that it saw,\n"
    "and how near it came. Fails where there is such a run."
)
EXAMPLE = "stepgraph why match.csv --run 3"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("log", metavar="LOG", help="a trace")
    parser.add_argument("--run", type=int, metavar="N", help="only this run, counted from 1; told even if it was done")
    parser.add_argument(
        "--pack",
        metavar="FILE",
        help="the pack that is on the robot; tells whether another one, or a machine, was recorded",
    )
    parser.add_argument("--cut-end", action="store_true", help="accept a trace whose last line is cut off")


def run(arguments: argparse.Namespace, output: Output) -> int:
    from sequencer.trace import TraceError, read_trace
    from sequencer.tune import why

    trace = read_trace(existing_log(Path(arguments.log)), cut_end=arguments.cut_end)
    if arguments.pack is not None:
        for note in _notes(trace, existing(Path(arguments.pack))):
            output.say(note)
    try:
        accounts = why(trace, arguments.run)
    except TraceError as error:
        raise CannotDo(f"{arguments.log}: {error}") from None
    failed = [account for account in accounts if account.failed]
    for account in failed if arguments.run is None else accounts:
        output.say(str(account))
    if arguments.run is None:
        done = len(accounts) - len(failed)
        output.say(f"{done} of {len(accounts)} {'run was' if len(accounts) == 1 else 'runs were'} done")
    output.emit([account.as_json() for account in accounts])
    return 1 if failed else 0


def _notes(trace: Trace, path: Path) -> Iterator[str]:
    """Whether the recording is of what the pack holds."""
    from sequencer.pack import load_pack
    from sequencer.tune.origin import machine_note, routine_notes

    pack = load_pack(path)
    machine = machine_note(trace.header, str(pack.machine["name"]), str(pack.machine["hash"]))
    if machine is not None:
        yield machine
    yield from routine_notes(trace.header, {name: checked.hash for name, checked in pack.routines.items()})
