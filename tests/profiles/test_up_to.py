"""A motion that is broken off on its way."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from profiles import Limits, State, s_curve
from profiles.errors import InvalidInput

LIMITS = Limits(1.0, 4.0, 30.0)


@given(share=st.floats(0.0, 1.2), goal=st.floats(-3.0, 3.0), speed=st.floats(-0.9, 0.9))
def test_a_motion_broken_off_is_the_same_until_then(share: float, goal: float, speed: float) -> None:
    whole = s_curve(State(0.0, speed), State(goal), LIMITS)
    time = share * whole.duration
    part = whole.up_to(time)
    assert part.duration == pytest.approx(min(time, whole.duration))
    assert part.goal == whole.at(min(time, whole.duration))
    for number in range(11):
        instant = 0.1 * number * part.duration
        assert part.at(instant) == pytest.approx(whole.at(instant), abs=1e-12)


def test_what_follows_may_start_in_the_state_at_which_it_was_broken_off() -> None:
    part = s_curve(State(0.0), State(2.0), LIMITS).up_to(0.7)
    onward = s_curve(part.goal, State(-1.0), LIMITS)
    assert part.followed_by(onward).goal == State(-1.0)
    assert part.followed_by(onward).at(0.7) == pytest.approx(part.goal)


def test_marks_to_come_are_left_out_and_a_time_that_is_none_is_refused() -> None:
    first = s_curve(State(0.0), State(1.0), LIMITS)
    marked = first.followed_by(s_curve(State(1.0), State(0.0), LIMITS), mark="turn")
    assert dict(marked.up_to(0.5 * first.duration).marks) == {}
    assert dict(marked.up_to(1.5 * first.duration).marks) == {"turn": first.duration}
    with pytest.raises(InvalidInput):
        first.up_to(float("nan"))
