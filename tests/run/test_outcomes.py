"""How steps and runs end, and what outputs do: SEMANTICS sections E and F, scenarios C35, C36, C54, C59, C69."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import pytest
from rig import (
    Rig,
    axis,
    checked,
    choose,
    machine,
    move,
    must_stay,
    number_parameter,
    perform,
    pulse,
    put,
    repeat,
    started,
    wait,
)

from sequencer.errors import RequestRefused
from sequencer.ports.readings import AxisReading, Readings
from sequencer.run import Runner

BEAM = ["holds", "beam"]
GUARD = ["holds", "guard"]
RATES = pytest.mark.parametrize("hz", [50, 100, 200])


@RATES
def test_completion_beats_the_timeout_of_the_same_tick(hz: int) -> None:
    """R23: C35: timeout 0.1, beam true from tick 5: done@5, on_timeout is not run."""
    end = hz // 10
    rig = started(
        checked(machine(hz=hz), wait("A", until=BEAM, timeout=0.1)), beam=lambda tick: tick >= end, ticks=end + 2
    )
    assert rig.ends("A") == [(end, "done")]
    assert rig.outcome() == (end, "done")


@RATES
def test_one_tick_too_late_is_a_timeout(hz: int) -> None:
    """R23: C36: beam true from tick 6: timeout@5; the truth in tick 6 changes nothing."""
    end = hz // 10
    rig = started(
        checked(machine(hz=hz), wait("A", until=BEAM, timeout=0.1)), beam=lambda tick: tick >= end + 1, ticks=end + 3
    )
    assert rig.ends("A") == [(end, "timeout")]
    assert rig.outcome() == (end, "faulted")


def test_a_timeout_faults_unless_something_else_is_written() -> None:
    """R24: on timeout: fault, with the step and the condition in the cause."""
    rig = started(checked(machine(), wait("A", until=BEAM, timeout=0.1)), ticks=7)
    assert rig.runner.status().fault == "A not done after 0.1 s: waiting for beam (beam false)"


@pytest.mark.parametrize(("on_timeout", "outcome"), [("cancel", "cancelled"), ("continue", "done")])
def test_what_is_written_is_done_at_a_timeout(on_timeout: str, outcome: str) -> None:
    """R24: `cancel` ends the run cancelled, without a fault; `continue` goes on, and the step's timed_out is true."""
    seen = choose("c", [(["holds", "A.timed_out"], [put("yes", {"horn": 1.0})])], [put("no", {"horn": 2.0})], "A")
    rig = started(checked(machine(), wait("A", until=BEAM, timeout=0.1, on_timeout=on_timeout), seen), ticks=9)
    assert rig.ends("A") == [(5, "timeout")]
    assert rig.outcome()[1] == outcome
    assert rig.runner.status().fault is None
    assert rig.starts("yes") == ([5] if outcome == "done" else [])


def test_a_timeout_may_name_a_routine_that_runs_after_standstill() -> None:
    """R24: the named routine is started when the cancelled run has ended."""
    first = checked(machine(), move("m", {"lift": 2.0}), wait("A", until=BEAM, timeout=0.8, on_timeout="home"))
    rig = started(first, checked(machine(), move("back", {"lift": 0.0}), name="home"), ticks=140)
    assert rig.outcome("r") == (65, "cancelled")
    assert rig.starts("back") == [66]
    assert rig.outcome("home")[1] == "done"
    assert rig.points()[-1] == 0.0


@pytest.mark.parametrize("stop", ["cancel", "abort"])
def test_a_stop_forgets_the_routine_that_a_timeout_named(stop: str) -> None:
    """R24, R33: stop beats start: what was to follow a timeout does not start after a cancel or abort."""
    first = checked(machine(), move("m", {"lift": 2.0}), wait("A", until=BEAM, timeout=0.8, on_timeout="home"))
    rig = started(first, checked(machine(), move("back", {"lift": 0.0}), name="home"), ticks=45)
    getattr(rig.runner, stop)()
    rig.run(60)
    assert rig.starts("back") == []


def test_a_timeout_naming_an_unknown_routine_is_told() -> None:
    """R24, R40: a routine that is not in the pack cannot follow; it is refused by name."""
    rig = started(checked(machine(), wait("A", until=BEAM, timeout=0.1, on_timeout="hoem")), ticks=9)
    assert rig.outcome() == (5, "cancelled")
    assert any("hoem" in event.text or "hoem" in event.run for event in rig.kinds("refused"))


def test_a_wait_without_timeout_waits() -> None:
    """R24: an explicit none."""
    rig = started(checked(machine(), wait("A", until=BEAM)), beam=lambda tick: tick >= 900, ticks=902)
    assert rig.ends("A") == [(900, "done")]


@pytest.mark.parametrize("cause", ["must_stay", "interlock", "actuator"])
def test_a_step_done_in_the_tick_of_a_fault_keeps_done_and_no_successor_starts(cause: str) -> None:
    """R23: the run takes the higher outcome; the completed step keeps done."""
    guarded = machine(must_stay=[must_stay("cover", ["holds", "clear"], [0])])
    rig = started(
        checked(
            guarded,
            move("m", {"lift": 2.0}, must_stay=GUARD),
            wait("A", until=BEAM, timeout=5.0),
            wait("B", 0.1, "A"),
        ),
        beam=lambda tick: tick >= 10,
        guard=lambda tick: tick < 10 or cause != "must_stay",
        clear=lambda tick: tick < 10 or cause != "interlock",
    )
    if cause == "actuator":
        rig.readings["lift"] = lambda tick: AxisReading(rig.positions["lift"], 0.0, fault="hot" if tick >= 10 else None)
    rig.run(40)
    assert rig.ends("A") == [(10, "done")]
    assert rig.starts("B") == []
    assert rig.ends("m")[0][0] == 10
    assert rig.outcome()[1] == "faulted"


def test_a_step_done_in_the_tick_of_its_own_fault_keeps_done() -> None:
    """R23: the same for the step whose own must_stay trips."""
    rig = started(
        checked(machine(), wait("A", until=BEAM, must_stay=GUARD), wait("B", 0.1, "A")),
        beam=lambda tick: tick >= 5,
        guard=lambda tick: tick < 5,
        ticks=8,
    )
    assert rig.ends("A") == [(5, "done")]
    assert rig.starts("B") == []
    assert rig.outcome() == (5, "faulted")


def test_a_step_done_in_the_tick_of_a_sibling_timeout_keeps_done() -> None:
    """R23: B times out into a fault in the tick in which A is done; whatever their order in the file."""
    for steps in (
        [wait("A", 0.1), wait("B", until=BEAM, timeout=0.1), wait("C", 0.1, "A")],
        [wait("B", until=BEAM, timeout=0.1), wait("A", 0.1), wait("C", 0.1, "A")],
    ):
        rig = started(checked(machine(), *steps), ticks=8)
        assert rig.ends("A") == [(5, "done")]
        assert rig.ends("B") == [(5, "timeout")]
        assert rig.starts("C") == []
        assert rig.outcome() == (5, "faulted")


@pytest.mark.parametrize(("stop", "outcome"), [("cancel", "cancelled"), ("abort", "cancelled")])
def test_a_step_done_in_the_tick_of_a_stop_keeps_done(stop: str, outcome: str) -> None:
    """R23: abort and stop rank above completion: the run is cancelled, the step done, no successor starts."""
    rig = started(checked(machine(), wait("A", 0.1), wait("B", 0.1, "A")), ticks=5)
    getattr(rig.runner, stop)()
    rig.run(2)
    assert rig.ends("A") == [(5, "done")]
    assert rig.starts("B") == []
    assert rig.outcome() == (5, outcome)


def test_a_fault_outranks_a_stop_of_the_same_tick() -> None:
    """R23: fault > stop: asked to cancel in the tick of a tripped must_stay, the run ends faulted."""
    rig = started(checked(machine(), wait("A", 1.0, must_stay=GUARD)), guard=lambda tick: tick < 5, ticks=5)
    rig.runner.cancel()
    rig.run(2)
    assert rig.outcome() == (5, "faulted")


def test_a_timeout_in_the_tick_of_a_stop_is_an_abort() -> None:
    """R23: stop > timeout: the step ends aborted, the run cancelled."""
    rig = started(checked(machine(), wait("A", until=BEAM, timeout=0.1)), ticks=5)
    rig.runner.cancel()
    rig.run(2)
    assert rig.ends("A") == [(5, "aborted")]
    assert rig.outcome() == (5, "cancelled")


def test_the_last_step_done_in_the_tick_of_a_cancel_leaves_the_run_cancelled() -> None:
    """R23, R22: the run takes the higher outcome even where nothing was left to do."""
    rig = started(checked(machine(), wait("A", 0.1)), ticks=5)
    rig.runner.cancel()
    rig.run(2)
    assert rig.ends("A") == [(5, "done")]
    assert rig.outcome() == (5, "cancelled")


@pytest.mark.parametrize("tick", range(1, 14))
@pytest.mark.parametrize("stop", ["cancel", "abort", "disable"])
def test_every_activation_and_the_run_end_exactly_once_whenever_it_is_stopped(stop: str, tick: int) -> None:
    """R22: exactly one outcome per activation and run, and every output at rest, for a stop in any tick."""
    inside = [pulse("P", {"lamp": True, "roller": 4.0}, 0.04), put("S", {"horn": 3.0}, "P")]
    rig = started(
        checked(
            machine(),
            repeat("loop", inside, 2),
            move("m", {"lift": 0.05}),
            wait("w", 0.06),
            pulse("x", {"third": 1.0}, 0.1, {"any": ["w", "m"]}),
        ),
        ticks=tick,
    )
    if stop == "disable":
        rig.enabled = False
    else:
        getattr(rig.runner, stop)()
    rig.run(40)
    for name in ("P", "S", "loop", "m", "w", "x"):
        assert len(rig.starts(name)) == len(rig.ends(name)), name
    assert len(rig.outcomes()) == 1
    assert rig.outcome()[1] == ("done" if tick > 8 + 2 else "cancelled") or tick in (9, 10)
    last = rig.orders[-1]
    assert dict(last.outputs) == {"lamp": False, "horn": 0.0, "third": 0.0}
    assert last.axes["roller"].volts == 0.0


def test_an_outcome_never_changes_later() -> None:
    """R23: after a run was done a cancel changes nothing of it."""
    rig = started(checked(machine(), wait("A", 0.1)), ticks=7)
    rig.runner.cancel()
    rig.runner.abort()
    rig.run(3)
    assert rig.outcomes() == [(5, "done")]


def test_cancel_is_idempotent() -> None:
    """R34: C59: cancel in ticks 6 and 7 and once more after the end: exits ran once, status stays cancelled."""
    rig = started(checked(machine(), pulse("A", {"lamp": True}, 2.0), move("m", {"lift": 2.0})), ticks=6)
    rig.runner.cancel()
    rig.run(1)
    rig.runner.cancel()
    rig.run(30)
    rig.runner.cancel()
    rig.run(2)
    assert rig.ends("A") == [(6, "aborted")]
    assert rig.outcome()[1] == "cancelled"
    assert rig.runner.status().runs[-1].state == "cancelled"


# Parameters.


def test_a_goal_is_read_once_at_activation() -> None:
    """R25: C54: h is 1.0 at activation and 0.2 from tick 10: the move ends at 1.0, the next activation goes to 0.2."""
    from rig import sensor

    on = machine(more_sensors=[sensor("h", "number")])
    rig = started(
        checked(on, repeat("loop", [move("m", {"lift": ["reading", "h", 0.0, 1.2]})], 2)),
        h=lambda tick: 1.0 if tick < 10 else 0.2,
        ticks=170,
    )
    first = rig.ends("m")[0][0]
    assert rig.points()[first] == pytest.approx(1.0, abs=1e-9)
    assert rig.points()[-1] == 0.2
    assert rig.outcome()[1] == "done"


def test_parameters_of_a_request_are_copied() -> None:
    """R25: a caller that changes its dictionary afterwards changes nothing."""
    routine = checked(
        machine(), move("m", {"lift": ["at", ["parameter", "h"]]}), parameters=[number_parameter("h", 0.1)]
    )
    rig = Rig(routine)
    given = {"h": 0.5}
    rig.start(parameters=given)
    given["h"] = 2.0
    rig.run(80)
    assert rig.points()[-1] == 0.5


def test_a_lead_is_read_when_the_watched_step_is_activated() -> None:
    """R25: the lead from a parameter, in seconds."""
    routine = checked(
        machine(),
        move("m", {"lift": 2.0}),
        pulse("p", {"lamp": True}, 0.02, passing={"step": "m", "at": 1.0, "lead": ["parameter", "early"]}),
        parameters=[number_parameter("early", 0.0, 0.0, 1.0)],
    )
    ticks = []
    for early in (0.0, 0.2):
        rig = Rig(routine)
        rig.start(parameters={"early": early})
        rig.run(150)
        ticks.append(rig.starts("p")[0])
    assert ticks[0] - ticks[1] == 10


@pytest.mark.parametrize(
    ("parameters", "words"),
    [
        ({"hh": 1.0}, "no parameter 'hh'; did you mean 'h'"),
        ({"h": 11.0}, "h is 11; allowed are -10 to 10"),
        ({"h": float("nan")}, "h is nan; allowed are -10 to 10"),
        ({"h": True}, "h is True; allowed are -10 to 10"),
        ({"h": "1"}, "h is '1'; allowed are -10 to 10"),
    ],
)
def test_a_parameter_outside_its_range_is_refused(parameters: dict[str, Any], words: str) -> None:
    """R39: what of it the runner sees: unknown names and values outside the range are refused at the request."""
    routine = checked(
        machine(), move("m", {"lift": ["at", ["parameter", "h"]]}), parameters=[number_parameter("h", 0.1)]
    )
    with pytest.raises(RequestRefused) as caught:
        Runner(routine).request("r", parameters)
    assert words in str(caught.value)


@pytest.mark.parametrize("speed", [0.0, -1.0, 1.01, float("nan"), 1e-300, 0.00099])
def test_a_speed_outside_its_range_is_refused(speed: float) -> None:
    """R39: speed is in (0, 1], and no less than a thousandth, which is a mistake."""
    with pytest.raises(RequestRefused, match=r"from 0\.001 to 1"):
        Runner(checked(machine(), wait("A", 0.1))).request("r", speed=speed)


def test_an_unknown_routine_is_refused_with_the_nearest_name() -> None:
    """R39: an unknown name is an error with the nearest right name."""
    with pytest.raises(RequestRefused, match="unknown routine 'hang_rigde'; did you mean 'hang_ridge'"):
        Runner(checked(machine(), wait("A", 0.1), name="hang_ridge")).request("hang_rigde")


def test_speed_lowers_the_limits_of_a_whole_run() -> None:
    """R49: at half speed a cruise is half as fast."""
    rig = Rig(checked(machine(), move("m", {"lift": 2.0})))
    rig.start(speed=0.5)
    rig.run(300)
    assert max(one.axes["lift"].velocity for one in rig.orders) == pytest.approx(0.5)
    assert rig.outcome()[1] == "done"


# Outputs.


def test_a_set_stays_and_a_pulse_goes_back() -> None:
    """R26, R27: set at entry stays until the end of the run; a pulse is at rest in the tick of its end."""
    rig = started(
        checked(machine(), put("S", {"horn": 2.0}), pulse("P", {"lamp": True}, 0.06, "S"), wait("W", 0.06, "P")),
        ticks=9,
    )
    assert rig.output("horn") == [2.0] * 7 + [0.0] * 2
    assert rig.output("lamp") == [False] + [True] * 3 + [False] * 5


@pytest.mark.parametrize("end", ["until", "timeout", "cancel", "abort", "fault", "disable", "block", "loser"])
def test_a_pulse_goes_back_to_rest_exactly_once_whatever_ends_it(end: str) -> None:
    """R26: one fall of the output, in the tick of the end."""
    changes: dict[str, Any] = {"timeout": 5.0}
    if end == "until":
        changes["until"] = BEAM
    if end == "timeout":
        changes.update(timeout=0.1, on_timeout="continue")
    if end == "fault":
        changes["must_stay"] = ["not", BEAM]
    steps = [pulse("P", {"lamp": True, "roller": 3.0}, None, **changes)]
    if end == "block":
        steps = [perform("b", steps, timeout=0.1, on_timeout="continue")]
    if end == "loser":
        steps += [wait("A", 0.1), wait("J", 0.1, {"any": ["A", "P"]})]
    rig = started(checked(machine(), *steps), beam=lambda tick: tick >= 5, ticks=5)
    if end in ("cancel", "abort"):
        getattr(rig.runner, end)()
    rig.enabled = end != "disable"
    rig.run(10)
    assert rig.output("lamp") == [True] * 5 + [False] * 10
    assert rig.volts() == [3.0] * 5 + [0.0] * 10


def test_an_output_handed_over_is_not_reset_by_the_run_that_lost_it() -> None:
    """R27, R28: the cancelled run still brakes when the new one has set the output; its end does not touch it."""
    old = checked(machine(), put("s", {"horn": 1.0}), move("m", {"lift": 2.0}), name="old")
    new = checked(machine(), put("t", {"horn": 2.0}), wait("w", 1.0, "t"), name="new")
    rig = started(old, new, ticks=40)
    rig.start("new", preempt=True)
    rig.run(45)
    assert rig.outcome("old") == (65, "cancelled")
    assert rig.output("horn") == [1.0] * 40 + [2.0] * 45
    rig.run(10)
    assert rig.output("horn")[-1] == 0.0


def test_a_pulse_value_may_come_from_a_parameter() -> None:
    """R25, R26: volts and output values as parameters."""
    routine = checked(
        machine(),
        pulse("P", {"roller": ["parameter", "u"], "horn": ["parameter", "u"]}, 0.04),
        parameters=[number_parameter("u", 4.0)],
    )
    rig = started(routine, ticks=3)
    assert rig.volts() == [4.0, 4.0, 0.0]
    assert rig.output("horn") == [4.0, 4.0, 0.0]


@pytest.mark.parametrize("mode", ["hold", "brake", "off"])
@pytest.mark.parametrize("end", ["done", "cancelled", "faulted"])
def test_at_the_end_of_a_run_each_axis_does_what_its_rest_says(mode: str, end: str) -> None:
    """R27: of any kind of end, in that tick, without a jump."""
    rest = [{"mode": mode, "voltage": 0.0, "when": None}]
    on = machine([axis("lift", rest=rest), axis("wrist"), axis("roller", "spin")])
    rig = started(checked(on, move("m", {"lift": 1.0}, must_stay=GUARD)), ticks=1)
    if end != "done":
        rig.run(20)
    if end == "cancelled":
        rig.runner.cancel()
    if end == "faulted":
        rig.sensors["guard"] = False
    rig.run(90)
    tick, outcome = rig.outcome()
    assert outcome == end
    assert rig.modes()[tick - 1] in ("track", "hold")
    assert rig.modes()[tick] == mode
    if mode == "hold":
        points = rig.points()
        assert points[tick] == pytest.approx(points[tick - 1], abs=0.03)
        assert len(set(points[tick:])) == 1


def test_idle_axes_do_what_their_rest_says_for_the_sensor() -> None:
    """R43: between runs, rest may depend on a sensor."""
    rest = [
        {"mode": "voltage", "voltage": 1.5, "when": ["is", "piece", "lantern"]},
        {"mode": "voltage", "voltage": 0.0, "when": None},
    ]
    on = machine([axis("lift"), axis("wrist"), axis("roller", "spin", rest=rest)])
    rig = Rig(checked(on, wait("A", 0.1)), piece=lambda tick: "lantern" if tick >= 3 else "none")
    rig.run(5)
    assert rig.volts() == [0.0, 0.0, 0.0, 1.5, 1.5]


def test_idle_axes_hold_their_place() -> None:
    """R43: rest hold: the ordered place stays, whatever is measured."""
    rig = Rig(checked(machine(), wait("A", 0.1)))
    rig.positions["lift"] = 0.4
    rig.run(2)
    rig.positions["lift"] = 0.41
    rig.run(3)
    assert set(rig.points()) == {0.4}
    assert set(rig.modes()) == {"hold"}


# Exceptions.


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
