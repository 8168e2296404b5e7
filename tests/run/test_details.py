"""Details that other tests pass over: whole orders, boundaries, what is forgotten and what is kept."""

from __future__ import annotations

from typing import Any

import pytest
from rig import JERKY, LIMITS, Rig, axis, checked, choose, machine, move, press, pulse, repeat, started, wait

from profiles import Limits
from sequencer.ports.orders import AxisOrder
from sequencer.ports.readings import AxisReading
from sequencer.run.definition import AxisDefinition
from sequencer.run.motion import Motion

BEAM = ["holds", "beam"]
WAITS = {"following": 0.05, "behind": "wait", "settle": 60_000_000}


def test_a_press_orders_effort_bound_and_speed_and_nothing_else() -> None:
    """R46: the whole order."""
    rig = started(checked(machine(), press("p", 8.0, 2.0, until=BEAM)), ticks=3)
    assert rig.orders[1].axes["wrist"] == AxisOrder("effort", 2.0, 1.0, 0.0, 0.0, 8.0)
    rig = started(checked(machine(), press("p", 8.0, -2.0, until=BEAM)), ticks=3)
    assert rig.orders[1].axes["wrist"] == AxisOrder("effort", -2.0, -1.0, 0.0, 0.0, -8.0)


def test_what_rests_is_ordered_whole() -> None:
    """R27: hold, brake, off and a voltage, with no number left over from before."""
    rests = [{"mode": "brake", "voltage": 0.0, "when": BEAM}, {"mode": "hold", "voltage": 0.0, "when": None}]
    on = machine([axis("lift", rest=rests), axis("wrist"), axis("roller", "spin")])
    rig = started(checked(on, move("m", {"lift": 0.2}), pulse("p", {"roller": 4.0}, 0.1)), ticks=60)
    assert rig.orders[-1].axes["lift"] == AxisOrder("hold", 0.2)
    assert rig.orders[-1].axes["roller"] == AxisOrder("effort")
    rig.sensors["beam"] = True
    rig.run(1)
    assert rig.orders[-1].axes["lift"] == AxisOrder("brake")


def test_a_stopped_spin_and_a_stopped_press_leave_no_motion_behind() -> None:
    """R33: the set-point stands where they were stopped."""
    rig = started(
        checked(machine(), press("p", 8.0, 2.0, until=BEAM), pulse("q", {"roller": 4.0}, 9.0)),
        ticks=10,
        stuck=["wrist"],
    )
    rig.runner.cancel()
    rig.run(1)
    where = rig.orders[-1].axes["wrist"]
    assert where == AxisOrder("hold", where.position)
    rig.run(20)
    assert rig.orders[-1].axes["wrist"] == where
    assert rig.volts()[-1] == 0.0


def test_an_empty_branch_is_done_in_its_tick() -> None:
    """R11: a choice with nothing to do ends at once and what follows starts."""
    rig = started(checked(machine(), choose("c", [(BEAM, [wait("X", 1.0)])], []), wait("B", 0.1, "c")), ticks=3)
    assert rig.ends("c") == [(0, "done")]
    assert rig.starts("B") == [0]


def test_timed_steps_of_a_block_that_was_ended_never_start() -> None:
    """R24, R21: the block times out before their time comes."""
    inside = [wait("A", 5.0), pulse("p", {"lamp": True}, 0.1, at=0.5)]
    rig = started(
        checked(machine(), repeat("loop", inside, 1, timeout=0.2, on_timeout="continue"), wait("B", 1.0, "loop")),
        ticks=80,
    )
    assert rig.ends("loop") == [(10, "timeout")]
    assert rig.starts("p") == []
    assert rig.outcome() == (60, "done")


def test_a_gated_step_that_is_held_and_resumed_still_waits_at_its_gate() -> None:
    """R35, R32."""
    rig = started(checked(machine(), pulse("p", {"lamp": True}, 0.2, once=BEAM, timeout=9.0)), ticks=5)
    rig.runner.hold()
    rig.run(5)
    rig.runner.resume()
    rig.run(10)
    assert True not in rig.output("lamp")
    rig.sensors["beam"] = True
    rig.run(20)
    assert rig.output("lamp").count(True) == 10


def test_a_refusal_names_what_was_asked_for() -> None:
    """R44: the routine, or zeroing and jogging with the axis."""
    zero = {"speed": -0.1, "until": BEAM, "then": 0.0, "once": None}
    rig = Rig(checked(machine([axis("lift", zero=zero), *machine()["axes"][1:]]), wait("A", 1.0)))
    rig.run(1)
    rig.runner.abort()
    rig.runner.zero("lift")
    rig.runner.jog("lift", 0.1)
    rig.start()
    rig.run(1)
    assert {event.run for event in rig.kinds("refused")} == {"r", "zero lift", "jog lift"}


def test_an_axis_that_creeps_on_and_later_jams_is_a_stall() -> None:
    """R45: progress counts from the last progress, not from the first."""
    place = {"is": 0.0}
    on = machine([axis("lift", tolerance=WAITS), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 1.0})))

    def read(tick: int) -> AxisReading:
        if rig.orders and tick < 80:
            place["is"] += max(-0.006, min(0.006, rig.orders[-1].axes["lift"].position - place["is"]))
        return AxisReading(place["is"], 0.0, 0.0)

    rig.readings["lift"] = read
    rig.run(100)
    (fault,) = [event for event in rig.kinds("fault") if event.run]
    assert "lift is stalled" in fault.text
    assert 82 <= fault.tick <= 84


def test_evidence_of_one_lag_is_forgotten_when_the_axis_has_caught_up() -> None:
    """R48, R45: two short lags are no long one."""
    on = machine([axis("lift", tolerance=WAITS, most_current=40.0), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 2.0})))
    frozen = {"at": 0.0}

    def read(tick: int) -> AxisReading:
        if tick % 30 in (20, 21):
            return AxisReading(frozen["at"], 0.0, 20.0)
        frozen["at"] = rig.positions["lift"]
        return AxisReading(frozen["at"], 0.0, 20.0)

    rig.readings["lift"] = read
    rig.run(160)
    assert not rig.kinds("fault")
    assert rig.outcome()[1] == "done"


def test_a_detached_axis_belongs_to_nobody_else() -> None:
    """R28, R44: after a take-over the cancel of the old run touches none of its former axes."""
    on = machine()
    rig = Rig(
        checked(on, move("m", {"lift": 2.0, "wrist": 2.0}), name="a"),
        checked(on, move("n", {"lift": 1.5}), name="b"),
    )
    rig.start("a")
    rig.run(30)
    rig.start("b", preempt=True)
    rig.run(40)
    assert [outcome for _, outcome in rig.outcomes("a")] == ["cancelled"]
    assert rig.orders[-1].axes["wrist"].velocity == 0.0
    rig.run(100)
    assert rig.points()[-1] == 1.5
    assert [outcome for _, outcome in rig.outcomes("b")] == ["done"]


def test_the_last_eight_runs_are_kept_and_their_order_is_that_of_their_ends() -> None:
    """R40: the status after the end shows the latest."""
    rig = Rig(checked(machine(), wait("A", 0.02)))
    for _ in range(12):
        rig.start()
        rig.run(3)
    assert len(rig.runner._host.ended) == 8
    assert rig.runner.status().runs[-1].state == "done"


# What a carrying-on axis occupies.


def motion_of(limits: Any, band: float = 0.0) -> Motion:
    data = axis("lift", limits=limits, between="carry_on", tolerance={"position": band})
    motion = Motion(AxisDefinition(0, data, 20_000_000, 100_000_000))
    motion.anywhere = False
    return motion


@pytest.mark.parametrize("limits", [LIMITS, JERKY])
def test_a_carrying_on_axis_occupies_the_way_of_the_longest_gap(limits: Any) -> None:
    """R20, R52: beyond its stopping set by the lesser of v T and a T**2 / 2, on the side that it moves to."""
    motion = motion_of(limits)
    motion.velocity = 1.0
    low, high = motion.reach_if_braking()
    plain = 0.25 if limits is LIMITS else 0.3
    assert high == pytest.approx(plain + 0.5 * 2.0 * 0.1**2, abs=1e-9)
    assert low == 0.0
    motion.velocity = 0.05
    low, high = motion.reach_if_braking()
    plain = 0.05**2 / 4.0 if limits is LIMITS else (0.05 / 20.0) ** 0.5 * 0.05
    assert high == pytest.approx(plain + 0.005, abs=1e-9)


@pytest.mark.parametrize("limits", [LIMITS, JERKY])
@pytest.mark.parametrize(("velocity", "acceleration"), [(0.7, 1.1), (0.7, -1.1), (0.02, -0.4), (0.0, 0.9), (-0.3, 1.5)])
def test_what_it_occupies_is_mirror_symmetric(limits: Any, velocity: float, acceleration: float) -> None:
    """R20: down is as far as up."""
    motion = motion_of(limits)
    motion.velocity, motion.acceleration = velocity, acceleration
    low, high = motion.reach_if_braking()
    motion.velocity, motion.acceleration = -velocity, -acceleration
    assert motion.reach_if_braking() == pytest.approx((-high, -low), abs=1e-12)


def test_its_tracking_band_counts_for_the_way_of_a_late_tick() -> None:
    """R20: the band is how far the real axis may be from its set-point, whatever the reason."""
    motion = motion_of(LIMITS, band=0.004)
    motion.velocity = 1.0
    assert motion.reach_if_braking()[1] == pytest.approx(0.25 + 0.01 - 0.004)
    motion = motion_of(LIMITS, band=0.5)
    motion.velocity = 1.0
    assert motion.reach_if_braking()[1] == 0.25


def test_what_it_was_carried_over_in_a_late_tick_stays_occupied_for_its_latency() -> None:
    """R20: the end of the way that an order went on for, until no latency can hold it in flight."""
    data = axis("lift", between="carry_on", latency=[0, 60_000_000])
    motion = Motion(AxisDefinition(0, data, 20_000_000, 100_000_000))
    motion.rebase(0.0, 0)
    motion.velocity = -1.0
    motion.profile = None
    motion.adopt(lambda states: [], -1.0, Limits(1.0, 2.0), _braking(motion))
    motion.prepare()
    motion.commit(80_000_000, 80_000_000)
    assert min(place for _, place in motion.history) == pytest.approx(-0.08)


def _braking(motion: Motion) -> Any:
    from profiles import State, stop

    return stop(State(0.0, -0.5), Limits(1.0, 2.0))
