"""Zeroing and jogging: SEMANTICS R42, R44."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from rig import Rig, axis, checked, keep_out, machine, move, started, wait

from sequencer.errors import RequestRefused
from sequencer.ports.readings import AxisReading, Parts

BEAM = ["holds", "beam"]
ZERO = {"speed": -0.1, "until": BEAM, "then": 0.0, "once": [">", "wrist", 0.5]}


def lost(**changes: Any) -> Rig:
    """A lift that is truly at 0.3 and reads 1.3, not zeroed; its switch is at 0.0."""
    on = machine([axis("lift", zero=ZERO), axis("wrist"), axis("roller", "spin")], **changes)
    rig = Rig(checked(on, move("m", {"lift": 0.5})))
    rig.positions |= {"lift": 1.3, "wrist": 1.0}
    rig.readings["lift"] = lambda tick: AxisReading(rig.positions["lift"], rig.speeds["lift"], 0.0, zeroed=False)
    rig.sensors["beam"] = lambda tick: rig.positions["lift"] <= 1.0
    return rig


def test_an_axis_that_is_not_zeroed_accepts_zero_and_slow_jogging_alone() -> None:
    """R42: a move is refused by the axis; a fast jog is refused, a slow one moves it."""
    rig = lost()
    rig.run(2)
    assert rig.runner.status().not_zeroed == (("lift", "its gauge says so"),)
    rig.start()
    rig.run(2)
    assert rig.refusals() == ["lift is not zeroed"]
    assert not next(one for one in rig.runner.allowed() if one.request == "r").taken
    rig.runner.jog("lift", 0.5)
    rig.run(1)
    assert rig.refusals()[1:] == ["0.5 m/s is outside -0.1 m/s to 0.1 m/s, because lift is not zeroed"]
    for _ in range(20):
        rig.runner.jog("lift", 0.1)
        rig.run(1)
    assert 1.32 < rig.positions["lift"] < 1.34


def test_zeroing_creeps_to_its_switch_and_sets_the_position() -> None:
    """R42: at its own speed, then moves go by the new zero, in the readings' own coordinates."""
    rig = lost()
    rig.runner.zero("lift")
    rig.run(200)
    speeds = [one.axes["lift"].velocity for one in rig.orders]
    assert min(speeds) == pytest.approx(-0.1)
    assert rig.outcome("zero lift")[1] == "done"
    assert [event.text for event in rig.kinds("zeroed")] == ["lift is at 0 m"]
    assert rig.runner.status().not_zeroed == ()
    place = rig.positions["lift"]
    assert 0.99 < place <= 1.0
    rig.start()
    rig.run(120)
    assert rig.outcome()[1] == "done"
    assert rig.positions["lift"] == pytest.approx(place + 0.5, abs=0.005)


def test_a_switch_that_is_felt_while_the_axis_is_not_measured_sets_no_zero() -> None:
    """R42, R16: there is no place to count from; the zeroing faults and the axis stays as it was."""
    rig = lost()
    rig.runner.zero("lift")
    rig.run(10)
    rig.sensors["beam"] = True
    rig.readings["lift"] = None
    rig.run(10)
    assert rig.outcome("zero lift")[1] == "faulted"
    assert rig.kinds("fault")[0].text.startswith("the position of lift is lost while it moves")
    assert not rig.kinds("zeroed")
    assert rig.runner.status().not_zeroed[0][0] == "lift"


def test_an_axis_that_is_not_zeroed_stays_so_while_its_reading_is_missing() -> None:
    """R42: what is not read says nothing new, and the axis still counts as anywhere."""
    rig = lost()
    rig.run(2)
    rig.readings["lift"] = None
    rig.run(1)
    assert rig.runner.status().not_zeroed[0][0] == "lift"
    assert rig.runner._host.occupants["lift"].occupied() == (-3.0, 3.0)


def test_an_axis_that_has_never_been_read_is_not_zeroed() -> None:
    """R42: a gauge that says nothing at boot has not said that the axis is zeroed; a spin needs no zero."""
    rig = Rig(checked(machine([axis("lift"), axis("roller", "spin")]), move("m", {"lift": 1.0})))
    rig.readings["lift"] = rig.readings["roller"] = None
    rig.run(3)
    assert rig.runner.status().not_zeroed == (("lift", "lift is missing since tick 0"),)
    assert rig.runner._host.occupants["lift"].occupied() == (-3.0, 3.0)
    del rig.readings["lift"]
    rig.run(1)
    assert rig.runner.status().not_zeroed == ()


def test_an_axis_that_was_zeroed_later_stays_so_while_its_reading_is_missing() -> None:
    """R42: the last that was said counts, not the first."""
    rig = lost()
    rig.run(2)
    assert rig.runner.status().not_zeroed
    del rig.readings["lift"]
    rig.run(3)
    assert not rig.runner.status().not_zeroed
    rig.readings["lift"] = None
    rig.run(1)
    assert not rig.runner.status().not_zeroed


def test_zeroing_waits_for_its_configuration() -> None:
    """R42: `once` names where the other axes must be."""
    rig = lost()
    rig.positions["wrist"] = 0.0
    rig.runner.zero("lift")
    rig.run(20)
    assert rig.positions["lift"] == 1.3
    assert rig.runner.status().runs[-1].steps[0].waits_for.startswith("its gate: wrist > 0.5")


def test_an_axis_that_is_not_zeroed_counts_as_anywhere() -> None:
    """R42: the supervisor keeps the wrist out of a box that the lift might be in, and the lift from beginning."""
    box = keep_out("post", [0, -0.2, 0.1], [1, 1.4, 1.8])
    rig = lost(keep_outs=[box])
    for _ in range(60):
        rig.runner.jog("wrist", 0.5)
        rig.run(1)
    assert rig.positions["wrist"] < 1.4
    rig.runner.cancel()
    rig.run(40)
    rig.positions["wrist"] = 1.41
    rig.run(2)
    rig.runner.reset()
    rig.runner.zero("lift")
    rig.run(10)
    assert rig.positions["lift"] == 1.3
    assert rig.headline() == "lift held by post"


@pytest.mark.parametrize("how", ["jump", "told", "encoders"])
def test_a_zero_is_lost_on_a_jump_on_a_reset_and_when_encoders_differ(how: str) -> None:
    """R42: each faults a running move; after zeroing anew it may move again."""
    data = {**ZERO, "once": None, "until": ["not", BEAM]}
    on = machine([axis("lift", zero=data, differ_by=0.01), axis("wrist"), axis("roller", "spin")])
    rig = started(checked(on, move("m", {"lift": 2.0})), ticks=20, beam=True)
    if how == "jump":
        rig.positions["lift"] += 0.5
    elif how == "told":
        rig.readings["lift"] = lambda tick: AxisReading(rig.positions["lift"], 0.0, zeroed=False)
    else:
        reading = rig.reading

        def apart(now: int) -> Any:
            found = reading(now)
            found.parts = {"lift": Parts((0.1, 0.12 if rig.count == 20 else 0.1))}
            return found

        rig.reading = apart  # type: ignore[method-assign]
    rig.run(1)
    words = {
        "jump": "lift has lost its zero: its reading jumped by",
        "told": "lift has lost its zero",
        "encoders": "lift: its encoders read 0.1 m and 0.12 m; they may differ by 0.01 m",
    }[how]
    assert rig.kinds("fault")[0].text.startswith(words)
    assert rig.modes()[20] == ("track" if how == "told" else "off")
    rig.run(60)
    assert rig.runner.status().not_zeroed[0][0] == "lift"
    rig.runner.reset()
    rig.run(1)
    rig.start()
    rig.run(2)
    assert "lift is not zeroed" in rig.refusals()[-1]
    rig.runner.reset()
    rig.runner.zero("lift")
    rig.run(5)
    rig.sensors["beam"] = False
    rig.run(30)
    assert rig.runner.status().not_zeroed == ()


def test_an_axis_without_a_zero_of_its_own_is_believed_again_after_a_reset() -> None:
    """R42: a person has looked."""
    rig = started(checked(machine(), move("m", {"lift": 2.0})), ticks=20)
    rig.positions["lift"] += 0.5
    rig.run(3)
    assert rig.runner.status().not_zeroed[0][0] == "lift"
    rig.runner.reset()
    rig.run(2)
    assert rig.runner.status().not_zeroed == ()


def test_a_cancelled_zeroing_is_cancelled_and_the_axis_stays_lost() -> None:
    """R42, R34."""
    rig = lost()
    rig.runner.zero("lift")
    rig.run(10)
    rig.runner.cancel()
    rig.run(20)
    assert rig.outcome("zero lift")[1] == "cancelled"
    assert rig.runner.status().not_zeroed == (("lift", "being zeroed"),)


def test_zeroing_what_has_no_zero_is_refused() -> None:
    """R42."""
    rig = lost()
    with pytest.raises(RequestRefused, match="wrist declares no zero; it is zeroed from elsewhere"):
        rig.runner.zero("wrist")
    with pytest.raises(RequestRefused, match="unknown axis 'lit'; did you mean 'lift'"):
        rig.runner.zero("lit")


def test_a_zero_that_an_actuator_finds_again_by_itself_is_counted_as_it_tells() -> None:
    """R42: the runner's own zero went with the reset, and what it added to the readings with it."""
    zero = {"speed": -0.25, "until": BEAM, "then": 0.5, "once": None}
    on = machine([axis("lift", zero=zero), axis("wrist"), axis("roller", "spin")])
    rig = Rig(checked(on, move("m", {"lift": 1.0})), beam=lambda tick: tick >= 20)
    rig.readings["lift"] = lambda tick: AxisReading(
        rig.positions["lift"], rig.speeds["lift"], 0.0, zeroed=not 60 <= tick < 80
    )
    rig.positions["lift"] = 0.25
    rig.runner.zero("lift")
    rig.run(60)
    place = rig.positions["lift"]
    assert 0.0 < place < 0.25
    assert rig.runner._host.values["lift"] == pytest.approx(0.5, abs=0.05)
    rig.run(10)
    assert rig.runner.status().not_zeroed == (("lift", "its actuator says so"),)
    rig.run(20)
    assert rig.runner.status().not_zeroed == ()
    assert rig.runner._host.values["lift"] == place
    assert set(rig.modes()[60:]) == {"off"}
    assert [event.text for event in rig.kinds("zero lost")] == ["lift: being zeroed", "lift: its actuator says so"]
    rig.start()
    rig.run(120)
    assert rig.outcome() == (rig.outcome()[0], "done")
    assert rig.positions["lift"] == rig.points()[-1] == 1.0


# Jogging.


def test_a_jog_lasts_as_long_as_it_is_asked_for() -> None:
    """R44: not asked for during the longest gap: it brakes."""
    rig = Rig(checked(machine(), wait("A", 1.0)))
    for _ in range(20):
        rig.runner.jog("lift", 0.5)
        rig.run(1)
    rig.run(40)
    speeds = [one.axes["lift"].velocity for one in rig.orders]
    assert speeds[15] == 0.5
    assert speeds[19 + 5] == 0.5
    assert speeds[19 + 7] < 0.5
    assert speeds[-1] == 0.0
    assert rig.outcome("jog lift")[1] == "done"


def test_a_jog_changes_its_speed_in_motion_and_ends_at_once_when_let_go() -> None:
    """R44, R29: without a jump."""
    rig = Rig(checked(machine(), wait("A", 1.0)))
    for speed in [0.5] * 20 + [-0.4] * 40 + [0.0]:
        rig.runner.jog("lift", speed)
        rig.run(1)
    rig.run(20)
    speeds = [one.axes["lift"].velocity for one in rig.orders]
    assert speeds[19] == 0.5
    assert speeds[59] == pytest.approx(-0.4)
    assert max(abs(b - a) for a, b in itertools.pairwise(speeds)) <= 0.04 + 1e-9
    assert speeds[-1] == 0.0
    assert len(rig.outcomes("jog lift")) == 1


def test_a_jog_is_held_before_a_keep_out_and_ends_at_the_end_of_the_travel() -> None:
    """R44: under the supervisor."""
    rig = Rig(checked(machine(keep_outs=[keep_out("post", [0, 0.3, 0.4], [1, -1.0, 1.0])]), wait("A", 1.0)))
    for _ in range(120):
        rig.runner.jog("lift", 1.0)
        rig.run(1)
    assert 0.28 < max(rig.points()) < 0.3
    assert rig.headline() == "lift held by post"
    for _ in range(260):
        rig.runner.jog("lift", -1.0)
        rig.run(1)
    assert rig.points()[-1] == -3.0


def test_a_spin_is_jogged_by_speed() -> None:
    """R44."""
    rig = Rig(checked(machine(), wait("A", 1.0)))
    rig.runner.jog("roller", 0.5)
    rig.run(2)
    order = rig.orders[-1].axes["roller"]
    assert (order.mode, order.velocity) == ("track", 0.5)
    rig.runner.jog("roller", 0.0)
    rig.run(2)
    assert rig.orders[-1].axes["roller"].mode == "effort"


def test_a_jog_of_an_axis_in_use_or_too_fast_is_refused() -> None:
    """R44, R28."""
    rig = started(checked(machine(), move("m", {"lift": 1.0})), ticks=5)
    rig.runner.jog("lift", 0.2)
    rig.run(1)
    assert rig.refusals() == ["lift is in use by r"]
    with pytest.raises(RequestRefused, match="jog lift: 7 m/s is outside -1 m/s to 1 m/s"):
        rig.runner.jog("lift", 7.0)
