"""Conditions and readings: SEMANTICS section C and the scenarios C06, C07, C35 to C43."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Any

import pytest
from rig import Rig, checked, derived, machine, move, must_stay, ns, pulse, repeat, sensor, started, wait

from sequencer.ports.readings import AxisReading, Readings, Sensed

BEAM = ["holds", "beam"]
RATES = pytest.mark.parametrize("hz", [50, 100, 200])


@RATES
def test_a_level_that_is_already_true_ends_the_wait_at_the_next_tick(hz: int) -> None:
    """R14, R7: C06: beam true since before the start: active 0, done@1."""
    rig = started(checked(machine(hz=hz), wait("A", until=BEAM)), beam=True, ticks=3)
    assert rig.span("A") == (0, 0, "done")


def test_an_edge_that_is_already_past_is_not_seen() -> None:
    """R14, R24, R40: C07: rising beam with beam true for ever: timeout@50, and the status says why from tick 0."""
    rig = started(checked(machine(), wait("A", until=["rising", BEAM], timeout=1.0)), beam=True, ticks=1)
    (run,) = rig.runner.status().runs
    assert "already true when the step began and must first fall" in run.steps[0].waits_for
    rig.run(51)
    assert rig.ends("A") == [(50, "timeout")]


@pytest.mark.parametrize(
    ("term", "script", "end"),
    [
        (["rising", BEAM], lambda tick: tick >= 4, 4),
        (["rising", BEAM], lambda tick: tick in (0, 1) or tick >= 6, 6),
        (["falling", BEAM], lambda tick: tick < 3, 3),
        (["falling", BEAM], lambda tick: tick in (2, 3), 4),
        (["not", ["rising", BEAM]], lambda tick: True, 1),
    ],
    ids=["rises", "falls and rises", "falls", "rises and falls", "no edge"],
)
def test_an_edge_needs_the_opposite_value_while_active(term: Any, script: Any, end: int) -> None:
    """R14: the sample at activation is the reference; the edge counts in the tick it is seen."""
    rig = started(checked(machine(), wait("A", until=term, timeout=1.0)), beam=script, ticks=10)
    assert rig.ends("A") == [(end, "done")]


def test_an_edge_of_an_earlier_activation_does_not_count() -> None:
    """R14: beam rises while A is active; B, which waits for the edge after A, does not see it."""
    rig = started(
        checked(machine(), wait("A", 0.1), wait("B", until=["rising", BEAM], timeout=0.2, after="A")),
        beam=lambda tick: tick >= 3,
        ticks=16,
    )
    assert rig.ends("B") == [(15, "timeout")]


def test_unknown_between_two_samples_is_no_edge_by_itself() -> None:
    """R14, R16: an UNKNOWN sample completes nothing; the change is seen when the value is known again."""
    values: dict[int, Any] = {2: None, 3: None}
    rig = started(
        checked(machine(), wait("A", until=["rising", BEAM], timeout=1.0)),
        beam=lambda tick: values.get(tick, tick > 3),
        ticks=6,
    )
    assert rig.ends("A") == [(4, "done")]


def test_until_on_a_move_interrupts_it_and_keeps_the_axis_until_standstill() -> None:
    """R14, R53: the axis brakes along its stopping profile; the run goes on meanwhile and ends when it stands."""
    rig = started(
        checked(machine(), move("m", {"lift": 2.0}, until=BEAM), wait("w", 0.04, "m")),
        beam=lambda tick: tick >= 40,
        ticks=90,
    )
    assert rig.ends("m") == [(40, "done")]
    assert rig.ends("w") == [(42, "done")]
    velocity = [one.axes["lift"].velocity for one in rig.orders]
    assert velocity[40:66] == pytest.approx([1.0 - 0.04 * n for n in range(26)], abs=1e-9)
    assert rig.outcome() == (65, "done")


def test_until_ending_a_move_hands_the_axis_to_a_successor_in_the_same_tick() -> None:
    """R14, R8, R29: the successor plans from the moving set-point; no jump of position or velocity."""
    rig = started(
        checked(machine(), move("m", {"lift": 2.0}, until=BEAM), move("n", {"lift": 0.2}, "m")),
        beam=lambda tick: tick >= 40,
        ticks=140,
    )
    assert rig.ends("m") == [(40, "done")]
    assert rig.starts("n") == [40]
    points = rig.points()
    assert points[40] - points[39] == pytest.approx(0.02, abs=1e-9)
    velocity = [one.axes["lift"].velocity for one in rig.orders]
    assert max(abs(b - a) for a, b in pairwise(velocity)) <= 0.04 + 1e-9
    assert points[-1] == 0.2
    assert rig.outcome()[1] == "done"


@RATES
def test_a_bounce_restarts_the_steady_time(hz: int) -> None:
    """R15: C38: steady 0.04, true in 3, false in 4, true from 5: done@7 (2 periods later at 50 Hz)."""
    rig = started(
        checked(machine(hz=hz), wait("A", until=BEAM, steady=0.04)),
        beam=lambda tick: tick == 3 or tick >= 5,
        ticks=20,
    )
    assert rig.ends("A") == [(5 + hz // 25, "done")]


def test_an_unknown_sample_restarts_the_steady_time() -> None:
    """R15, R16: UNKNOWN is not true on that sample."""
    rig = started(
        checked(machine(), wait("A", until=BEAM, steady=0.04)), beam=lambda tick: None if tick == 2 else True, ticks=9
    )
    assert rig.ends("A") == [(5, "done")]


def test_a_gap_credits_at_most_one_period_to_steady() -> None:
    """R15: a late sample says nothing of the time between."""
    rig = started(checked(machine(), wait("A", until=BEAM, steady=0.08)), beam=True, ticks=3)
    rig.run(1, gap=ns(0.09))
    rig.run(4)
    assert rig.ends("A") == [(5, "done")]


def test_blind_is_not_looked_at() -> None:
    """R15: blind 0.1: the condition is first looked at in tick 5, and steady counts from there."""
    rig = started(checked(machine(), wait("A", until=BEAM, blind=0.1)), beam=True, ticks=8)
    assert rig.ends("A") == [(5, "done")]
    rig = started(checked(machine(), wait("A", until=BEAM, blind=0.1, steady=0.04)), beam=True, ticks=9)
    assert rig.ends("A") == [(7, "done")]


def test_a_truth_inside_blind_is_not_remembered() -> None:
    """R15: true only while blind: not seen."""
    rig = started(
        checked(machine(), wait("A", until=BEAM, blind=0.1, timeout=0.4)), beam=lambda tick: tick < 5, ticks=22
    )
    assert rig.ends("A") == [(20, "timeout")]


def test_interlocks_are_not_filtered() -> None:
    """R15: a must_stay that is false for one sample trips, whatever the step's steady."""
    rig = started(
        checked(machine(), wait("A", until=BEAM, steady=0.1, must_stay=["holds", "guard"])),
        beam=True,
        guard=lambda tick: tick != 2,
        ticks=4,
    )
    assert rig.outcome() == (2, "faulted")


@pytest.mark.parametrize("term", [[">", "pressure", 2.0], ["not", [">", "pressure", 2.0]]], ids=["over", "not over"])
def test_a_number_that_is_none_never_completes_a_wait(term: Any) -> None:
    """R16: C40: NaN from tick 3 on: never true, nor its negation; timeout@10 says since when."""
    value = 0.0 if term[0] == ">" else 5.0
    rig = started(
        checked(machine(), wait("A", until=term, timeout=0.2)),
        pressure=lambda tick: value if tick < 3 else float("nan"),
        ticks=12,
    )
    assert rig.ends("A") == [(10, "timeout")]
    assert "pressure is not a number since tick 3" in rig.runner.status().fault


@pytest.mark.parametrize(
    ("name", "bad", "reason"),
    [
        ("pressure", None, "missing"),
        ("pressure", float("inf"), "not a number"),
        ("pressure", "4", "not a number"),
        ("pressure", True, "not a number"),
        ("beam", 1, "not one of its values: 1"),
        ("beam", "true", "not one of its values: 'true'"),
        ("beam", float("nan"), "not one of its values: nan"),
        ("piece", "lamp", "not one of its values: 'lamp'"),
        ("piece", [], "not one of its values: []"),
        ("piece", Sensed("lantern", ns(0.201)), "stale: 0.201 s old"),
        ("piece", Sensed(None), "missing"),
        ("pressure", Sensed(float("nan")), "not a number"),
    ],
)
def test_a_bad_value_is_unknown_with_its_reason(name: str, bad: Any, reason: str) -> None:
    """R16: missing, not finite, of the wrong kind or stale: UNKNOWN, whatever it is compared with."""
    terms = {"pressure": [">", "pressure", -1.0], "beam": ["not", BEAM], "piece": ["not", ["is", "piece", "float"]]}
    rig = started(checked(machine(), wait("A", until=terms[name], timeout=0.1)), **{name: bad}, ticks=6)
    assert rig.ends("A") == [(5, "timeout")]
    assert f"{name} is {reason} since tick 0" in rig.runner.status().fault


def test_a_fresh_value_is_known_again() -> None:
    """R16: stale_after itself is still fresh, and a value that comes back counts at once."""
    ages = {0: 0.3, 1: 0.3, 2: 0.2}
    rig = started(
        checked(machine(), wait("A", until=["is", "piece", "lantern"])),
        piece=lambda tick: Sensed("lantern", ns(ages[tick])),
        ticks=3,
    )
    assert rig.ends("A") == [(2, "done")]


def test_known_tells_whether_a_value_is_there() -> None:
    """R16: known(x) is never UNKNOWN itself."""
    rig = started(
        checked(machine(), wait("A", until=["not", ["known", "pressure"]]), wait("B", until=["known", "pressure"])),
        pressure=lambda tick: None if tick >= 4 else 1.0,
        ticks=6,
    )
    assert rig.ends("A") == [(4, "done")]
    assert rig.ends("B") == [(1, "done")]


def test_three_valued_and_or() -> None:
    """R16: false and UNKNOWN is false, true or UNKNOWN is true (Kleene's strong logic); the rest stays UNKNOWN."""
    unknown = [">", "pressure", 1.0]
    cases = {
        "not (false and unknown)": (["not", ["and", BEAM, unknown]], "done"),
        "true or unknown": (["or", ["holds", "guard"], unknown], "done"),
        "true and unknown": (["and", ["holds", "guard"], unknown], "timeout"),
        "false or unknown": (["or", BEAM, unknown], "timeout"),
        "not (true and unknown)": (["not", ["and", ["holds", "guard"], unknown]], "timeout"),
    }
    for words, (term, outcome) in cases.items():
        rig = started(checked(machine(), wait("A", until=term, timeout=0.1)), pressure=None, ticks=7)
        assert rig.ends("A")[0][1] == outcome, words


def test_an_unknown_value_never_opens_a_gate() -> None:
    """R16: once: UNKNOWN keeps the step from moving."""
    rig = started(
        checked(machine(), move("m", {"lift": 1.0}, once=[">", "pressure", 1.0], timeout=0.2)), pressure=None, ticks=12
    )
    assert set(rig.points()) == {0.0}
    assert rig.ends("m") == [(10, "timeout")]


def test_an_unknown_value_trips_a_must_stay() -> None:
    """R16, R32: UNKNOWN is never fine."""
    rig = started(
        checked(machine(), wait("A", 1.0, must_stay=["<", "pressure", 1.0])),
        pressure=lambda tick: 0.0 if tick < 4 else None,
        ticks=6,
    )
    assert rig.outcome() == (4, "faulted")


def test_an_unknown_value_trips_an_interlock_of_the_machine() -> None:
    """R16, R32: the same for a condition that the machine requires for motion."""
    guarded = machine(must_stay=[must_stay("cover", ["holds", "guard"], [0])])
    rig = started(checked(guarded, move("m", {"lift": 1.0})), guard=lambda tick: True if tick < 4 else None, ticks=6)
    assert [event.tick for event in rig.kinds("fault")] == [4]


def test_axis_names_mean_measured_values_and_ordered_the_set_point() -> None:
    """R16: the measured lift follows two ticks late; AXIS.ordered is the committed set-point."""

    def rig_for(term: Any) -> Rig:
        rig = Rig(checked(machine(), move("m", {"lift": 2.0}), wait("w", until=term)), delays={"lift": 5})
        rig.start()
        return rig.run(80)

    measured = rig_for([">", "lift", 0.5]).ends("w")[0][0]
    ordered = rig_for([">", "lift.ordered", 0.5]).ends("w")[0][0]
    assert measured == ordered + 5


def test_the_speed_of_an_axis_is_found_from_positions_where_it_is_not_measured() -> None:
    """R16: a missing speed is the difference of two known positions."""
    rig = started(checked(machine(), move("m", {"lift": 2.0}), wait("w", until=[">", "lift.speed", 0.95])))
    rig.readings["lift"] = lambda tick: AxisReading(rig.positions["lift"])
    rig.run(40)
    assert 23 <= rig.ends("w")[0][0] <= 27


def test_an_axis_reading_older_than_the_longest_gap_is_unknown() -> None:
    """R16: an axis that is not measured any more while it moves faults its run."""
    rig = started(checked(machine(), move("m", {"lift": 2.0})), ticks=10)
    rig.readings["lift"] = AxisReading(0.1, 0.0, 0.0, age=ns(0.2))
    rig.run(1)
    assert [event.tick for event in rig.kinds("fault")] == [10]
    assert "lift is stale since tick 10" in rig.kinds("fault")[0].text


class Once(Mapping[str, Any]):
    """Readings that change whenever they are looked at, and count how often that is."""

    def __init__(self, names: list[str]) -> None:
        self.names = names
        self.looks = 0

    def __getitem__(self, name: str) -> Any:
        if name not in self.names:
            raise KeyError(name)
        self.looks += 1
        return self.looks % 2 == 1

    def __iter__(self) -> Iterator[str]:
        return iter(self.names)

    def __len__(self) -> int:
        return len(self.names)


def test_each_reading_is_looked_at_once_a_tick() -> None:
    """R3, R4: C42: the adapter's beam flips between two reads inside one tick: both conditions get the same value."""
    rig = started(checked(machine(), wait("A", until=BEAM, timeout=9.0), wait("B", until=["not", BEAM], timeout=9.0)))
    ended = []
    for tick in range(4):
        given = Once(["beam"])
        axes = {name: AxisReading(0.0, 0.0, 0.0) for name in rig.names}
        ended += [
            (event.step, event.tick)
            for event in rig.runner.tick(Readings(ns(0.02) * tick, True, axes, given)).events
            if event.kind == "end"
        ]
        assert given.looks == 1
    assert ended == [("A", 1)]


def test_readings_changed_after_the_tick_change_nothing() -> None:
    """R4: the snapshot is frozen: a caller may use its dictionaries again."""
    rig = started(checked(machine(), wait("A", until=BEAM, timeout=1.0)), ticks=1)
    readings = rig.reading(ns(0.02))
    rig.runner.tick(readings)
    readings.sensors["beam"] = True  # type: ignore[index]
    assert rig.runner.status().runs[0].steps[0].terms[0].truth is False


def test_a_short_pulse_between_ticks_is_seen_by_a_counter_only() -> None:
    """R3, R14: C43: beam is high for 5 ms between ticks 4 and 5: a level or edge does not see it, a counter does @5."""
    rig = started(
        checked(
            machine(),
            wait("level", until=BEAM, timeout=0.2, on_timeout="continue"),
            wait("edge", until=["rising", BEAM], timeout=0.2, on_timeout="continue"),
            wait("count", until=[">", "beam_count", 7.0]),
        ),
        beam_count=lambda tick: 7.0 if tick <= 4 else 8.0,
        ticks=12,
    )
    assert rig.ends("count") == [(5, "done")]
    assert rig.ends("level") == rig.ends("edge") == [(10, "timeout")]


def test_a_request_during_a_tick_is_seen_at_the_next_and_tick_is_not_re_entrant() -> None:
    """R4: a sink that asks for a cancel inside the tick, and one that calls tick again."""
    from sequencer.run import Runner

    class Sink:
        calls = 0
        error: Exception | None = None

        def record(self, readings: Any, orders: Any, requests: Any) -> None:
            self.calls += 1
            if self.calls == 2:
                runner.cancel()

    class Nosy(Mapping[str, Any]):
        def __getitem__(self, name: str) -> Any:
            runner.tick(Readings(10**12))

        def __iter__(self) -> Iterator[str]:
            return iter(())

        def __len__(self) -> int:
            return 0

        def get(self, name: str, default: Any = None) -> Any:
            try:
                return self[name]
            except RuntimeError as error:
                Sink.error = error
                return None

    sink = Sink()
    runner = Runner([checked(machine(), wait("A", 1.0))], sink)
    runner.request("r")
    events = [runner.tick(Readings(ns(0.02) * tick)).events for tick in range(3)]
    assert [event.text for event in events[1] if event.kind == "run"] == []
    assert [event.text for event in events[2] if event.kind == "run"] == ["cancelled: cancelled by request"]
    runner.tick(Readings(ns(0.06), True, {}, Nosy()))
    assert "not re-entrant" in str(Sink.error)


def test_requests_from_other_threads_wait_for_the_tick() -> None:
    """R4: a hundred notes from four threads are all handled, each once."""
    import threading

    rig = Rig(checked(machine(), wait("A", 1.0)))

    def ask(number: int) -> None:
        for index in range(25):
            rig.runner.note(f"n{number}", float(index))

    threads = [threading.Thread(target=ask, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    while any(thread.is_alive() for thread in threads):
        rig.run(1)
    rig.run(1)
    notes = [event.values[0] for event in rig.kinds("note")]
    assert sorted(notes) == sorted((f"n{number}", float(index)) for number in range(4) for index in range(25))


def test_a_derived_sensor_is_filtered_and_blind_after_its_axis_is_taken() -> None:
    """R15, R16: steady counts on every sample, and for `blind` after a step takes the axis it is false."""
    held = sensor("lantern_in", derived=derived([">", "roller.current", 24.0], steady=0.04, blind=0.1, axes=[2]))
    rig = started(
        checked(
            machine(more_sensors=[held]),
            pulse("intake", {"roller": 8.0}, until=["holds", "lantern_in"], timeout=1.0),
        )
    )
    rig.readings["roller"] = AxisReading(None, 5.0, 30.0)
    rig.run(10)
    assert rig.ends("intake") == [(7, "done")]


def test_a_derived_sensor_of_an_unknown_value_is_unknown() -> None:
    """R16: it neither holds nor does not hold."""
    held = sensor("full", derived=derived([">", "pressure", 2.0]))
    rig = started(
        checked(machine(more_sensors=[held]), wait("A", until=["not", ["holds", "full"]], timeout=0.1)),
        pressure=float("nan"),
        ticks=6,
    )
    assert rig.ends("A") == [(5, "timeout")]


@pytest.mark.parametrize(("head", "found"), [("or", False), ("and", False)])
def test_a_derived_sensor_whose_parts_are_all_false_is_false_and_not_unknown(head: str, found: bool) -> None:
    """R16."""
    on = machine(more_sensors=[sensor("both", derived=derived([head, ["holds", "beam"], [">", "pressure", 1.0]]))])
    rig = started(checked(on, wait("A", 9.0)), ticks=3)
    assert rig.runner._host.values["both"] is found
    on = machine(more_sensors=[sensor("both", derived=derived([head, ["holds", "guard"], ["<", "pressure", 1.0]]))])
    rig = started(checked(on, wait("A", 9.0)), ticks=3)
    assert rig.runner._host.values["both"] is True


def test_an_edge_at_which_a_repeat_ends_is_sampled_in_every_tick() -> None:
    """R14: it rises in tick 7, in mid-passage, and has fallen by the end of it in tick 10: a passage more."""
    block = repeat("loop", [wait("A", 0.1)], until=["rising", ["holds", "beam"]], timeout=9.0)
    rig = started(checked(machine(), block), beam=lambda tick: tick in (7, 15), ticks=25)
    assert rig.ends("loop") == [(15, "done")]
