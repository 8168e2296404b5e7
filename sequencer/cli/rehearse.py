"""``rehearse``: runs routines on the simulated machine and says what came of it."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer.cli.findings import checked_fallbacks, say_findings
from sequencer.cli.inputs import (
    Reader,
    add_file_arguments,
    add_waive_argument,
    files_of,
    names_one_file,
    waivers_of,
    with_waivers,
)
from sequencer.cli.output import CannotDo, Output, refuse_inputs
from sequencer.errors import ModelError, did_you_mean

if TYPE_CHECKING:
    from sequencer.pack import CheckedRoutine
    from sequencer.plan import Plan
    from sequencer.rehearse import MeasuredClearance, Rehearsal
    from sequencer.routine.parameters import Parameter
    from sequencer.routine.routine import Routine
    from sequencer.routine.steps import RehearsalSpec

NAME = "rehearse"
HELP = "run routines on the simulated machine"
ABOUT = (
    "Checks each routine and runs it on the simulated machine: every rehearsal kept in its file, or one on defaults\n"
    "where it keeps none. Fails where an expectation is not held, or, where none is stated, an outcome is not 'done'.\n"
    "With --json a file gives an object, several or a folder a list."
)
EXAMPLE = "stepgraph rehearse hang_ridge.routine.yaml --name 'good approach' --svg run.svg"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_file_arguments(parser, "routine files")
    parser.add_argument("--name", metavar="NAME", help="only the rehearsal of that name")
    parser.add_argument(
        "--given",
        action="append",
        default=[],
        metavar="PARAMETER=VALUE",
        help="run with this value; may be given again",
    )
    parser.add_argument(
        "--seed", type=int, default=0, metavar="N", help="seed of the simulated machine's noise (default: 0)"
    )
    parser.add_argument("--trace", metavar="FILE", help="write every tick to this .csv file")
    parser.add_argument("--svg", metavar="FILE", help="write the timeline as a picture")
    add_waive_argument(parser)


def run(arguments: argparse.Namespace, output: Output) -> int:
    from sequencer.files import FileErrors

    files = files_of(arguments.paths)
    waivers = waivers_of(arguments.waive)
    reader = Reader.of(arguments)
    inputs = [*files, *reader.overlays]
    for path in (arguments.trace, arguments.svg):
        if path is not None:
            refuse_inputs(Path(path), inputs)
    if arguments.trace is not None and Path(arguments.trace).suffix.lower() != ".csv":
        raise CannotDo(f"traces are written as .csv, and {arguments.trace} ends otherwise")
    results: list[dict[str, Any]] = []
    routines: list[tuple[Path, Routine]] = []
    for path in files:
        try:
            routines.append((path, with_waivers(reader.routine(path), waivers)))
        except FileErrors as error:
            output.problems(error)
            results.append(_not_run(path, None, "the file is invalid; nothing was run"))
    chosen = [_specs(routine, arguments.name) for _, routine in routines]
    if arguments.name is not None and routines and not any(chosen):
        known = {spec.name for _, routine in routines for spec in routine.rehearsals}
        raise CannotDo(f"no routine has a rehearsal '{arguments.name}'; {did_you_mean(arguments.name, known)}")
    given = _given([routine for _, routine in routines], arguments.given) if routines else {}
    several = sum(map(len, chosen)) > 1
    failed = bool(results)
    for (path, routine), specs in zip(routines, chosen, strict=True):
        if not specs:
            continue
        own = {name: value for name, value in given.items() if name in routine.parameters}
        result, fine = _routine(path, routine, specs, own, arguments, output, several)
        results.append(result)
        failed = failed or not fine
    output.emit(results[0] if names_one_file(arguments.paths) else results)
    return 1 if failed else 0


def _not_run(path: Path, name: str | None, cause: str) -> dict[str, Any]:
    return {"routine": name, "path": str(path), "outcome": None, "cause": cause, "rehearsals": []}


def _specs(routine: Routine, name: str | None) -> list[RehearsalSpec]:
    from sequencer.routine.steps import RehearsalSpec

    if name is None:
        return list(routine.rehearsals) or [RehearsalSpec("on defaults")]
    return [spec for spec in routine.rehearsals if spec.name == name]


def _routine(
    path: Path,
    routine: Routine,
    specs: Sequence[RehearsalSpec],
    given: Mapping[str, float | str],
    arguments: argparse.Namespace,
    output: Output,
    several: bool,
) -> tuple[dict[str, Any], bool]:
    from sequencer.check import examine
    from sequencer.rehearse import rehearse, shortfalls

    with output.working(f"checking {routine.name}"):
        examination = examine(routine)
    if examination.checked is None:
        say_findings(examination.findings, output)
        cause = f"the check found it {examination.verdict}; nothing was run"
        output.say(f"{routine.name}: {cause}")
        return _not_run(path, routine.name, cause), False
    others = checked_fallbacks(routine, output)
    if others is None:
        cause = "a routine that a timeout falls back to is not clear; nothing was run"
        output.say(f"{routine.name}: {cause}")
        return _not_run(path, routine.name, cause), False
    checked, machine, seed = examination.checked, routine.machine, arguments.seed
    planned = examination.plan.duration if examination.plan is not None else None

    def rehearsed(spec: RehearsalSpec) -> Rehearsal:
        with output.working(f"rehearsing {routine.name}, {spec.name}", planned) as reached:
            return rehearse(
                checked,
                machine=machine,
                spec=spec,
                parameters=given,
                seed=seed,
                others=others,
                each_tick=lambda performance: reached(performance.now * 1e-9),
            )

    asked = output.progress(specs, f"rehearsing {routine.name}") if len(specs) > 1 else specs
    rehearsals = [rehearsed(spec) for spec in asked]
    done: list[tuple[Rehearsal, bool, str | None]] = []
    for rehearsal, spec in zip(rehearsals, specs, strict=True):
        fine = not shortfalls(rehearsal, machine, spec)
        _say(routine, rehearsal, checked, examination.plan, fine, output)
        suffix = f"-{routine.name}-{spec.name}" if several else ""
        trace = _write_trace(rehearsal, arguments.trace, suffix, output)
        _write_picture(rehearsal, checked, examination.plan, arguments.svg, suffix, output)
        done.append((rehearsal, fine, trace))
    # The whole is as good as its worst: what failed first stands for it.
    shown, _, trace = next((item for item in done if not item[1]), done[0])
    data = {"routine": routine.name, "path": str(path), **shown.as_json(), "trace": trace}
    data["rehearsals"] = [_rehearsal_json(rehearsal, fine, where) for rehearsal, fine, where in done]
    return data, all(fine for _, fine, _ in done)


def _say(
    routine: Routine,
    rehearsal: Rehearsal,
    checked: CheckedRoutine,
    plan: Plan | None,
    fine: bool,
    output: Output,
) -> None:
    from sequencer.report import timeline_of_trace, timeline_text

    mark = output.styled("fine", "good") if fine else output.styled("failed", "bad")
    cause = f": {rehearsal.cause}" if rehearsal.cause else ""
    title = output.styled(f"{routine.name}, {rehearsal.name}", "strong")
    output.say(f"{title}: {mark}, {rehearsal.outcome}{cause} after {rehearsal.duration:.2f} s")
    if any(run.name == routine.name for run in rehearsal.trace.runs()):
        text = timeline_text(timeline_of_trace(rehearsal.trace, routine.name, checked, plan), output.width, False)
        output.say(text.rstrip())
    for run in rehearsal.trace.runs():
        if run.name != routine.name:
            followed = f": {run.cause}" if run.cause else ""
            output.say(f"  then {run.name}: {run.outcome}{followed} after {run.end - run.start:.2f} s")
    for expectation in rehearsal.expectations:
        sign = output.styled("held", "good") if expectation.held else output.styled("not held", "bad")
        asked = "" if expectation.found == expectation.allowed else f", asked for {expectation.allowed}"
        output.say(f"  {expectation.name}: {sign}, found {expectation.found}{asked}")
    for distance in rehearsal.keep_outs:
        if distance.least is not None and distance.least <= 0.0:
            inside = routine.machine.axes[distance.axis].show(-distance.least)
            output.say(f"  {distance.name}: {output.styled('entered', 'bad')} by {inside} of {distance.axis}")
    if rehearsal.clearance is not None:
        output.say(f"  {_clearance_words(rehearsal.clearance, output)}")
    output.say()


def _clearance_words(measured: MeasuredClearance, output: Output) -> str:
    from sequencer.units import LENGTH, show

    both, margin = " and ".join(measured.between), show(measured.margin, LENGTH)
    sign = output.styled("too near", "bad") if measured.too_near else "nearest to its margin"
    found = show(abs(round(measured.least, 4)), LENGTH)
    near = f"overlapping by {found}" if measured.least < 0.0 else f"{found} apart"
    return f"clearance: {both} {sign}, {near} at {measured.at:.2f} s, margin {margin}"


def _rehearsal_json(rehearsal: Rehearsal, fine: bool, trace: str | None) -> dict[str, Any]:
    return {
        "name": rehearsal.name,
        "outcome": rehearsal.outcome,
        "cause": rehearsal.cause,
        "fine": fine,
        "duration": rehearsal.duration,
        "clearance": None if rehearsal.clearance is None else rehearsal.clearance.as_json(),
        "trace": trace,
        "expectations": [
            {"name": item.name, "held": item.held, "found": item.found, "allowed": item.allowed}
            for item in rehearsal.expectations
        ],
    }


def _write_trace(rehearsal: Rehearsal, asked: str | None, suffix: str, output: Output) -> str | None:
    if asked is None:
        return None
    from sequencer.trace import write_csv

    path = _suffixed(asked, suffix)
    write_csv(path, rehearsal.trace)
    output.say(f"wrote {path}")
    return str(path)


def _write_picture(
    rehearsal: Rehearsal, checked: CheckedRoutine, plan: Plan | None, asked: str | None, suffix: str, output: Output
) -> None:
    if asked is None or not any(run.name == checked.name for run in rehearsal.trace.runs()):
        return
    from sequencer.report import timeline_of_trace, timeline_svg

    path = _suffixed(asked, suffix)
    output.write(path, timeline_svg(timeline_of_trace(rehearsal.trace, checked.name, checked, plan)))
    output.say(f"wrote {path}")


def _suffixed(asked: str, suffix: str) -> Path:
    """Several rehearsals go to several files, each with its name before the ending."""
    path = Path(asked)
    words = "".join(character if character.isalnum() or character in "-_" else "_" for character in suffix)
    return path.with_name(f"{path.stem}{words}{path.suffix}")


def _given(routines: Sequence[Routine], texts: Sequence[str]) -> dict[str, float | str]:
    """Parameters written as ``name=value``, in the units of a file; a preset parameter takes a preset's name.

    Of several routines at least one must have the parameter; it is given to all that do.

    Raises:
        CannotDo: not of that form, no such parameter, another unit, or outside its range.
    """
    found: dict[str, float | str] = {}
    for text in texts:
        name, equals, value = (part.strip() for part in text.partition("="))
        if not equals or not name or not value:
            raise CannotDo(f"'{text}' gives no parameter; write it as name=value, such as 'release_lead=40 ms'")
        owners = [routine for routine in routines if name in routine.parameters]
        if not owners:
            who = routines[0].name if len(routines) == 1 else "none of the routines"
            known = {parameter for routine in routines for parameter in routine.parameters}
            negation = "no" if len(routines) == 1 else "a"
            raise CannotDo(f"{who} has {negation} parameter '{name}'; {did_you_mean(name, known)}")
        for owner in owners:
            found[name] = _value(owner.parameters[name], value)
    return found


def _value(parameter: Parameter, text: str) -> float | str:
    from sequencer.routine.parameters import NumberParameter
    from sequencer.units import NUMBER, dimension_name, parse_quantity, show

    name = parameter.name
    if not isinstance(parameter, NumberParameter):
        if text not in parameter.choices:
            raise CannotDo(f"{name} cannot be '{text}'; {did_you_mean(text, parameter.choices)}")
        return text
    try:
        quantity = parse_quantity(text)
    except ModelError as error:
        raise CannotDo(f"--given {name}: {error}") from None
    if quantity.dimension != parameter.dimension and not (quantity.dimension == NUMBER and quantity.value == 0.0):
        wanted, got = dimension_name(parameter.dimension), dimension_name(quantity.dimension)
        raise CannotDo(f"{name} is {wanted}, and '{text}' is {got}")
    if not parameter.low <= quantity.value <= parameter.high:
        low, high = show(parameter.low, parameter.dimension), show(parameter.high, parameter.dimension)
        raise CannotDo(f"{name} may be {low} to {high}, and '{text}' is outside")
    return quantity.value
