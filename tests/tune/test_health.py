"""Wear told from recordings: against known changes put into a made recording."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from sequencer import Trace, TraceError
from sequencer.trace import Header, Measured, Ordered, PartsRead, Row
from sequencer.tune import Health, health

HEADER = Header("bench", "ab", 20_000_000, (("lift", "linear"), ("rollers", "spin")))
WEIGHT = 5.0


def moves(friction: float = 2.0, lag: float = 0.03, share: float = 0.5, lowest: float = 0.1) -> Trace:
    """Up and down at steady speed, ten times; the axis is `lag` [s] behind, with these currents [A] in two motors."""
    orders: list[Ordered] = []
    place = lowest
    for leg in range(20):
        speed = 0.5 if leg % 2 == 0 else -0.5
        for step in range(50):
            velocity = speed * min(step, 49 - step, 5) / 5.0
            orders.append(Ordered("track", place, velocity))
            place += velocity * 0.02
        orders += [Ordered("hold", place)] * 8
    times = np.arange(len(orders)) * 0.02
    places = np.interp(times - lag, times, [order.position for order in orders])
    rows = []
    for tick, order in enumerate(orders):
        way = 0.0 if order.velocity == 0.0 else 1.0 if order.velocity > 0.0 else -1.0
        current = WEIGHT + friction * way + (0.1 if tick % 2 else -0.1)
        measured = Measured(float(places[tick]), order.velocity, current)
        parts = PartsRead("lift", (), (share * current, (1.0 - share) * current))
        rows.append(Row(tick, tick * 20_000_000, True, (measured, None), (order, None), (), (), 12.0, parts=(parts,)))
    return Trace(HEADER, tuple(rows))


def value(found: Health, name: str) -> float:
    return next(measure.value for measure in found.axes[0].measures if measure.name == name)


@pytest.mark.parametrize(("friction", "lag"), [(2.0, 0.03), (4.5, 0.0), (0.7, 0.085)])
def test_friction_weight_and_lag_are_told_apart(friction: float, lag: float) -> None:
    found = health([moves(friction, lag)])
    assert value(found, "friction") == pytest.approx(friction, abs=0.02)
    assert value(found, "weight") == pytest.approx(WEIGHT, abs=0.02)
    assert value(found, "lag") == pytest.approx(lag, abs=0.002)
    assert found.warnings == ()


def test_travel_is_what_was_measured_with_a_zero() -> None:
    trace = moves()
    lost = trace.rows[3]._replace(measured=(Measured(-9.0, 0.0, 0.0, False), None))
    found = health([replace(trace, rows=(*trace.rows[:3], lost, *trace.rows[4:]))])
    places = [
        read.position for row in trace.rows if (read := row.measured[0]) is not None and read.position is not None
    ]
    assert value(found, "lowest") == min(places)
    assert value(found, "highest") == max(places)


def test_what_has_changed_against_older_recordings_is_warned_of() -> None:
    found = health([moves(3.5, 0.06, lowest=0.3)], [moves(2.0, 0.03)])
    told = " | ".join(found.warnings)
    assert "lift: friction was 2 A and is 3.5 A, more by 75%" in told
    assert re.search(r"lift: lag was 0\.03\d* s and is 0\.06\d* s, more by", told)
    assert "lift: lowest was" in told
    assert "weight" not in told
    assert health([moves()], [moves(2.1, 0.035)]).warnings == ()


def test_motors_that_share_unevenly_are_named() -> None:
    found = health([moves(share=0.8)])
    assert "lift: share of motor 1 is 80%, where 50% would be even" in found.warnings
    assert "lift: share of motor 2 is 20%, where 50% would be even" in found.warnings


def test_what_cannot_be_judged_is_said_and_not_guessed() -> None:
    trace = moves()
    still = replace(trace, rows=tuple(row._replace(parts=()) for row in trace.rows[:40]))
    words = str(health([still]))
    assert "not judged: friction (too few steady moves both ways with their current)" in words
    assert "not judged: shares of its motors (the currents of single ones were not recorded)" in words
    assert "rollers: not judged: friction, lag and travel (it has no position)" in words


def test_no_ticks_and_another_machine_are_refused() -> None:
    with pytest.raises(TraceError, match="the recordings have no ticks; nothing can be judged"):
        health([Trace(HEADER)])
    other = replace(HEADER, machine="hand", axes=(("arm", "rotary"),))
    with pytest.raises(TraceError, match="only recordings of one machine are compared"):
        health([moves()], [Trace(other)])


def test_a_changed_description_of_the_machine_is_noted() -> None:
    old = moves()
    found = health([moves()], [replace(old, header=replace(old.header, machine_hash="cd"))])
    assert found.notes == ("the machine's description has changed between the recordings",)
