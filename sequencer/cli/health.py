"""``health``: wear of a machine, from recordings of its ordinary use."""

from __future__ import annotations

import argparse
from pathlib import Path

from sequencer.cli.inputs import existing_log
from sequencer.cli.output import CannotDo, Output

NAME = "health"
HELP = "wear of a machine, from recorded sessions"
ABOUT = (
    "Tells for each axis of the recordings what friction and weight cost [A], how late it follows its orders, how\n"
    "its motors share the load, and how far it went; and what has changed against older ones. Fails where anything\n"
    "has, or where motors share unevenly."
)
EXAMPLE = "stepgraph health today.csv --against march.csv"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("logs", nargs="+", metavar="LOG", help="traces of now")
    parser.add_argument(
        "--against", action="append", default=[], metavar="OLD", help="an older trace; may be given again"
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    from sequencer.trace import TraceError, read_trace
    from sequencer.tune import health

    now, old = (
        [read_trace(existing_log(Path(path))) for path in paths] for paths in (arguments.logs, arguments.against)
    )
    try:
        found = health(now, old)
    except TraceError as error:
        raise CannotDo(f"{', '.join([*arguments.logs, *arguments.against])}: {error}") from None
    output.say(str(found))
    output.emit(found.as_json())
    return 1 if found.warnings else 0
