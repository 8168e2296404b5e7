"""``order``: the fastest certified way from one preset to another, or the table of all of them."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer.cli.inputs import Reader, existing, picture_path
from sequencer.cli.output import CannotDo, Output
from sequencer.errors import ModelError

if TYPE_CHECKING:
    from sequencer.machine.machine import Machine
    from sequencer.ordering.preset_table import Change, PresetTable

NAME = "order"
HELP = "find the fastest certified way from any preset to any other"
ABOUT = (
    "Finds the fastest way from one configuration to another as ordinary steps with gates, and checks it like any\n"
    "routine. A configuration is a preset, or positions such as 'lift=0.3 m, wrist=20 deg'. With --all it lists every\n"
    "change between two presets with its time, or why there is none. --svg draws the way in the space of each two\n"
    "axes and from the side, or with --all the matrix of changes."
)
EXAMPLE = (
    "stepgraph order machine.yaml --from stow --to ridge --write up.routine.yaml --svg up.svg\n"
    "  stepgraph order machine.yaml --all --svg changes.svg"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("machine", metavar="MACHINE", help="the machine file")
    parser.add_argument("--over", action="append", default=[], metavar="OVERLAY", help="an overlay to lay over it")
    parser.add_argument("--from", dest="start", metavar="PLACE", help="where it starts: a preset, or positions")
    parser.add_argument("--to", dest="goal", metavar="PLACE", help="where it goes: a preset, or positions")
    parser.add_argument(
        "--outside",
        action="append",
        default=[],
        metavar="BODY=LOW..HIGH",
        help="where a body outside may stand, such as 'post=0.6 m..1.4 m' (default: anywhere in its range)",
    )
    parser.add_argument("--all", action="store_true", help="every change between two presets")
    parser.add_argument("--write", metavar="FILE", help="write the routine to this file")
    parser.add_argument("--svg", metavar="FILE", help="draw the way, or with --all the matrix of changes, to this file")
    parser.add_argument("--cells", type=int, metavar="N", help="cells along each axis, a power of 2 (finer is slower)")
    parser.add_argument("--within", type=float, metavar="SECONDS", help="take the best that is found in this time")


def run(arguments: argparse.Namespace, output: Output) -> int:
    path = existing(Path(arguments.machine))
    if arguments.all == (arguments.start is not None or arguments.goal is not None):
        raise CannotDo("give either --from and --to, or --all")
    if not arguments.all and (arguments.start is None or arguments.goal is None):
        raise CannotDo("a change needs both its ends: --from PLACE --to PLACE")
    for name in ("write", "within") if arguments.all else ():
        if getattr(arguments, name) is not None:
            raise CannotDo(f"--{name} goes with --from and --to")
    if arguments.within is not None and not arguments.within > 0.0:
        raise CannotDo(f"--within {arguments.within:g}: the time must be greater than 0 s")
    machine = Reader.of(arguments).machine(path)
    inputs = [path, *(Path(text) for text in arguments.over)]
    return _all(machine, arguments, output, inputs) if arguments.all else _one(machine, arguments, output, inputs)


def _one(machine: Machine, arguments: argparse.Namespace, output: Output, inputs: list[Path]) -> int:
    from sequencer.check.finding import CheckFailed
    from sequencer.check.ordered import order_with
    from sequencer.files.writer import write_routine
    from sequencer.ordering.grid import Grid, cells_of
    from sequencer.ordering.search import NoOrder, Ordering
    from sequencer.report.order_view import order_svg

    named = _from_where_it_is_written(inputs[0], arguments.write)
    start, goal = place_of(arguments.start, machine), place_of(arguments.goal, machine)
    ordering = Ordering(machine, Grid(machine, cells_of(arguments.cells), outside_of(arguments.outside)))
    try:
        with output.working("looking for the fastest way", arguments.within):
            routine, found = order_with(ordering, start, goal, arguments.within)
    except (NoOrder, CheckFailed) as error:
        output.say(f"{output.styled(error.verdict, 'bad')}: {error}")
        ways = [way._asdict() for way in error.ways_out] if isinstance(error, NoOrder) else []
        output.emit(
            {"verdict": error.verdict, "because": str(error), "routine": None, "duration": None, "ways_out": ways}
        )
        return 1
    text = write_routine(routine, named)
    output.say(text.rstrip())
    more = f"; all axes at once meet {found.in_the_way}" if found.in_the_way else ""
    output.say(f"{output.styled('clear', 'good')}: {found.kind}, {found.duration:.3f} s{more}")
    if not found.complete:
        output.say(f"the time was up: the best so far; no way can be faster than {found.least:.3f} s")
    if not isinstance(start, str):
        written = ", ".join(f"{name}: {machine.axes[name].show(value)}" for name, value in start.items())
        output.say(f"it starts from no preset of {arguments.machine}; to keep it add: {routine.start}: {{{written}}}")
    if arguments.write is not None:
        output.write(Path(arguments.write), text, inputs)
        output.say(f"wrote {arguments.write}")
        if arguments.over:
            over = " ".join(f"--over {text}" for text in arguments.over)
            output.say(f"it was found with an overlay, which the file does not name: check and pack it with {over}")
    picture = None
    if arguments.svg is not None:
        picture = picture_path(arguments.svg, routine.name)
        output.write(picture, order_svg(ordering, found, start, goal), inputs)
        output.say(f"wrote {picture}")
    output.emit(
        {
            "verdict": "clear",
            "kind": found.kind,
            "duration": found.duration,
            "at_least": found.least,
            "complete": found.complete,
            "because": found.in_the_way or None,
            "routine": text,
            "written": arguments.write,
            "svg": None if picture is None else str(picture),
        }
    )
    return 0


def _from_where_it_is_written(machine: Path, target: str | None) -> str:
    """The machine's file as the routine has to name it: in the routine's own folder, or below."""
    if target is None:
        return machine.name
    try:
        return machine.resolve().relative_to(Path(target).resolve().parent).as_posix()
    except ValueError:
        raise CannotDo(
            f"--write {target}: a routine names a machine in its own folder or below; write it beside {machine}"
        ) from None


def _all(machine: Machine, arguments: argparse.Namespace, output: Output, inputs: list[Path]) -> int:
    from sequencer.ordering.preset_table import preset_table
    from sequencer.report.changes import changes_svg

    if len(machine.presets) < 2:
        raise ModelError(f"{machine.name} has {len(machine.presets)} presets; a change needs two")
    outside = outside_of(arguments.outside)
    with output.working("looking for changes", len(machine.presets) * (len(machine.presets) - 1)) as reached:
        table = preset_table(machine, cells=arguments.cells, outside=outside, progress=lambda done, _: reached(done))
    output.table(["from \\ to", *table.presets], [_row(table, start, output) for start in table.presets])
    for change in table:
        if change.plan is None:
            output.say(f"{change.start} to {change.goal}: {output.styled(change.verdict, 'bad')}: {change.because}")
    clear = sum(1 for change in table if change.plan is not None)
    source = ", from the cache" if table.from_cache else ""
    if table.refused:
        output.say(f"{table.refused}; the table was worked out anew")
    output.say(f"{clear} of {len(table)} changes have a way (seconds; g gated, d by a detour){source}")
    if arguments.svg is not None:
        target = picture_path(arguments.svg, machine.name)
        output.write(target, changes_svg(table), inputs)
        output.say(f"wrote {target}")
    output.emit({"machine": machine.name, "changes": [change.as_json() for change in table], "svg": arguments.svg})
    return 0 if clear == len(table) else 1


def _row(table: PresetTable, start: str, output: Output) -> list[str]:
    row = [start]
    for goal in table.presets:
        row.append("" if goal == start else _cell(table.changes[start, goal], output))
    return row


def _cell(change: Change, output: Output) -> str:
    if change.duration is None:
        return output.styled("none" if change.verdict == "conflict" else "?", "bad")
    mark = {"gated": " g", "detour": " d"}.get(change.kind, "")
    return f"{change.duration:.2f}{mark}"


def place_of(text: str, machine: Machine) -> Any:
    """A preset's name, or positions written as ``lift=0.3 m, wrist=20 deg``.

    Raises:
        ModelError: a position is no quantity, or has the unit of something else.
    """
    from sequencer.units import dimension_name, parse_quantity

    if "=" not in text:
        return text
    places: dict[str, float] = {}
    for part in text.split(","):
        name, _, written = (word.strip() for word in part.partition("="))
        if name in places:
            raise ModelError(f"'{text}' gives two positions to {name}")
        quantity = parse_quantity(written)
        axis = machine.axes.get(name)
        if axis is not None and axis.travel is not None and quantity.dimension != axis.dimension:
            bare = quantity.value == 0.0 and written.strip("+-0. ") == ""
            if not bare:
                wanted = dimension_name(axis.dimension)
                raise ModelError(f"{name}: '{written}' is not {wanted}; write it with its unit")
        places[name] = quantity.value
    return places


def outside_of(texts: Sequence[str]) -> dict[str, tuple[float, float]]:
    """Ranges of bodies outside [m] written as ``post=0.6 m..1.4 m``.

    Raises:
        ModelError: a text is not of that form, or is no length.
    """
    from sequencer.units import LENGTH, parse_quantity

    found: dict[str, tuple[float, float]] = {}
    for text in texts:
        name, equals, span = (part.strip() for part in text.partition("="))
        ends = [parse_quantity(part.strip()) for part in span.split("..")] if equals else []
        if len(ends) != 2 or any(end.dimension != LENGTH for end in ends):
            raise ModelError(f"'{text}' is no range of a body outside; write it like post=0.6 m..1.4 m")
        found[name] = (ends[0].value, ends[1].value)
    return found
