"""A made-up machine that reaches over a shelf: a lift on a mast, a slide on the lift, a hand that turns on it."""

from __future__ import annotations

from math import radians
from typing import Any

from profiles import Limits
from sequencer.check import Examination, examine
from sequencer.machine.axis import Axis, Mount, Tolerance
from sequencer.machine.body import Body, Clearance
from sequencer.machine.condition import parse_condition
from sequencer.machine.machine import Machine, Preset
from sequencer.machine.piece import Piece
from sequencer.machine.sensor import Sensor
from sequencer.routine.routine import Routine
from sequencer.routine.steps import At, Move, Start, Step, Timeout

GUIDED = Clearance(("carriage", "arm"), exempt="guided by it")
PLACES = {
    "stow": (0.05, 0.0, 100.0),
    "over": (0.9, 0.4, -10.0),
    "under": (0.3, 0.3, 0.0),
    "over_out": (0.9, 0.4, 10.0),
    "low": (0.05, 0.0, 0.0),
}


def rectangle(left: float, right: float, low: float, high: float) -> tuple[tuple[float, float], ...]:
    return ((left, low), (right, low), (right, high), (left, high))


def reacher(
    *more: Body,
    clearances: tuple[Clearance, ...] = (),
    pieces: tuple[Piece, ...] = (),
    slide_speed: float = 1.2,
    band: float = 0.005,
    presets: dict[str, tuple[float, float, float]] | None = None,
    **fields: Any,
) -> Machine:
    """The machine; the shelf is 0.75 m high, 0.65 m in front of the mast, and stands fast."""
    turn = radians(100.0 * band)
    axes = [
        Axis(
            "lift",
            "linear",
            Limits(1.7, 6.0, 60.0),
            (0.0, 1.4),
            Mount("frame", (0.0, 0.25), radians(90.0)),
            Tolerance(0.002, following=band),
        ),
        Axis(
            "slide",
            "linear",
            Limits(slide_speed, 6.0, 60.0),
            (0.0, 0.5),
            Mount("lift", (0.05, 0.0)),
            Tolerance(0.002, following=band),
        ),
        Axis(
            "wrist",
            "rotary",
            Limits(6.0, 60.0, 600.0),
            (radians(-100.0), radians(120.0)),
            Mount("slide", (0.15, 0.0)),
            Tolerance(radians(0.2), following=turn),
        ),
    ]
    bodies = [
        Body("mast", "frame", (rectangle(-0.06, 0.0, 0.0, 1.8),)),
        Body("bumper", "frame", (rectangle(-0.4, 0.3, 0.0, 0.12),)),
        Body("shelf", "frame", (rectangle(0.65, 1.1, 0.75, 0.78),)),
        Body("carriage", "lift", (rectangle(0.01, 0.1, -0.1, 0.1),)),
        Body("arm", "slide", (rectangle(-0.04, 0.15, -0.03, 0.03),)),
        Body("hand", "wrist", (rectangle(-0.05, 0.35, -0.04, 0.04),)),
        *more,
    ]
    return Machine(
        "reacher",
        {axis.name: axis for axis in axes},
        bodies={body.name: body for body in bodies},
        clearances=(GUIDED, *clearances),
        pieces={piece.name: piece for piece in pieces},
        presets={
            name: Preset(name, {"lift": lift, "slide": slide, "wrist": radians(wrist)})
            for name, (lift, slide, wrist) in {**PLACES, **(presets or {})}.items()
        },
        **{"sensors": {"piece": Sensor("piece", "one_of", values=("none", "lantern", "float"))}, **fields},
    )


def to(preset: str | dict[str, float], *axes: str) -> Move:
    """A move of some axes to a preset, or to places in metres and degrees."""
    if isinstance(preset, str):
        lift, slide, wrist = PLACES[preset]
        places = {"lift": lift, "slide": slide, "wrist": wrist}
    else:
        places = preset
    return Move(
        tuple(
            (axis, At(radians(places[axis]) if axis == "wrist" else places[axis])) for axis in (axes or tuple(places))
        )
    )


def step(name: str, body: Any, start: Start | None = None, once: str | None = None, **fields: Any) -> Step:
    gate = None if once is None else parse_condition(once, reacher().vocabulary())
    return Step(name, body, **({} if start is None else {"start": start}), once=gate, **fields)


def examined(machine: Machine, *steps: Step, start: str = "stow", **fields: Any) -> Examination:
    settings: dict[str, Any] = {"default_timeout": Timeout("planned", 500_000_000), **fields}
    return examine(Routine("reach", machine, steps, start, **settings))
