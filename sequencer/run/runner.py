"""The runner: hosts all routines of a machine under one supervisor and is asked once a control period what to do.

It does no input or output itself, reads no clock and starts no thread: `Runner.tick` is a function of what it was
given so far (R2). Neither `cancel` nor `abort` is an emergency stop.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterable, Mapping
from sys import float_info
from typing import Any, Protocol

from sequencer.errors import ModelError, RequestRefused, did_you_mean
from sequencer.pack import CheckedRoutine, Pack
from sequencer.ports.orders import Orders
from sequencer.ports.readings import Readings, SensorValue
from sequencer.run.by_hand import axis_named
from sequencer.run.confirmation import Confirmations
from sequencer.run.definition import parameter_values
from sequencer.run.host import Host, named
from sequencer.run.requests import Allowed, Request, allowed
from sequencer.run.status import Status, status_of
from sequencer.run.ways import WayTo, way_to

SLOWEST = 0.001
"""Least share of its limits that a routine may be asked to run at: four seconds become more than an hour."""

NO_SPEED = 1e-6
"""Share of an axis' speed limit under which a jog counts as let go."""

UNCONFIRMED = "first runs are not slowed: the runner was given no confirmations"
"""What the status of a pack says that runs at full speed although nobody can have confirmed it."""


class Sink(Protocol):
    """Takes what every tick was given and gave back; a `Recorder` is one."""

    def record(self, readings: Readings, orders: Orders, requests: tuple[Request, ...]) -> None: ...


class Runner:
    """Interprets checked routines tick by tick, under a mandatory supervisor.

    Args:
        routines: a pack, a checked routine, or several of one machine.
        sink: told every tick; None: no trace.
        confirmations: what people have confirmed on this machine; a routine that is not among it starts at a quarter of
            its speed (R49). None: nothing is slowed, which is for a desk, where nothing moves; a pack that is run so
            says it at boot and in every status (R50).
        like: another runner of the very same routines; what never changes is made ready once for both.

    Raises:
        ModelError: no routine, or routines of different machines, or two of one name, or others than those of `like`.

    `tick` may be called by one thread only and is not re-entrant; requests may come from any thread and are handled at
    the next tick (R4).
    """

    def __init__(
        self,
        routines: Pack | CheckedRoutine | Iterable[CheckedRoutine],
        sink: Sink | None = None,
        confirmations: Confirmations | None = None,
        like: Runner | None = None,
    ) -> None:
        given = _as_list(routines)
        if like is not None and not like._hosts(given):
            raise ModelError("a runner can only be like another that hosts the very same routines")
        self._given = given
        self._host: Host = Host(given, None if like is None else like._host)
        self._confirmations = confirmations
        if confirmations is not None:
            self._host.confirmed = set(confirmations.hashes)
        elif isinstance(routines, Pack):
            self._host.bypasses += (UNCONFIRMED,)
        self._sink = sink
        self._lock = threading.Lock()
        self._queue: deque[Request] = deque()
        self._in_tick = False

    def request(
        self,
        name: str,
        parameters: Mapping[str, float | str] | None = None,
        speed: float = 1.0,
        preempt: bool = False,
        restart: bool = False,
    ) -> None:
        """Ask for a routine to be run from the next tick on; whether it is taken shows there, as an event.

        Args:
            name: the routine.
            parameters: values for its parameters: numbers in SI, presets by name.
            speed: share of the limits, from a thousandth to 1 (R49).
            preempt: take axes that another run uses; it is cancelled. An axis that moves outside the start region of
                this routine comes to rest first (R44).
            restart: if the routine is running, cancel it and start it anew from standstill (R37).

        Raises:
            RequestRefused: an unknown routine or parameter, a value outside its range, a speed outside its own.
        """
        definition = self._host.routines.get(name) if isinstance(name, str) else None
        if definition is None:
            raise RequestRefused(f"unknown routine '{name}'; {did_you_mean(str(name), self._host.routines)}")
        if isinstance(speed, bool) or not isinstance(speed, int | float) or not SLOWEST <= speed <= 1.0:
            raise RequestRefused(f"speed is {speed!r}; it must be a share of the limits from {SLOWEST:g} to 1")
        for word, given in (("preempt", preempt), ("restart", restart)):
            if not isinstance(given, bool):
                raise RequestRefused(f"{word} is {given!r}; it must be True or False")
        if parameters is not None and not isinstance(parameters, Mapping):
            raise RequestRefused(f"parameters are {parameters!r}; they must be a mapping of names to values")
        values = parameter_values(definition, parameters or {})
        self._put(("request", name, values, speed, preempt, restart))

    def cancel(self) -> None:
        """Stop every run by each axis' own `stop`; counts from the next tick, idempotent (R34). Not an
        emergency stop.
        """
        self._put(("cancel",))

    def abort(self) -> None:
        """Switch every axis off (stop category 0) at the next tick; nothing runs before a reset. Not an emergency stop:
        it acts through the same computer, wires and code as everything else (R33).
        """
        self._put(("abort",))

    def hold(self) -> None:
        """Bring every running routine to rest and keep it: times, timeouts and pulses stand still, pulse outputs are at
        rest. A stop beats it. Not an emergency stop (R35).
        """
        self._put(("hold",))

    def resume(self) -> None:
        """Go on with what is held, if what must hold still does and no axis was moved; else it is refused, with the
        reason, as an event (R35).
        """
        self._put(("resume",))

    def jog(self, axis: str, speed: float) -> None:
        """Move one axis at `speed` [m/s or rad/s, signed] as long as this is asked for anew, at least once in the
        machine's longest gap; 0 lets go. The supervisor holds it before keep-outs. An axis that is not zeroed may
        only be jogged at a tenth of its limit (R42).

        Raises:
            RequestRefused: an unknown axis, or a speed beyond its limits.
        """
        found = axis_named(self._host.definition, axis)
        if isinstance(found, str):
            raise RequestRefused(found)
        if not _is_number(speed):
            raise RequestRefused(f"jog {axis}: the speed is {speed!r:.40}; it must be a number")
        slowest, fastest = found.limits.velocity
        if not slowest <= speed <= fastest:
            raise RequestRefused(
                f"jog {axis}: {found.show_speed(speed)} is outside {found.show_speed(slowest)} to "
                f"{found.show_speed(fastest)}"
            )
        # What a filter leaves of a stick that was let go is no wish to move.
        self._put(("jog", axis, float(speed) if abs(speed) > NO_SPEED * fastest else 0.0))

    def zero(self, axis: str) -> None:
        """Find the zero of one axis, at its own speed and in the configuration that its `once` names (R42).

        Raises:
            RequestRefused: an unknown axis, or one that declares no zero.
        """
        found = axis_named(self._host.definition, axis)
        if isinstance(found, str):
            raise RequestRefused(found)
        if found.zero is None:
            raise RequestRefused(f"{axis} declares no zero; it is zeroed from elsewhere")
        self._put(("zero", axis))

    def way_to(self, preset: str) -> WayTo:
        """How to get to a preset from where the machine stands after the last tick, by the ways of all routines: the
        places to go to in turn and the routine whose request goes there, or why there is no way and in which
        directions axes may be jogged without getting deeper into what is in the way (R51). It moves nothing.

        Raises:
            RequestRefused: an unknown preset.
        """
        presets = self._host.definition.presets
        if not isinstance(preset, str) or preset not in presets:
            raise RequestRefused(f"unknown preset '{preset}'; {did_you_mean(str(preset), presets)}")
        return way_to(self._host, preset)

    def assume(self, sensor: str, value: SensorValue | None) -> None:
        """From the next tick on take `value` for what a sensor reads, until None is given or the session ends; it is
        shown in the status and recorded (R50).

        Raises:
            RequestRefused: an unknown sensor, or a value that it cannot have.
        """
        sensors = {one["name"]: one for one in self._host.definition.sensors}
        data = sensors.get(sensor) if isinstance(sensor, str) else None
        if data is None:
            raise RequestRefused(f"unknown sensor '{sensor}'; {did_you_mean(str(sensor), sensors)}")
        fits = {
            "switch": isinstance(value, bool),
            "number": _is_number(value),
            "one_of": isinstance(value, str) and value in data["values"],
        }
        if value is not None and not fits[data["kind"]]:
            expected = {"switch": "true or false", "number": "a number", "one_of": ", ".join(data["values"])}
            raise RequestRefused(f"{sensor} cannot be {value!r:.40}; it is {expected[data['kind']]}")
        self._put(("assume", sensor, float(value) if data["kind"] == "number" and value is not None else value))

    def confirm(self, name: str, who: str = "") -> None:
        """A person has seen a routine run well at a quarter of its speed on this machine: it may run at full speed.
        Written to the confirmations at once, and into the trace at the next tick (R49).

        Raises:
            RequestRefused: an unknown routine, or a name of a person that is no text.
            OSError: the confirmations cannot be written.
        """
        definition = self._host.routines.get(name) if isinstance(name, str) else None
        if definition is None:
            raise RequestRefused(f"unknown routine '{name}'; {did_you_mean(str(name), self._host.routines)}")
        if not isinstance(who, str):
            raise RequestRefused(f"who confirmed it is {who!r:.40}; it must be a text")
        if self._confirmations is not None:
            self._confirmations.add(definition.hash, name, who)
        self._put(("confirm", name, who))

    def fail(self, cause: str) -> None:
        """Tell that something outside has failed, such as a write to a motor controller: every run faults at the next
        tick and its axes stop (R36).

        Raises:
            RequestRefused: the cause is no text.
        """
        if not isinstance(cause, str):
            raise RequestRefused(f"the cause of a failure is {cause!r:.40}; it must be a text")
        self._put(("failure", cause))

    def reset(self) -> None:
        """Acknowledge a fault or an abort, so that requests are taken again. It starts nothing (R32)."""
        self._put(("reset",))

    def note(self, name: str, value: SensorValue) -> None:
        """Put a remark into the trace.

        Raises:
            RequestRefused: a name that is no text, or a value that is neither true or false, a number, nor a text.
        """
        if not isinstance(name, str) or not isinstance(value, bool | int | float | str):
            raise RequestRefused(
                f"a note of {name!r:.40} is a {type(value).__name__}; it must be true, false, a number or a text"
            )
        self._put(("note", name, value))

    def tick(self, readings: Readings) -> Orders:
        """One control period: what was read, in; what every axis and output shall do, out.

        Raises:
            ClockError: the time does not increase; nothing has changed then (R19).
            RuntimeError: called from within itself (R4).
        """
        if self._in_tick:
            raise RuntimeError("tick() was called from within tick(); it is not re-entrant")
        self._in_tick = True
        try:
            self._host.check_time(readings.now_ns)
            requests: tuple[Request, ...] = ()
            if self._queue:
                with self._lock:
                    requests = tuple(self._queue)
                    self._queue.clear()
            orders = self._host.tick(readings, requests)
            if self._sink is not None:
                self._record(readings, orders, requests)
        finally:
            self._in_tick = False
        return orders

    def status(self) -> Status:
        """What each run and each active step waits for, since when, with each term's value, after the last
        tick (R40).
        """
        return status_of(self._host)

    def allowed(self) -> tuple[Allowed, ...]:
        """Which requests would be taken now, and why not the others, after the last tick (R44)."""
        return allowed(self._host)

    @property
    def machine(self) -> dict[str, Any]:
        """The machine data that all routines share (for a recorder)."""
        return dict(self._host.definition.data)

    def _record(self, readings: Readings, orders: Orders, requests: tuple[Request, ...]) -> None:
        """A sink that fails is left out from then on and said so at the next tick; it does not stop the
        machine (R36).
        """
        assert self._sink is not None  # looked at just before
        try:
            self._sink.record(readings, orders, requests)
        except Exception as error:
            self._sink = None
            self.note(f"the sink failed and is left out: {named(error)}", False)

    def _hosts(self, given: list[CheckedRoutine]) -> bool:
        return len(given) == len(self._given) and all(one is two for one, two in zip(given, self._given, strict=True))

    def _put(self, request: Request) -> None:
        with self._lock:
            self._queue.append(request)


def _is_number(value: object) -> bool:
    """Whether a value is a number that a float can hold; true and false are none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return -float_info.max <= value <= float_info.max


def _as_list(routines: Pack | CheckedRoutine | Iterable[CheckedRoutine]) -> list[CheckedRoutine]:
    if isinstance(routines, CheckedRoutine):
        given = [routines]
    elif isinstance(routines, Pack):
        given = list(routines.routines.values())
    else:
        given = list(routines)
    if not given:
        raise ModelError("a runner needs at least one checked routine")
    names: set[str] = set()
    for one in given:
        if one.machine["hash"] != given[0].machine["hash"]:
            raise ModelError(
                f"routine '{one.name}' was checked for another machine than '{given[0].name}'; "
                "check them again together"
            )
        if one.name in names:
            raise ModelError(f"two routines are called '{one.name}'; rename one")
        names.add(one.name)
    return given
