"""``fit``: how late, heavy and rough the axes of a machine are, and what they reach, from recorded moves."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.cli.inputs import Reader, existing, existing_log
from sequencer.cli.output import CannotDo, Output

if TYPE_CHECKING:
    from sequencer.machine.machine import Machine
    from sequencer.trace import Trace
    from sequencer.tune.fit import AxisFit

NAME = "fit"
HELP = "delay, mass, friction and true limits of axes, from recorded moves"
ABOUT = (
    "Fits each axis to its moves in recordings: delay and lag, mass or inertia, coulomb and viscous friction,\n"
    "gravity, with intervals and the condition number; what cannot be told apart is refused with the reason. Shows\n"
    "what would change in the machine's file. --apply writes these numbers and nothing else; check and pack again\n"
    "afterwards."
)
EXAMPLE = "stepgraph fit match.csv practice.csv --machine machine.yaml --axis lift"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("logs", nargs="+", metavar="LOG", help="a trace; several together")
    parser.add_argument("--machine", required=True, metavar="FILE", help="the machine that was recorded")
    parser.add_argument("--axis", action="append", default=[], metavar="AXIS", help="only this axis; may be repeated")
    parser.add_argument(
        "--over",
        action="append",
        default=[],
        metavar="OVERLAY",
        help="an overlay that lay over the machine when it was recorded; may be given again",
    )
    parser.add_argument("--apply", action="store_true", help="write the proposed numbers into the machine's file")


def run(arguments: argparse.Namespace, output: Output) -> int:
    from sequencer.files import FileErrors
    from sequencer.trace import TraceError, read_trace
    from sequencer.tune.proposal import difference, edited

    if arguments.apply and arguments.over:
        raise CannotDo(
            "--apply writes into the machine's file, and an overlay is for a day; fit without it, or by hand"
        )
    file = existing(Path(arguments.machine))
    logs = [existing_log(Path(text)) for text in arguments.logs]
    try:
        machine = Reader.of(arguments).machine(file)
    except FileErrors as error:
        output.problems(error)
        raise CannotDo(f"{', '.join(arguments.logs)}: not fitted") from None
    traces = [read_trace(path) for path in output.progress(logs, "reading")]
    try:
        fits = _fits(traces, machine, arguments.axis)
    except TraceError as error:
        raise CannotDo(f"{', '.join(arguments.logs)}: {error}") from None
    for fit in fits:
        for line in fit.words():
            output.say(line)
    old = file.read_bytes().decode("utf-8")
    done = edited(old, [proposal for fit in fits for proposal in fit.proposals], str(file))
    changes = difference(old, done.text, str(file))
    for sentence in done.not_written:
        output.say(sentence)
    if not changes:
        output.say(f"{file} says the same, as far as these recordings tell")
    elif arguments.apply:
        from sequencer.whole_file import whole_file

        with whole_file(file, newline="") as target:
            target.write(done.text)
        output.say(f"{changes}\nwrote {file}; check and pack it again before it runs")
    else:
        output.say(f"{changes}\n--apply writes this")
    output.emit(
        {
            "machine": machine.name,
            "axes": [fit.as_json() for fit in fits],
            "difference": changes,
            "not_written": list(done.not_written),
            "applied": bool(changes) and arguments.apply,
        }
    )
    return 0


def _fits(traces: list[Trace], machine: Machine, wanted: list[str]) -> list[AxisFit]:
    from sequencer.tune.fit import fit_axis

    names = wanted or [name for name, axis in machine.axes.items() if axis.kind != "spin"]
    return [fit_axis(traces, machine, name) for name in names]
