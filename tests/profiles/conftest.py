"""Problems for the tests of profiles: random ones, and the rows of the case file."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from profiles import Limits, State

CASES = Path(__file__).parents[1] / "cases"


class Problem(NamedTuple):
    """Start, goal and limits of one motion."""

    start: State
    goal: State
    limits: Limits


def random_problem(source: random.Random, inside: bool) -> Problem:
    """A problem near unit scale; `inside` keeps the start inside the limits and not bound to leave them."""
    vmax = source.uniform(0.1, 4.0)
    vmin = -source.uniform(0.1, 4.0) if source.random() < 0.5 else -vmax
    amax = source.uniform(0.1, 4.0)
    amin = -source.uniform(0.1, 4.0) if source.random() < 0.5 else -amax
    jerk = source.uniform(0.1, 8.0)
    while True:
        velocity = source.uniform(vmin, vmax)
        acceleration = source.uniform(amin, amax) if source.random() < 0.8 else 0.0
        if not inside:
            velocity, acceleration = 1.7 * velocity, 1.7 * acceleration
            break
        if vmin <= velocity + acceleration * abs(acceleration) / (2.0 * jerk) <= vmax:
            break
    goal_velocity = source.uniform(vmin, vmax) if source.random() < 0.7 else 0.0
    limits = Limits((vmin, vmax), (amin, amax), jerk)
    return Problem(State(0.0, velocity, acceleration), State(source.uniform(-6.0, 6.0), goal_velocity), limits)


def plain_number_problem(source: random.Random) -> Problem:
    """A problem from few simple numbers, where several limits are often just touched at once."""
    numbers = (0.0, 0.0, 0.25, 0.5, 1.0, 2.0, 4.0)

    def signed() -> float:
        return source.choice((-1.0, 1.0)) * source.choice(numbers)

    vmax, amax, jerk = (source.choice(numbers[2:]) for _ in range(3))
    vmin = -source.choice(numbers[2:]) if source.random() < 0.5 else -vmax
    amin = -source.choice(numbers[2:]) if source.random() < 0.5 else -amax
    goal_velocity = min(max(signed(), vmin), vmax)
    distance = signed() * source.choice((1.0, 1.0 / 3.0, 1.0 / 6.0, 1e-9))
    return Problem(
        State(0.0, signed(), signed()), State(distance, goal_velocity), Limits((vmin, vmax), (amin, amax), jerk)
    )


def scaled_problem(problem: Problem, length: float, time: float) -> Problem:
    """The same problem in other units: lengths times `length`, times times `time`; a negative length mirrors it."""
    speed = length / time
    rate = speed / time

    def scaled(state: State) -> State:
        return State(state.position * length, state.velocity * speed, state.acceleration * rate)

    (vmin, vmax), (amin, amax) = problem.limits.velocity, problem.limits.acceleration
    jerk = problem.limits.jerk
    velocities = sorted((vmin * speed, vmax * speed))
    accelerations = sorted((amin * rate, amax * rate))
    limits = Limits(
        (velocities[0], velocities[1]),
        (accelerations[0], accelerations[1]),
        None if jerk is None else jerk * abs(rate) / time,
    )
    return Problem(scaled(problem.start), scaled(problem.goal), limits)


def problem_of_row(numbers: dict[str, Any]) -> Problem:
    """The problem of the "input" of a row; what it leaves out is 0, and lower limits mirror the upper ones."""
    get = numbers.get
    vmax, amax = get("vmax", 1.0), get("amax", 1.0)
    return Problem(
        State(get("p0", 0.0), get("v0", 0.0), get("a0", 0.0)),
        State(get("p1", 0.0), get("v1", 0.0), get("a1", 0.0)),
        Limits((get("vmin", -vmax), vmax), (get("amin", -amax), amax), get("jmax", 1.0)),
    )


def rows_of(kind: str) -> list[Any]:
    """The rows of cases/profiles.json of one type, as parameters with their id; what is refused is of type error."""
    rows = json.loads((CASES / "profiles.json").read_text(encoding="utf-8"))
    return [pytest.param(row, id=row["id"]) for row in rows if type_of(row) == kind]


def type_of(row: dict[str, Any]) -> str:
    refused = "error" in row["expect"] or row["input"].get("a1", 0.0) != 0.0
    return "error" if refused else str(row["type"])


ROW_FIXTURES = {
    "jerk_limited_row": "jerk_limited",
    "trapezoid_row": "trapezoid",
    "stop_row": "stop",
    "retarget_row": "retarget",
    "error_row": "error",
    "sampling_row": "sampling",
    "sync_row": "sync",
}


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """A test that asks for a kind of row runs once for each row of that kind."""
    for name, kind in ROW_FIXTURES.items():
        if name in metafunc.fixturenames:
            metafunc.parametrize(name, rows_of(kind))


@pytest.fixture(scope="session")
def to_problem() -> Callable[[dict[str, Any]], Problem]:
    return problem_of_row


@pytest.fixture(scope="session")
def make_problem() -> Callable[[random.Random, bool], Problem]:
    return random_problem


@pytest.fixture(scope="session")
def make_plain_problem() -> Callable[[random.Random], Problem]:
    return plain_number_problem


@pytest.fixture(scope="session")
def scale() -> Callable[[Problem, float, float], Problem]:
    return scaled_problem


@pytest.fixture(scope="session")
def published() -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = json.loads((CASES / "published_profiles.json").read_text(encoding="utf-8"))
    return rows
