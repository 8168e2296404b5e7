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
    from sequencer.tune.why import Account

NAME = "why"
HELP = "why runs of a recorded session ended as they did"
ABOUT = (
    "One sentence for every run of traces that did not end done: the step that decided it, the values that it saw,\n"
    "and how near it came. Fails where there is such a run."
)
EXAMPLE = "stepgraph why match_1.csv match_2.csv"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("logs", nargs="+", metavar="LOG", help="a trace; several one after the other")
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

    several = len(arguments.logs) > 1
    if several and arguments.run is not None:
        raise CannotDo(f"--run names a run of one trace, and there are {len(arguments.logs)}; name one trace")
    told: list[tuple[str, Account]] = []
    notes: list[str] = []
    for log in output.progress(arguments.logs, "reading"):
        trace = read_trace(existing_log(Path(log)), cut_end=arguments.cut_end)
        if arguments.pack is not None:
            notes += [f"{log}: {note}" if several else note for note in _notes(trace, existing(Path(arguments.pack)))]
        try:
            told += [(log, account) for account in why(trace, arguments.run)]
        except TraceError as error:
            raise CannotDo(f"{log}: {error}") from None
    failed = sum(account.failed for _, account in told)
    for note in notes:
        output.say(note)
    for log, account in told:
        if account.failed or arguments.run is not None:
            output.say(f"{log}: {account}" if several else str(account))
    if arguments.run is None:
        output.say(f"{len(told) - failed} of {len(told)} {'run was' if len(told) == 1 else 'runs were'} done")
    output.emit([{"log": log, **account.as_json()} if several else account.as_json() for log, account in told])
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
