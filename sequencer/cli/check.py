"""``check``: proves or refutes that routines stay inside their limits and clear of what is declared."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer.cli.actuators import say_actuators
from sequencer.cli.findings import examine_files, invalid, say_examination
from sequencer.cli.inputs import (
    Reader,
    add_file_arguments,
    add_waive_argument,
    files_of,
    names_one_file,
    picture_path,
    waivers_of,
)
from sequencer.cli.output import CannotDo, Output
from sequencer.errors import ModelError, StepgraphError

if TYPE_CHECKING:
    from sequencer.check import Examination
    from sequencer.routine.routine import Routine

NAME = "check"
HELP = "prove or refute that routines stay inside their limits and clear"
ABOUT = (
    "Plans each routine and proves or refutes that it stays inside limits, clear of what is declared, and free of\n"
    "dead ends. Says what the verdict assumes. With --json a file gives an object, several or a folder a list."
)
EXAMPLE = "stepgraph check hang_ridge.routine.yaml --svg hang_ridge.svg"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_file_arguments(parser, "routine files")
    add_waive_argument(parser)
    parser.add_argument(
        "--svg",
        metavar="FILE",
        help="a picture of the bodies from the side, or a folder for several: all that the proof covers and the "
        "closest approach, or each conflict and what mends it",
    )
    parser.add_argument(
        "--without",
        action="append",
        default=[],
        metavar="SENSOR",
        help="also tell what becomes of each routine while this sensor reads nothing; may be given again",
    )
    parser.add_argument(
        "--actuators",
        action="store_true",
        help="also tell what each step takes out of motors and battery, what still works with one of several motors "
        "dead, and where axes go when the power is cut",
    )
    parser.add_argument("--watch", action="store_true", help="check again whenever a file is saved, until Ctrl-C")


def run(arguments: argparse.Namespace, output: Output) -> int:
    if not arguments.watch:
        return _check(arguments, output)
    if output.as_json:
        raise CannotDo("--watch goes on for ever and writes no JSON; leave out one of the two")
    from sequencer.cli.watch import wait_a_little, watch

    overlays = [Path(text) for text in arguments.over]
    return watch(arguments.paths, overlays, lambda: _check(arguments, output), output, wait_a_little)


def _check(arguments: argparse.Namespace, output: Output) -> int:
    files = files_of(arguments.paths)
    waivers = waivers_of(arguments.waive)
    reader = Reader.of(arguments)
    if arguments.svg is not None and len(files) > 1 and not Path(arguments.svg).is_dir():
        raise CannotDo(
            f"there are {len(files)} routines, and {arguments.svg} is no folder; make it one, or check them one by one"
        )
    inputs = [*files, *reader.overlays]
    results: list[dict[str, Any]] = []
    for path, name, examination, routine in examine_files(files, reader, waivers, output):
        if isinstance(examination, StepgraphError):
            output.problems(examination)
            output.say(f"{output.styled(str(path), 'strong')}: {output.styled('invalid', 'bad')}")
            results.append({"routine": None, "path": str(path), **invalid(str(path), examination)})
        else:
            say_examination(name, examination, output)
            result = {"routine": name, "path": str(path), **examination.as_json()}
            results.append(result)
            if arguments.without and routine is not None:
                result["without"] = _say_losses(routine, arguments.without, output)
            if arguments.actuators and routine is not None:
                result.update(say_actuators(routine.machine, examination, output))
            if arguments.svg is not None and routine is not None:
                _write_picture(routine, examination, picture_path(arguments.svg, name), inputs, output)
    if len(files) > 1:
        clear = sum(1 for result in results if result["verdict"] == "clear")
        output.say(f"{clear} of {len(files)} are clear")
    output.emit(results[0] if names_one_file(arguments.paths) else results)
    ended = any(loss["ends"] for result in results for loss in result.get("without", ()))
    return 0 if all(result["verdict"] == "clear" for result in results) and not ended else 1


def _say_losses(routine: Routine, sensors: Sequence[str], output: Output) -> list[dict[str, Any]]:
    """What becomes of a routine without these sensors, a line each."""
    from sequencer.check import without

    try:
        losses = without(routine, frozenset(sensors))
    except ModelError as error:
        raise CannotDo(str(error)) from None
    names = " and ".join(dict.fromkeys(sensors))
    if not losses:
        output.say(f"{routine.name} does not need {names}")
    for loss in losses:
        severity = output.styled("ends the run", "bad") if loss.ends else output.styled("changes", "doubtful")
        output.say(f"{loss.place}: without {names}: {severity}: {loss.message}")
    return [
        {
            "file": loss.place.file,
            "line": loss.place.line,
            "step": loss.step,
            "message": loss.message,
            "ends": loss.ends,
        }
        for loss in losses
    ]


def _write_picture(
    routine: Routine, examination: Examination, target: Path, inputs: Sequence[Path], output: Output
) -> None:
    """The picture of what was found; where there is none to be had, why."""
    from sequencer.report import routine_svg

    try:
        picture = routine_svg(routine, examination)
    except ModelError as error:
        output.say(f"no picture of {routine.name}: {error}")
        return
    output.write(target, picture, inputs)
    output.say(f"wrote {target}")
