"""Zeroing on the plant: after its controllers have lost power the lift finds its switch again (SEMANTICS R42)."""

from __future__ import annotations

from math import radians
from pathlib import Path

import pytest

from sequencer import check, load_machine, load_routine
from sequencer.plant import Plant
from sequencer.run import Runner

DEMO = Path(__file__).parents[2] / "demos" / "lantern"


def test_a_lift_that_lost_its_zero_creeps_to_its_switch_and_moves_by_the_new_one() -> None:
    """R42: its reading is 60 mm off until then; a move is refused before, and exact after."""
    machine = load_machine(DEMO / "machine.yaml")
    plant = Plant(machine, start={"lift": 0.06, "wrist": radians(70.0)}, seed=2)
    plant.lose_power(0)
    runner = Runner(check(load_routine(DEMO / "drop.routine.yaml")))
    now = 0

    def go(ticks: int) -> list[str]:
        nonlocal now
        told = []
        for _ in range(ticks):
            orders = runner.tick(plant.readings(now))
            told += [f"{event.kind} {event.text}" for event in orders.events]
            plant.apply(orders)
            plant.advance(machine.period)
            now += machine.period
        return told

    go(3)
    assert runner.status().not_zeroed == (("lift", "its gauge says so"),)
    runner.request("drop")
    assert "refused lift is not zeroed" in go(1)
    runner.zero("lift")
    told = go(80)
    assert "zeroed lift is at 0 m" in told
    assert runner.status().not_zeroed == ()
    assert plant.positions()["lift"] == pytest.approx(0.0, abs=0.006)
    for _ in range(100):
        runner.jog("lift", 0.2)
        go(1)
    runner.jog("lift", 0.0)
    go(40)
    measured = plant.readings(now).axes["lift"].position
    assert measured is not None
    assert plant.positions()["lift"] - measured == pytest.approx(0.06, abs=1e-9)
    ordered = runner._host.motions[0].position
    assert ordered == pytest.approx(plant.positions()["lift"], abs=0.012)
