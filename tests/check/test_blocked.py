"""Blocked positions in machine data: made from the bodies, kept, refused where they are another machine's, and asked by
the supervisor."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from math import radians
from pathlib import Path

import pytest
from reaching import examined, reacher, rectangle, step, to

from sequencer.check import blocked, check
from sequencer.check.bodies import bodies_of
from sequencer.check.compile import compile_routine
from sequencer.check.compile_machine import compile_machine
from sequencer.errors import PackError
from sequencer.machine.body import Body
from sequencer.pack import load_pack, write_pack
from sequencer.pack.blocked import blocked_tables
from sequencer.pack.checked import canonical, machine_hash, pack_hash
from sequencer.plant import Plant
from sequencer.rehearse import Rehearsal, rehearse
from sequencer.routine.routine import Routine
from sequencer.routine.steps import Step, Timeout, With
from sequencer.run import Runner

GATE = "lift > 0.65 m"


def reaching(once: str | None) -> tuple[Step, Step]:
    return step("raise", to("over", "lift")), step("reach", to("over", "slide", "wrist"), With("raise"), once)


def held(run: Rehearsal) -> list[str]:
    return [event.text for row in run.trace.rows for event in row.events if event.kind == "hold"]


def test_what_the_table_calls_free_is_clear_with_every_axis_off_by_its_band() -> None:
    machine = reacher()
    bodies = bodies_of(machine)
    (guarded,) = blocked_tables(compile_machine(machine))
    source = random.Random(5)
    free = 0
    for _ in range(3_000):
        places = [source.uniform(*(axis.travel or (0.0, 0.0))) for axis in machine.axes.values()]
        if guarded.table.query(places, places):
            free += 1
            off = [
                place + source.choice([-1.0, 1.0]) * axis.tolerance.following
                for place, axis in zip(places, machine.axes.values(), strict=True)
            ]
            assert all(pair.distance(off) > pair.margin for pair in bodies.pairs)
    assert free > 500


def test_a_table_made_for_another_geometry_is_refused() -> None:
    """C37: the shelf raised by 30 mm after the table was made."""
    data = json.loads(json.dumps(compile_machine(reacher())))
    (shelf,) = (body for body in data["blocked"]["geometry"]["bodies"] if body[0] == "shelf")
    for point in shelf[3][0]:
        point[1] += 0.03
    with pytest.raises(PackError, match="was made for a machine with the key"):
        blocked_tables(data)
    data = json.loads(json.dumps(compile_machine(reacher())))
    data["axes"][0]["tolerance"]["following"] *= 2.0
    with pytest.raises(PackError, match="was made for a machine with the key"):
        blocked_tables(data)


def test_a_pack_with_a_foreign_table_is_refused_though_its_hash_fits(tmp_path: Path) -> None:
    checked = check(
        Routine("reach", reacher(), reaching(GATE), "stow", default_timeout=Timeout("planned", 500_000_000))
    )
    path = tmp_path / "reach.pack"
    write_pack(path, [checked])
    assert load_pack(path).routines["reach"].hash == checked.hash
    data = json.loads(path.read_text(encoding="ascii"))
    data["machine"]["blocked"]["geometry"]["pairs"][0][2] = 0.001
    data["machine"]["hash"] = machine_hash(data["machine"])
    data["hash"] = pack_hash(canonical(data["machine"]), [canonical(one) for one in data["routines"]])
    path.write_text(json.dumps(data), encoding="ascii")
    with pytest.raises(PackError, match="cannot be used: the table of blocked positions was made for a machine"):
        load_pack(path)


def test_a_machine_without_bodies_carries_no_table() -> None:
    assert "blocked" not in compile_machine(replace(reacher(), bodies={}, clearances=()))


def test_tables_that_took_long_are_kept_on_disk_and_damaged_ones_are_made_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setattr(blocked, "WORTH_KEEPING", 0.0)
    monkeypatch.setattr(blocked, "_kept", {})
    machine = reacher(Body("lamp", "frame", (rectangle(0.9, 1.0, 1.2, 1.3),)))
    first = compile_machine(machine)["blocked"]
    (kept,) = (tmp_path / "stepgraph").iterdir()
    monkeypatch.setattr(blocked, "_made", lambda *_: pytest.fail("made anew"))
    monkeypatch.setattr(blocked, "_kept", {})
    assert compile_machine(machine)["blocked"] == first
    text = kept.read_text(encoding="ascii")
    made = []
    monkeypatch.setattr(blocked, "_made", lambda *_: made.append(1) or first["tables"])
    for damaged in (text[:-9], text.replace(first["tables"][0]["table"]["key"], "0" * 64), "[]", "{}"):
        kept.write_text(damaged, encoding="ascii")
        monkeypatch.setattr(blocked, "_kept", {})
        assert compile_machine(machine)["blocked"] == first
    assert len(made) == 4


def test_a_routine_that_is_clear_is_never_held_by_the_table() -> None:
    found = examined(reacher(), *reaching(GATE))
    assert found.checked is not None
    for seed in range(3):
        run = rehearse(found.checked, machine=reacher(), seed=seed)
        assert run.outcome == "done"
        assert not held(run)


def test_a_routine_that_was_not_checked_is_held_before_bodies_meet() -> None:
    """It is compiled without asking; the supervisor holds it, and the bodies stay apart all the time."""
    machine = reacher(slide_speed=1.2)
    routine = Routine("blind", machine, reaching(None), "stow", default_timeout=Timeout("fixed", 3_000_000_000))
    run = rehearse(compile_routine(routine), machine=machine)
    assert held(run)
    bodies = bodies_of(machine)
    low = min(
        pair.distance([one.position for one in row.measured if one is not None and one.position is not None])
        for row in run.trace.rows
        for pair in bodies.pairs
    )
    assert low > 0.0


def test_where_bodies_may_touch_is_cleared_only_while_the_step_that_says_so_is_active() -> None:
    down = step("down", to({"wrist": 0.0}), touching=("shelf", "hand"))
    back = step("back", to({"wrist": 90.0}), touching=("shelf", "hand"))
    steps = (step("up", to({"lift": 0.5})), step("in", to({"slide": 0.4})), down, back, step("home", to("stow")))
    found = examined(reacher(), *steps)
    assert found.checked is not None
    runner = Runner(found.checked)
    plant = Plant(reacher(), start={"lift": 0.05, "slide": 0.0, "wrist": radians(100.0)}, seed=1)
    runner.request("reach")
    touch = [0.5, 0.4, radians(20.0)]
    free = {}
    for tick in range(400):
        orders = runner.tick(plant.readings(tick * plant.machine.period))
        for run in runner.status().runs:
            for active in run.steps:
                free.setdefault(active.name, set()).add(runner._host.supervisor.tables[0].missed(touch, touch))
        plant.apply(orders)
        plant.advance(plant.machine.period)
    assert free == {"up": {False}, "in": {False}, "down": {True}, "back": {True}, "home": {False}}
