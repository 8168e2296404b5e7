"""Everything that recordings tell of one axis: how late it is, what it weighs, how it rubs, how fast it goes; and what
the machine's file should say."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import sin
from typing import Any

import numpy as np

from sequencer.check.compile_machine import compile_machine
from sequencer.errors import ModelError, counted, did_you_mean
from sequencer.machine.axis import Axis, Load
from sequencer.machine.envelope import envelope_of
from sequencer.machine.feedforward import carried_bodies
from sequencer.machine.machine import Machine
from sequencer.trace.trace import Trace, TraceError
from sequencer.tune.axis_fit import ModelFit, fit_model
from sequencer.tune.delay import Delay, fit_delay
from sequencer.tune.driven_motion import (
    DrivenMotions,
    carried_beside,
    declared,
    driven_motions,
    drives_of,
)
from sequencer.tune.origin import machine_note
from sequencer.tune.proposal import Proposal
from sequencer.tune.reached import Reached, reached
from sequencer.tune.recorded import axis_record
from sequencer.tune.windings import Windings, fit_windings
from sequencer.units import FORCE, INERTIA, LENGTH, MASS, STANDARD_GRAVITY, TIME, TORQUE, Dimension

BEYOND = 0.2
"""A reading farther outside travel than this share of it is in another unit, or of another machine [1]."""
SAME = 0.02
"""A number that differs by no more than this share from what is declared is left as it is [1]."""
SURE_OF = 0.9
"""How sure intervals are [1]."""
_PLACES = 25


@dataclass(frozen=True, slots=True)
class AxisFit:
    """One axis, fitted.

    Attributes:
        axis: its name.
        delay: how late it is, or why that cannot be told.
        model: what it weighs and how it rubs, or why that cannot be told.
        drive: current or volts, whichever drove the model; "" without one.
        declared: what the machine's file says of the model's terms.
        windings: resistance and back-EMF, where current and applied voltage were both recorded.
        reached: how fast it went, or why that cannot be told.
        sure_deceleration: least that its motors give against each sense of motion, up and down, with what was fitted,
            at the sagged voltage, anywhere in its travel [m/s2 or rad/s2]; None where that cannot be told.
        proposals: numbers for the machine's file.
        notes: what a reader should know.
    """

    axis: str
    kind: str
    delay: Delay | str
    model: ModelFit | str
    drive: str
    declared: dict[str, float]
    windings: Windings | None
    reached: Reached | str
    sure_deceleration: tuple[float, float] | None
    proposals: tuple[Proposal, ...]
    notes: tuple[str, ...]

    def words(self) -> Iterator[str]:
        """A line for each thing that is known, or is not."""
        yield f"{self.axis}: {self.delay}" if isinstance(self.delay, Delay) else f"{self.axis}: no delay: {self.delay}"
        if isinstance(self.model, ModelFit):
            effort = "V" if self.drive == "volts" and not self.declared else "A" if not self.declared else ""
            unit = f" in {effort} per m, s" if effort else f" in {'N' if self.kind == 'linear' else 'N.m'}, m, s"
            unit = unit.replace(" m,", " rad,") if self.kind == "rotary" else unit
            yield f"  model{unit}: {self.model}"
            if self.declared:
                yield "  declared: " + ", ".join(f"{name} {value:.4g}" for name, value in self.declared.items())
        else:
            yield f"  no model: {self.model}"
        if self.windings is not None:
            yield f"  {self.windings}"
        if isinstance(self.reached, Reached):
            yield f"  {self.reached.words(self.kind)}"
        else:
            yield f"  not told how fast: {self.reached}"
        if self.sure_deceleration is not None:
            up, down = self.sure_deceleration
            unit = "m/s2" if self.kind == "linear" else "rad/s2"
            yield f"  sure deceleration: {up:.3g} {unit} going up, {down:.3g} {unit} going down"
        for note in self.notes:
            yield f"  {note}"

    def as_json(self) -> dict[str, Any]:
        """Plain data in SI."""
        delay = self.delay
        return {
            "axis": self.axis,
            "delay": {"value": delay.delay, "error": delay.error, "lag": delay.lag, "range": list(delay.latency)}
            if isinstance(delay, Delay)
            else {"refused": delay},
            "model": self.model.as_json() if isinstance(self.model, ModelFit) else {"refused": self.model},
            "declared": self.declared,
            "windings": self.windings._asdict() if self.windings is not None else None,
            "reached": self.reached.as_json() if isinstance(self.reached, Reached) else {"refused": self.reached},
            "sure_deceleration": self.sure_deceleration,
            "proposals": [{"path": one.path, "values": one.values, "because": one.because} for one in self.proposals],
            "notes": list(self.notes),
        }


def fit_axis(traces: Sequence[Trace], machine: Machine, axis: str) -> AxisFit:
    """Fit one axis of a machine to recordings of its moves.

    What cannot be told is said in the place of the result; nothing is made up for it.

    Args:
        traces: recordings of this machine.
        machine: what is known of it; its motors turn currents and voltages into forces.
        axis: the axis, no spin.

    Raises:
        ModelError: the machine has no such axis.
        TraceError: a recording has not that axis, is too short, or reads far outside its travel.
    """
    if axis not in machine.axes:
        raise ModelError(f"{machine.name} has no axis '{axis}'; {did_you_mean(axis, machine.axes)}")
    own = machine.axes[axis]
    if own.kind == "spin":
        raise TraceError(f"{axis} is a spin: it has no positions, and no model is fitted to it")
    records = [axis_record(trace, axis) for trace in traces]
    for record in records:
        _refuse_beyond(own, record.position)
    delay: Delay | str
    try:
        delay = fit_delay(traces, axis, own.between)
    except TraceError as error:
        delay = str(error)
    model: ModelFit | str
    driven: DrivenMotions | None = None
    try:
        driven = driven_motions(traces, machine, axis)
        model = fit_model(driven.motions, own.kind, drive="" if driven.in_force else driven.drive, level=SURE_OF)
    except (TraceError, ModelError) as error:
        model = str(error)
        if driven is not None and driven.left_out:
            model += (
                f" ({driven.left_out} of {counted(driven.moves, 'move')} were left out: a neighbour moved beside them, "
                "it was pressed on something, or a piece came or went)"
            )
    in_force = driven is not None and driven.in_force
    had = reached(records)
    fitted = _loaded(machine, own, model, driven) if isinstance(model, ModelFit) and in_force else None
    proposals = [*_late(own, delay), *_heavy(own, fitted, model), *_fast(own, had)]
    return AxisFit(
        axis,
        own.kind,
        delay,
        model,
        driven.drive if driven is not None and isinstance(model, ModelFit) else "",
        declared(machine, axis) if in_force else {},
        fit_windings(records, len(own.in_service)),
        had if had is not None else "it makes no move of more than some samples",
        _sure_deceleration(machine, own, fitted),
        tuple(proposals),
        tuple(_notes(traces, machine, driven, own)),
    )


def _refuse_beyond(axis: Axis, positions: np.ndarray[Any, np.dtype[np.float64]]) -> None:
    """Positions far outside travel are in another unit, or of another machine."""
    known = positions[np.isfinite(positions)]
    if axis.travel is None or not len(known):
        return
    low, high = axis.travel
    span = high - low
    least, most = float(known.min()), float(known.max())
    if least >= low - BEYOND * span and most <= high + BEYOND * span:
        return
    units = "; degrees declared as radians read like this" if axis.kind == "rotary" else ""
    raise TraceError(
        f"{axis.name} reads {axis.show(least)} to {axis.show(most)}, and goes from {axis.show(low)} to "
        f"{axis.show(high)}{units}: is this the log of another machine, or in another unit?"
    )


def _late(axis: Axis, delay: Delay | str) -> Iterator[Proposal]:
    if isinstance(delay, str):
        return
    low, high = delay.latency
    least, most = (value * 1e-9 for value in axis.latency)
    if low >= least - 1e-9 and high <= most + 1e-9:
        return
    because = f"measured {delay.least * 1e3:.3g} to {delay.most * 1e3:.3g} ms"
    yield Proposal(f"axes.{axis.name}.latency", (low, high), TIME, because, single=round(delay.delay, 3))


def _loaded(machine: Machine, axis: Axis, model: ModelFit, driven: DrivenMotions | None) -> Load | None:
    """The load that the model means for the machine's file; None where that says it cannot be so."""
    drives, load = drives_of(axis), axis.load or Load()
    if drives is None or driven is None:
        return None
    mass, inertia, moment = carried_beside(machine, axis.name)
    own = model.value("inertia") - drives.inertia
    dry = max(model.value("coulomb") - drives.friction, 0.0)
    # With volts for a drive what goes with speed holds the motors' drag too.
    drag = drives.force_per_volt * drives.back_emf if driven.drive == "volts" else 0.0
    viscous = max(model.value("viscous") - drag, 0.0)
    rubbing = replace(load, coulomb=dry, breakaway=None if load.breakaway is None else max(load.breakaway, dry))
    rubbing = replace(rubbing, viscous=viscous)
    if axis.kind == "linear":
        if own - mass <= 0.0 or axis.mount.to != "frame":
            return rubbing
        weight = STANDARD_GRAVITY * sin(axis.mount.direction)
        total = own - mass + sum(body.mass * body.share for body in carried_bodies(machine, axis.name)[1:])
        shift = total * weight - model.value("gravity") - sum(load.counterbalance) / 2.0
        low, high = (value + shift for value in load.counterbalance)
        return replace(rubbing, mass=own - mass, counterbalance=(low, high))
    if load.mass <= 0.0 or axis.mount.angle_from != "level":
        return rubbing
    pull = complex(model.value("gravity"), -model.value("gravity_sine")) / STANDARD_GRAVITY
    centre = (pull - moment) / load.mass
    about = own - inertia - load.mass * abs(centre) ** 2
    if about < 0.0:
        return rubbing
    return replace(rubbing, centre=(centre.real, centre.imag), inertia=about)


def _heavy(axis: Axis, fitted: Load | None, model: ModelFit | str) -> Iterator[Proposal]:
    """What of the load differs from what the file says by more than chance and more than a little."""
    if fitted is None or isinstance(model, str):
        return
    load, path = axis.load or Load(), f"axes.{axis.name}.load"
    because = f"fitted to {model.moves} moves"
    effort: Dimension = FORCE if axis.kind == "linear" else TORQUE
    for name, dimension, size in (
        ("mass", MASS, load.mass),
        ("inertia", INERTIA, load.inertia),
        ("coulomb", effort, load.coulomb),
        ("viscous", axis.viscous_dimension, load.viscous),
    ):
        value = float(getattr(fitted, name))
        if abs(value - size) > max(SAME * abs(size), _doubt(model, name)):
            yield Proposal(f"{path}.{name}", (value,), dimension, because)
    pulls = fitted.counterbalance
    shift = pulls[0] - load.counterbalance[0]
    if abs(shift) > max(SAME * abs(sum(load.counterbalance)) / 2.0, _doubt(model, "gravity")):
        yield Proposal(f"{path}.counterbalance", pulls, effort, because, single=sum(pulls) / 2.0)
    arm = max(abs(complex(*load.centre)), 1e-6)
    if abs(complex(*fitted.centre) - complex(*load.centre)) > 2.0 * SAME * arm:
        yield Proposal(f"{path}.centre", fitted.centre, LENGTH, because)


def _doubt(model: ModelFit, name: str) -> float:
    """Half the width of the interval of the term that a number of the load comes from."""
    term = "inertia" if name == "mass" else name
    found = next((one for one in model.estimates if one.name == term), None)
    return 0.5 * (found.high - found.low) if found is not None and np.isfinite(found.low) else 0.0


def _fast(axis: Axis, had: Reached | None) -> Iterator[Proposal]:
    """Limits where orders were not reached: what was."""
    if had is None:
        return
    for quantity, dimension in (("velocity", axis.speed_dimension), ("acceleration", axis.acceleration_dimension)):
        short = had.short(quantity)
        if short == (None, None):
            continue
        least = min(abs(value) for value in short if value is not None)
        because = f"ordered more, and reached no more in {had.moves} moves"
        yield Proposal(f"axes.{axis.name}.limits.{quantity}", short, dimension, because, single=least)


def _sure_deceleration(machine: Machine, axis: Axis, fitted: Load | None) -> tuple[float, float] | None:
    """With the fitted load, from every speed that the limits allow, everywhere in travel; at most what limits allow."""
    if fitted is None or axis.travel is None:
        return None
    other = replace(machine, axes={**machine.axes, axis.name: replace(axis, load=fitted)})
    envelope = envelope_of(other, axis.name)
    if envelope is None:
        return None
    low, high = axis.travel
    places = [low + (high - low) * step / _PLACES for step in range(_PLACES + 1)]
    down, up = axis.limits.velocity
    rising = min(-envelope.accelerations(place, share * up, 1.0)[0] for place in places for share in (0.0, 0.5, 1.0))
    falling = min(envelope.accelerations(place, share * down, -1.0)[1] for place in places for share in (0.0, 0.5, 1.0))
    return rising, falling


def _notes(traces: Sequence[Trace], machine: Machine, driven: DrivenMotions | None, axis: Axis) -> Iterator[str]:
    digest = str(compile_machine(machine)["hash"])
    notes = [machine_note(trace.header, machine.name, digest) for trace in traces]
    yield from dict.fromkeys(note for note in notes if note is not None)
    if driven is not None and not driven.in_force:
        unit = "amperes" if driven.drive == "current" else "volts"
        yield f"{axis.name} declares no actuators, so that efforts are in {unit} and nothing is proposed for its load"
