"""Scenarios of clearance as the supervisor meets them (kinds of faults from public threads, numbers our own: see
tests/cases/clearance.json)."""

from __future__ import annotations

import json
from math import nextafter
from pathlib import Path
from random import Random
from typing import Any

import pytest
from rig import JERKY, LIMITS, Rig, axis, checked, keep_out, machine, move

from profiles import Limits
from sequencer.run.stopping_way import way_to_stop

CASES = {
    case["id"]: case["numbers"]
    for case in json.loads((Path(__file__).parents[1] / "cases" / "clearance.json").read_text(encoding="utf-8"))
}
BEAM = ["holds", "beam"]
BOX = keep_out("box", [0, 0.4, 0.6], [1, 0.4, 0.6])
ERROR = 0.01
"""The tracking band of the rig's axes [m]: those without a following tolerance go by that of their position."""


def two(*keep_outs: Any, limits: Any = LIMITS) -> Any:
    return machine(
        [axis("lift", limits=limits), axis("wrist", limits=limits), axis("roller", "spin")], keep_outs=list(keep_outs)
    )


def test_an_axis_parked_at_a_keep_out_is_outside_with_its_error_and_a_last_digit() -> None:
    """C15: the supervisor keeps to boxes that are larger by the error and a pad, so that no rounding decides."""
    numbers, source = CASES["C15"], Random(15)
    assert numbers["error"] == ERROR
    box = keep_out("box", [0, numbers["edge"], 0.6], [1, 0.3, 3.0])
    for _ in range(40):
        limits = source.choice([LIMITS, JERKY])
        profile = "trapezoid" if limits is LIMITS else "s_curve"
        rig = Rig(checked(two(box, limits=limits), move("m", {"lift": 1.5}, limits=limits, profile=profile)))
        rig.positions |= {"lift": source.uniform(-1.0, 0.3), "wrist": 1.0}
        rig.start()
        rig.run(150)
        parked = max(rig.points())
        assert parked == pytest.approx(numbers["edge"] - ERROR, abs=1e-6)
        assert nextafter(parked + ERROR, 1.0) < numbers["edge"]


@pytest.mark.parametrize(("place", "out"), [(0.42, -0.1), (0.5, 0.1), (0.58, 0.1)])
def test_a_machine_that_stands_in_a_keep_out_is_told_at_once_and_only_let_out(place: float, out: float) -> None:
    """C17: nothing starts from inside; by hand, and slowly, it gets out the near way and no deeper in; no start is made
    up."""
    rig = Rig(checked(two(BOX), move("m", {"lift": 1.0, "wrist": 1.0})))
    rig.positions |= {"lift": place, "wrist": 0.5}
    rig.start()
    rig.run(3)
    (refused,) = rig.kinds("refused")
    assert refused.text == "the machine stands in box; jog it out first"
    assert (rig.positions["lift"], rig.positions["wrist"]) == (place, 0.5)
    if place != 0.5:
        for _ in range(40):
            rig.runner.jog("lift", -out)
            rig.run(1)
        assert rig.positions["lift"] == place, "deeper"
        rig.run(40)
    for _ in range(300):
        rig.runner.jog("lift", out)
        rig.run(1)
    assert not 0.4 - ERROR <= rig.positions["lift"] <= 0.6 + ERROR
    assert max(abs(one.axes["lift"].velocity) for one in rig.orders) <= 0.1 + 1e-9
    assert set(rig.points("wrist")) == {0.5}


def test_of_two_goals_in_a_keep_out_the_first_axis_gets_in_and_the_other_is_named() -> None:
    """C18: run although no check would have passed it: the second axis parks before the box and says what holds it."""
    rig = Rig(checked(two(BOX), move("m", {"lift": 0.5, "wrist": 0.5}, timeout=6.0)))
    rig.start()
    rig.run(250)
    assert rig.positions["lift"] == pytest.approx(0.5, abs=1e-9)
    assert rig.positions["wrist"] == pytest.approx(0.39, abs=1e-6)
    assert rig.positions["wrist"] < 0.39
    assert rig.runner.status().held == (("wrist", "box"),)


@pytest.mark.parametrize("limits", [[[-1.2, 1.2], [-6.0, 6.0], None], [[-1.2, 1.2], [-6.0, 6.0], 200.0]])
def test_a_goal_that_turns_round_in_mid_motion_counts_with_its_overshoot(limits: Any) -> None:
    """C20: going up at 1.2 m/s when the goal changes downward, the axis first goes on by v^2/(2a) = 0.12 m and more;
    wherever a keep-out begins, it is not entered by that."""
    numbers = CASES["C20"]
    assert limits[0][1] == numbers["speed"]
    profile = "trapezoid" if limits[2] is None else "s_curve"

    def run(edge: float) -> Rig:
        box = keep_out("above", [0, edge, 3.0], [1, 0.3, 3.0])
        steps = (
            move("up", {"lift": 2.0}, until=BEAM, limits=limits, profile=profile),
            move("down", {"lift": 0.0}, "up", limits=limits, profile=profile),
        )
        rig = Rig(checked(two(box, limits=limits), *steps), beam=lambda tick: tick >= 45)
        rig.positions["wrist"] = 1.0
        rig.start()
        rig.run(45)
        return rig

    free = run(2.5)
    turned, speed = free.points()[-1], free.orders[-1].axes["lift"].velocity
    assert speed == pytest.approx(numbers["speed"])
    free.run(120)
    assert max(free.points()) >= turned + numbers["overshoot"]
    assert free.outcome()[1] == "done"
    for before in (0.0, 0.02, 0.06, 0.1, 0.12, 0.14, 0.2, 0.3):
        held = run(turned + before)
        held.run(160)
        assert max(held.points()) <= turned + before - ERROR
        assert held.outcome()[1] == "done"


@pytest.mark.parametrize("edge", [1.2, 1.37, 1.5])
def test_the_way_to_stop_counts_the_jerk_limit_and_what_is_still_accelerating(edge: float) -> None:
    """C41: 0.270 m without a limit on jerk, 0.360 m with it, 0.673 m in mid acceleration; at every tick the supervisor
    keeps that much free, and the axis stops before the keep-out."""
    numbers = CASES["C41"]
    speed, hardest, jerk = numbers["speed"], numbers["acceleration"], numbers["jerk"]
    limits = Limits(10.0, hardest, jerk)
    found = [
        way_to_stop(speed, 0.0, Limits(10.0, hardest))[1],
        way_to_stop(speed, 0.0, limits)[1],
        way_to_stop(speed, hardest, limits)[1],
    ]
    assert found == pytest.approx(numbers["travels"], abs=1e-3)
    fast = [[-speed, speed], [-hardest, hardest], jerk]
    box = keep_out("ahead", [0, edge, 3.0], [1, 0.3, 3.0])
    rig = Rig(checked(two(box, limits=fast), move("m", {"lift": 2.8}, limits=fast, profile="s_curve", timeout=3.0)))
    rig.positions["wrist"] = 1.0
    rig.start()
    rig.run(150)
    assert max(rig.points()) == pytest.approx(edge - ERROR, abs=1e-6)
    assert max(rig.points()) < edge - ERROR
    fastest = max(one.axes["lift"].velocity for one in rig.orders)
    assert fastest == pytest.approx(speed)
    last = max(number for number, one in enumerate(rig.orders) if one.axes["lift"].velocity > speed - 1e-6)
    assert edge - ERROR - rig.points()[last] >= found[1] - 1e-6
