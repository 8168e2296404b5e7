"""Every key of a machine file and of an overlay: shape, default and meaning."""

from __future__ import annotations

from sequencer.machine.shape import Anything, Either, Key, Part, Section, Table
from sequencer.machine.variation_keys import VARIATION
from sequencer.machine.written import (
    Duration,
    Formula,
    ListOf,
    Name,
    OneOf,
    OneOrPair,
    Pair,
    Polygons,
    Quantity,
    Switch,
    Text,
)

_POSITION = Quantity("position")
_LENGTH = Quantity("length")
_POINT = Pair(_LENGTH, ordered=False)
_SOME_TIME = Duration(zero=True)

BATTERY = Section(
    "a battery",
    (
        Key("open_circuit", Quantity("voltage", sign="positive"), "voltage without load", default="12.5 V"),
        Key("resistance", Quantity("resistance", sign="not negative"), "inner resistance", default="20 mohm"),
        Key("brown_out", Quantity("voltage", sign="not negative"), "controllers drop out below it", default="6.8 V"),
        Key(
            "other_load",
            OneOrPair(Quantity("current", sign="not negative")),
            "what else draws on the battery, least and most",
            default="0 A",
        ),
    ),
)

MOTOR = Section(
    "a motor",
    (
        Key("rated_voltage", Quantity("voltage", sign="positive"), "voltage of the data sheet", required=True),
        Key("stall_torque", Quantity("torque", sign="positive"), "torque at standstill", required=True),
        Key("stall_current", Quantity("current", sign="positive"), "current at standstill", required=True),
        Key("no_load_speed", Quantity("angular speed", sign="positive"), "speed without load", required=True),
        Key("no_load_current", Quantity("current", sign="not negative"), "current without load", default="0 A"),
        Key("rotor_inertia", Quantity("inertia", sign="not negative"), "inertia of the rotor", default="0 kg.m2"),
    ),
)

MOUNT = Section(
    "a mount",
    (
        Key("to", Name("the carrying axis, or frame"), "what carries the axis", default="frame"),
        Key("at", _POINT, "the place in the carrier's coordinates, x forward and y up", default="[0 m, 0 m]"),
        Key("direction", Quantity("angle"), "where a linear axis slides to, from horizontal", default="0 deg"),
        Key(
            "angle_from",
            OneOf(("level", "carrier")),
            "what a rotary axis measures its angle from",
            default="level",
        ),
        Key(
            "share",
            Quantity("number", sign="positive"),
            "share of the carrier's motion (a cascade's middle stage)",
            default="1",
        ),
    ),
)

LIMITS = Section(
    "limits",
    (
        Key(
            "velocity",
            OneOrPair(Quantity("velocity"), doubled=False),
            "most negative and most positive velocity; one number for both signs",
            required=True,
        ),
        Key(
            "acceleration",
            OneOrPair(Quantity("acceleration"), doubled=False),
            "most negative and most positive acceleration; one number for both signs",
            required=True,
        ),
        Key("jerk", Quantity("jerk", sign="positive"), "greatest jerk", default="not limited"),
    ),
)

TOLERANCE = Section(
    "a tolerance",
    (
        Key("position", Quantity("position", sign="positive"), "how near counts as arrived", required=True, rule="R31"),
        Key("settle", _SOME_TIME, "how long it must stay so", default="0 s", rule="R31"),
        Key("speed", Quantity("velocity", sign="positive"), "how slow counts as arrived", default="position / settle"),
        Key(
            "following",
            Quantity("position", sign="positive"),
            "largest error while moving",
            default="not judged",
            rule="R45",
        ),
        Key(
            "behind",
            OneOf(("wait", "fault")),
            "when it cannot follow: its motion clock waits, or the axis faults",
            default="fault",
            rule="R45",
        ),
    ),
)

ACTUATOR = Section(
    "an actuator",
    (
        Key("motor", Name("a motor"), "the motor, by name", required=True),
        Key("ratio", Quantity("number", sign="positive"), "motor turns per output turn", required=True),
        Key(
            "travel_per_turn",
            Quantity("length", sign="positive"),
            "what one output turn moves a linear axis; needed there",
        ),
        Key("efficiency", Quantity("number", sign="positive"), "share of power that the gear passes", default="1"),
        Key("winding_limit", Quantity("current", sign="positive"), "most motor current", default="not limited"),
        Key(
            "supply_limit", Quantity("current", sign="positive"), "most current from the battery", default="not limited"
        ),
        Key("out_of_service", Switch(), "whether the actuator is off", default="false", rule="R50"),
    ),
)

SOURCE = Section(
    "a position source",
    (
        Key("from", ListOf(Name("an actuator")), "the actuators that measure the axis", required=True),
        Key("sense", OneOf(("relative", "absolute")), "whether zero is lost at power-off", default="relative"),
        Key(
            "differ_by",
            Quantity("position", sign="positive"),
            "how far two of them may differ before the axis faults",
            default="not judged",
            rule="R42",
        ),
    ),
)

ZERO = Section(
    "a zero",
    (
        Key("move", Quantity("velocity"), "the creeping speed, signed", required=True, rule="R42"),
        Key("until", Formula(), "the condition that ends the creep", required=True, rule="R42"),
        Key("then", _POSITION, "the position where it then stands", required=True, rule="R42"),
        Key("once", Formula(), "the configuration in which it may be done", default="any", rule="R42"),
    ),
)

LOAD = Section(
    "a load",
    (
        Key("mass", Quantity("mass", sign="not negative"), "mass that moves with this axis alone", default="0 kg"),
        Key("centre", _POINT, "where the mass of a rotary axis is, in its own coordinates", default="[0 m, 0 m]"),
        Key(
            "inertia", Quantity("inertia", sign="not negative"), "inertia about the mass' own centre", default="0 kg.m2"
        ),
        Key(
            "counterbalance",
            OneOrPair(Quantity("effort")),
            "force or torque that pulls in the positive direction, least and most",
            default="0",
        ),
        Key("coulomb", Quantity("effort", sign="not negative"), "dry friction while moving", default="0"),
        Key("breakaway", Quantity("effort", sign="not negative"), "dry friction at rest", default="as coulomb"),
        Key("viscous", Quantity("viscous", sign="not negative"), "friction per speed", default="0"),
        Key("backlash", Quantity("position", sign="not negative"), "play between motors and axis", default="0"),
    ),
)

REST_MODES = ("hold", "brake", "off")
_REST = Either((OneOf(REST_MODES), Quantity("voltage")))

REST_CASE = Section(
    "a rest case",
    (
        Key("when", Formula(), "while this is true; the last case has none", default="always", rule="R43"),
        Key("at", _REST, "what the axis does then", required=True, rule="R43"),
    ),
)

STOPS = OneOf(("off", "ramp_then_off", "ramp_then_hold"))

AXIS = Section(
    "an axis",
    (
        Key("kind", OneOf(("linear", "rotary", "spin")), "a length, an angle, or rollers", required=True),
        Key("mount", Part(MOUNT), "where it sits in the side view", default="on the frame at its origin"),
        Key("travel", Pair(_POSITION), "least and greatest position; needed but on a spin"),
        Key("limits", Part(LIMITS), "what the axis may do", required=True),
        Key("tolerance", Part(TOLERANCE), "what counts as arrived and as following; needed but on a spin"),
        Key("actuators", Table("actuator", Part(ACTUATOR)), "what drives it", default="not judged"),
        Key("position", Part(SOURCE), "what measures it", default="all actuators, relative"),
        Key("latency", OneOrPair(_SOME_TIME), "order to motion, least and most", default="0 s"),
        Key(
            "between",
            OneOf(("hold", "carry_on")),
            "what the actuators do between orders",
            default="hold",
            rule="R52",
        ),
        Key("zero", Part(ZERO), "how it finds its zero", default="it is zeroed from elsewhere", rule="R42"),
        Key("load", Part(LOAD), "what it carries", default="not judged"),
        Key(
            "rest",
            Either((OneOf(REST_MODES), Quantity("voltage"), ListOf(Part(REST_CASE)))),
            "what it does between routines and after a stop",
            default="hold; a spin 0 V",
            rule="R43",
        ),
        Key("stop", STOPS, "how it stops (IEC 60204-1 categories 0, 1, 2)", default="ramp_then_hold", rule="R33"),
        Key(
            "unpowered",
            OneOf(("sinks", "rises", "stays")),
            "what it does without power",
            default="not judged",
        ),
    ),
)

SENSOR = Section(
    "a sensor",
    (
        Key("kind", OneOf(("switch", "number", "one_of")), "what it reads; a derived one is a switch"),
        Key("unit", Text("a unit such as m"), "unit of a number", default="a plain number"),
        Key("values", ListOf(Text("a word")), "the words of a one_of"),
        Key("stale_after", Duration(), "older than this it is unknown", default="never", rule="R16"),
        Key("from", Formula(), "the condition a derived sensor is computed from"),
        Key("steady", Duration(), "how long `from` must have been true", default="at once", rule="R15"),
        Key(
            "blind",
            _SOME_TIME,
            "not looked at for so long after a step took an axis that `from` names",
            default="0 s",
            rule="R15",
        ),
        Key(
            "plant",
            Text("a condition, an axis' position or speed, piece, or gap(body, body)"),
            "what it reads on the plant; a gap is the true distance of two bodies",
        ),
    ),
)

OUTPUT = Section(
    "an output",
    (
        Key("kind", OneOf(("switch", "number", "one_of")), "what it takes", required=True),
        Key("unit", Text("a unit such as m"), "unit of a number", default="a plain number"),
        Key("values", ListOf(Text("a word")), "the words of a one_of"),
        Key("rest", Anything(), "what it does when nobody uses it", required=True, rule="R27"),
    ),
)

PIECE = Section(
    "a piece",
    (
        Key("mass", Quantity("mass", sign="not negative"), "its mass", required=True),
        Key("carried_by", Name("an axis, or frame"), "the axis that carries it", required=True),
        Key("centre", _POINT, "its centre of mass in that axis' coordinates", default="[0 m, 0 m]"),
        Key("gripped_by", Name("a spin axis"), "the rollers that hold it"),
        Key("grip_torque", Quantity("torque", sign="not negative"), "torque at the rollers' stop", default="0 N.m"),
        Key(
            "inertia",
            Quantity("inertia", sign="not negative"),
            "its inertia at the rollers, which slip on it beyond the grip torque",
            default="it turns with them",
        ),
        Key(
            "turns_to_leave",
            Quantity("angle", sign="not negative"),
            "rollers turn so far until it is out",
            default="0 deg",
        ),
        Key("parts", Polygons(), "its outline in that axis' coordinates; with it, it is a body", default="not judged"),
    ),
)

INTERLOCK = Section(
    "an interlock",
    (
        Key("keep_out", Table("axis", Pair(_POSITION)), "a box of axis positions never to be in"),
        Key("when", Formula(), "the box holds while this is true or unknown", default="always"),
        Key("must_stay", Formula(), "the condition without which the axes must not move", rule="R32"),
        Key("axes", ListOf(Name("an axis")), "the axes that need it"),
        Key("stop", STOPS, "how they stop", default="each by its own", rule="R33"),
        Key(
            "because", Text("a reason in words"), "the reason, shown when it holds something", default="no reason given"
        ),
    ),
)

BODY = Section(
    "a body",
    (
        Key("carried_by", Name("an axis, frame, or outside"), "what carries it", required=True),
        Key("parts", Polygons(), "its outline in the coordinates of what carries it", required=True),
        Key(
            "along",
            OneOf(("x", "y")),
            'where else a body outside may stand: x forward, or "y" up, in quotes',
            default="x",
        ),
        Key("range", Pair(_LENGTH), "from where to where a body outside may stand; needed there"),
        Key(
            "reading",
            Name("a sensor"),
            "the sensor that tells where a body outside stands; its gauge moves it in rehearsals",
        ),
        Key(
            "share",
            Quantity("number", sign="positive"),
            "share of the carrier's motion that it makes (a cascade's middle stage)",
            default="1",
        ),
    ),
)

CLEARANCE = Section(
    "a clearance",
    (
        Key("between", Pair(Name("a body or of a piece with parts")), "the two bodies", required=True),
        Key(
            "margin",
            Quantity(
                "length",
                sign="not negative",
                instead="where the two may overlap give 'exempt: reason', or 'touching' in the step where they do",
            ),
            "the distance that must remain",
            default="0 m",
        ),
        Key("exempt", Text("a reason in words"), "why the two are not watched at all", default="they are watched"),
    ),
)

MACHINE = Section(
    "a machine",
    (
        Key("machine", Text("a name"), "what the machine is called", required=True),
        Key("period", Duration(), "time from tick to tick", default="20 ms"),
        Key("longest_gap", Duration(), "longest time without a tick", default="5 periods", rule="R20"),
        Key("battery", Part(BATTERY), "the battery", default="not judged"),
        Key("motors", Table("motor", Part(MOTOR)), "motors as their data sheets give them"),
        Key("axes", Table("axis", Part(AXIS)), "the axes, in the order in which they are let go", required=True),
        Key("sensors", Table("sensor", Part(SENSOR)), "sensors, read or derived"),
        Key("outputs", Table("output", Part(OUTPUT)), "outputs other than axes"),
        Key("pieces", Table("piece", Part(PIECE)), "the things it handles"),
        Key("presets", Table("preset", Table("axis", _POSITION)), "named positions of several axes"),
        Key("interlocks", Table("interlock", Part(INTERLOCK)), "rules that always hold"),
        Key("bodies", Table("body", Part(BODY)), "what may touch what in the side view; needed for clearances"),
        Key(
            "clearances",
            ListOf(Part(CLEARANCE)),
            "distances that must remain between bodies",
            default="0 m between all that can meet",
        ),
        Key(
            "variation",
            Part(VARIATION),
            "what differs from machine to machine and from day to day, for a spread",
            default="the ranges declared above",
        ),
    ),
)

OVERLAY_KEYS = (
    Key("over", Text("the file name of the machine"), "the machine file that it is laid over", required=True),
    Key("because", Text("a reason in words"), "the reason, recorded with everything", required=True, rule="R50"),
)
"""What an overlay has besides keys of a machine."""
