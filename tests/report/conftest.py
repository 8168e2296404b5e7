"""A machine of the made-up league, a routine and its plan, written by hand so that pictures of them do not change."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from profiles import Limits, flick, s_curve
from sequencer.machine.axis import Axis, Mount, Tolerance
from sequencer.machine.condition import parse_condition
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine, Preset
from sequencer.machine.piece import Piece
from sequencer.machine.sensor import Output, Sensor
from sequencer.plan.planned import Plan, PlannedStep
from sequencer.routine.routine import Routine
from sequencer.routine.steps import At, Drive, Flick, Move, Passing, Pulse, Set, Step, Wait, With
from sequencer.trace import Header, Measured, Ordered, Row, Trace, TraceEvent
from sequencer.units import LENGTH

LIFT = Limits(1.6, 7.0, 90.0)
WRIST = Limits(7.0, 40.0, 900.0)


@pytest.fixture
def lantern_hand() -> Machine:
    degrees = math.pi / 180.0
    machine = Machine(
        "lantern hand",
        {
            "lift": Axis(
                "lift",
                "linear",
                LIFT,
                (0.0, 1.18),
                Mount("frame", (-0.12, 0.16), 66 * degrees),
                Tolerance(0.008),
            ),
            "wrist": Axis(
                "wrist",
                "rotary",
                WRIST,
                (-95 * degrees, 120 * degrees),
                Mount("lift", (0.10, 0.02)),
                Tolerance(1.5 * degrees),
            ),
            "rollers": Axis("rollers", "spin", Limits(300.0, 2000.0), mount=Mount("wrist", (0.30, 0.0))),
        },
        sensors={
            "piece": Sensor("piece", "one_of", values=("none", "lantern", "float")),
            "range_to_hook": Sensor("range_to_hook", "number", LENGTH),
        },
        outputs={"lamp": Output("lamp", "one_of", "dark", values=("dark", "steady", "blinking"))},
        pieces={"lantern": Piece("lantern", 0.6, "wrist", (0.34, 0.0), "rollers")},
        presets={
            "stow": Preset("stow", {"lift": 0.0, "wrist": 100 * degrees}),
            "carry": Preset("carry", {"lift": 0.1, "wrist": 95 * degrees}),
            "eaves": Preset("eaves", {"lift": 0.62, "wrist": 28 * degrees}),
            "ridge": Preset("ridge", {"lift": 1.10, "wrist": 20 * degrees}),
        },
    )
    words = machine.vocabulary()
    boxes = (
        KeepOut(
            "low_tuck",
            (("lift", (0.0, 0.20)), ("wrist", (-95 * degrees, -40 * degrees))),
            "the hand meets the bumper",
        ),
        KeepOut(
            "low_lantern",
            (("lift", (0.0, 0.30)), ("wrist", (-95 * degrees, -15 * degrees))),
            "the lantern meets the bumper",
            parse_condition("piece is lantern", words),
        ),
    )
    return Machine(
        machine.name,
        machine.axes,
        sensors=machine.sensors,
        outputs=machine.outputs,
        pieces=machine.pieces,
        presets=machine.presets,
        interlocks=boxes,
    )


@pytest.fixture
def hang_ridge(lantern_hand: Machine) -> Routine:
    words = lantern_hand.vocabulary()
    return Routine(
        "hang_ridge",
        lantern_hand,
        (
            Step("raise", Move((("lift", At(1.10)),))),
            Step(
                "level",
                Move(
                    (
                        (
                            "wrist",
                            At(math.radians(20)),
                        ),
                    )
                ),
                With("raise"),
                once=parse_condition("lift > 0.40 m", words),
            ),
            Step("near", Wait(parse_condition("range_to_hook < 0.30 m", words))),
            Step("flick", Flick("wrist", math.radians(58), 6.6, math.radians(84))),
            Step("let_go", Pulse((Drive("rollers", -6.0, "voltage"),)), Passing("flick", lead=30_000_000)),
            Step("shine", Set((("lamp", "blinking"),))),
            Step("retreat", Move(preset="stow")),
        ),
        "carry",
    )


@pytest.fixture
def hang_ridge_plan(hang_ridge: Routine) -> Plan:
    lift_up = s_curve(0.1, 1.10, LIFT)
    level = s_curve(math.radians(95), math.radians(20), WRIST)
    swing = flick(math.radians(20), (math.radians(58), 6.6), math.radians(84), WRIST)
    lift_down = s_curve(1.10, 0.0, LIFT)
    tuck = s_curve(math.radians(84), math.radians(100), WRIST)
    opened = 0.43
    raised = lift_up.duration + 0.06
    near = raised + 0.9
    through = near + swing.marks["through"]
    swung = near + swing.duration + 0.02
    end = swung + lift_down.duration + 0.06
    steps = (
        PlannedStep("raise", "move", 0.0, 0.0, raised, raised, raised, {"lift": lift_up}, slack=0.0, axes=("lift",)),
        PlannedStep(
            "level",
            "move",
            0.0,
            opened,
            opened + level.duration + 0.02,
            opened + level.duration + 0.02,
            opened + level.duration + 0.02,
            {"wrist": level},
            slack=raised - opened - level.duration - 0.02,
            axes=("wrist",),
            opened_by="raise",
        ),
        PlannedStep(
            "near",
            "wait",
            raised,
            raised,
            near,
            raised + 0.02,
            raised + 3.0,
            slack=0.0,
            estimated=True,
            about="a wait that usually takes 0.9 s",
        ),
        PlannedStep(
            "flick", "flick", near, near, swung, swung, swung, {"wrist": swing}, {"through": through}, 0.0, ("wrist",)
        ),
        PlannedStep(
            "let_go", "pulse", through - 0.03, through - 0.03, through + 0.11, through + 0.11, through + 0.11, slack=0.0
        ),
        PlannedStep("shine", "set", swung, swung, swung + 0.02, swung + 0.02, swung + 0.02, slack=1.1),
        PlannedStep(
            "retreat",
            "move",
            swung,
            swung,
            end,
            end,
            end,
            {"lift": lift_down, "wrist": tuck},
            slack=0.0,
            axes=("lift", "wrist"),
        ),
    )
    return Plan(
        hang_ridge,
        steps,
        end,
        initial={"lift": 0.1, "wrist": math.radians(95), "rollers": 0.0},
        trajectories={
            "lift": ((0.0, lift_up), (swung, lift_down)),
            "wrist": ((opened, level), (near, swing), (swung, tuck)),
        },
        critical=("raise", "near", "flick", "retreat"),
    )


@pytest.fixture
def hang_ridge_checked() -> Any:
    """As much of a checked routine's plain data as a timeline asks for."""
    return SimpleNamespace(
        machine={"axes": [{"name": "lift"}, {"name": "wrist"}, {"name": "rollers"}], "outputs": [{"name": "lamp"}]},
        routine={
            "steps": [
                {"name": "raise", "kind": "move", "goals": [[0, ["at", 1.1]]]},
                {"name": "level", "kind": "move", "goals": [[1, ["at", 0.35]]]},
                {"name": "near", "kind": "wait"},
                {"name": "flick", "kind": "flick", "axis": 1},
                {"name": "let_go", "kind": "pulse", "drives": [["axis", 2, "voltage", -6.0]]},
                {"name": "shine", "kind": "set", "values": [[0, "blinking"]]},
                {"name": "retreat", "kind": "move", "goals": [[0, ["at", 0.0]], [1, ["at", 1.7]]]},
            ]
        },
    )


@pytest.fixture
def hang_ridge_trace(hang_ridge_plan: Plan) -> Trace:
    """The plan as it happened: the float came late, the motion lags, and the last move never arrived."""
    plan, late, period = hang_ridge_plan, 0.24, 0.02
    header = Header(
        "lantern hand",
        "ab12",
        20_000_000,
        (("lift", "linear"), ("wrist", "rotary"), ("rollers", "spin")),
        (("piece", ""),),
        (("lamp", ""),),
        routines=(("hang_ridge", "cd34"),),
    )
    near = plan.step("near")

    def planned_time(time: float) -> float:
        return time if time < near.end else max(near.end, time - late)

    happened: dict[int, list[tuple[str, str, str]]] = {0: [("run", "", "start")]}
    for step in plan.steps:
        begin = step.start + (late if step.start >= near.end - 1e-9 or step.name == "let_go" else 0.0)
        end = step.end + (late if step.end >= near.end - 1e-9 else 0.0)
        happened.setdefault(round(begin / period), []).append(("start", step.name, step.kind))
        if step.motion_start > step.start:
            happened.setdefault(round(step.motion_start / period), []).append(("gate", step.name, "lift > 0.40 m"))
        if step.name != "retreat":
            happened.setdefault(round(end / period), []).append(("end", step.name, "done"))
    happened.setdefault(round((plan.step("flick").marks["through"] + late) / period), []).append(
        ("milestone", "let_go", "flick passes in 0.000 ms")
    )
    last = round((plan.duration + late + 0.4) / period)
    happened[last] = [("end", "retreat", "error: lift does not follow"), ("run", "", "faulted: lift does not follow")]
    rows = []
    for tick in range(last + 1):
        time = tick * period
        ordered = [plan.state(axis, planned_time(time)) for axis in ("lift", "wrist")]
        lagging = [plan.state(axis, planned_time(max(0.0, time - 0.05))) for axis in ("lift", "wrist")]
        stuck = max(lagging[0].position, 0.35) if time > 2.5 else lagging[0].position
        now = 7_000_000_000 + round(time * 1e9)
        rows.append(
            Row(
                tick,
                now,
                True,
                (
                    Measured(stuck, lagging[0].velocity, 12.0),
                    Measured(lagging[1].position, lagging[1].velocity, 4.0),
                    None,
                ),
                (
                    Ordered("track", ordered[0].position, ordered[0].velocity, ordered[0].acceleration),
                    Ordered("track", ordered[1].position, ordered[1].velocity, ordered[1].acceleration),
                    Ordered("effort", volts=0.0),
                ),
                (("lantern", 0),),
                ("dark",),
                12.1,
                (),
                tuple(
                    TraceEvent(tick, now, kind, "hang_ridge", step, text) for kind, step, text in happened.get(tick, ())
                ),
            )
        )
    return Trace(header, tuple(rows))
