"""Motor-limited motions against two oracles of the optimum, and the laws that they must keep."""

from __future__ import annotations

from math import cos, inf, pi, sqrt

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq, minimize

from profiles import Envelope, GoalOutsideLimits, Infeasible, InvalidInput, Limits, State, motor_limited, trapezoid
from profiles.motor_limited import SLOWER

LIFT = Envelope(
    inertia=12.0, stall_force=600.0, drag=250.0, most_force=260.0, coulomb=18.0, viscous=10.0, loss=0.12, constant=30.0
)
WRIST = Envelope(inertia=0.3, stall_force=60.0, drag=5.0, most_force=30.0, coulomb=1.0, loss=0.1, cosine=7.0, angle=0.3)
PLAIN = Envelope(inertia=2.0, stall_force=10.0, drag=4.0)
SLOW_LIFT = LIFT.scaled(Limits(1.0, 40.0))

WAYS = [
    (LIFT, 0.0, 1.0),
    (LIFT, 1.0, 0.0),
    (LIFT, 0.2, 0.25),
    (SLOW_LIFT, 0.0, 1.0),
    (WRIST, -1.5, 1.6),
    (WRIST, 1.6, -1.5),
    (WRIST, 0.2, 0.9),
    (PLAIN, 0.0, 3.0),
]


def bounds(envelope: Envelope, place: float, speed: float, sense: float) -> tuple[float, float]:
    """Greatest deceleration and acceleration in the sense of motion, written anew from the equation of motion."""
    most = min(envelope.most_force, envelope.stall_force - envelope.drag * speed)
    least = min(envelope.most_force, envelope.stall_force + envelope.drag * speed)
    hindering = envelope.coulomb + envelope.viscous * speed
    weight = sense * (envelope.constant + envelope.cosine * cos(place + envelope.angle))
    up = (most - envelope.loss * abs(most) - hindering - weight) / envelope.inertia
    down = (least + envelope.loss * least + hindering + weight) / envelope.inertia
    if envelope.limits is not None:
        low, high = envelope.limits.acceleration
        up, down = (min(up, high), min(down, -low)) if sense > 0.0 else (min(up, -low), min(down, high))
    return down, up


def phase_plane(envelope: Envelope, start: float, goal: float) -> float:
    """Time of the optimum: rise and fall integrated by an adaptive method of order 8, met where they cross."""
    way, sense = abs(goal - start), 1.0 if goal > start else -1.0
    top = inf if envelope.limits is None else envelope.limits.velocity[1]

    def rise(x, z):
        return [bounds(envelope, start + sense * x, sqrt(max(2.0 * z[0], 0.0)), sense)[1]]

    def fall(x, z):
        return [bounds(envelope, goal - sense * x, sqrt(max(2.0 * z[0], 0.0)), sense)[0]]

    options = {"method": "DOP853", "rtol": 1e-10, "atol": 1e-14, "dense_output": True, "max_step": way / 50.0}
    up = solve_ivp(rise, (0.0, way), [0.0], **options).sol
    down = solve_ivp(fall, (0.0, way), [0.0], **options).sol
    meet = brentq(lambda x: up(x)[0] - down(way - x)[0], 1e-9 * way, way)

    def speed(x):
        z = up(x)[0] if x < meet else down(way - x)[0]
        return min(sqrt(2.0 * max(z, 1e-300)), top)

    # x = w^2 from either end takes away the poles of 1/v
    first = quad(lambda w: 2.0 * w / speed(w * w), 0.0, sqrt(meet), limit=400)[0]
    second = quad(lambda w: 2.0 * w / speed(way - w * w), 0.0, sqrt(way - meet), limit=400)[0]
    return first + second


def transcription(envelope: Envelope, start: float, goal: float, pieces: int = 40) -> float:
    """The optimum of a direct transcription: speeds at nodes, accelerations between them within their bounds."""
    sense = 1.0 if goal > start else -1.0
    shares = 0.5 * (1.0 - np.cos(np.linspace(0.0, pi, pieces + 1)))
    places = start + (goal - start) * shares
    steps = np.abs(np.diff(places))
    centres = 0.5 * (places[1:] + places[:-1])
    top = 50.0 if envelope.limits is None else envelope.limits.velocity[1]

    def speeds(inner):
        return np.concatenate([[0.0], inner, [0.0]])

    def duration(inner):
        v = speeds(inner)
        return float(np.sum(2.0 * steps / (v[1:] + v[:-1])))

    def room(inner):
        v = speeds(inner)
        rates = (v[1:] ** 2 - v[:-1] ** 2) / (2.0 * steps)
        means = np.sqrt(0.5 * (v[1:] ** 2 + v[:-1] ** 2))
        limits = np.array([bounds(envelope, x, m, sense) for x, m in zip(centres, means, strict=True)])
        return np.concatenate([limits[:, 1] - rates, limits[:, 0] + rates])

    guess = 0.3 * np.sqrt(steps.sum()) * np.sin(np.linspace(0.0, pi, pieces + 1))[1:-1] + 1e-3
    found = minimize(
        duration,
        guess,
        method="SLSQP",
        bounds=[(1e-4, top)] * (pieces - 1),
        constraints=[{"type": "ineq", "fun": room}],
        options={"maxiter": 400, "ftol": 1e-9},
    )
    assert found.success, found.message
    return float(found.fun)


@pytest.mark.parametrize(("envelope", "start", "goal"), WAYS)
def test_it_is_within_its_share_of_the_optimum_in_the_phase_plane(envelope, start, goal):
    best = phase_plane(envelope, start, goal)
    found = motor_limited(start, goal, envelope).duration
    assert best * (1.0 - 1e-6) <= found <= best * (1.0 + SLOWER)


@pytest.mark.parametrize(("envelope", "start", "goal"), WAYS[:1] + WAYS[3:6])
def test_it_is_within_a_hundredth_of_a_direct_transcription(envelope, start, goal):
    found = motor_limited(start, goal, envelope).duration
    assert found == pytest.approx(transcription(envelope, start, goal), rel=0.01)


@pytest.mark.parametrize(("envelope", "start", "goal"), WAYS)
def test_the_motors_can_give_its_acceleration_at_every_instant(envelope, start, goal):
    profile = motor_limited(start, goal, envelope)
    sense = 1.0 if goal > start else -1.0
    for step in range(1, 4000):
        position, velocity, acceleration = profile.at(profile.duration * step / 4000.0)
        low, high = envelope.accelerations(position, velocity, sense)
        slack = 1e-3 * (high - low)  # inside a piece the load bends a little
        assert low - slack <= acceleration <= high + slack
        assert sense * velocity >= -1e-9
        assert abs(velocity) <= envelope.fastest(sense) * (1.0 + 1e-12)


def test_without_drag_and_load_it_is_a_trapezoid():
    limits = Limits(1.5, (-4.0, 4.0))
    free = Envelope(inertia=2.0, stall_force=100.0, drag=0.0, most_force=8.0, limits=Limits(1.5, 100.0))
    for distance in (0.1, 1.0, 5.0):
        expected = trapezoid(0.0, distance, limits).duration
        assert motor_limited(0.0, distance, free).duration == pytest.approx(expected, rel=2e-3)


@settings(max_examples=40, deadline=None)
@example(inertia=1.0, speed=0.5, push=13.0, weight=0.0, way=5.0, share=1.0)
@given(
    inertia=st.floats(0.1, 50.0),
    speed=st.floats(0.5, 8.0),
    push=st.floats(1.0, 40.0),
    weight=st.floats(-0.5, 0.5),
    way=st.floats(1e-3, 5.0),
    share=st.floats(0.2, 1.0),
)
def test_laws_of_motor_limited_motions(inertia, speed, push, weight, way, share):
    """It ends at its goal; mirrored loads mirror it; weaker motors and slower limits never make it faster."""
    stall = inertia * push
    envelope = Envelope(inertia, stall, stall / speed, most_force=0.9 * stall, constant=0.4 * weight * stall)
    profile = motor_limited(0.0, way, envelope)
    assert profile.at(profile.duration) == State(way, 0.0, 0.0)
    mirrored = Envelope(inertia, stall, stall / speed, most_force=0.9 * stall, constant=-0.4 * weight * stall)
    assert motor_limited(0.0, -way, mirrored).duration == pytest.approx(profile.duration, rel=1e-9)
    weaker = Envelope(inertia, stall, stall / speed, most_force=0.6 * stall, constant=0.4 * weight * stall)
    assert motor_limited(0.0, way, weaker).duration >= profile.duration * (1.0 - 1e-9)
    top = share * profile.extremes().highest_velocity
    slowed = envelope.scaled(Limits(top, 1e6))
    assert motor_limited(0.0, way, slowed).duration >= profile.duration * (1.0 - 1e-9)


@pytest.mark.parametrize("velocity", [0.8, -0.8, 2.0])
def test_a_moving_start_goes_on_or_is_brought_to_rest_first(velocity):
    profile = motor_limited(State(0.2, velocity), 0.9, LIFT)
    assert profile.at(0.0)[:2] == (0.2, velocity)
    assert profile.at(profile.duration) == State(0.9, 0.0, 0.0)
    reached = profile.extremes()
    assert (reached.lowest_position < 0.2) == (velocity < 0.0)
    assert reached.highest_position <= 0.9 + 1e-9


def test_a_start_too_fast_to_stop_comes_back():
    profile = motor_limited(State(0.85, 2.0), 0.9, LIFT)
    assert profile.extremes().highest_position > 0.9
    assert profile.at(profile.duration) == State(0.9, 0.0, 0.0)


def test_planned_anew_on_the_way_it_arrives_at_the_same_instant():
    profile = motor_limited(0.0, 1.0, LIFT)
    for share in (0.2, 0.5, 0.8):
        left = motor_limited(profile.at(share * profile.duration), 1.0, LIFT).duration
        assert left + share * profile.duration == pytest.approx(profile.duration, rel=0.01)


def test_what_motors_cannot_do_is_told():
    weak = Envelope(inertia=10.0, stall_force=60.0, drag=20.0, constant=98.0)
    with pytest.raises(Infeasible, match=r"the motors cannot move the axis at .*there they accelerate it by"):
        motor_limited(0.0, 1.0, weak)
    with pytest.raises(Infeasible, match="the motors cannot stop the axis at"):
        motor_limited(1.0, 0.0, weak)
    with pytest.raises(GoalOutsideLimits, match="a motor-limited motion ends at rest"):
        motor_limited(0.0, State(1.0, 0.5), LIFT)


@pytest.mark.parametrize(
    ("name", "value"),
    [("inertia", 0.0), ("stall_force", -1.0), ("drag", -1.0), ("loss", 1.0), ("coulomb", float("nan"))],
)
def test_impossible_envelopes_are_refused(name, value):
    with pytest.raises(InvalidInput, match=name):
        Envelope(**{"inertia": 1.0, "stall_force": 1.0, "drag": 1.0, name: value})
