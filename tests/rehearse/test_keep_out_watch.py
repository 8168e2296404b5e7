"""The watch on true positions: how near, where and when, and which keep-outs are in force."""

from __future__ import annotations

from dataclasses import replace

import pytest

from profiles import Limits
from sequencer.machine.axis import Axis, Tolerance
from sequencer.machine.condition import parse_condition
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine
from sequencer.machine.sensor import Sensor
from sequencer.ports.readings import AxisReading, Readings, Sensed
from sequencer.rehearse import Sample, rehearse, rehearse_many
from sequencer.rehearse.keep_outs import KeepOutDistance, KeepOutWatch, truth_of

LIFT = Axis("lift", "linear", Limits(1.0, 1.0), (0.0, 1.0), tolerance=Tolerance(0.01))
WRIST = Axis("wrist", "rotary", Limits(1.0, 1.0), (-1.0, 3.0), tolerance=Tolerance(0.01))
BARE = Machine("m", {"lift": LIFT, "wrist": WRIST}, sensors={"loaded": Sensor("loaded", "switch")})
BOX = (("lift", (0.0, 0.2)), ("wrist", (-1.0, 0.0)))


def watch(when: str | None = None) -> KeepOutWatch:
    condition = parse_condition(when, BARE.vocabulary()) if when else None
    rule = KeepOut("low", BOX, when=condition)
    return KeepOutWatch(Machine("m", BARE.axes, sensors=BARE.sensors, interlocks=(rule,)))


def test_the_nearest_pass_is_kept_on_the_axis_that_was_farthest_out():
    seen = watch()
    for time, lift, wrist in ((0.0, 0.9, 2.0), (0.1, 0.25, 0.1), (0.2, 0.5, -0.5)):
        seen.see({"lift": lift, "wrist": wrist}, time)
    assert seen.result() == (KeepOutDistance("low", pytest.approx(0.05), "lift", 0.1),)


def test_inside_is_below_nothing():
    seen = watch()
    seen.see({"lift": 0.1, "wrist": -0.4}, 0.3)
    (found,) = seen.result()
    assert found.least == pytest.approx(-0.1)
    assert (found.axis, found.at) == ("lift", 0.3)


@pytest.mark.parametrize(("loaded", "counts"), [(True, True), (None, True), (False, False)])
def test_a_conditional_keep_out_is_in_force_while_true_or_unknown(loaded, counts):
    seen = watch("loaded")
    seen.consider(Readings(0, True, {}, {"loaded": Sensed(loaded)}))
    seen.see({"lift": 0.1, "wrist": -0.4}, 0.0)
    assert (seen.result()[0].least is not None) is counts


def test_readings_give_the_values_that_conditions_name():
    readings = Readings(0, True, {"lift": AxisReading(0.3, 0.1, 4.0)}, {"loaded": True}, 12.1)
    assert truth_of(readings) == {"battery": 12.1, "lift": 0.3, "lift.speed": 0.1, "lift.current": 4.0, "loaded": True}


def test_a_machine_without_keep_outs_has_nothing_to_watch():
    assert not KeepOutWatch(BARE)
    assert watch()


def test_a_keep_out_that_is_not_in_force_at_the_start_does_not_count_there(prepare):
    checked, _, machine = prepare("hang")
    about_carry = KeepOut(
        "loaded_only", (("lift", (0.0, 0.2)),), when=parse_condition("piece is lantern", machine.vocabulary())
    )
    conditional = replace(machine, interlocks=(*machine.interlocks, about_carry))
    alone = rehearse(checked, machine=conditional, gauges={"piece": "none"}, limit=0.2)
    (together,) = rehearse_many(checked, [Sample(conditional, gauges={"piece": "none"})], limit=0.2)
    for found in (alone, together):
        assert found.keep_outs[-1] == KeepOutDistance("loaded_only", None, "lift", 0.0)
    held = rehearse(checked, machine=conditional, piece="lantern", limit=0.2)
    assert held.keep_outs[-1].least == pytest.approx(-0.1, abs=0.001)
