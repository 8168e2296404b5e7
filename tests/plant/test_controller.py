"""The actuators' own loop: how strongly it answers, and how orders wait their turn."""

from __future__ import annotations

from math import sqrt

import pytest

from sequencer.plant.controller import FASTEST_LOOP, SLOWEST_LOOP, OrderLine, tuned
from sequencer.ports.orders import AxisOrder


def frequency_and_damping(answer, inertia: float, force_per_volt: float, damping: float) -> tuple[float, float]:
    """Natural frequency and damping ratio of m x'' + (D + G s) x' + G p x = 0."""
    frequency = sqrt(force_per_volt * answer.position / inertia)
    return frequency, (damping + force_per_volt * answer.speed) / (2.0 * frequency * inertia)


def test_the_loop_is_critically_damped_and_no_slower_than_the_slowest():
    answer = tuned(inertia=10.0, force_per_volt=130.0, damping=300.0, friction=0.0, tolerance=0.01)
    assert frequency_and_damping(answer, 10.0, 130.0, 300.0) == pytest.approx((SLOWEST_LOOP, 1.0))


def test_dry_friction_makes_it_stiffer_up_to_what_a_millisecond_can_hold():
    answer = tuned(inertia=10.0, force_per_volt=130.0, damping=300.0, friction=60.0, tolerance=0.005)
    frequency, _ = frequency_and_damping(answer, 10.0, 130.0, 300.0)
    assert SLOWEST_LOOP < frequency < FASTEST_LOOP
    assert 60.0 / (130.0 * answer.position) == pytest.approx(0.005 / 4.0)  # what friction leaves: a quarter
    stiff = tuned(inertia=10.0, force_per_volt=130.0, damping=300.0, friction=1e4, tolerance=0.005)
    assert frequency_and_damping(stiff, 10.0, 130.0, 300.0)[0] == pytest.approx(FASTEST_LOOP)


def test_a_spin_answers_to_speed_alone():
    answer = tuned(inertia=1e-3, force_per_volt=0.5, damping=0.01, friction=0.0, tolerance=None)
    assert answer.position == 0.0
    assert answer.speed > 0.0


def test_orders_are_taken_in_turn_and_the_latest_due_one_wins():
    line = OrderLine(30, AxisOrder("off"))
    for now in (0, 20, 40):
        line.put(AxisOrder("hold", float(now)), now)
    assert line.due == 30
    line.take(29)
    assert line.order.mode == "off"
    line.take(55)
    assert (line.order.position, line.since, line.due) == (20.0, 50, 70)
    line.drop(60)
    assert line.order.mode == "off"
    line.take(1000)
    assert line.order.mode == "off"  # what was on its way is lost
