"""``check``: proves or refutes that routines stay inside their limits and clear of what is declared."""

from __future__ import annotations

import argparse

from sequencer.cli.findings import examine_files, invalid, say_examination
from sequencer.cli.inputs import (
    Reader,
    add_file_arguments,
    add_waive_argument,
    files_of,
    names_one_file,
    waivers_of,
)
from sequencer.cli.output import Output
from sequencer.errors import StepgraphError

NAME = "check"
HELP = "prove or refute that routines stay inside their limits and clear"
ABOUT = (
    "Plans each routine and proves or refutes that it stays inside limits, clear of what is declared, and free of\n"
    "dead ends. Says what the verdict assumes. With --json a file gives an object, several or a folder a list."
)
EXAMPLE = "stepgraph check hang_ridge.routine.yaml"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_file_arguments(parser, "routine files")
    add_waive_argument(parser)


def run(arguments: argparse.Namespace, output: Output) -> int:
    files = files_of(arguments.paths)
    waivers = waivers_of(arguments.waive)
    reader = Reader.of(arguments)
    results = []
    for path, name, examination in examine_files(files, reader, waivers, output):
        if isinstance(examination, StepgraphError):
            output.problems(examination)
            output.say(f"{output.styled(str(path), 'strong')}: {output.styled('invalid', 'bad')}")
            results.append({"routine": None, "path": str(path), **invalid(str(path), examination)})
        else:
            say_examination(name, examination, output)
            results.append({"routine": name, "path": str(path), **examination.as_json()})
    if len(files) > 1:
        clear = sum(1 for result in results if result["verdict"] == "clear")
        output.say(f"{clear} of {len(files)} are clear")
    output.emit(results[0] if names_one_file(arguments.paths) else results)
    return 0 if all(result["verdict"] == "clear" for result in results) else 1
