"""Feedforward volts and the cosine behind them. SEMANTICS R2; NUMERICS on orders that agree on every platform."""

from __future__ import annotations

from math import cos, pi

import pytest
from rig import axis, checked, machine, move, started

from sequencer.run.feedforward import cosine, feedforward

TABLE = {"constant": 0.5, "cosine": 2.0, "angle": 0.25, "coulomb": 0.3, "velocity": 1.5, "acceleration": 0.125}


def test_the_cosine_is_that_of_the_standard_library() -> None:
    """R2: within 1e-11 below 1e3 rad, by math.cos of the C library; at the edges of its quarter turns too."""
    angles = [0.001 * number * number / 1.7 for number in range(1, 1_300)]
    edges = [quarter * pi / 2.0 + off for quarter in range(12) for off in (-1e-9, 0.0, 1e-9)]
    for angle in (*angles, *edges, 0.0, 999.9):
        assert cosine(angle) == pytest.approx(cos(angle), abs=1e-11)
        assert cosine(-angle) == cosine(angle)
    assert cosine(20_000.5) == pytest.approx(cos(20_000.5), abs=1e-9)


@pytest.mark.parametrize(
    ("velocity", "acceleration", "volts"),
    [
        (0.8, -2.0, 0.5 + 1.2 - 0.25 + 0.3),
        (-0.8, 2.0, 0.5 - 1.2 + 0.25 - 0.3),
        (0.0, 4.0, 0.5 + 0.5),  # no friction while it stands
        (1e-9, 0.0, 0.5 + 0.3 + 1.5e-9),
        (-1e-9, 0.0, 0.5 - 0.3 - 1.5e-9),
    ],
)
def test_volts_are_the_sum_of_what_the_table_says(velocity: float, acceleration: float, volts: float) -> None:
    """Constant, friction by the sign of the speed, speed, acceleration; and the weight by the angle of the arm."""
    flat = {**TABLE, "cosine": 0.0}
    assert feedforward(flat, 0.7, velocity, acceleration) == pytest.approx(volts, abs=1e-15)
    weight = 2.0 * cos(0.7 + 0.25)
    assert feedforward(TABLE, 0.7, velocity, acceleration) == pytest.approx(volts + weight, abs=1e-12)
    assert feedforward(None, 0.7, velocity, acceleration) == 0.0


def test_orders_carry_the_volts_of_their_own_set_point() -> None:
    """R52: moving, and holding with no speed; in the axis' own coordinates."""
    on = machine([axis("lift", feedforward=TABLE), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 1.0})), ticks=90)
    for tick in (0, 10, 40, 60, 89):
        order = rig.orders[tick].axes["lift"]
        friction = 0.3 if order.velocity > 0.0 else 0.0
        expected = 0.5 + 1.5 * order.velocity + 0.125 * order.acceleration + friction
        assert order.volts == pytest.approx(expected + 2.0 * cos(order.position + 0.25), abs=1e-11)
    assert rig.orders[-1].axes["wrist"].volts == 0.0
