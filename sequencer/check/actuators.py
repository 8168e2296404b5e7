"""Actuators: none is asked for more than it has, and the battery does not break down under what all draw together."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.check.demand import STANDS
from sequencer.check.feasibility import Feasibility, Sag, Shortfall
from sequencer.check.finding import Finding
from sequencer.machine.axis import Axis
from sequencer.plan.resolve import FlatRoutine, Node
from sequencer.units import VOLTAGE, show


def actuator_findings(flat: FlatRoutine, found: Feasibility) -> Iterator[Finding]:
    """Steps that motors cannot make as planned, and steps in which controllers would drop out.

    It is an error where it is so with nothing held, the mean counterbalance and the least other load, and the axis
    faults when it falls behind; a warning where only the worst of what is declared is too much, or the axis waits.

    Args:
        flat: the routine.
        found: what its plan takes out of actuators and battery.
    """
    nodes = {node.name: node for node in flat.nodes}
    for one in found.shortfalls:
        yield _lacks(flat, nodes.get(one.step), one)
    battery = flat.machine.battery
    for sag in found.sags:
        if battery is not None and sag.volts < battery.brown_out:
            yield _sags(flat, nodes.get(sag.step), sag, battery.brown_out)


def _lacks(flat: FlatRoutine, node: Node | None, one: Shortfall) -> Finding:
    axis = flat.machine.axes[one.axis]
    waits = axis.tolerance.behind == "wait"
    carried = f" with {one.with_words}" if one.with_words else ""
    needed, available = _force(axis, one.needed), _force(axis, one.available)
    what = f"'{one.step}' asks {axis.name} for" if one.step != STANDS else f"to hold its place {axis.name} needs"
    then = "the motion waits for it" if waits else "the axis faults when it falls behind"
    return Finding(
        "actuators",
        "error" if one.always and not waits else "warning",
        f"{what} {needed} at {one.at:.2f} s{carried}; its motors have {available} there at "
        f"{show(round(one.volts, 2), VOLTAGE)}, so that they cannot follow and {then}",
        one.step or None,
        node.step.place if node is not None else axis.place,
        "give the step lower limits, or profile: motor, which takes what the motors have",
        begin=one.at,
        found=one.needed,
        allowed=one.available,
    )


def _sags(flat: FlatRoutine, node: Node | None, sag: Sag, brown_out: float) -> Finding:
    always = sag.with_least < brown_out
    where = f"'{sag.step}'" if sag.step != STANDS else "holding"
    loads = "even with the least of all loads" if always else "with the worst of what is declared"
    return Finding(
        "actuators",
        "error" if always else "warning",
        f"{where} pulls the battery down to {show(round(sag.volts, 2), VOLTAGE)} at {sag.at:.2f} s {loads}; "
        f"controllers drop out below {show(brown_out, VOLTAGE)}",
        sag.step or None,
        node.step.place if node is not None else flat.routine.place,
        "let less move at once, or lower the winding limits",
        begin=sag.at,
        found=sag.volts,
        allowed=brown_out,
    )


def _force(axis: Axis, force: float) -> str:
    return show(float(f"{force:.3g}"), axis.effort_dimension)
