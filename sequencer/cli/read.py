"""``read``: a log of another program, read through a mapping into a trace."""

from __future__ import annotations

import argparse
from pathlib import Path

from sequencer.cli.inputs import existing
from sequencer.cli.output import CannotDo, Output, refuse_inputs

NAME = "read"
HELP = "turn a log of another program into a trace"
ABOUT = (
    "Reads a table of comma-separated values through a mapping file (which column is which quantity, in what unit,\n"
    "scale and sign), names everything that is wrong with it, mends what can be mended safely, refuses the rest, and\n"
    "writes a trace. Fails where something was left or mended."
)
EXAMPLE = "stepgraph read bench.csv --mapping bench.yaml --machine machine.yaml -o bench_trace.csv"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("log", metavar="LOG", help="the log")
    parser.add_argument("--mapping", required=True, metavar="FILE", help="the mapping file")
    parser.add_argument("--machine", metavar="FILE", help="the machine; its travel catches wrong units")
    parser.add_argument("-o", "--output", metavar="FILE", help="write the trace to this .csv file")


def run(arguments: argparse.Namespace, output: Output) -> int:
    from sequencer.files import FileErrors, load_machine
    from sequencer.logs import load_mapping, read_log
    from sequencer.trace import write_trace

    path, mapping_path = existing(Path(arguments.log)), existing(Path(arguments.mapping))
    inputs = [path, mapping_path]
    machine = None
    try:
        if arguments.machine is not None:
            inputs.append(existing(Path(arguments.machine)))
            machine = load_machine(inputs[-1])
        mapping = load_mapping(mapping_path)
    except FileErrors as error:
        output.problems(error)
        raise CannotDo(f"{arguments.log} was not read") from None
    log = read_log(path, mapping, machine)
    for remark in log.remarks:
        output.say(str(remark))
    trace = log.trace
    output.say(f"{path}: {len(trace.rows)} samples over {trace.duration:.4g} s")
    if arguments.output is not None:
        refuse_inputs(Path(arguments.output), inputs)
        write_trace(arguments.output, trace)
    output.emit(
        {
            "log": str(path),
            "samples": len(trace.rows),
            "duration": trace.duration,
            "remarks": [remark._asdict() for remark in log.remarks],
            "trace": arguments.output,
        }
    )
    return 1 if log.remarks else 0
