"""Milestones and sub-tick time: when a motion passes a place, and what starts from it (SEMANTICS section J)."""

from __future__ import annotations

import pytest
from rig import Rig, checked, machine, move, pulse, put, started, wait

BEAM = ["holds", "beam"]


def release_offset(rig: Rig) -> float:
    """How long [s] after its instant the release was commanded."""
    (event,) = rig.kinds("milestone")
    return float(dict(event.values)["late_by"])  # type: ignore[arg-type]


@pytest.mark.parametrize("hz", [50, 100, 200])
def test_the_pulse_is_active_in_the_tick_nearest_to_the_instant(hz: int) -> None:
    """M2: not in the first tick after it; what remains, at most P/2, is recorded."""
    period = 1.0 / hz
    for place in [0.1 + 0.0137 * n for n in range(30)]:
        rig = Rig(
            checked(
                machine(hz=hz),
                move("m", {"lift": 1.0}),
                pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": place}),
            )
        )
        rig.start()
        rig.run(2 * hz)
        # v^2 = 2 a x up to 0.25 m, then 1 m/s.
        instant = (place) ** 0.5 if place <= 0.25 else 0.5 + (place - 0.25)
        (start,) = rig.starts("p")
        assert abs(start * period - instant) <= period / 2.0 + 1e-9
        assert release_offset(rig) == pytest.approx(start * period - instant, abs=1e-9)


def test_lead_and_lag_move_the_instant() -> None:
    """M2: less its lead, plus its lag."""
    for lead, lag, tick in ((0.0, 0.0, 40), (0.2, 0.0, 30), (0.0, 0.1, 45), (0.1, 0.04, 37)):
        rig = started(
            checked(
                machine(),
                move("m", {"lift": 2.0}),
                pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.55, "lead": lead, "lag": lag}),
            ),
            ticks=60,
        )
        assert rig.starts("p") == [tick]


def test_a_milestone_may_name_one_axis_of_a_move() -> None:
    """M1: the instant is that of the named axis' profile."""
    rig = started(
        checked(
            machine(),
            move("m", {"lift": 2.0, "wrist": 0.5}),
            pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.16, "axis": "wrist"}),
            put("s", {"horn": 1.0}, passing={"step": "m", "at": 0.75, "axis": "lift"}),
        ),
        ticks=60,
    )
    assert rig.starts("p") == [20]
    assert rig.starts("s") == [50]


def test_a_milestone_is_computed_not_noticed() -> None:
    """M1: the measured lift follows 60 ms late, and the pulse is on the set-points' instant all the same."""
    rig = Rig(
        checked(
            machine(), move("m", {"lift": 2.0}), pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.55})
        ),
        delays={"lift": 3},
    )
    rig.start()
    rig.run(60)
    assert rig.starts("p") == [40]


def test_a_milestone_follows_the_motion_through_a_late_tick() -> None:
    """M1, R20: the motion clock gained 40 ms of the 70 ms gap, so the milestone is 30 ms later."""
    rig = started(
        checked(
            machine(), move("m", {"lift": 2.0}), pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.55})
        ),
        ticks=30,
    )
    rig.run(1, gap=70_000_000)
    rig.run(30)
    (event,) = rig.kinds("milestone")
    assert rig.times[event.tick] == 830_000_000
    assert release_offset(rig) == pytest.approx(0.0, abs=1e-9)


def test_a_lead_longer_than_the_run_up_fires_at_once_and_says_by_how_much() -> None:
    """M4: in the tick of the start itself."""
    rig = started(
        checked(
            machine(),
            wait("w", 0.1),
            move("m", {"lift": 2.0}, "w"),
            pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.04, "lead": 0.5}),
        ),
        ticks=20,
    )
    assert rig.starts("m") == rig.starts("p") == [5]
    (event,) = rig.kinds("milestone")
    assert "the lead is 0.3 s longer than the run-up" in event.text
    assert release_offset(rig) == pytest.approx(0.3)


def test_a_milestone_near_the_start_fires_in_the_tick_of_the_start() -> None:
    """M2: 5 ms after the start is nearer to its tick than to the next."""
    rig = started(
        checked(
            machine(),
            move("m", {"lift": 2.0}),
            pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.000025}),
        ),
        ticks=3,
    )
    assert rig.starts("p") == [0]


def test_a_gated_move_has_its_milestones_from_its_gate() -> None:
    """M1, R32: the instant is counted on the motion clock, which runs from the gate."""
    rig = started(
        checked(
            machine(),
            move("m", {"lift": 2.0}, once=BEAM),
            pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.16}),
            pulse("q", {"horn": 1.0}, 0.1, passing={"step": "m", "at": 0.16, "lead": 1.0}),
        ),
        beam=lambda tick: tick >= 13,
        ticks=60,
    )
    assert rig.starts("p") == [33]
    assert rig.starts("q") == [13]
