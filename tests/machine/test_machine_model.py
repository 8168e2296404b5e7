from __future__ import annotations

import math
import pickle
from pathlib import Path
from types import MappingProxyType

import pytest

from profiles import Limits
from sequencer.errors import ModelError
from sequencer.files import load_machine
from sequencer.machine import (
    Actuator,
    Axis,
    KeepOut,
    Load,
    Machine,
    Motor,
    Mount,
    Output,
    Preset,
    RestCase,
    Sensor,
    Tolerance,
)
from sequencer.units import LENGTH


def axis(name: str, to: str = "frame", kind: str = "linear") -> Axis:
    if kind == "spin":
        return Axis(name, "spin", Limits(300.0, 2000.0), mount=Mount(to))
    return Axis(name, kind, Limits(1.0, 2.0), (0.0, 1.0), Mount(to), Tolerance(0.01))  # type: ignore[arg-type]


def test_a_machine_is_deeply_immutable() -> None:
    machine = Machine("m", {"lift": axis("lift")})
    assert isinstance(machine.axes, MappingProxyType)
    with pytest.raises(AttributeError):
        machine.name = "n"  # type: ignore[misc]
    with pytest.raises(TypeError):
        machine.axes["wrist"] = axis("wrist")  # type: ignore[index]


def test_the_longest_gap_is_five_periods_unless_said() -> None:
    assert Machine("m", {"lift": axis("lift")}, period=10_000_000).longest_gap == 50_000_000
    assert Machine("m", {"lift": axis("lift")}, longest_gap=70_000_000).longest_gap == 70_000_000


def test_every_contradiction_is_named_at_once() -> None:
    with pytest.raises(ModelError) as caught:
        Machine(
            "m",
            {"lift": axis("lift"), "wrist": axis("wrist", "lfit"), "roll": axis("roll", "lift", "spin")},
            sensors={"lift": Sensor("lift", "number", LENGTH)},
            outputs={"lamp": Output("lamp", "switch", False)},
            presets={"high": Preset("high", {"lift": 2.0, "roll": 0.0, "wrsit": 0.0})},
            interlocks=(KeepOut("low", (("lfit", (0.0, 1.0)),)), KeepOut("low", (("roll", (0.0, 1.0)),))),
        )
    assert [text for _, text in caught.value.problems] == [
        "'lift' is both axis and sensor; names must differ",
        "axis 'wrist' is mounted to unknown 'lfit'; did you mean 'lift'?",
        "preset 'high': lift at 2 m is outside its travel, 0 m to 1 m",
        "preset 'high': 'roll' is a spin and has no position",
        "preset 'high': unknown axis 'wrsit'; did you mean 'wrist'?",
        "interlock 'low': unknown axis 'lfit'; did you mean 'lift'?",
        "two interlocks are called 'low'",
        "interlock 'low': 'roll' is a spin and has no position",
    ]


def test_axes_that_carry_each_other_are_named_once_as_a_ring() -> None:
    with pytest.raises(ModelError) as caught:
        Machine("m", {"a": axis("a", "b"), "b": axis("b", "c"), "c": axis("c", "b"), "d": axis("d", "a")})
    assert [text for _, text in caught.value.problems] == ["axes carry each other in a ring: b -> c -> b"]


def test_carried_axes_are_those_that_move_along() -> None:
    machine = Machine("m", {"a": axis("a"), "b": axis("b", "a"), "c": axis("c", "b"), "d": axis("d")})
    assert machine.carried_axes("a") == ("b", "c")
    assert machine.carried_axes("d") == ()


def test_the_motor_constants_are_those_of_the_straight_torque_speed_line() -> None:
    """Torque falls in a straight line from stall to the no-load speed, where the current is the no-load current."""
    motor = Motor("m", 12.0, 2.7, 132.0, 5450 * 2 * math.pi / 60, 2.0)
    at_stall = motor.torque_per_ampere * (motor.rated_voltage / motor.resistance - motor.no_load_current)
    assert at_stall == pytest.approx(2.7)
    voltage_left = motor.rated_voltage - motor.back_emf * motor.no_load_speed
    assert voltage_left / motor.resistance == pytest.approx(motor.no_load_current)


def test_the_motor_turns_by_ratio_and_by_the_chain() -> None:
    motor = Motor("m", 12.0, 2.7, 132.0, 570.0)
    assert Actuator("a", motor, 6.0, 0.132).motor_turn * 0.132 == pytest.approx(6 * 2 * math.pi)
    assert Actuator("a", motor, 60.0).motor_turn == 60.0


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: Motor("m", 0.0, 1.0, 1.0, 1.0), "motor 'm': rated_voltage is 0; it must be greater than 0"),
        (
            lambda: Motor("m", 12.0, 1.0, 5.0, 1.0, 5.0),
            "motor 'm': no_load_current is 5 A; it must be at least 0 and below the stall current (5 A)",
        ),
        (
            lambda: Axis("a", "rotary", Limits(1.0, 1.0), (0.0, 90.0), tolerance=Tolerance(0.1)),
            "axis 'a': travel spans 5157 deg, more than two turns; are these degrees given as radians?",
        ),
        (
            lambda: Axis("a", "linear", Limits(1.0, 1.0), None),
            "axis 'a' needs its travel: the least and the greatest position",
        ),
        (lambda: Axis("a", "spin", Limits(1.0, 1.0), (0.0, 1.0)), "axis 'a' is a spin; it has no travel"),
        (lambda: KeepOut("k", ()), "interlock 'k': the keep_out names no axis"),
    ],
)
def test_what_cannot_be_is_refused_with_the_reason(make: object, said: str) -> None:
    with pytest.raises(ModelError) as caught:
        make()  # type: ignore[operator]
    assert str(caught.value) == said


def test_a_spin_rests_without_drive_and_a_load_starts_at_nothing() -> None:
    assert axis("roll", kind="spin").rest == (RestCase("voltage", 0.0),)
    assert Load() == Load(0.0, (0.0, 0.0), 0.0, (0.0, 0.0), 0.0, None, 0.0)


def test_a_box_holds_whoever_is_inside_on_every_axis() -> None:
    box = KeepOut("k", (("lift", (0.0, 0.2)), ("wrist", (-1.0, -0.5))))
    assert box.contains({"lift": 0.2, "wrist": -1.0})
    assert not box.contains({"lift": 0.2, "wrist": -0.4})


def test_tolerance_gives_the_speed_that_leaves_it_within_the_settle_time() -> None:
    assert Tolerance(0.008, 60_000_000).arrived_speed == pytest.approx(0.008 / 0.06)
    assert Tolerance(0.008, 0).arrived_speed == pytest.approx(0.4)
    assert Tolerance(0.008, speed=0.05).arrived_speed == 0.05


def test_a_machine_can_be_sent_to_another_process() -> None:
    machine = load_machine(Path(__file__).parents[2] / "demos" / "lantern" / "machine.yaml")
    assert pickle.loads(pickle.dumps(machine)) == machine
