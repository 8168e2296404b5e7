"""What a reading must be to be believed: how far it may jump, how far away it may be, what motors and encoders of one
axis tell about each other. SEMANTICS R16, R42, R48.
"""

from __future__ import annotations

from typing import Any

import pytest
from rig import Rig, axis, checked, machine, move, sensor, started, wait

from sequencer.ports.readings import AxisReading, Parts

WAITS = {"following": 0.05, "behind": "wait", "settle": 60_000_000}
ROUTINE_TIME = 9.0


def lost(rig: Rig) -> list[str]:
    return [name for name, _ in rig.runner.status().not_zeroed]


def jumped(by: float, gap: int | None = None, after: int = 0, other_lost: bool = False, **changes: Any) -> Rig:
    """The wrist jumps by so much in a tick that comes `gap` after the last; `after` regular ticks lie between."""
    on = machine([axis("lift"), axis("wrist", **changes), axis("roller", "spin")])
    rig = started(checked(on, wait("A", ROUTINE_TIME)), ticks=3)
    if other_lost:
        rig.positions["lift"] += 1.0
        rig.run(2)
        rig.runner.reset()
    if gap is not None and after:
        rig.run(1, gap=gap)
        rig.run(after - 1)
        gap = None
    rig.positions["wrist"] += by
    rig.stuck.add("wrist")
    return rig.run(1, gap=gap)


@pytest.mark.parametrize("sense", [1.0, -1.0])
@pytest.mark.parametrize("other_lost", [False, True])
@pytest.mark.parametrize(
    ("by", "gap", "after", "believed"),
    [
        (0.0299, None, 0, True),  # 1 m/s for 20 ms, and a band of 10 mm
        (0.0301, None, 0, False),
        (0.02 + 0.01, None, 0, True),  # to the last bit
        (0.0899, 80_000_000, 0, True),
        (0.0901, 80_000_000, 0, False),
        (0.0899, 80_000_000, 1, True),  # it catches up in the tick after a late one
        (0.0901, 80_000_000, 1, False),
        (0.0301, 80_000_000, 2, False),
    ],
)
def test_a_reading_may_change_by_what_the_axis_can_do_and_its_band(
    sense: float, other_lost: bool, by: float, gap: int | None, after: int, believed: bool
) -> None:
    """R42: beyond that its zero is lost; the same whether or not another axis has lost its own."""
    rig = jumped(sense * by, gap, after, other_lost)
    assert ("wrist" in lost(rig)) is not believed


@pytest.mark.parametrize(("after", "believed"), [(1, True), (3, True), (4, True), (5, False), (6, False)])
def test_an_axis_may_catch_up_with_a_late_tick_as_late_as_its_latency(after: int, believed: bool) -> None:
    """R42, R20: what was ordered in the late tick shows 60 ms later at the latest, in the tick after that at most."""
    rig = jumped(0.0899, 80_000_000, after, latency=[0, 60_000_000])
    assert ("wrist" in lost(rig)) is not believed


def test_of_two_late_ticks_the_later_gap_counts_as_long_as_its_latency() -> None:
    """R42, R20: the shorter gap came second, 40 ms after the longer."""
    for by, believed in ((0.0599, True), (0.0901, False)):
        rig = started(checked(machine([axis("lift"), axis("wrist", latency=[0, 60_000_000])]), wait("A", 9.0)), ticks=3)
        rig.run(1, gap=80_000_000)
        rig.run(1)
        rig.run(1, gap=50_000_000)
        rig.run(2)
        rig.positions["wrist"] += by
        rig.stuck.add("wrist")
        assert ("wrist" in lost(rig.run(1))) is not believed


def test_a_zero_that_is_lost_in_the_tick_of_a_reset_stays_lost() -> None:
    """R42, R48: nobody can have seen it yet; the next reset takes the axis as it reads."""
    rig = started(checked(machine(), wait("A", 9.0)), ticks=3)
    rig.positions["lift"] += 0.5
    rig.stuck.add("lift")
    rig.runner.reset()
    rig.run(2)
    assert [name for name, _ in rig.runner.status().not_zeroed] == ["lift"]
    rig.runner.reset()
    rig.run(2)
    assert rig.runner.status().not_zeroed == ()


@pytest.mark.parametrize("velocity", [[-2.0, 1.0], [-1.0, 2.0]])
def test_the_faster_of_its_two_directions_counts_for_a_jump(velocity: list[float]) -> None:
    """R42: 2 m/s one way: 0.05 m in a tick and the band."""
    limits = [velocity, [-2.0, 2.0], None]
    assert "wrist" not in lost(jumped(0.0499, limits=limits))
    assert "wrist" in lost(jumped(0.0501, limits=limits))


def test_the_band_of_a_followed_axis_is_its_following_tolerance() -> None:
    """R42, R45."""
    assert "wrist" not in lost(jumped(0.0699, tolerance=WAITS))
    assert "wrist" in lost(jumped(0.0701, tolerance=WAITS))


@pytest.mark.parametrize(("at", "known"), [(8.99, True), (9.01, False), (-8.99, True), (-9.01, False)])
def test_a_reading_more_than_a_travel_beyond_its_ends_is_unknown(at: float, known: bool) -> None:
    """R16: a travel from -3 to 3 m; it is somewhere from -9 to 9 m, or the reading is nonsense."""
    rig = Rig(checked(machine(), wait("A", until=["known", "lift"], timeout=0.1, on_timeout="continue")))
    rig.readings["lift"] = AxisReading(at, 0.0, 0.0)
    rig.start()
    rig.run(10)
    assert rig.ends("A")[0][1] == ("done" if known else "timeout")


def with_parts(rig: Rig, parts: Any) -> Rig:
    """The lift's parts in each tick, as a function of the tick number."""
    reading = rig.reading

    def told(now: int) -> Any:
        found = reading(now)
        found.parts = {"lift": parts(rig.count)}
        return found

    rig.reading = told  # type: ignore[method-assign]
    return rig


def on_two_motors(**changes: Any) -> Rig:
    on = machine([axis("lift", tolerance=WAITS, **changes), axis("wrist"), axis("roller", "spin")])
    return started(checked(on, move("m", {"lift": 2.0})), ticks=10)


@pytest.mark.parametrize(
    ("currents", "apart"),
    [
        ((5.1, 0.4), True),  # a quarter of 40 A between two: 5 A; a tenth of 5.1 A: 0.51 A
        ((0.4, 5.1), True),
        ((-5.1, 0.4), True),
        ((4.9, 0.4), False),
        ((5.1, 0.52), False),
        ((5.0, 0.4), False),
        ((8.0, 0.8), False),
        ((5.1,), False),
        ((5.1, None), False),
        ((3.5, 3.5, 0.1), True),  # between three: 3.33 A
        ((3.2, 3.2, 0.1), False),
    ],
)
def test_one_motor_that_draws_next_to_nothing_beside_a_loaded_one_does_not_push(
    currents: tuple[float, ...], apart: bool
) -> None:
    """R48: only where there is load enough to tell."""
    rig = with_parts(on_two_motors(most_current=40.0), lambda tick: Parts((), currents)).run(10)
    assert bool(rig.kinds("fault")) is apart


def test_motors_that_are_apart_for_less_than_a_stall_are_not_told() -> None:
    """R48: the time starts anew whenever they agree; 0.06 s are a stall here."""
    rig = on_two_motors(most_current=40.0)
    with_parts(rig, lambda tick: Parts((), (12.0, 0.1) if tick % 4 else (12.0, 11.0))).run(40)
    assert not rig.kinds("fault")


def test_motors_of_an_axis_whose_greatest_current_is_not_known_are_not_compared() -> None:
    """R48."""
    assert not with_parts(on_two_motors(), lambda tick: Parts((), (12.0, 0.1))).run(40).kinds("fault")


@pytest.mark.parametrize(
    ("encoders", "differ"),
    [((0.1, 0.149), False), ((0.1, 0.151), True), ((0.151, 0.1), True), ((0.1,), False), ((0.1, None), False)],
)
def test_encoders_of_one_axis_may_differ_by_so_much_and_no_more(encoders: tuple[Any, ...], differ: bool) -> None:
    """R42: more, and the zero is lost at once, with both readings in the message."""
    rig = with_parts(on_two_motors(differ_by=0.05), lambda tick: Parts(encoders, ())).run(1)
    assert (lost(rig) == ["lift"]) is differ
    if differ:
        shown = " and ".join(f"{one} m" for one in encoders)
        assert rig.kinds("fault")[0].text == f"lift: its encoders read {shown}; they may differ by 0.05 m"


def test_a_fault_that_the_axis_itself_reports_goes_before_what_is_found_out() -> None:
    """R48: the first cause is kept."""
    rig = on_two_motors(differ_by=0.05)
    rig.readings["lift"] = lambda tick: AxisReading(rig.positions["lift"], 0.0, 0.0, fault="hot")
    with_parts(rig, lambda tick: Parts((0.1, 0.3), ())).run(1)
    assert rig.kinds("fault")[0].text == "lift: hot"


def test_an_encoder_comparison_for_another_axis_changes_nothing() -> None:
    """R42: names that are no axes are passed over, the others still looked at."""
    rig = on_two_motors(differ_by=0.05)
    reading = rig.reading

    def told(now: int) -> Any:
        found = reading(now)
        found.parts = {"nothing": Parts((0.0, 9.0), ()), "lift": Parts((0.1, 0.3), ())}
        return found

    rig.reading = told  # type: ignore[method-assign]
    rig.run(1)
    assert lost(rig) == ["lift"]


@pytest.mark.parametrize("tick", [4, 9])
def test_an_unknown_value_names_the_tick_since_which_it_is_unknown(tick: int) -> None:
    """R16, R40: the first of the ticks in a row."""
    rig = started(
        checked(machine(), wait("A", until=[">", "pressure", 5.0], timeout=0.4)),
        pressure=lambda now: None if now == 2 or now >= tick else 1.0,
        ticks=30,
    )
    assert f"pressure is missing since tick {tick}" in rig.kinds("end")[0].text


@pytest.mark.parametrize(
    ("age", "reason"), [(50_000_001, "stale: 0.05 s old"), ("old", "stale: of no known age, 'old'"), (50_000_000, "")]
)
def test_a_sensor_says_how_old_its_value_may_be(age: Any, reason: str) -> None:
    """R16: exactly `stale_after` is still fresh."""
    from sequencer.ports.readings import Sensed

    on = machine(more_sensors=[sensor("range", "number", stale_after=50_000_000)])
    rig = started(checked(on, wait("A", until=[">", "range", 5.0])), range=Sensed(1.0, age), ticks=3)
    (step,) = rig.runner.status().runs[-1].steps
    assert reason in step.waits_for
    assert ("stale" in step.waits_for) is bool(reason)


def test_an_axis_without_a_zero_of_its_own_that_its_actuator_zeroes_again_is_believed_again() -> None:
    """R42: told not zeroed, then zeroed: it was looked after from elsewhere."""
    rig = started(checked(machine(), wait("A", ROUTINE_TIME)), ticks=3)
    rig.positions["lift"] += 1.0
    rig.run(2)
    assert lost(rig) == ["lift"]
    for zeroed in (True, False, True):
        rig.readings["lift"] = AxisReading(1.0, 0.0, 0.0, zeroed)
        rig.run(2)
    assert lost(rig) == []


def test_a_lost_zero_is_told_once_when_it_is_lost() -> None:
    """R42, R40: with the evidence; not again while it stays lost."""
    rig = jumped(0.5)
    rig.run(20)
    assert [event.text for event in rig.kinds("zero lost")] == ["wrist: its reading jumped by 0.5 m in 0.02 s"]


def test_a_start_region_of_an_axis_that_is_not_zeroed_is_not_met() -> None:
    """R51, R42: it may be anywhere."""
    near = {"from": "near", "region": [[1, -1.0, 1.0]]}
    rig = Rig(checked(machine(), wait("A", 1.0), **near))
    rig.readings["wrist"] = AxisReading(0.0, 0.0, 0.0, False)
    rig.run(1)
    rig.start()
    rig.run(1)
    assert rig.refusals() == ["wrist is not zeroed"]


@pytest.mark.parametrize("name", ["lift", "roller"])
def test_an_axis_that_is_read_again_and_lost_again_is_unknown_since_then(name: str) -> None:
    """R16, R40: a place, or the speed of a spin; the first time is forgotten."""
    rig = started(checked(machine(), wait("A", ROUTINE_TIME)), ticks=3)
    value = name if name == "lift" else "roller.speed"
    lost_one = AxisReading(None, None, 0.0)
    rig.readings[name] = lambda tick: lost_one if tick in (4, 5) or tick >= 9 else AxisReading(0.0, 0.0, 0.0)
    rig.run(3)
    assert rig.runner._host.unknown_reason(value) == f"{value} is missing since tick 4"
    rig.run(2)
    assert value not in rig.runner._host.snapshot.unknown
    rig.run(3)
    assert rig.runner._host.unknown_reason(value) == f"{value} is missing since tick 9"


@pytest.mark.parametrize("at", [9.0, -9.0])
def test_a_reading_exactly_a_travel_beyond_an_end_is_believed(at: float) -> None:
    """R16: in the first tick, and in those that follow."""
    rig = Rig(checked(machine(), wait("A", ROUTINE_TIME)))
    rig.readings["lift"] = AxisReading(at, 0.0, 0.0)
    rig.run(3)
    assert rig.runner._host.values["lift"] == at
