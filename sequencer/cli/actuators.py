"""What ``check --actuators`` tells: motors and battery step by step, one motor dead, and the power cut."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sequencer.cli.output import Output
from sequencer.units import show

if TYPE_CHECKING:
    from sequencer.check import Examination
    from sequencer.check.dead_actuator import DeadActuator
    from sequencer.check.feasibility import Feasibility
    from sequencer.check.unpowered import WithoutPower
    from sequencer.machine.machine import Machine

_HOLDING = "(holding)"


def say_actuators(machine: Machine, examination: Examination, output: Output) -> dict[str, Any]:
    """Say it in tables; the same as plain data.

    Args:
        machine: the machine.
        examination: what was found out about a routine.
        output: where words go.
    """
    plan, found, unpowered = examination.plan, examination.feasibility, examination.unpowered
    if plan is None or found is None or unpowered is None:
        output.say("no motors with their loads are declared; what they can do is not judged")
        return {"feasibility": None, "braking": None, "one_dead": None, "unpowered": None}
    from sequencer.check.dead_actuator import one_dead

    dead = one_dead(plan, found)
    _say_peaks(found, output)
    brakes = _say_braking(machine, output)
    _say_dead(dead, output)
    _say_unpowered(machine, unpowered, output)
    return {
        "feasibility": found.as_json(),
        "braking": brakes,
        "one_dead": [one.as_json() for one in dead],
        "unpowered": unpowered.as_json(),
    }


def _say_peaks(found: Feasibility, output: Output) -> None:
    output.say("what each step takes at most, over pieces, counterbalances and other loads as declared:")
    sags = {sag.step: sag for sag in found.sags}
    rows = []
    for peak in found.peaks:
        sag = sags.get(peak.step)
        margin = "" if peak.margin is None else f"{peak.margin:.0%}"
        if peak.margin is not None and peak.margin < 0.0:
            margin = output.styled(margin, "bad")
        rows.append(
            (
                peak.step or _HOLDING,
                f"{peak.axis}: {peak.actuator}",
                f"{peak.volts:.1f} V",
                f"{peak.amps:.1f} A",
                f"{peak.watts:.0f} W",
                f"{peak.duty:.0%}",
                margin,
                "" if sag is None else f"{sag.volts:.2f} V",
            )
        )
    output.table(("step", "actuator", "volts", "amps", "watts", "duty", "force left", "battery"), rows)
    if found.not_judged:
        output.say(f"not judged, for their motors or loads are not declared: {', '.join(found.not_judged)}")


def _say_braking(machine: Machine, output: Output) -> list[dict[str, Any]]:
    """The deceleration that stopping may count on, beside what the limits promise."""
    from sequencer.check.braking import sure_braking

    rows, data = [], []
    for axis in machine.axes.values():
        sure = sure_braking(machine, axis.name)
        if sure is None:
            continue
        lowest, highest = axis.limits.acceleration
        limits, given = (-lowest, highest), (sure.upwards, sure.downwards)
        shown = [show(float(f"{one:.4g}"), axis.acceleration_dimension) for one in (*limits, *given)]
        rows.append((axis.name, *shown))
        data.append({"axis": axis.name, **sure._asdict()})
    if rows:
        output.say()
        output.say(
            "braking, as the limits ask for it and as motors surely give it (battery low, no help from friction):"
        )
        output.table(("axis", "upwards, asked", "downwards, asked", "upwards, sure", "downwards, sure"), rows)
    return data


def _say_dead(dead: tuple[DeadActuator, ...], output: Output) -> None:
    if not dead:
        return
    from sequencer.check.dead_actuator import CAUTION

    output.say()
    output.say("with one of several actuators of an axis dead:")
    rows = []
    for one in dead:
        if one.slower is None or one.limits is None:
            works, limits = output.styled("does not work", "bad"), ""
        elif one.slower == 1.0:
            works, limits = "as planned", ""
        else:
            velocity, acceleration = one.limits
            works = f"takes {one.slower:.2f} times as long"
            limits = f"velocity {velocity:.0%}, acceleration {acceleration:.0%}"
        rows.append((f"{one.axis}: {one.actuator}", one.step or _HOLDING, works, limits))
    output.table(("dead", "step", "then", "limits"), rows)
    output.say(CAUTION)


def _say_unpowered(machine: Machine, found: WithoutPower, output: Output) -> None:
    output.say()
    output.say("with the power cut, each axis for itself:")
    rows = []
    for name, does in found.tendencies.items():
        axis, said = machine.axes[name], machine.axes[name].unpowered
        ways = [way for way in found.ways if way.axis == name]
        longest = max(ways, key=lambda way: max(way.span[1] - way.position, way.position - way.span[0]))
        low, high = (axis.show(round(end, 3)) for end in longest.span)
        where = f" in '{longest.step}'" if longest.step else ""
        rows.append(
            (
                name,
                " or ".join(sorted(does)),
                said or "",
                f"from {axis.show(round(longest.position, 3))} to within {low} to {high}, cut at "
                f"{longest.at:.2f} s{where}",
            )
        )
    output.table(("axis", "from rest it", "said", "the longest way"), rows)
