"""Sources, sinks and readings that fail, and errors inside the runner."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import pytest
from rig import (
    checked,
    machine,
    move,
    pulse,
    started,
    wait,
)

from sequencer.ports.readings import AxisReading, Readings
from sequencer.run import Runner


class Failing(Mapping[str, Any]):
    """Readings whose source breaks when it is asked."""

    def __init__(self, error: Exception) -> None:
        self.error = error

    def __getitem__(self, name: str) -> Any:
        raise self.error

    def get(self, name: str, default: Any = None) -> Any:
        raise self.error

    def __iter__(self) -> Iterator[str]:
        return iter(())

    def __len__(self) -> int:
        return 0


@pytest.mark.parametrize("part", ["axes", "sensors"])
def test_an_exception_in_a_source_faults_the_run_and_tick_returns(part: str) -> None:
    """R36: C69: in tick 8, with a pulse on the roller and a lift move active: faulted, both exits ran, outputs at rest
    in
    that tick, the lift stopping, the exception is the cause.
    """
    rig = started(checked(machine(), pulse("A", {"roller": 4.0, "lamp": True}, 5.0), move("B", {"lift": 2.0})), ticks=8)
    readings = rig.reading(rig.now + rig.period)
    setattr(readings, part, Failing(OSError("the bus is dead")))
    rig.now += rig.period
    rig.count += 1
    orders = rig.runner.tick(readings)
    rig.orders.append(orders)
    rig.events += orders.events
    assert orders.outputs["lamp"] is False
    assert orders.axes["roller"].volts == 0.0
    assert rig.ends("A") == [(8, "aborted")]
    assert rig.ends("B") == [(8, "aborted")]
    rig.run(1)
    assert rig.orders[-1].axes["lift"].velocity < orders.axes["lift"].velocity
    rig.run(40)
    assert rig.outcome()[1] == "faulted"
    assert "OSError: the bus is dead" in rig.runner.status().fault


def test_an_exception_in_a_sink_is_told_and_not_raised() -> None:
    """R36: a recorder that breaks does not stop the machine; it is left out from then on, and said so."""

    class Broken:
        calls = 0

        def record(self, readings: Any, orders: Any, requests: Any) -> None:
            self.calls += 1
            raise OSError("no space left")

    sink = Broken()
    runner = Runner([checked(machine(), wait("A", 0.1))], sink)
    runner.request("r")
    events = [event for tick in range(8) for event in runner.tick(Readings(20_000_000 * tick)).events]
    assert sink.calls == 1
    assert [event.text for event in events if event.kind == "fault" or "no space left" in event.text]
    assert [event.text for event in events if event.kind == "run"] == ["start", "done"]


def test_an_error_inside_the_runner_switches_everything_off_and_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """R36: whatever breaks inside a tick, outputs are at rest and axes off in that tick, and tick() returns."""
    rig = started(checked(machine(), pulse("A", {"roller": 4.0, "lamp": True}, 5.0), move("B", {"lift": 2.0})), ticks=8)
    from sequencer.run.supervisor import Supervisor

    def broken(*_: Any) -> None:
        raise ZeroDivisionError("float division by zero")

    with monkeypatch.context() as patch:
        patch.setattr(Supervisor, "commit", broken)
        rig.run(1)
    last = rig.orders[-1]
    assert last.outputs["lamp"] is False
    assert {name: order.mode for name, order in last.axes.items()} == {"lift": "off", "wrist": "off", "roller": "off"}
    assert rig.outcome() == (8, "faulted")
    assert "ZeroDivisionError" in rig.runner.status().fault
    rig.start()
    rig.run(1)
    assert "reset first" in rig.refusals()[0]
    rig.runner.reset()
    rig.start()
    rig.run(3)
    assert rig.starts("A") == [0, 10]


@pytest.mark.parametrize("bad", [None, "here", float("nan"), float("inf"), 1e308, -1e308, True, [], 10**400])
@pytest.mark.parametrize("field", ["position", "speed", "current", "age"])
def test_no_reading_makes_tick_raise_or_leaves_an_output_on(field: str, bad: Any) -> None:
    """R16, R36: whatever an axis reading holds: UNKNOWN or a fault, never an exception."""
    rig = started(checked(machine(), move("m", {"lift": 0.3}, timeout=2.0), pulse("p", {"lamp": True}, 0.5)), ticks=5)
    rig.readings["lift"] = AxisReading(0.01, 0.0, 0.0)._replace(**{field: bad})
    rig.run(120)
    rig.runner.reset()
    rig.run(1)
    rig.start()
    rig.run(130)
    assert len(rig.outcomes()) in (1, 2)
    assert rig.orders[-1].outputs["lamp"] is False


@pytest.mark.parametrize("bad", [None, 3, (), "x", (1.0, 2.0)])
def test_a_reading_that_is_none_is_unknown(bad: Any) -> None:
    """R16: an axis whose reading is no AxisReading is not measured."""
    rig = started(checked(machine(), move("m", {"lift": 2.0}), pulse("p", {"lamp": True}, 9.0)), ticks=5)
    rig.readings["lift"] = bad
    rig.run(60)
    assert rig.outcome()[1] == "faulted"
    assert rig.orders[-1].outputs["lamp"] is False
