"""The pytest plugin: fixtures for machines, plants and rehearsals, and the rehearsals of routine files as tests.

It is active wherever stepgraph is installed (``-p no:stepgraph`` turns it off), and loads nothing of stepgraph before a
fixture or a routine file asks for it.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from sequencer.machine.machine import Machine
    from sequencer.plant import Plant
    from sequencer.routine.routine import Routine
    from sequencer.testing.rehearsed import Rehearsed, Workshop

WORKSHOP: pytest.StashKey[Workshop] = pytest.StashKey()
"""Where the session keeps what it has read and checked."""

_ENDING = ".routine.yaml"

_COUNTING = ("--routine-coverage", "--routine-coverage-min", "--routine-coverage-to")
"""The options that ask for what the rehearsals exercise."""


def pytest_addoption(parser: pytest.Parser) -> None:
    """The options of the plugin."""
    group = parser.getgroup("stepgraph", "routines, rehearsed on the simulated machine")
    group.addoption(
        "--routine-over",
        action="append",
        default=[],
        metavar="OVERLAY",
        help="an overlay to lay over every machine; may be given again, each over the one before",
    )
    group.addoption("--timelines-update", action="store_true", help="keep the timelines of this run as snapshots")
    group.addoption("--no-routines", action="store_true", help="collect no rehearsals of *.routine.yaml files")
    group.addoption(
        "--routine-coverage",
        action="store_true",
        help="tell which steps, outcomes, branches, interlocks and presets the rehearsals of this run exercised",
    )
    group.addoption(
        "--routine-coverage-min",
        type=float,
        metavar="PERCENT",
        help="fail if a smaller share of the points of all routines was met",
    )
    group.addoption("--routine-coverage-to", metavar="FILE", help="write what was exercised as JSON, for the report")


def pytest_configure(config: pytest.Config) -> None:
    """Refuse an overlay that is not there before anything is collected."""
    for path in _overlays(config):
        if not path.is_file():
            raise pytest.UsageError(f"--routine-over: there is no file {path}")
    least = config.getoption("--routine-coverage-min")
    if least is not None and not 0.0 <= least <= 100.0:
        raise pytest.UsageError(f"--routine-coverage-min: {least:g} is no share in percent, from 0 to 100")
    target = config.getoption("--routine-coverage-to")
    if target is not None and not (config.invocation_params.dir / target).parent.is_dir():
        raise pytest.UsageError(f"--routine-coverage-to: there is no folder for {target}")
    if any(config.getoption(option) not in (None, False) for option in _COUNTING):
        from sequencer.testing.counted import CountedRoutines

        config.pluginmanager.register(CountedRoutines(config), "stepgraph-coverage")


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """Take up a routine file that keeps rehearsals."""
    if not file_path.name.endswith(_ENDING) or parent.config.getoption("--no-routines"):
        return None
    # Most files without rehearsals are there to be performed by others, or are wrong on purpose.
    if not any(line.startswith("rehearsals") for line in file_path.read_text("utf-8", "replace").splitlines()):
        return None
    from sequencer.testing.collected import RoutineFile

    _workshop(parent.config)
    collected: pytest.Collector = RoutineFile.from_parent(parent, path=file_path)
    return collected


@pytest.fixture
def machine(request: pytest.FixtureRequest) -> Machine:
    """The machine of ``machine.yaml`` beside the test, or in the nearest folder above it."""
    from sequencer.testing.rehearsed import found_near

    path = found_near("machine.yaml", request.path.parent, request.config.rootpath)
    return _workshop(request.config).machine(path)


@pytest.fixture
def plant(machine: Machine) -> Callable[..., Plant]:
    """Makes plants of the machine: ``plant(start="stow", piece="lantern", faults=[...], seed=3)``."""
    from functools import partial

    from sequencer.testing.rehearsed import plant_of

    return partial(plant_of, machine)


@pytest.fixture
def rehearsal(request: pytest.FixtureRequest) -> Callable[..., Rehearsed]:
    """Rehearses routines in virtual time: ``rehearsal("hang_ridge", gauges={...}, faults=[...], piece="lantern")``.

    The routine is its name (``hang_ridge.routine.yaml`` beside the test or above), a path, or a `Routine`. With
    ``named="good approach"`` it is the rehearsal that the file keeps under that name, to which the rest is added.
    """
    workshop = _workshop(request.config)

    def run(routine: str | Path | Routine, *, named: str | None = None, **others: Any) -> Rehearsed:
        from sequencer.errors import ModelError, did_you_mean
        from sequencer.testing.rehearsed import found_near

        if isinstance(routine, str | Path):
            name = str(routine) if str(routine).endswith(_ENDING) else f"{routine}{_ENDING}"
            routine = workshop.routine(found_near(name, request.path.parent, request.config.rootpath))
        if named is None:
            return workshop.rehearse(routine, **others)
        kept = {spec.name: spec for spec in routine.rehearsals}
        if named not in kept:
            raise ModelError(f"{routine.name} keeps no rehearsal '{named}'; {did_you_mean(named, kept)}")
        return workshop.rehearse(routine, spec=kept[named], **others)

    return run


@pytest.fixture
def timeline_snapshot(request: pytest.FixtureRequest) -> Callable[..., None]:
    """Holds a rehearsal's timeline against the one kept in ``timelines/`` beside the test.

    ``timeline_snapshot(hung)`` keeps it under the test's name, ``timeline_snapshot(hung, "name", within="60 ms")``
    under another. ``--timelines-update`` writes what is kept.
    """

    def compare(rehearsed: Rehearsed, name: str | None = None, *, within: float | str | None = None) -> None:
        __tracebackhide__ = True
        from sequencer.testing.snapshot import FOLDER, compare_with_snapshot

        plain = "".join(letter if letter.isalnum() or letter in "-_" else "_" for letter in name or request.node.name)
        path = request.path.parent / FOLDER / f"{plain}.txt"
        compare_with_snapshot(rehearsed, path, update=request.config.getoption("--timelines-update"), within=within)

    return compare


def _workshop(config: pytest.Config) -> Workshop:
    if WORKSHOP not in config.stash:
        from sequencer.testing.rehearsed import Workshop

        counted = config.pluginmanager.get_plugin("stepgraph-coverage")
        config.stash[WORKSHOP] = Workshop(_overlays(config), counted.coverage if counted is not None else None)
    return config.stash[WORKSHOP]


def _overlays(config: pytest.Config) -> list[Path]:
    return [config.invocation_params.dir / text for text in config.getoption("--routine-over")]
