"""``spread``: how often a routine works on machines as they may really be, and what goes with failing."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.cli.findings import checked_fallbacks, say_findings
from sequencer.cli.inputs import Reader, add_waive_argument, existing, waivers_of, with_waivers
from sequencer.cli.output import CannotDo, Output, refuse_inputs
from sequencer.cli.workers import add_worker_arguments, workers_of
from sequencer.errors import ModelError

if TYPE_CHECKING:
    from sequencer.routine.routine import Routine
    from sequencer.study import Spread, SpreadReport, SpreadRow

NAME = "spread"
HELP = "how often it works on machines as they may really be, and what goes with failing"
ABOUT = (
    "Rehearses a routine again and again, each time on a machine drawn from the machine file's 'variation' and from\n"
    "its ranges (latencies, counterbalances, other loads on the battery). A run fails where its rehearsal's\n"
    "expectations are not held, a keep-out is entered or a margin is not kept. The same seed gives the same answer,\n"
    "whatever the workers. Bodies are looked at every 5 ms. Ends with 1 if more runs fail than --at-least lets;\n"
    "Ctrl-C tells what was found so far. It is as true as what is declared to vary, and no proof that a real machine\n"
    "does no harm."
)
EXAMPLE = "stepgraph spread hang_ridge.routine.yaml --runs 10000 --seed 1 --svg hang_ridge.svg"

MOST_SHOWN = 6
"""So many ways of failing are told; the others are counted."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("path", metavar="FILE", help="a routine file")
    parser.add_argument(
        "--over",
        action="append",
        default=[],
        metavar="OVERLAY",
        help="an overlay to lay over the machine; may be given again, each over the one before",
    )
    parser.add_argument("--runs", type=int, default=1000, metavar="N", help="how many rehearsals (default: 1000)")
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="seed of everything drawn (default: 0)")
    parser.add_argument(
        "--at-least",
        type=float,
        default=100.0,
        metavar="PERCENT",
        help="the share of runs that must work for it to be fine (default: 100)",
    )
    parser.add_argument("--name", metavar="NAME", help="the rehearsal that is repeated (default: the first)")
    parser.add_argument("--csv", metavar="FILE", help="write every run with what was drawn to this .csv file")
    parser.add_argument("--svg", metavar="FILE", help="write a picture of the distributions to this .svg file")
    add_worker_arguments(parser)
    add_waive_argument(parser)


def run(arguments: argparse.Namespace, output: Output) -> int:
    path = existing(Path(arguments.path))
    reader = Reader.of(arguments)
    for asked, ending in ((arguments.csv, ".csv"), (arguments.svg, ".svg")):
        if asked is not None:
            if Path(asked).suffix.lower() != ending:
                raise CannotDo(f"it is written as {ending}, and {asked} ends otherwise")
            refuse_inputs(Path(asked), [path, *reader.overlays])
    if not 0.0 <= arguments.at_least <= 100.0:
        raise CannotDo(f"--at-least is {arguments.at_least:g}; it must be from 0 to 100 percent")
    routine = with_waivers(reader.routine(path), waivers_of(arguments.waive))
    planned = _planned(path, routine, arguments, output)
    if planned is None:
        output.emit({"routine": routine.name, "path": str(path), "error": "it is not clear; nothing was run"})
        return 1
    rows: list[SpreadRow] = []
    with workers_of(arguments) as executor:
        try:
            rows.extend(output.progress(planned.rows(executor), f"running {routine.name}", planned.count))
        except KeyboardInterrupt:
            output.say(f"interrupted: {len(rows)} of {planned.count} were run; this is what they came to")
        # Told before the workers have ended what they had begun.
        report = planned.report(rows)
        _say(report, output)
    if arguments.csv is not None:
        output.write(Path(arguments.csv), report.as_csv())
        output.say(f"wrote {arguments.csv}")
    if arguments.svg is not None and rows:
        from sequencer.report.spread_view import spread_svg

        output.write(Path(arguments.svg), spread_svg(report))
        output.say(f"wrote {arguments.svg}")
    output.emit({"path": str(path), **report.as_json()})
    return 0 if report.complete and 100.0 * report.success.share >= arguments.at_least else 1


def _planned(path: Path, routine: Routine, arguments: argparse.Namespace, output: Output) -> Spread | None:
    from sequencer.check import examine
    from sequencer.study import Spread

    examination = examine(routine)
    others = checked_fallbacks(routine, output) if examination.checked is not None else None
    if examination.checked is None or others is None:
        say_findings(examination.findings, output)
        output.say(f"{routine.name}: the check found it {examination.verdict}; nothing was run")
        return None
    specs = {spec.name: spec for spec in routine.rehearsals}
    if arguments.name is not None and arguments.name not in specs:
        raise CannotDo(f"{path} has no rehearsal '{arguments.name}'; there are: {', '.join(specs) or 'none'}")
    spec = specs[arguments.name] if arguments.name is not None else next(iter(specs.values()), None)
    try:
        return Spread(
            examination.checked,
            machine=routine.machine,
            runs=arguments.runs,
            seed=arguments.seed,
            spec=spec,
            others=others,
        )
    except ModelError as error:
        raise CannotDo(str(error)) from None


def _say(report: SpreadReport, output: Output) -> None:
    from sequencer.study.spread_words import HEADINGS, distribution_cells, influence_words, reason_words

    if not report.rows:
        output.say(f"{report.routine}: no run was over; nothing can be told")
        return
    output.table(HEADINGS, [distribution_cells(one) for one in report.distributions])
    for reason in report.reasons[:MOST_SHOWN]:
        output.say(f"{output.styled(str(reason.runs), 'bad')} {reason_words(reason)}")
    if len(report.reasons) > MOST_SHOWN:
        left = sum(reason.runs for reason in report.reasons[MOST_SHOWN:])
        output.say(f"... and {left} runs that failed in {len(report.reasons) - MOST_SHOWN} other ways")
    if report.influences:
        output.say(influence_words(report.influences))
    success = report.success
    style = "good" if success.made == success.tried else "doubtful"
    output.say(
        f"{output.styled(report.routine, 'strong')}, {report.rehearsal}: worked in "
        f"{output.styled(str(success), style)}; seed {report.seed}"
    )
