"""Whatever readings bring and whatever is asked in whatever state: no exception, and no output left on."""

from __future__ import annotations

import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1] / "run"))

from rig import axis, checked, machine, move, pulse, put, wait

from sequencer.errors import ClockError, RequestRefused
from sequencer.pack import CheckedRoutine
from sequencer.ports.orders import Orders
from sequencer.ports.readings import AxisReading, Readings, Sensed
from sequencer.run import Runner

ZERO = {"speed": -0.2, "until": ["holds", "beam"], "then": 0.0, "once": None}
_ODD = [None, float("nan"), float("inf"), float("-inf"), 1e300, -1e300, 0.0, 0.5, True, "wide", [], {}]
_NUMBERS = st.sampled_from(_ODD) | st.floats(-3.0, 3.0)
_AGES = st.sampled_from([0, 1, -1, 10**6, 10**9, 10**18])
_AXES = st.builds(
    AxisReading,
    position=_NUMBERS,
    speed=_NUMBERS,
    current=_NUMBERS,
    zeroed=st.booleans(),
    age=_AGES,
    fault=st.none() | st.none() | st.just("too hot"),
)
_GOOD = st.builds(AxisReading, position=st.floats(-0.01, 0.01), speed=st.just(0.0), current=st.just(0.0))
_AXIS_TABLES = st.dictionaries(
    st.sampled_from(["lift", "wrist", "roller", "tail"]), _AXES | _GOOD | _GOOD | st.none(), max_size=4
)
_SENSORS = st.dictionaries(
    st.sampled_from(["beam", "guard", "pressure", "piece", "nothing"]),
    st.sampled_from([*_ODD, False, "lantern"]) | st.builds(Sensed, st.sampled_from([True, 1.0, "none"]), _AGES),
    max_size=5,
)
_STEPS = st.sampled_from([20_000_000] * 8 + [1, 70_000_000, 400_000_000, 10**10, 0, -20_000_000])
_TICKS = st.tuples(_STEPS, st.sampled_from([True] * 7 + [False]), _AXIS_TABLES, _SENSORS)
_REQUESTS = st.sampled_from(
    ["r", "r", "q", "cancel", "abort", "hold", "resume", "reset", "jog", "zero", "assume", "confirm", "fail", "note"]
)


def runner() -> Runner:
    on = machine([axis("lift", zero=ZERO), axis("wrist"), axis("roller", "spin")])
    way_out = dict(checked(on, move("out", {"lift": 0.0})).routine)
    routines: list[CheckedRoutine] = [
        checked(
            on,
            move("up", {"lift": 1.0, "wrist": 0.5}),
            pulse("spin", {"roller": 3.0}, 0.3, after=[]),
            put("light", {"lamp": True}),
            wait("w", until=["holds", "beam"], timeout=0.4),
            on_cancel=way_out,
            on_fault=way_out,
        ),
        checked(
            on, pulse("spit", {"roller": -3.0}, 0.2), wait("w", until=[">", "pressure", 2.0], timeout=0.3), name="q"
        ),
    ]
    return Runner(routines)


def ask(on: Runner, request: str) -> None:
    match request:
        case "r" | "q":
            on.request(request, preempt=request == "q")
        case "jog":
            on.jog("wrist", 0.2)
        case "zero":
            on.zero("lift")
        case "assume":
            on.assume("beam", True)
        case "confirm":
            on.confirm("r")
        case "fail":
            on.fail("a write failed")
        case "note":
            on.note("said", 1.0)
        case _:
            getattr(on, request)()


def is_sound(orders: Orders) -> None:
    assert set(orders.axes) == {"lift", "wrist", "roller"}
    for order in orders.axes.values():
        numbers = (order.position, order.velocity, order.acceleration, order.volts)
        assert all(value - value == 0.0 for value in numbers if value is not None), order


@settings(max_examples=120, deadline=None)
@given(st.lists(st.tuples(st.lists(_REQUESTS, max_size=2), _TICKS), min_size=1, max_size=40))
def test_no_reading_and_no_request_breaks_a_tick_or_leaves_an_output_on(
    session: list[tuple[list[str], tuple[int, bool, dict[str, Any], dict[str, Any]]]],
) -> None:
    """R16, R19, R36, R41: missing axes, NaN, stale values, backwards time, requests in every state; after a
    disable every output is at rest and every axis off."""
    on = runner()
    now = 0
    for requests, (gap, enabled, axes, sensors) in session:
        for request in requests:
            with suppress(RequestRefused):
                ask(on, request)
        try:
            orders = on.tick(Readings(now + gap, enabled, axes, sensors))
        except ClockError:
            assert gap <= 0
            continue
        now += gap
        is_sound(orders)
        assert [event.text for event in orders.events if "inside the runner" in event.text] == []
        on.status()
        on.allowed()
        if not any(run.name for run in on.status().runs):
            assert orders.outputs["lamp"] is False
            assert orders.axes["roller"].volts == 0.0
    orders = on.tick(Readings(now + 20_000_000, False, {}, {}))
    assert orders.outputs["lamp"] is False
    assert {order.mode for order in orders.axes.values()} == {"off"}
