"""The recorder: what it keeps, and that it keeps it whatever its caller does afterwards."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from sequencer.ports.orders import AxisOrder, Event, Orders
from sequencer.ports.readings import AxisReading, Parts, Readings, Sensed
from sequencer.trace import Measured, Ordered, PartsRead, Recorder, TraceEvent, read_trace, write_csv

MACHINE = {
    "name": "lantern hand",
    "period": 20_000_000,
    "hash": "ab12",
    "overlays": ["saturday.yaml"],
    "axes": [{"name": "lift", "kind": "linear"}, {"name": "rollers", "kind": "spin"}],
    "sensors": [
        {"name": "piece", "kind": "one_of"},
        {"name": "range_to_hook", "kind": "number", "dimension": [1, 0, 0, 0, 0]},
    ],
    "outputs": [{"name": "lamp", "kind": "one_of"}],
}
ROUTINE = SimpleNamespace(
    name="hang",
    hash="cd34",
    routine={"waived": [{"rule": "timeout.none", "step": "away", "because": "the driver waits"}]},
)


def tick(number: int, events: tuple[Event, ...] = ()) -> tuple[Readings, Orders]:
    now = 20_000_000 * number
    readings = Readings(
        now, True, {"lift": AxisReading(0.1, 0.2, 3.0)}, {"piece": "lantern", "range_to_hook": Sensed(0.4, 7)}, 12.1
    )
    orders = Orders(
        now, {"lift": AxisOrder("track", 0.1), "rollers": AxisOrder("effort", volts=1.5)}, {"lamp": "dark"}, events
    )
    return readings, orders


def test_a_row_holds_what_was_read_asked_and_ordered() -> None:
    recorder = Recorder(MACHINE, [ROUTINE])
    event = Event(0, 0, "start", "hang", "raise", "first step", (("lift", 0.1),))
    recorder.record(*tick(0, (event,)), (("request", "hang", {"spot": "ridge"}),))
    (row,) = recorder.trace().rows
    assert row.measured == (Measured(0.1, 0.2, 3.0, True, 0, None), None)
    assert row.ordered == (Ordered("track", 0.1), Ordered("effort", volts=1.5))
    assert row.sensors == (("lantern", 0), (0.4, 7))
    assert (row.outputs, row.battery) == (("dark",), 12.1)
    assert row.requests == (("request", "hang", {"spot": "ridge"}),)
    assert row.events == (event,)


def test_the_header_names_overlays_routines_waivers_and_units() -> None:
    header = Recorder(MACHINE, [ROUTINE]).header
    assert (header.machine, header.machine_hash, header.overlays) == ("lantern hand", "ab12", ("saturday.yaml",))
    assert header.routines == (("hang", "cd34"),)
    assert header.waived == (("hang", "timeout.none", "away", "the driver waits"),)
    assert header.sensors == (("piece", ""), ("range_to_hook", "m"))


def test_a_caller_may_use_its_mappings_again() -> None:
    recorder = Recorder(MACHINE)
    readings, orders = tick(0)
    recorder.record(readings, orders)
    readings.sensors["piece"] = "none"  # type: ignore[index]
    orders.axes["lift"] = AxisOrder("off")  # type: ignore[index]
    (row,) = recorder.trace().rows
    assert row.sensors[0] == ("lantern", 0)
    assert row.ordered[0] == Ordered("track", 0.1)


def test_rows_are_taken_once_and_the_count_goes_on() -> None:
    recorder = Recorder(MACHINE)
    recorder.record(*tick(0))
    recorder.record(*tick(1))
    assert [row.tick for row in recorder.take()] == [0, 1]
    recorder.record(*tick(2))
    assert (len(recorder), [row.tick for row in recorder.take()], recorder.take()) == (1, [2], ())


def test_a_recorder_attached_late_follows_the_numbers_of_the_runner() -> None:
    recorder = Recorder(MACHINE)
    recorder.record(*tick(70))
    recorder.record(*tick(71, (Event(71, 0, "note"),)))
    assert [row.tick for row in recorder.trace().rows] == [70, 71]


def test_array_scalars_become_plain_numbers() -> None:
    recorder = Recorder(MACHINE)
    readings, orders = tick(0)
    readings.axes = {"lift": AxisReading(np.float64(0.5), np.float32(0.5), None)}  # type: ignore[arg-type]
    recorder.record(readings, orders)
    measured = recorder.trace().rows[0].measured[0]
    assert measured is not None
    assert [type(value) for value in measured[:3]] == [float, float, type(None)]


def test_the_fields_are_those_of_readings_orders_and_events() -> None:
    assert Measured._fields == AxisReading._fields
    assert Ordered._fields == AxisOrder._fields
    assert TraceEvent._fields == Event._fields


@pytest.mark.parametrize(
    "reading",
    [
        AxisReading("1", None, [2], 1, None, 5),  # type: ignore[arg-type]
        AxisReading(True, float("nan"), 1.0, True, 1e9),  # type: ignore[arg-type]
        (1.0, 0.0, 0.0),
        (1, 2, 3, 4, 5, 6, 7, 8),
        "lift",
    ],
)
def test_a_reading_of_another_type_counts_as_missing_and_the_trace_reads_back(reading: object, tmp_path: Path) -> None:
    recorder = Recorder(MACHINE, [ROUTINE])
    readings, orders = tick(0)
    readings.axes = {"lift": reading}  # type: ignore[dict-item]
    readings.sensors = {"piece": [1], "range_to_hook": Sensed(True, None), "unheard_of": 3.0}  # type: ignore[dict-item,arg-type]
    readings.battery = "x"  # type: ignore[assignment]
    recorder.record(readings, orders)
    trace = recorder.trace()
    write_csv(tmp_path / "wrong.csv", trace)
    assert trace.rows[0].battery is None
    again = read_trace(tmp_path / "wrong.csv")
    assert len(again.rows) == 1
    assert repr(again.rows) == repr(trace.rows)


def test_single_encoders_and_motors_are_kept_as_far_as_they_are_told() -> None:
    recorder = Recorder(MACHINE, [ROUTINE])
    readings, orders = tick(0)
    odd: dict[str, object] = {"lift": Parts((0.1, None), (np.float32(2.5), True)), "rollers": "broken"}
    readings.parts = odd  # type: ignore[assignment]
    recorder.record(readings, orders)
    assert recorder.trace().rows[0].parts == (PartsRead("lift", (0.1, None), (2.5, None)), PartsRead("rollers"))
