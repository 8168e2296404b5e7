"""``tune``: from labelled attempts to the timing to use now and the one to try next."""

from __future__ import annotations

import argparse
from pathlib import Path

from sequencer.cli.inputs import Reader, existing
from sequencer.cli.output import CannotDo, Output
from sequencer.errors import ModelError

NAME = "tune"
HELP = "the timing that works, and the one to try next, from labelled attempts"
ABOUT = (
    "Takes every labelled run of a routine from recordings (see stepgraph label) and tells which value of its timing\n"
    "works best now, how sure that is, and which to try next within the checked range. A person decides each time.\n"
    "Also when the piece really left the rollers in each attempt, where that can be told.\n"
    "--apply writes the best value into the routine's file and nothing else; check and pack it again afterwards."
)
EXAMPLE = "stepgraph tune match.csv practice.csv --routine hang_ridge.routine.yaml"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("logs", nargs="+", metavar="LOG", help="a trace; several together")
    parser.add_argument("--routine", required=True, metavar="FILE", help="the routine that was tried")
    parser.add_argument("--parameter", metavar="NAME", help="which of its parameters, if several are timings")
    parser.add_argument(
        "--seed", type=int, default=0, metavar="N", help="seed of the draw for the next try (default: 0)"
    )
    parser.add_argument("--svg", metavar="FILE", help="the attempts over the timing, with what they tell, as a picture")
    parser.add_argument("--apply", action="store_true", help="write the best value into the routine's file")
    parser.add_argument("--over", action="append", default=[], metavar="OVERLAY", help=argparse.SUPPRESS)


def run(arguments: argparse.Namespace, output: Output) -> int:
    from sequencer.check.compile_machine import compile_machine
    from sequencer.files.edit import edit_file
    from sequencer.trace import read_trace
    from sequencer.tune.origin import machine_note
    from sequencer.tune.releases import releases_of
    from sequencer.tune.timing import timing_of
    from sequencer.units import TIME, exact

    file = existing(Path(arguments.routine))
    routine = Reader.of(arguments).routine(file)
    logs = [existing(Path(text)) for text in arguments.logs]
    traces = [read_trace(path) for path in output.progress(logs, "reading")]
    try:
        timing = timing_of(traces, routine, arguments.parameter)
    except ModelError as error:
        raise CannotDo(str(error)) from None
    releases = releases_of(traces, routine)
    digest = str(compile_machine(routine.machine)["hash"])
    for note in dict.fromkeys(machine_note(trace.header, routine.machine.name, digest) for trace in traces):
        if note is not None:
            output.say(note)
    for line in timing.words(arguments.seed):
        output.say(line)
    for release in releases:
        for line in release.words(routine.machine):
            output.say(line)
    if arguments.svg is not None:
        from sequencer.report.timing_picture import timing_svg

        output.write(Path(arguments.svg), timing_svg(timing), [file, *logs])
        output.say(f"wrote {arguments.svg}")
    applied = None
    if arguments.apply:
        if not timing.success.attempts:
            raise CannotDo("there is no labelled attempt, so there is nothing to apply")
        rate = timing.success.rate()
        assert rate is not None
        if rate.made in (0, rate.tried):
            raise CannotDo(
                f"{rate.made} of {rate.tried} attempts were made, which tells no timing from another; "
                f"nothing was written. Try other values and label what comes of them"
            )
        best, dimension = timing.success.best()[0], timing.parameter.dimension
        applied = f"{best * 1e3:.3g} ms" if dimension == TIME else exact(float(f"{best:.3g}"), dimension)
        edit_file(
            file, f"parameters.{timing.parameter.name}.value", applied, f"tuned: {rate.made} of {rate.tried} made"
        )
        output.say(f"wrote {timing.parameter.name} {applied} into {file}; check and pack it again before it runs")
    output.emit(
        {
            "routine": routine.name,
            "applied": applied,
            **timing.as_json(arguments.seed),
            "releases": [one for release in releases for one in release.as_json()],
        }
    )
    return 0
