"""Numbers that no machine has are refused where they are given, with what would fit."""

from __future__ import annotations

from dataclasses import replace

import pytest

from profiles import Limits
from sequencer.errors import ModelError
from sequencer.machine.axis import Axis, Tolerance
from sequencer.machine.condition import parse_condition
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine
from sequencer.machine.sensor import Derivation, Sensor

LIFT = Axis("lift", "linear", Limits(1.5, 8.0, 90.0), (0.0, 1.2), tolerance=Tolerance(0.008))
MACHINE = Machine("hand", {"lift": LIFT})


@pytest.mark.parametrize(
    ("limits", "said"),
    [
        (Limits(1e-300, 8.0), "velocity is -1e-300 m/s; no machine needs one below 0.0001 m/s or above 1e+08 m/s"),
        (Limits(1.0, (-8.0, 1e-150)), "acceleration is 1e-150 m/s2; "),
        (Limits(1.0, 8.0, 1e-200), "jerk is 1e-200 m/s3; "),
        (Limits(1e9, 8.0), "velocity is -1e+09 m/s; "),
    ],
)
def test_limits_of_no_machine_are_refused(limits: Limits, said: str) -> None:
    with pytest.raises(ModelError) as refused:
        replace(LIFT, limits=limits)
    assert f"axis 'lift': the limit of {said}" in str(refused.value)


@pytest.mark.parametrize(("period", "shown"), [(1, "1e-09"), (10**18, "1e+09"), (0, "0"), (999_999, "0.000999999")])
def test_a_period_is_between_a_millisecond_and_a_second(period: int, shown: str) -> None:
    with pytest.raises(
        ModelError, match=f"the period is {shown} s; it must be between 0.001 s and 1 s".replace("+", r"\+")
    ):
        replace(MACHINE, period=period, longest_gap=0)
    for fits in (1_000_000, 20_000_000, 1_000_000_000):
        assert replace(MACHINE, period=fits, longest_gap=0).longest_gap == 5 * fits


def test_the_longest_gap_is_at_least_a_period() -> None:
    with pytest.raises(ModelError, match=r"longest_gap is 0\.001 s, shorter than the period of 0\.02 s"):
        replace(MACHINE, longest_gap=1_000_000)


def test_a_keep_out_that_nothing_can_enter_is_a_mistake() -> None:
    with pytest.raises(ModelError, match=r"'high': lift from 2 m to 3 m is outside its travel, 0 m to 1\.2 m; "):
        replace(MACHINE, interlocks=(KeepOut("high", (("lift", (2.0, 3.0)),)),))
    touching = KeepOut("top", (("lift", (1.2, 3.0)),))
    assert replace(MACHINE, interlocks=(touching,)).interlocks == (touching,)


def test_sensors_derived_from_each_other_are_refused() -> None:
    plain = {name: Sensor(name, "switch") for name in ("one", "two")}
    words = replace(MACHINE, sensors=plain).vocabulary()
    ring = {
        "one": Sensor("one", "switch", derived=Derivation(parse_condition("two", words))),
        "two": Sensor("two", "switch", derived=Derivation(parse_condition("not one", words))),
    }
    with pytest.raises(ModelError) as refused:
        replace(MACHINE, sensors=ring)
    assert [text for _, text in refused.value.problems] == [
        "sensor 'one' is derived from itself, directly or by others",
        "sensor 'two' is derived from itself, directly or by others",
    ]
