"""Delay and lag, against the latency that the plant drew and against a lag worked out sample by sample."""

from __future__ import annotations

from dataclasses import replace
from math import exp
from typing import Any

import numpy as np
import pytest

from sequencer import Trace, TraceError
from sequencer.trace import Header, Measured, Ordered, Row
from sequencer.tune.delay import fit_delay

NOISE = {"lift": 0.002, "wrist": 0.0067}
"""2 mm, and as much at the wrist's reach of 0.3 m."""


def errors_of(bench: Any, seeds: range) -> dict[str, np.ndarray]:
    """Fitted delay less true latency [ms] of both axes: the lift from two moves, the wrist from a move and a flick."""
    found: dict[str, list[float]] = {"lift": [], "wrist": []}
    for seed in seeds:
        trace, plant = bench.session("short", seed, NOISE)
        for axis, errors in found.items():
            errors.append(1e3 * fit_delay([trace], axis).delay - 1e-6 * plant.latencies[axis])
    return {axis: np.array(errors) for axis, errors in found.items()}


def judge(errors: np.ndarray, slack: float) -> None:
    assert abs(errors.mean()) < 1.0 + slack
    assert np.sqrt((errors**2).mean()) < 1.3 + slack


def test_delays_of_the_plant_are_found_to_a_millisecond(bench: Any) -> None:
    for errors in errors_of(bench, range(12)).values():
        judge(errors, slack=0.4)


def test_without_noise_little_is_left_of_what_the_plants_loop_adds(bench: Any) -> None:
    for seed in (1, 2):
        trace, plant = bench.session("short", seed, {"lift": 1e-5, "wrist": 1e-5})
        for axis in ("lift", "wrist"):
            assert 1e3 * fit_delay([trace], axis).delay == pytest.approx(1e-6 * plant.latencies[axis], abs=0.6)


@pytest.mark.slow
def test_delays_of_200_plants_are_found_to_a_millisecond(bench: Any) -> None:
    for axis, errors in errors_of(bench, range(200)).items():
        print(f"{axis}: bias {errors.mean():.2f} ms, rms {np.sqrt((errors**2).mean()):.2f} ms")
        judge(errors, slack=0.0)


def made(delay: float, lag: float, noise: float, seed: int = 0, carry_on: bool = True) -> Trace:
    """Five moves at 50 Hz of an axis that follows with a dead time and a lag, worked out every 0.1 ms."""
    fine, period = 1e-4, 0.02
    times = np.arange(0.0, 12.0, fine)
    steps = np.clip((times[:, None] - np.array([0.5, 2.7, 4.8, 7.1, 9.3])) / np.array([0.8, 0.5, 1.1, 0.7, 0.6]), 0, 1)
    way = (steps**3 * (10 - 15 * steps + 6 * steps**2)) @ np.array([0.7, -0.5, 0.6, -0.7, 0.4])
    speed = np.gradient(way, fine)
    every = round(period / fine)
    ticks = np.arange(0, len(times), every)
    slope = np.gradient(speed, fine)
    held = ticks[np.arange(len(times)) // every]
    since = times - times[held]
    after = way[held] + (since * (speed[held] + 0.5 * since * slope[held]) if carry_on else 0.0)
    kept = exp(-fine / lag) if lag else 0.0
    followed, state = [], after[0]
    for value in after:
        state = kept * state + (1.0 - kept) * value
        followed.append(state)
    chance = np.random.default_rng(seed)
    read = np.interp(times[ticks] - delay, times, followed) + chance.normal(0.0, noise, len(ticks))
    rows = [
        Row(
            number,
            round(1e9 * times[tick]),
            True,
            (Measured(float(place), float(speed[tick])),),
            (Ordered("track", float(way[tick]), float(speed[tick]), float(slope[tick])),),
            (),
            (),
            None,
        )
        for number, (tick, place) in enumerate(zip(ticks, read, strict=True))
    ]
    return Trace(Header("bench", "ab", 20_000_000, (("lift", "linear"),)), tuple(rows))


@pytest.mark.parametrize("delay", [0.004, 0.0137, 0.031, 0.052])
@pytest.mark.parametrize("lag", [0.0, 0.02, 0.04])
def test_delay_and_lag_are_told_apart(delay: float, lag: float) -> None:
    found = fit_delay([made(delay, lag, 1e-4)], "lift")
    assert found.delay == pytest.approx(delay, abs=0.001)
    assert found.lag == pytest.approx(lag, abs=0.001)


def test_an_axis_that_stands_between_orders_is_judged_so() -> None:
    trace = made(0.0137, 0.03, 1e-4, carry_on=False)
    assert fit_delay([trace], "lift", "hold").delay == pytest.approx(0.0137, abs=0.001)
    assert fit_delay([trace], "lift").delay == pytest.approx(0.0237, abs=0.0015)


def test_the_error_is_about_what_theory_allows() -> None:
    traces = [made(0.02, 0.0, 0.002, seed) for seed in range(30)]
    found = [fit_delay([trace], "lift") for trace in traces]
    spread = float(np.std([one.delay for one in found]))
    assert 0.8 * spread < np.mean([one.error for one in found]) < 1.7 * spread
    speeds = np.array([row.measured[0].speed for row in traces[0].rows if row.measured[0] is not None], dtype=float)
    assert all(one.lag == 0.0 for one in found)
    bound = 0.002 / np.sqrt((speeds**2).sum())
    assert bound < spread < 5.0 * bound  # what else is solved for on the way costs some of it


def test_the_age_of_a_reading_is_no_delay() -> None:
    trace = made(0.02, 0.0, 1e-4)
    rows = tuple(
        row._replace(now_ns=row.now_ns + 7_000_000, measured=(row.measured[0]._replace(age=7_000_000),))
        for row in trace.rows
        if row.measured[0] is not None
    )
    # Read 7 ms later, of what was 7 ms ago; the orders go out with the tick, 7 ms later too.
    assert fit_delay([replace(trace, rows=rows)], "lift").delay == pytest.approx(0.013, abs=0.001)


def test_the_latency_of_the_file_holds_all_that_was_found() -> None:
    found = fit_delay([made(0.0137, 0.0, 1e-4), made(0.031, 0.0, 1e-4)], "lift")
    low, high = found.latency
    assert 0.011 <= low <= 0.0137
    assert 0.031 <= high <= 0.034
    assert (1e3 * low, 1e3 * high) == (pytest.approx(round(1e3 * low)), pytest.approx(round(1e3 * high)))
    assert (found.moves, str(found).startswith("delay 22.")) == (10, True)


def test_without_a_move_there_is_no_delay() -> None:
    trace = made(0.02, 0.0, 0.0)
    still = replace(trace, rows=trace.rows[:20])
    with pytest.raises(TraceError, match="makes no move that was both ordered and measured"):
        fit_delay([still], "lift")
    with pytest.raises(TraceError, match="one sample; two are needed"):
        fit_delay([replace(trace, rows=trace.rows[:1])], "lift")
    with pytest.raises(TraceError, match=r"no axis 'lyft'; did you mean 'lift'.*another machine"):
        fit_delay([trace], "lyft")
