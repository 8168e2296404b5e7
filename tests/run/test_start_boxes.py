"""Routines that may start in one of several boxes of positions: from anywhere that they were judged from (R51)."""

from __future__ import annotations

from typing import Any

import pytest
from rig import Rig, checked, machine, move, wait

LEFT, RIGHT = [[0, -0.01, 0.3], [1, -0.01, 1.0]], [[0, -0.01, 1.0], [1, 0.5, 1.0]]
"""An L: with the wrist below 0.5 the lift must be below 0.3."""


def home(*steps: Any, **fields: Any) -> Rig:
    return Rig(checked(machine(), *(steps or (wait("x", 1.0),)), name="home", starts=[LEFT, RIGHT], **fields))


@pytest.mark.parametrize(("lift", "wrist"), [(0.0, 0.0), (0.3, 0.2), (0.2, 0.9), (0.8, 0.6)])
def test_a_start_in_one_of_the_boxes_is_taken(lift: float, wrist: float) -> None:
    """R51."""
    rig = home()
    rig.positions |= {"lift": lift, "wrist": wrist}
    rig.start("home")
    rig.run(1)
    assert rig.starts("x") == [0]


@pytest.mark.parametrize(
    ("lift", "wrist", "words"),
    [
        (0.8, 0.2, "lift is at 0.8 m, 0.5 m outside"),
        (0.4, -0.1, "wrist is at -0.1 m, 0.6 m outside"),
        (0.2, -0.1, "wrist is at -0.1 m, 0.09 m outside"),
    ],
)
def test_another_start_is_refused_with_how_far_it_is_from_a_box(lift: float, wrist: float, words: str) -> None:
    """R51: the box is that which the fewest axes are off."""
    rig = home()
    rig.positions |= {"lift": lift, "wrist": wrist}
    rig.start("home")
    rig.run(1)
    assert rig.refusals() == [
        f"{words} where 'home' was judged from: something may be in the way there; jog it out first"
    ]


def test_a_moving_axis_is_taken_over_only_where_one_box_holds_all_that_is_occupied() -> None:
    """R44, R51: else it is stopped first."""
    for wrist, stops in ((0.6, False), (0.2, True)):
        on = machine()
        go = checked(on, move("m", {"lift": 1.0}), name="go")
        back = checked(on, move("n", {"lift": 0.1}), name="back", starts=[LEFT, RIGHT])
        rig = Rig(go, back)
        rig.positions["wrist"] = wrist
        rig.start("go")
        rig.run(25)
        rig.start("back", preempt=True)
        rig.run(60)
        if stops:
            assert rig.starts("n") == []
            assert "was judged from" in rig.refusals()[0]
        else:
            assert rig.starts("n") == [25]
