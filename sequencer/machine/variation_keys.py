"""Every key of a machine's `variation`: what differs from one machine, and from one day, to the next.

A pair is from where to where something declared is; a single value says how far something is off to either side.
"""

from __future__ import annotations

from sequencer.machine.shape import Anything, Key, Part, Section, Table
from sequencer.machine.written import Duration, Pair, Quantity

_SHARE = Pair(Quantity("number", sign="not negative"))
_EFFORT = Pair(Quantity("effort", sign="not negative"))

BATTERY_VARIATION = Section(
    "a battery variation",
    (
        Key("open_circuit", Pair(Quantity("voltage", sign="positive")), "least and most", default="as declared"),
        Key("resistance", Pair(Quantity("resistance", sign="not negative")), "least and most", default="as declared"),
    ),
)

MOTOR_VARIATION = Section(
    "a motor variation",
    (
        Key("stall_torque", Pair(Quantity("torque", sign="positive")), "least and most", default="as declared"),
        Key("no_load_speed", Pair(Quantity("angular speed", sign="positive")), "least and most", default="as declared"),
    ),
)

AXIS_VARIATION = Section(
    "an axis variation",
    (
        Key(
            "start",
            Quantity("position", sign="not negative"),
            "how far from its start it stands, to either side",
            default="0",
        ),
        Key(
            "reading",
            Quantity("position", sign="not negative"),
            "how far its encoder is off all the time, to either side",
            default="0",
        ),
        Key(
            "noise",
            Quantity("position", sign="not negative"),
            "standard deviation of its reading, tick by tick",
            default="0",
        ),
        Key("mass", Pair(Quantity("mass", sign="not negative")), "least and most of its load", default="as declared"),
        Key("coulomb", _EFFORT, "least and most dry friction", default="as declared"),
        Key(
            "viscous",
            Pair(Quantity("viscous", sign="not negative")),
            "least and most friction per speed",
            default="as declared",
        ),
        Key(
            "efficiency",
            Pair(Quantity("number", sign="positive")),
            "least and most of the gears of all its actuators",
            default="as declared",
        ),
    ),
)

PIECE_VARIATION = Section(
    "a piece variation",
    (
        Key("mass", Pair(Quantity("mass", sign="not negative")), "least and most", default="as declared"),
        Key("grip_torque", Pair(Quantity("torque", sign="not negative")), "least and most", default="as declared"),
        Key("turns_to_leave", Pair(Quantity("angle", sign="not negative")), "least and most", default="as declared"),
    ),
)

SENSOR_VARIATION = Section(
    "a sensor variation",
    (
        Key("offset", Anything(), "how far a number is off all the time, to either side, in its own unit", default="0"),
        Key("noise", Anything(), "standard deviation of a number, tick by tick, in its own unit", default="0"),
        Key("late", Pair(Duration(zero=True)), "least and most time by which it lags", default="0 s"),
        Key("missing", _SHARE, "least and most share of ticks in which it reads nothing", default="0"),
    ),
)

VARIATION = Section(
    "a variation",
    (
        Key("battery", Part(BATTERY_VARIATION), "the battery", default="as declared"),
        Key("motors", Table("motor", Part(MOTOR_VARIATION)), "all motors of a type alike", default="as declared"),
        Key("axes", Table("axis", Part(AXIS_VARIATION)), "axes and their loads", default="as declared"),
        Key("pieces", Table("piece", Part(PIECE_VARIATION)), "the things it handles", default="as declared"),
        Key("sensors", Table("sensor", Part(SENSOR_VARIATION)), "sensors that are not quite true", default="true"),
    ),
)
