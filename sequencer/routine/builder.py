"""Routines written in Python, with the keys of the file format as plain keyword arguments.

    routine = RoutineBuilder("hang", machine, start="carry", timeout="planned + 0.6 s")
    routine.parameter("release_lead", value="30 ms", range=("0 ms", "110 ms"))
    routine.step("flick", flick(wrist={"through": "58 deg", "speed": "380 deg/s", "to": "84 deg"}))
    routine.step("let_go", pulse(rollers="-6 V"), passing=("flick", "through"), lead="release_lead", duration="140 ms")
    hang = routine.build()

Quantities, conditions and names are written as in files and read by the same functions. Four keys have other names,
because Python or English needs theirs: `start` is `from`, `together_with` is `with`, `duration` is `for`, and
`otherwise` is `else`. `lead` and `lag` stand beside `passing`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from sequencer.errors import ModelError, did_you_mean
from sequencer.machine.machine import Machine
from sequencer.machine.node import Problem, node_of
from sequencer.machine.reading import Reading
from sequencer.machine.shape import NotYet
from sequencer.places import Place
from sequencer.routine.afterwards import AFTERWARDS, AfterwardsKey
from sequencer.routine.keys import KINDS, STEP
from sequencer.routine.problems import problems_of
from sequencer.routine.reader import routine_of
from sequencer.routine.routine import ANYWHERE, Routine

Written = Mapping[str, Any]
"""What a step, or a part of one, is in a file: keys and values as text, numbers, lists and mappings."""

_OTHER_NAMES = {"together_with": "with", "duration": "for"}


def move(preset: str | None = None, *, per: str | None = None, **goals: object) -> Written:
    """A timed move: to a preset, to goals by axis (``lift="1.1 m"``, ``lift=by("40 mm")``), or to one preset `per`
    value of a sensor (``per="piece", lantern="ridge"``).

    Raises:
        ModelError: more than one of the three is given, or none.
    """
    if (preset is None) == (not goals and per is None):
        raise ModelError("a move has either a preset or goals by axis; write move('stow') or move(lift='1.1 m')")
    if preset is not None:
        return {"move": preset}
    return {"move": {"per": per, **goals} if per is not None else goals}


def by(distance: object) -> Written:
    """A goal so far from where the axis is when the step starts."""
    return {"by": distance}


def from_reading(sensor: str, low: object, high: object) -> Written:
    """A goal read from a sensor when the step starts, which must lie from `low` to `high` then."""
    return {"reading": sensor, "range": [low, high]}


def flick(**axis: Mapping[str, object]) -> Written:
    """A move of one axis that passes `through` at `speed`, then comes to rest at `to`: ``wrist={"through": ...}``."""
    return {"flick": axis}


def press(*, toward: object, **axis: object) -> Written:
    """A push of one axis with an effort (``wrist="14 A"``), no farther than `toward`."""
    return {"press": {**axis, "toward": toward}}


def pulse(**targets: object) -> Written:
    """Rollers or outputs driven while the step is active: ``rollers="-6 V"``."""
    return {"pulse": targets}


def wait(awaited: object) -> Written:
    """A wait for a condition (``"lift > 0.4 m"``) or a time (``"100 ms"``)."""
    return {"wait": awaited}


def set_outputs(**values: object) -> Written:
    """Outputs set at entry: ``lamp="steady"``."""
    return {"set": values}


def choose(*branches: tuple[str, Iterable[Written]], otherwise: Iterable[Written] | None = None) -> Written:
    """The first branch, a pair of condition and steps, whose condition is true; else `otherwise`."""
    listed: list[Written] = [{"if": condition, "steps": list(steps)} for condition, steps in branches]
    if otherwise is not None:
        listed.append({"else": list(otherwise)})
    return {"choose": listed}


def repeat(steps: Iterable[Written], *, times: object = None, until: str | None = None) -> Written:
    """The steps again and again, so many `times` or `until` a condition is true at the end of a passage."""
    ends = {"times": times, "until": until}
    return {"repeat": {**{key: value for key, value in ends.items() if value is not None}, "steps": list(steps)}}


def perform(routine: str) -> Written:
    """Another routine's steps in this place; its parameters are `given` beside it."""
    return {"perform": routine}


def step(name: str, body: Written, **keys: object) -> Written:
    """A step inside a block; `RoutineBuilder.step` adds one to a routine.

    Args:
        name: what it is called, unique in the routine.
        body: what it does: `move`, `flick`, `press`, `pulse`, `wait`, `set_outputs`, `choose`, `repeat`, `perform`.
        keys: the other keys of a step, as in files.

    Raises:
        ModelError: a key is none of a step's.
    """
    written: dict[str, object] = dict(body)
    passing: dict[str, object] = {}
    known = {key.name for key in STEP.keys if not isinstance(key.shape, NotYet)} - set(KINDS)
    for key, value in keys.items():
        if key in ("lead", "lag"):
            passing[key] = value
            continue
        key = _OTHER_NAMES.get(key, key)
        if key not in known:
            near = did_you_mean(key, [*known - {"with", "for"}, *_OTHER_NAMES, "lead", "lag"])
            raise ModelError(f"steps.{name}: unknown key '{key}'; {near}")
        if value is not None:
            written[key] = _milestone(value) if key == "passing" else value
    if passing:
        if not isinstance(written.get("passing"), dict):
            raise ModelError(f"steps.{name}: 'lead' and 'lag' belong to 'passing'; add passing=(step, place)")
        written["passing"] = {**written["passing"], **passing}  # type: ignore[dict-item]
    return {name: written}


class RoutineBuilder:
    """A routine in the making; `build` gives the model that a file with the same keys would give.

    Args:
        name: what the routine is called.
        machine: the machine it is for.
        start: the preset it starts from, or "anywhere" (`from` in a file).
        timeout: of steps that give none (`defaults` in a file).
        about: what it is for.
        subroutines: the routines that it performs or falls back to.
    """

    def __init__(
        self,
        name: str,
        machine: Machine,
        *,
        start: str = ANYWHERE,
        timeout: str | None = None,
        about: str = "",
        subroutines: Iterable[Routine] = (),
    ) -> None:
        self._machine = machine
        self._subroutines = {routine.name: routine for routine in subroutines}
        self._written: dict[str, Any] = {"routine": name, "from": start, "about": about, "parameters": {}}
        self._written["outside"] = {}
        if timeout is not None:
            self._written["defaults"] = {"timeout": timeout}
        self._steps: list[Written] = []
        self._rehearsals: list[Written] = []
        self._waivers: list[Written] = []
        self._after: dict[AfterwardsKey, list[Written]] = {key: [] for key in AFTERWARDS}

    def parameter(
        self,
        name: str,
        *,
        value: object = None,
        range: tuple[object, object] | None = None,
        preset: str | None = None,
        choices: Iterable[str] | None = None,
        about: str | None = None,
    ) -> None:
        """Add a parameter: a number with its `range`, or a preset with its `choices`.

        Raises:
            ModelError: there is one of that name.
        """
        if name in self._written["parameters"]:
            raise ModelError(f"two parameters are called '{name}'; rename one")
        keys = {
            "value": value,
            "range": range,
            "preset": preset,
            "choices": None if choices is None else list(choices),
            "about": about,
        }
        self._written["parameters"][name] = {key: found for key, found in keys.items() if found is not None}

    def outside(self, body: str, *, range: tuple[object, object], since: str | None = None) -> None:
        """Say where a body outside the machine may stand, from the step `since` on.

        Raises:
            ModelError: that was said of this body before.
        """
        if body in self._written["outside"]:
            raise ModelError(f"two ranges are given for '{body}'; leave one out")
        self._written["outside"][body] = {"range": range} | ({} if since is None else {"since": since})

    def on_cancel(self, name: str, body: Written, **keys: object) -> None:
        """Add a step that runs after a cancel, once everything stands still; see the function `step`."""
        self._after["on_cancel"].append(step(name, body, **keys))

    def on_fault(self, name: str, body: Written, **keys: object) -> None:
        """Add a step that runs after a fault of the process; after one of the machine nothing moves."""
        self._after["on_fault"].append(step(name, body, **keys))

    def step(self, name: str, body: Written, **keys: object) -> None:
        """Add a step; see the function `step`."""
        self._steps.append(step(name, body, **keys))

    def rehearsal(
        self,
        name: str,
        *,
        gauges: Mapping[str, object] | None = None,
        parameters: Mapping[str, object] | None = None,
        start: str | None = None,
        piece: str | None = None,
        offered: Mapping[str, object] | None = None,
        pressed: Mapping[str, object] | None = None,
        contacts: Mapping[str, object] | None = None,
        expect: Mapping[str, object] | None = None,
    ) -> None:
        """Add a rehearsal: scripted gauges, parameters, where it starts, the piece held, pieces `offered` and
        buttons `pressed` at times, `contacts` that axes lean on, and what must come out.
        """
        keys: dict[str, object] = {"gauges": gauges, "parameters": parameters, "from": start, "piece": piece}
        keys |= {"offered": offered, "pressed": pressed, "contacts": contacts, "expect": expect}
        self._rehearsals.append({name: {key: value for key, value in keys.items() if value is not None}})

    def waive(self, rule: str, *, because: str, step: str | None = None, down_to: object = None) -> None:
        """Accept a finding in writing."""
        keys = {"rule": rule, "step": step, "down_to": down_to, "because": because}
        self._waivers.append({key: value for key, value in keys.items() if value is not None})

    def build(self) -> Routine:
        """The routine.

        Raises:
            ModelError: anything is wrong with it; the message and `problems` have everything at once.
        """
        written = {**self._written, "steps": self._steps, "rehearsals": self._rehearsals, "waive": self._waivers}
        written |= {key: steps for key, steps in self._after.items() if steps}
        if not written["about"]:
            del written["about"]
        reading = Reading()

        def find(name: str, place: Place, path: str) -> Routine | None:
            found = self._subroutines.get(name)
            if found is None:
                near = did_you_mean(name, self._subroutines)
                reading.wrong_at(place, path, f"unknown routine '{name}'; pass it in subroutines", near)
            return found

        routine = routine_of(node_of(written), self._machine, reading, find)
        problems = list(reading.problems)
        if routine is not None and not problems:
            for found in problems_of(routine):
                path = f"steps.{found.step}" if found.step else found.key
                problems.append(Problem(found.place, path, found.message, "", found.hint, found.rule))
        if problems or routine is None:
            unique = list(dict.fromkeys(problems))
            message = "\n".join(str(problem) for problem in unique)
            raise ModelError(message, [(problem.place, str(problem)) for problem in unique])
        return routine


def _milestone(value: object) -> object:
    """(step, place) or (step, place, axis) as a table; a table as it is."""
    if isinstance(value, tuple | list):
        return dict(zip(("step", "at", "axis"), value, strict=False))
    return value
