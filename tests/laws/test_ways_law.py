"""The law of ways on the simulated machine: from wherever it stands, held at any time, a move that looks its way up
arrives and keeps every margin; where it has no way, nothing moves."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from random import Random

import pytest

from sequencer import CheckedRoutine, check, load_machine, load_routine, rehearse
from sequencer.check.routes import certain
from sequencer.machine.machine import Machine
from sequencer.rehearse import Rehearsal
from sequencer.routine import RoutineBuilder
from sequencer.routine.builder import move
from sequencer.routine.steps import Button

ROOT = Path(__file__).parents[2]
REACHER = ROOT / "tests" / "cases" / "ordering" / "machine.yaml"
HOME = ROOT / "demos" / "lantern" / "home.routine.yaml"


@cache
def reacher_to(goal: str) -> tuple[Machine, CheckedRoutine]:
    machine = load_machine(REACHER)
    builder = RoutineBuilder("home", machine, start="anywhere", timeout="planned + 9 s")
    builder.step("back", move(goal), route="clear")
    return machine, check(builder.build())


@cache
def lantern_home() -> tuple[Machine, CheckedRoutine]:
    routine = load_routine(HOME)
    return routine.machine, check(routine)


def six_holds(source: Random) -> list[tuple[float, Button]]:
    """Holds of 50 to 600 ms, with a resume that is asked for again where the axes still brake."""
    pressed: list[tuple[float, Button]] = []
    now = 0.0
    for _ in range(6):
        now += source.uniform(0.05, 0.4)
        pressed.append((now, "hold"))
        now += source.uniform(0.05, 0.6)
        pressed += [(now + later, "resume") for later in (0.0, 0.25, 0.5)]
        now += 0.5
    return pressed


def reached(seed: int) -> Rehearsal:
    """A rehearsal of the reacher from a random place that is certainly clear to a random preset."""
    source = Random(seed)
    machine, checked = reacher_to(source.choice(["stow", "top_out", "under_low"]))
    free = certain(machine)
    axes = [axis for axis in machine.axes.values() if axis.travel is not None]
    while True:
        place = [source.uniform(*(axis.travel or (0.0, 0.0))) for axis in axes]
        if free(place, place):
            break
    start = {axis.name: position for axis, position in zip(axes, place, strict=True)}
    played = rehearse(checked, machine=machine, start=start, pressed=six_holds(source), seed=seed)
    if "no way" in (played.cause or ""):
        return played
    assert played.outcome == "done", (seed, start, played.cause)
    assert played.clearance is not None
    assert not played.clearance.too_near, (seed, start, played.clearance)
    held = [event.text for event in played.trace.events() if event.kind == "hold" and event.text != "held by request"]
    assert held == [], (seed, start)
    return played


@pytest.mark.parametrize("seed", range(8))
def test_from_any_clear_place_with_six_holds_it_arrives_and_nothing_comes_too_near(seed: int) -> None:
    """R47: every leg lies in a free box, so the supervisor never has to hold."""
    assert reached(seed).outcome == "done"


@pytest.mark.slow
def test_of_400_clear_places_99_percent_have_a_way_and_none_comes_too_near() -> None:
    """R47: the same for 400 places."""
    without = [seed for seed in range(100, 500) if reached(seed).outcome != "done"]
    assert len(without) <= 4, without


def back_home(seed: int) -> str:
    """The demo from anywhere at all, in conflict or not: it comes home keeping its margins, or does not move."""
    source = Random(seed)
    machine, checked = lantern_home()
    start = {axis.name: source.uniform(*axis.travel) for axis in machine.axes.values() if axis.travel is not None}
    piece = source.choice([None, "lantern", "float"])
    places = {"post": source.uniform(0.55, 1.4)}
    pressed = six_holds(source) if source.random() < 0.7 else []
    played = rehearse(
        checked, machine=machine, start=start, piece=piece, places=places, pressed=pressed, seed=seed, limit=30.0
    )
    if played.outcome != "done":
        assert played.cause is not None
        assert played.cause.startswith("refused: "), (seed, played.cause)
        starts = played.trace.events("start")
        assert list(starts) == [], seed
        if "no single axis is known to lead out; move it by hand, unpowered" in played.cause:
            return "by hand"
        assert "jog" in played.cause
        return "refused"
    assert played.clearance is not None
    assert not played.clearance.too_near, (seed, start, played.clearance)
    assert all(one.least > 0.0 for one in played.keep_outs), (seed, start, played.keep_outs)
    return "done"


@pytest.mark.parametrize("seed", range(6))
def test_the_demo_comes_home_from_anywhere_or_does_not_move(seed: int) -> None:
    """R47, R51."""
    back_home(seed)


@pytest.mark.slow
def test_the_demo_comes_home_from_300_places_or_does_not_move() -> None:
    """R47, R51: of all places at random, most have a way; from nearly all others one axis leads out."""
    outcomes = [back_home(seed) for seed in range(100, 400)]
    assert outcomes.count("done") > 200
    assert outcomes.count("by hand") <= 6
