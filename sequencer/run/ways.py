"""Moves that look their way up: where they stand, by which boxes it leads to the goal, and when the next box opens.

A way is looked up once, from what everything occupies when the step begins to act, and gone leg by leg: the axes make
for the place of a leg, and as soon as all that they occupy lies in the box of a later one they make for its place, out
of the motion at hand. So the machine is in free boxes all the time, whatever is late, held or begun anew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sequencer.errors import did_you_mean, enumerate_words
from sequencer.routine.way_table import Leg, WayTable, table_to
from sequencer.run.definition import RoutineDefinition, StepDefinition
from sequencer.run.jog_directions import jog_directions
from sequencer.run.terms import Scope

if TYPE_CHECKING:
    from sequencer.run.host import Host
    from sequencer.run.motion import Motion


class Way:
    """What a step goes along: `legs`, the number `at` of the one at hand, and the axes of its table by index."""

    __slots__ = ("at", "axes", "legs")

    def __init__(self, legs: Sequence[Leg], axes: Sequence[int]) -> None:
        self.legs = tuple(legs)
        self.axes = tuple(axes)
        self.at = 0

    def __str__(self) -> str:
        return f"leg {self.at + 1} of {len(self.legs)}"

    @property
    def leg(self) -> Leg:
        """The leg at hand."""
        return self.legs[self.at]

    @property
    def at_last(self) -> bool:
        """Whether no further leg follows."""
        return self.at == len(self.legs) - 1

    def opened(self, host: Host) -> bool:
        """Whether a later leg has opened: everything that is occupied, if all brakes now, lies in its box."""
        if self.at_last:
            return False
        low, high = [], []
        for index in self.axes:
            motion = host.motions[index]
            reach = motion.reach_if_braking_now() if motion.moving else (motion.occupied_low, motion.occupied_high)
            low.append(reach[0])
            high.append(reach[1])
        for number in range(len(self.legs) - 1, self.at, -1):
            if self.legs[number].holds(low, high):
                self.at = number
                return True
        return False


@dataclass(frozen=True, slots=True)
class WayTo:
    """The answer to the question how to get to a preset from here.

    Attributes:
        goal: the preset.
        places: where the axes go one after the other [m or rad], by axis; none: there is no way.
        routine: the routine whose request goes there from here; "" if none does.
        because: why there is no way, with the directions to jog; "" if there is one.
        jog: the directions that lead out of what is in the way or away from it, such as ("lift", 1).
    """

    goal: str
    places: tuple[Mapping[str, float], ...]
    routine: str
    because: str
    jog: tuple[tuple[str, int], ...]

    @property
    def found(self) -> bool:
        """Whether there is a way."""
        return bool(self.places)


def look_up(host: Host, table: WayTable) -> Way | None:
    """The way from what the machine occupies now, or None."""
    axes = [host.definition.axis_index[name] for name in table.axes]
    low, high = zip(*(_stands(host.motions[index]) for index in axes), strict=True)
    lows = [motion.occupied_low for motion in host.motions]
    highs = [motion.occupied_high for motion in host.motions]

    def free(begin: Sequence[float], end: Sequence[float]) -> bool:
        for index, least, most in zip(axes, begin, end, strict=True):
            lows[index], highs[index] = least, most
        return host.supervisor.is_clear(lows, highs)

    legs = table.way(low, high, free)
    return Way(legs, axes) if legs else None


def tables_of(definition: RoutineDefinition, step: StepDefinition, host: Host) -> tuple[WayTable, ...]:
    """The tables of a step, that for the goal which it has with the parameters' own values first."""
    values = {name: one["value"] for name, one in definition.parameters.items()}
    scope = Scope(host.values, {}, values, host.definition.presets)
    goal = {host.axis_names[axis]: scope.number(place[1]) for axis, place in step.data["goals"] if place[0] == "at"}
    found = tuple(definition.ways[number] for number in step.ways)
    table = table_to(found, goal)
    return found if table is None else (table,)


def no_way(host: Host, definition: RoutineDefinition) -> str | None:
    """Why a routine that begins with a look for its way has none from here, or None."""
    for number in definition.enters:
        step = definition.steps[number]
        tables = tables_of(definition, step, host)
        if all(look_up(host, table) is None for table in tables):
            return no_way_words(host, tables[0]) if tables else f"nothing is known to lead to the goal of {step.name}"
    return None


def no_way_words(host: Host, table: WayTable) -> str:
    """That there is no way, what the machine stands in, and where it may be jogged."""
    goal = ", ".join(f"{name} {_show(host, name, place)}" for name, place in table.goal.items())
    inside = [box.name for box in host.supervisor.entered()]
    because = f"the machine stands in {enumerate_words(inside, 3)}" if inside else "none is certified from here"
    words = [f"{name} {'up' if sign > 0 else 'down'}" for name, sign in jog_directions(host)]
    out = f"jog {' or '.join(words)}" if words else "no single axis is known to lead out; move it by hand, unpowered"
    return f"no way to {goal}: {because}; {out}"


def way_to(host: Host, goal: str) -> WayTo:
    """How to get to a preset from here, by the tables of all routines."""
    positions = host.definition.presets[goal]
    here: tuple[WayTo | None, WayTable | None] = (None, None)
    for name, definition in host.routines.items():
        for one in (definition, *definition.after.values()):
            table = table_to(one.ways, positions)
            if table is None:
                continue
            way = look_up(host, table)
            by = name if one is definition and one.goes_straight_to(table) else ""
            if way is None:
                here = here if here[1] is not None else (None, table)
                continue
            places = tuple(dict(zip(table.goal, leg.place, strict=True)) for leg in way.legs)
            if here[0] is None or (by and not here[0].routine):
                here = (WayTo(goal, places, by, "", ()), table)
    if here[0] is not None:
        return here[0]
    if here[1] is not None:
        return WayTo(goal, (), "", no_way_words(host, here[1]), jog_directions(host))
    known = sorted({_preset_of(host, table) for one in host.routines.values() for table in one.ways} - {""})
    near = did_you_mean(goal, known) if known else "write one with `route: clear`"
    return WayTo(goal, (), "", f"no routine here knows ways to {goal}; {near}", ())


def _stands(motion: Motion) -> tuple[float, float]:
    """Where an axis stands or comes to rest; set-points in flight are waited for before a way is gone."""
    if motion.known and not motion.moving and not motion.anywhere:
        return motion.position, motion.position
    return motion.occupied_low, motion.occupied_high


def _preset_of(host: Host, table: WayTable) -> str:
    return next((name for name, places in host.definition.presets.items() if places == dict(table.goal)), "")


def _show(host: Host, name: str, place: float) -> str:
    return host.definition.axes[host.definition.axis_index[name]].show(place)
