"""Flicks and when their release is commanded, on a tick (phase) or not: SEMANTICS section J."""

from __future__ import annotations

import random
from math import radians
from typing import Any

import pytest
from rig import Rig, axis, checked, flick, machine, move, pulse

from profiles import Limits, State
from profiles import flick as flick_profile

BEAM = ["holds", "beam"]
WRIST = [[-7.0, 7.0], [-60.0, 60.0], 900.0]
THROUGH, SPEED, TO = radians(58.0), radians(380.0), radians(84.0)


def hand(**changes: Any) -> Any:
    return machine([axis("lift"), axis("wrist", "rotary", limits=WRIST, **changes), axis("roller", "spin")])


def thrown(start_degrees: float, **changes: Any) -> Rig:
    """A flick from an angle, with a release at its `through`, less a lead."""
    lead, ticks = changes.pop("lead", 0.03), changes.pop("ticks", 60)
    rig = Rig(
        checked(
            hand(),
            flick("f", THROUGH, SPEED, TO, limits=WRIST, **changes),
            pulse("let_go", {"roller": -6.0}, 0.14, passing={"step": "f", "lead": lead}),
        )
    )
    rig.positions["wrist"] = radians(start_degrees)
    rig.start()
    return rig.run(ticks)


def release_offset(rig: Rig) -> float:
    """How long [s] after its instant the release was commanded."""
    (event,) = rig.kinds("milestone")
    return float(dict(event.values)["late_by"])  # type: ignore[arg-type]


ANGLES = [-90.0 + 0.25 * n - 8.0 for n in range(65)]


def test_a_phased_flick_commands_the_release_at_the_same_instant_from_any_angle() -> None:
    """M3: from any start angle of +-8 degrees at 50 Hz the commanded release repeats to 0.01 ms."""
    offsets = [release_offset(thrown(angle)) for angle in ANGLES]
    assert max(offsets) - min(offsets) <= 1e-5
    assert max(abs(offset) for offset in offsets) <= 1e-5


def test_half_a_millisecond_of_tick_jitter_spreads_the_release_by_a_millisecond_at_most() -> None:
    """M3: ticks that come up to 0.5 ms early or late."""
    offsets = []
    for number, angle in enumerate(ANGLES):
        rig = thrown(angle, ticks=0)
        rig.jitter, rig.jitter_most = random.Random(number), 500_000
        offsets.append(release_offset(rig.run(60)))
    assert 1e-4 < max(offsets) - min(offsets) <= 1e-3


def test_an_unphased_flick_spreads_the_release_over_a_whole_tick() -> None:
    """M3: switched off, the same angles spread over a tick, each within half of one (M2)."""
    offsets = [release_offset(thrown(angle, phase=False)) for angle in ANGLES]
    assert max(offsets) - min(offsets) > 0.018
    assert max(abs(offset) for offset in offsets) <= 0.010 + 1e-9


def test_the_set_points_of_a_phased_flick_pass_the_place_on_the_tick_of_the_release() -> None:
    """M3, M1: with no lead the set-point of the release tick is the place itself, at the speed asked for."""
    for angle in ANGLES[::8]:
        rig = thrown(angle, lead=0.0)
        order = rig.orders[rig.starts("let_go")[0]].axes["wrist"]
        assert order.position == pytest.approx(THROUGH, abs=SPEED * 1e-5)
        assert order.velocity == pytest.approx(SPEED, rel=1e-3)


def test_phasing_delays_the_start_by_less_than_a_tick() -> None:
    """M3: the flick starts to move before the tick after its start, and never jumps."""
    for angle in ANGLES[::8]:
        rig = thrown(angle)
        start = rig.points("wrist")[0]
        assert rig.points("wrist")[1] != start or rig.points("wrist")[2] != start
        steps = [b - a for a, b in zip(rig.points("wrist"), rig.points("wrist")[1:], strict=False)]
        assert max(abs(step) for step in steps) <= 7.0 * 0.02 + 1e-9


def test_a_flick_that_starts_in_motion_is_not_delayed() -> None:
    """M3, R29: waiting would be a jump for a moving axis, so only a flick from rest is phased."""
    rig = Rig(
        checked(
            hand(),
            move("m", {"wrist": 0.4}, limits=WRIST, profile="s_curve", until=BEAM),
            flick("f", 1.4, 5.0, 1.9, "m", limits=WRIST),
            pulse("let_go", {"roller": -6.0}, 0.14, passing={"step": "f"}),
        ),
        beam=lambda tick: tick >= 8,
    )
    rig.positions["wrist"] = -0.6
    rig.start()
    rig.run(60)
    assert rig.ends("m") == [(8, "done")]
    assert rig.orders[8].axes["wrist"].velocity > 0.5
    speeds = [one.axes["wrist"].velocity for one in rig.orders]
    points = rig.points("wrist")
    for tick in range(1, 40):
        mean = (speeds[tick] + speeds[tick - 1]) / 2.0
        assert points[tick] - points[tick - 1] == pytest.approx(mean * 0.02, abs=0.5 * 60.0 * 0.0004 / 4.0)
    assert rig.ends("let_go")[0][1] == "done"
    assert abs(release_offset(rig)) <= 0.010 + 1e-9


@pytest.mark.parametrize("lag", [0.02, 0.1, 0.25, 0.6])
def test_a_lag_may_last_beyond_the_end_of_the_step_that_passes(lag: float) -> None:
    """M1, M4: only a place that was never passed ends a dependent aborted; a long lag is waited for."""
    rig = Rig(
        checked(
            hand(),
            flick("f", THROUGH, SPEED, TO, limits=WRIST),
            pulse("let_go", {"roller": -6.0}, 0.14, passing={"step": "f", "lag": lag}),
        )
    )
    rig.positions["wrist"] = radians(-30.0)
    rig.start()
    rig.run(120)
    instant = flick_profile(State(radians(-30.0)), State(THROUGH, SPEED), TO, Limits(*WRIST[:2], WRIST[2])).marks[
        "through"
    ]
    (began,) = [event for event in rig.kinds("start") if event.step == "let_go"]
    assert began.now_ns * 1e-9 == pytest.approx(instant + lag, abs=0.0405)
    assert [end.text.split(":")[0] for end in rig.kinds("end") if end.step == "let_go"] == ["done"]
    assert rig.outcome()[1] == "done"
