"""Every key of a routine file: shape, default and meaning; and which keys fit which kind of step."""

from __future__ import annotations

from dataclasses import dataclass

from sequencer.machine.condition import Condition
from sequencer.machine.node import Node
from sequencer.machine.reading import NAME, Reading, condition_of
from sequencer.machine.shape import Anything, Either, Key, NotYet, Part, Section, Sentence, Steps, Table
from sequencer.machine.written import Duration, Formula, ListOf, Name, OneOf, Pair, Quantity, Switch, Text, Whole
from sequencer.routine.steps import Timeout
from sequencer.units import TIME

NO_TIMEOUT = 'write "timeout: none" if it may take for ever'


@dataclass(frozen=True, slots=True)
class TimeLimit(Sentence):
    """A timeout: a time, ``planned + TIME``, or ``none``."""

    def expected(self) -> str:
        return "a time, planned + TIME, or none"

    def read(self, node: Node, path: str, reading: Reading) -> Timeout:
        text = node.value
        if isinstance(text, str) and text.strip() == "none":
            return Timeout("none")
        time = Duration(words=True, hint=NO_TIMEOUT)
        if isinstance(text, str) and text.strip().startswith("planned"):
            rest = text.strip().removeprefix("planned").strip()
            if not rest.startswith("+") or not rest[1:].strip():
                raise reading.wrong(
                    node, path, f"'{text}' is not a timeout", "write planned + 0.5 s, a time, or none", "R24"
                )
            inner = Node(rest[1:].strip(), node.place, rest[1:].strip())
            return Timeout("planned", time.read(inner, path, reading))
        return Timeout("fixed", time.read(node, path, reading))


@dataclass(frozen=True, slots=True)
class Awaited(Sentence):
    """What a wait waits for: a condition, or a time."""

    def expected(self) -> str:
        return "a condition such as lift > 0.4 m, or a time such as 100 ms"

    def read(self, node: Node, path: str, reading: Reading) -> Condition | int | str:
        text = node.value
        if not isinstance(text, str):
            return Duration(words=True, hint=NO_TIMEOUT).read(node, path, reading)
        judge = reading.judge
        is_word = NAME.match(text) is not None and judge is not None and judge(text, TIME, None) is None
        is_time = text.strip()[:1] in "+-.0123456789" and not any(sign in text for sign in "<>")
        if is_word or is_time:
            return Duration(words=True, hint=NO_TIMEOUT).read(node, path, reading)
        return condition_of(node, path, reading)


_TIME = Duration(words=True)
_TIME_OR_ZERO = Duration(words=True, zero=True)
_POSITION = Quantity("position", words=True)

PARAMETER = Section(
    "a parameter",
    (
        Key("value", Anything(), "the number, with its unit"),
        Key("range", Pair(Anything()), "the least and the greatest it may be", default="a constant"),
        Key("preset", Name("a preset"), "the preset that it stands for"),
        Key("choices", ListOf(Name("a preset")), "the presets that it may stand for", default="that one"),
        Key("about", Text("words"), "what it is for"),
    ),
)

DEFAULTS = Section(
    "defaults",
    (Key("timeout", TimeLimit(), "the timeout of steps that give none", rule="R24"),),
)

BY = Section(
    "a goal",
    (
        Key("by", Quantity("position", words=True), "how far from where the axis is when the step starts"),
        Key("reading", Name("a sensor"), "the sensor that gives the goal when the step starts", rule="R25"),
        Key("range", Pair(Quantity("position")), "what the reading must lie within then"),
    ),
)

FLICK = Section(
    "a flick",
    (
        Key("through", _POSITION, "the position passed at speed", required=True),
        Key("speed", Quantity("velocity", words=True), "the speed there, unsigned", required=True),
        Key("to", _POSITION, "where it comes to rest", required=True),
    ),
)

PASSING = Section(
    "a milestone",
    (
        Key("step", Name("a step"), "the running step", required=True, rule="M1"),
        Key("at", Either((Text("through, or a position"),)), "through of a flick, or a position", default="through"),
        Key("axis", Name("an axis"), "whose position, where the step moves several"),
        Key("lead", _TIME_OR_ZERO, "so much earlier", default="0 s", rule="M2"),
        Key("lag", _TIME_OR_ZERO, "so much later", default="0 s", rule="M2"),
    ),
)

ANY = Section("a join", (Key("any", ListOf(Name("a step")), "the first of them", required=True, rule="R12"),))

LIMITS_OF_STEP = Section(
    "limits of a step",
    (
        Key("velocity", Quantity("velocity"), "greatest speed, or a share of the axis' in %", default="the axis'"),
        Key("acceleration", Quantity("acceleration"), "greatest acceleration, or a share in %", default="the axis'"),
        Key("jerk", Quantity("jerk"), "greatest jerk, or a share in %", default="the axis'"),
    ),
)

BRANCH = Section(
    "a branch",
    (
        Key("if", Formula(), "taken if this is true and none above is", rule="R11"),
        Key("steps", Steps(), "what is then done"),
        Key("else", Steps(), "what is done if none is true; last in the list", rule="R11"),
    ),
)

REPEAT = Section(
    "a repeat",
    (
        Key("times", Quantity("number", words=True), "how many passages"),
        Key("until", Formula(), "tested at the end of each passage"),
        Key("steps", Steps(), "one passage", required=True, rule="R9"),
    ),
)

KINDS = ("move", "flick", "press", "pulse", "wait", "set", "choose", "repeat", "perform")
STARTS = ("after", "with", "passing", "at")
_ALL = frozenset(KINDS)
_MOVERS = frozenset({"move", "flick", "press"})
_LASTING = _ALL - {"set"}
_ENDED_BY_CONDITION = frozenset({"move", "flick", "press", "pulse"})

STEP = Section(
    "a step",
    (
        Key(
            "move",
            Either((Name("a preset"), Table("axis", Either((_POSITION, Part(BY)))))),
            "a timed move of one axis or several, or to a preset; {per: SENSOR, VALUE: PRESET} chooses by a sensor",
            rule="R30",
        ),
        Key(
            "flick", Table("axis", Part(FLICK)), "passes a position at a speed, then follows through to rest", rule="M3"
        ),
        Key(
            "press",
            Table("axis and toward", Quantity("current", words=True)),
            "pushes an axis with an effort [A], no farther than `toward`",
            rule="R46",
        ),
        Key(
            "pulse",
            Table("spin axis or output", Anything()),
            "drives rollers or outputs while it is active",
            rule="R26",
        ),
        Key("wait", Awaited(), "waits for a condition or a time"),
        Key("set", Table("output", Anything()), "sets outputs at entry", rule="R26"),
        Key("choose", ListOf(Part(BRANCH)), "the first branch whose condition is true", rule="R11"),
        Key("repeat", Part(REPEAT), "the steps again and again", rule="R9"),
        Key("perform", Name("a routine"), "another routine's steps in this place", rule="R9"),
        Key(
            "after",
            Either((Name("a step"), ListOf(Name("a step")), Part(ANY))),
            "starts when all of these have ended; {any: [...]}: the first; []: at the beginning",
            default="follows everything still open above it",
            rule="R12",
        ),
        Key("with", Name("a step"), "starts together with that step"),
        Key("passing", Part(PASSING), "starts when a running step's profile passes a place", rule="M1"),
        Key("at", Duration(zero=True), "starts at a time from the beginning of the routine or block", rule="R21"),
        Key("once", Formula(), "active but not moving until this is true", rule="R32"),
        Key("until", Formula(), "ends it when true", rule="R14"),
        Key("steady", _TIME, "how long its condition must stay true", default="one sample", rule="R15"),
        Key("blind", _TIME_OR_ZERO, "its condition is not looked at for so long", default="0 s", rule="R15"),
        Key("for", _TIME, "how long a pulse lasts", rule="R17"),
        Key("timeout", TimeLimit(), "when it has taken too long", default="that of defaults", rule="R24"),
        Key(
            "on_timeout",
            Name("a routine, or fault, continue or cancel"),
            "what happens then",
            default="fault",
            rule="R24",
        ),
        Key("retry", Whole(0), "how often it is tried again after a timeout", default="0", rule="R24"),
        Key("must_stay", Formula(), "what must stay true meanwhile, or the axes stop and the run faults", rule="R32"),
        Key("only_if", Formula(), "false at its start: it does nothing", rule="R11"),
        Key("given", Table("parameter", Anything()), "parameters of the performed routine", default="their own values"),
        Key("usually", _TIME, "how long a wait takes in the plan", default="a tick to the timeout", rule="R24"),
        Key("preempt", Switch(), "takes an axis or output from the step that has it", default="false", rule="R28"),
        Key("phase", Switch(), "whether a flick is shifted so that a pulse falls on a tick", default="true", rule="M3"),
        Key("limits", Part(LIMITS_OF_STEP), "slower than the axis", default="the axis'"),
        Key("profile", OneOf(("s_curve", "trapezoid", "motor")), "the shape of the motion", default="s_curve"),
        Key("together", Switch(), "whether several axes share one duration", default="false", rule="R30"),
        Key("about", Text("words"), "what it is for"),
        Key(
            "route",
            OneOf(("clear",)),
            "clear: the way is looked up among certified ones from wherever it starts, round what is in between",
            default="straight to the goal",
            rule="R47",
        ),
        Key(
            "touching",
            Pair(Name("a body, of a piece with parts, or of the sensor that tells which piece is held")),
            "two bodies that may meet while this step is active; the sensor stands for whichever piece is held",
            default="none may",
            rule="R46",
        ),
    ),
)

FITS: dict[str, frozenset[str]] = {
    "until": _ENDED_BY_CONDITION,
    "steady": _ENDED_BY_CONDITION | {"wait"},
    "blind": _ENDED_BY_CONDITION | {"wait"},
    "for": frozenset({"pulse"}),
    "timeout": _LASTING,
    "on_timeout": _LASTING,
    "retry": _LASTING,
    "usually": frozenset({"wait", "press", "pulse", "choose"}),
    "given": frozenset({"perform"}),
    "preempt": _ENDED_BY_CONDITION | {"set"},
    "phase": frozenset({"flick"}),
    "limits": _MOVERS,
    "profile": frozenset({"move"}),
    "together": frozenset({"move"}),
    "touching": _MOVERS,
    "route": frozenset({"move"}),
}
"""The kinds of step that a key fits; a key that is not here fits every kind."""

EXPECT = Section(
    "an expectation",
    (
        Key("outcome", OneOf(("done", "cancelled", "faulted")), "how the run ends", rule="R22"),
        Key("finishes_within", Duration(), "the longest it may take"),
        Key("order", ListOf(Name("a step")), "steps that start in this order"),
        Key("never", ListOf(Name("a step")), "steps that never start"),
        Key("clearance", Quantity("length", sign="not negative"), "the least distance between watched bodies"),
    ),
)

CONTACT = Section(
    "a contact",
    (
        Key("at", Quantity("position"), "the position of the axis at which it is met", required=True),
        Key("side", OneOf(("above", "below")), "whether it stands above or below that position", required=True),
        Key(
            "stiffness",
            Quantity("stiffness", sign="positive"),
            "how it pushes back",
            default="20000 N/m or 2000 N.m/rad",
        ),
        Key("damping", Quantity("viscous", sign="not negative"), "how it brakes while it is pressed", default="0"),
        Key("since", Duration(zero=True), "it stands there from this time on", default="from the beginning"),
        Key("until", Duration(), "and until this time", default="to the end"),
    ),
)

REHEARSAL = Section(
    "a rehearsal",
    (
        Key(
            "gauges",
            Table("sensor", Either((Anything(), ListOf(ListOf(Anything()))))),
            "what sensors read: a value, or a list of [time, value]",
        ),
        Key("parameters", Table("parameter", Anything()), "parameters that differ"),
        Key("from", Name("a preset"), "where it starts", default="the routine's from"),
        Key("piece", Name("a piece"), "the piece held at the start", default="none"),
        Key("offered", Table("piece", Duration(zero=True)), "pieces laid before the rollers, each with its time"),
        Key(
            "pressed",
            Table("button", Duration(zero=True)),
            "what a person asks of the runner on the way (cancel, hold, resume, abort), each with its time",
        ),
        Key(
            "contacts",
            Table("axis", Part(CONTACT)),
            "what stands outside and is pressed by an axis, wherever bodies are declared",
            default="nothing is met",
        ),
        Key("expect", Part(EXPECT), "what must come out", default="it ends done"),
    ),
)

WAIVER = Section(
    "a waiver",
    (
        Key("rule", Text("a rule"), "the rule of the finding", required=True),
        Key("step", Name("a step"), "the step of the finding", default="any"),
        Key("down_to", Anything(), "the value that is accepted, with its unit"),
        Key("because", Text("a reason in words"), "the reason", required=True),
        Key("between", NotYet(), "a pair of bodies"),
    ),
)

OUTSIDE_RANGE = Section(
    "an outside range",
    (
        Key("range", Pair(Quantity("length")), "from where to where it may stand", required=True, rule="R51"),
        Key("since", Name("a step"), "holds from the start of this step on", default="from the beginning"),
    ),
)

ROUTINE = Section(
    "a routine",
    (
        Key("routine", Name("the routine"), "what it is called; the file is NAME.routine.yaml", required=True),
        Key("machine", Text("the file of its machine"), "path from the routine's file, within its folder"),
        Key("from", Name("a preset, or anywhere"), "where it may start", default="anywhere", rule="R51"),
        Key("about", Text("words"), "what it is for"),
        Key("parameters", Table("parameter", Part(PARAMETER)), "what a caller or tuning may change", rule="R25"),
        Key("defaults", Part(DEFAULTS), "what holds for steps that say nothing"),
        Key("steps", Steps(), "the steps, in order", required=True),
        Key("rehearsals", ListOf(Table("rehearsal", Part(REHEARSAL))), "rehearsals kept with it"),
        Key("waive", ListOf(Part(WAIVER)), "findings accepted in writing", rule="R50"),
        Key(
            "outside",
            Table("body", Part(OUTSIDE_RANGE)),
            "where bodies outside the machine may stand",
            default="anywhere in their range",
            rule="R51",
        ),
        Key(
            "on_cancel",
            Either((Part(STEP), Steps())),
            "what is done after a cancel, once everything stands still: a move, or a list of plain steps",
            rule="R47",
        ),
        Key(
            "on_fault",
            Either((Part(STEP), Steps())),
            "the same after a fault of the process (a timeout, say); after one of the machine nothing moves",
            rule="R47",
        ),
    ),
)
