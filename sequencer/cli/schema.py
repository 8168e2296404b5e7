"""``schema``: the JSON Schema of a kind of file, for editors that complete and mark while one writes."""

from __future__ import annotations

import argparse
from pathlib import Path

from sequencer.cli.output import CannotDo, Output
from sequencer.errors import did_you_mean

NAME = "schema"
HELP = "write the JSON Schema of a kind of file, for your editor"
ABOUT = (
    "Writes the JSON Schema of machine, routine, overlay or mapping files; name it in your editor, and it completes\n"
    "and marks."
)
EXAMPLE = "stepgraph schema routine -o routine.schema.json"
KINDS = ("machine", "routine", "overlay", "mapping")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("kind", metavar="|".join(KINDS), help="which kind of file")
    parser.add_argument("-o", "--output", metavar="FILE", help="write it there and not to stdout")


def run(arguments: argparse.Namespace, output: Output) -> int:
    if arguments.kind not in KINDS:
        raise CannotDo(f"there is no schema '{arguments.kind}'; {did_you_mean(arguments.kind, KINDS)}")
    from sequencer.files.schema import schema_text

    text = schema_text(arguments.kind)
    if arguments.output is None:
        print(text, end="")
        return 0
    output.write(Path(arguments.output), text)
    output.say(f"wrote {arguments.output}")
    output.emit({"schema": arguments.kind, "written": arguments.output})
    return 0
