"""``draw``: a machine or the plan of a routine as a picture, and in words."""

from __future__ import annotations

import argparse
from pathlib import Path

from sequencer.cli.inputs import Reader, add_file_arguments, files_of, is_routine, names_one_file, picture_path
from sequencer.cli.output import CannotDo, Output
from sequencer.errors import MissingExtra, StepgraphError

NAME = "draw"
HELP = "draw a machine, or the plan of a routine"
ABOUT = (
    "Draws a machine (its axes' space with presets and keep-outs, and its side view with bodies at every preset) or\n"
    "the planned timeline of a routine, as SVG and as text; with --together how far two steps of a routine may be\n"
    "beside each other without bodies coming too near. What a check finds about bodies: stepgraph check --svg."
)
EXAMPLE = "stepgraph draw machine.yaml -o machine.svg\n  stepgraph draw hang_ridge.routine.yaml --together raise level"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_file_arguments(parser, "machine or routine files")
    parser.add_argument(
        "-o", "--output", metavar="FILE", help="the picture, or a folder for several (default: NAME.svg, here)"
    )
    parser.add_argument(
        "--together",
        nargs=2,
        metavar=("STEP", "OTHER"),
        help="the progress of two steps against each other: where they block each other, and the gates between them",
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    files = files_of(arguments.paths)
    if len(files) > 1 and arguments.output is not None and not Path(arguments.output).is_dir():
        raise CannotDo(
            f"there are {len(files)} files to draw, and {arguments.output} is no folder; "
            "make it one, or draw them one by one"
        )
    reader = Reader.of(arguments)
    inputs = [*files, *reader.overlays]
    drawn: list[dict[str, str | None]] = []
    written: set[Path] = set()
    for path in files:
        kind = "routine" if is_routine(path) else "machine"
        try:
            if arguments.together is not None:
                name, picture, text = _together(path, reader, *arguments.together)
            else:
                name, picture, text = _routine(path, reader, output) if kind == "routine" else _machine(path, reader)
        except (CannotDo, MissingExtra):
            raise
        except StepgraphError as error:
            output.problems(error)
            drawn.append({"file": str(path), kind: None, "svg": None})
            continue
        target = picture_path(arguments.output, name)
        if target.resolve() in written:
            raise CannotDo(f"two pictures would be written to {target}; draw them one by one, each with -o")
        output.write(target, picture, inputs)
        written.add(target.resolve())
        output.say(text)
        output.say(f"wrote {target}")
        drawn.append({"file": str(path), kind: name, "svg": str(target)})
    output.emit(drawn[0] if names_one_file(arguments.paths) else drawn)
    return 0 if all(drawing["svg"] for drawing in drawn) else 1


def _machine(path: Path, reader: Reader) -> tuple[str, str, str]:
    machine = reader.machine(path)
    from sequencer.report import machine_svg, machine_text

    return machine.name, machine_svg(machine), machine_text(machine)


def _routine(path: Path, reader: Reader, output: Output) -> tuple[str, str, str]:
    routine = reader.routine(path)
    from sequencer.check import examine
    from sequencer.report import timeline_of_plan, timeline_svg, timeline_text

    # The check works out the critical path and the slack; where it cannot plan at all, planning alone says why.
    plan = examine(routine).plan
    if plan is None:
        from sequencer.plan import plan as plan_of

        plan = plan_of(routine)
    timeline = timeline_of_plan(plan)
    return routine.name, timeline_svg(timeline), timeline_text(timeline, output.width)


def _together(path: Path, reader: Reader, first: str, second: str) -> tuple[str, str, str]:
    routine = reader.routine(path)
    from sequencer.check import examine
    from sequencer.report import together_svg

    picture = together_svg(routine, examine(routine), first, second)
    return f"{routine.name} {first} {second}", picture, f"{routine.name}: {first} beside {second}"
