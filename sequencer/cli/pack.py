"""``pack``: checks routines and writes them into the one file that the robot runs."""

from __future__ import annotations

import argparse
from pathlib import Path

from sequencer.cli.findings import examine_files, say_examination
from sequencer.cli.inputs import Reader, add_file_arguments, add_waive_argument, files_of, waivers_of
from sequencer.cli.output import Output, refuse_inputs
from sequencer.errors import StepgraphError

NAME = "pack"
HELP = "check routines and write them into one file for the robot"
ABOUT = "Checks every routine first, and writes the pack only if all of them are clear."
EXAMPLE = "stepgraph pack routines/ -o robot.pack"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_file_arguments(parser, "routine files")
    parser.add_argument("-o", "--output", default="robot.pack", metavar="FILE", help="the pack (default: robot.pack)")
    add_waive_argument(parser)


def run(arguments: argparse.Namespace, output: Output) -> int:
    files = files_of(arguments.paths)
    waivers = waivers_of(arguments.waive)
    reader = Reader.of(arguments)
    target = Path(arguments.output)
    refuse_inputs(target, [*files, *reader.overlays])
    from sequencer.pack import write_pack
    from sequencer.pack.ways import ways_size

    checked, results = [], []
    for path, name, examination, _ in examine_files(files, reader, waivers, output):
        if isinstance(examination, StepgraphError):
            output.problems(examination)
            results.append({"routine": None, "path": str(path), "verdict": "invalid", "hash": None})
            continue
        say_examination(name, examination, output)
        routine = examination.checked
        digest = routine.hash if routine is not None else None
        results.append({"routine": name, "path": str(path), "verdict": examination.verdict, "hash": digest})
        if routine is not None and examination.verdict == "clear":
            checked.append(routine)
    if len(checked) < len(files):
        refused = len(files) - len(checked)
        output.say(
            f"nothing was written: {refused} of {len(files)} routines {'is' if refused == 1 else 'are'} not clear"
        )
        output.emit({"pack": None, "hash": None, "routines": results})
        return 1
    digest = write_pack(target, checked).hash
    size = sum(ways_size(routine.routine) for routine in checked)
    ways = f", {size / 1000:.3g} kB of ways" if size else ""
    output.say(f"wrote {target}: {len(checked)} {'routine' if len(checked) == 1 else 'routines'}, {digest[:12]}{ways}")
    output.emit({"pack": str(target), "hash": digest, "routines": results})
    return 0
