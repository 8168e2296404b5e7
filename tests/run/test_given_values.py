"""What a request gives a run: goals, parameters and speed, and when each is read."""

from __future__ import annotations

from typing import Any

import pytest
from rig import (
    Rig,
    checked,
    machine,
    move,
    number_parameter,
    pulse,
    repeat,
    started,
    wait,
)

from sequencer.errors import RequestRefused
from sequencer.run import Runner


def test_a_goal_is_read_once_at_activation() -> None:
    """R25: C54: h is 1.0 at activation and 0.2 from tick 10: the move ends at 1.0, the next activation goes to 0.2."""
    from rig import sensor

    on = machine(more_sensors=[sensor("h", "number")])
    rig = started(
        checked(on, repeat("loop", [move("m", {"lift": ["reading", "h", 0.0, 1.2]})], 2)),
        h=lambda tick: 1.0 if tick < 10 else 0.2,
        ticks=170,
    )
    first = rig.ends("m")[0][0]
    assert rig.points()[first] == pytest.approx(1.0, abs=1e-9)
    assert rig.points()[-1] == 0.2
    assert rig.outcome()[1] == "done"


def test_parameters_of_a_request_are_copied() -> None:
    """R25: a caller that changes its dictionary afterwards changes nothing."""
    routine = checked(
        machine(), move("m", {"lift": ["at", ["parameter", "h"]]}), parameters=[number_parameter("h", 0.1)]
    )
    rig = Rig(routine)
    given = {"h": 0.5}
    rig.start(parameters=given)
    given["h"] = 2.0
    rig.run(80)
    assert rig.points()[-1] == 0.5


def test_a_lead_is_read_when_the_watched_step_is_activated() -> None:
    """R25: the lead from a parameter, in seconds."""
    routine = checked(
        machine(),
        move("m", {"lift": 2.0}),
        pulse("p", {"lamp": True}, 0.02, passing={"step": "m", "at": 1.0, "lead": ["parameter", "early"]}),
        parameters=[number_parameter("early", 0.0, 0.0, 1.0)],
    )
    ticks = []
    for early in (0.0, 0.2):
        rig = Rig(routine)
        rig.start(parameters={"early": early})
        rig.run(150)
        ticks.append(rig.starts("p")[0])
    assert ticks[0] - ticks[1] == 10


@pytest.mark.parametrize(
    ("parameters", "words"),
    [
        ({"hh": 1.0}, "no parameter 'hh'; did you mean 'h'"),
        ({"h": 11.0}, "h is 11; allowed are -10 to 10"),
        ({"h": float("nan")}, "h is nan; allowed are -10 to 10"),
        ({"h": True}, "h is True; allowed are -10 to 10"),
        ({"h": "1"}, "h is '1'; allowed are -10 to 10"),
    ],
)
def test_a_parameter_outside_its_range_is_refused(parameters: dict[str, Any], words: str) -> None:
    """R39: what of it the runner sees: unknown names and values outside the range are refused at the request."""
    routine = checked(
        machine(), move("m", {"lift": ["at", ["parameter", "h"]]}), parameters=[number_parameter("h", 0.1)]
    )
    with pytest.raises(RequestRefused) as caught:
        Runner(routine).request("r", parameters)
    assert words in str(caught.value)


@pytest.mark.parametrize("speed", [0.0, -1.0, 1.01, float("nan"), 1e-300, 0.00099])
def test_a_speed_outside_its_range_is_refused(speed: float) -> None:
    """R39: speed is in (0, 1], and no less than a thousandth, which is a mistake."""
    with pytest.raises(RequestRefused, match=r"from 0\.001 to 1"):
        Runner(checked(machine(), wait("A", 0.1))).request("r", speed=speed)


def test_an_unknown_routine_is_refused_with_the_nearest_name() -> None:
    """R39: an unknown name is an error with the nearest right name."""
    with pytest.raises(RequestRefused, match="unknown routine 'hang_rigde'; did you mean 'hang_ridge'"):
        Runner(checked(machine(), wait("A", 0.1), name="hang_ridge")).request("hang_rigde")


def test_speed_lowers_the_limits_of_a_whole_run() -> None:
    """R49: at half speed a cruise is half as fast."""
    rig = Rig(checked(machine(), move("m", {"lift": 2.0})))
    rig.start(speed=0.5)
    rig.run(300)
    assert max(one.axes["lift"].velocity for one in rig.orders) == pytest.approx(0.5)
    assert rig.outcome()[1] == "done"
