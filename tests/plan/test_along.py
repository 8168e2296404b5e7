"""Motions along a way: unbroken, inside the box of each leg, and no later than the runner is."""

from __future__ import annotations

from random import Random

import pytest

from profiles import Limits, Profile, State, stop
from sequencer.machine.axis import Axis, Tolerance
from sequencer.machine.machine import Machine
from sequencer.plan.along import along
from sequencer.routine.way_table import Leg, WayTable

LIMITS = Limits(1.0, 4.0, 40.0)
AXES = {name: Axis(name, "linear", LIMITS, (0.0, 10.0), tolerance=Tolerance(0.01)) for name in ("across", "up")}
MACHINE = Machine("rooms", AXES)
LEFT = Leg((1.0, 9.5), (0.0, 0.0), (4.0, 10.0))
TOP = Leg((8.0, 9.5), (0.0, 9.0), (10.0, 10.0))
RIGHT = Leg((8.0, 1.0), (6.0, 0.0), (10.0, 10.0))
ROOMS = WayTable(
    ("across", "up"),
    {"across": 8.0, "up": 1.0},
    (RIGHT, TOP, LEFT),
    (-1, 0, 1),
    (0.0, 8.5, 15.5),
    (1.0, 1.0),
    40.0,
    1.0,
)


def gone(across: float, up: float) -> tuple[dict[str, Profile], tuple[Leg, ...]]:
    legs = ROOMS.way((across, up), (across, up), lambda low, high: False)
    starts = {"across": State(across), "up": State(up)}
    return along(MACHINE, ROOMS, legs, starts, dict.fromkeys(AXES, LIMITS)), legs


@pytest.mark.parametrize("seed", range(20))
def test_all_that_is_occupied_lies_in_one_box_at_every_instant(seed: int) -> None:
    """R47: the way to rest included, so a hold at any time changes nothing."""
    source = Random(seed)
    profiles, legs = gone(source.uniform(0.0, 4.0), source.uniform(0.0, 10.0))
    longest = max(profile.duration for profile in profiles.values())
    for tick in range(round(longest / 0.005)):
        low, high = [], []
        for name in ("across", "up"):
            state = profiles[name].at(0.005 * tick)
            rest = stop(state, LIMITS).goal.position
            low.append(min(state.position, rest))
            high.append(max(state.position, rest))
        assert any(leg.holds(low, high) for leg in legs), (seed, 0.005 * tick, low, high)
    assert profiles["across"].goal == State(8.0)
    assert profiles["up"].goal == State(1.0)


def test_it_goes_on_without_a_stop_where_the_next_box_has_opened() -> None:
    """Up the left room, over the top as soon as that is reached, and down again before the right end is."""
    profiles, legs = gone(1.0, 1.0)
    assert len(legs) == 3
    stopped = 8.5 / 1.0 + 7.0 / 1.0 + 8.5 / 1.0
    assert max(profile.duration for profile in profiles.values()) < stopped
    over = profiles["across"].first_time_at(1.001)
    assert over is not None
    assert profiles["up"].at(over).velocity > 0.0
    down = profiles["across"].first_time_at(7.9)
    assert down is not None
    assert profiles["up"].at(down).velocity < 0.0


def test_a_way_of_one_leg_is_the_motion_itself() -> None:
    profiles, legs = gone(7.0, 5.0)
    assert len(legs) == 1
    assert profiles["across"].duration < profiles["up"].duration
    assert all(len(profile.segments) <= 7 for profile in profiles.values())
