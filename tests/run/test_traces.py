"""Whole runs, tick by tick, as they were read through once and kept: what is ordered, what is told, what is waited for.

Each is a routine on a machine with uneven numbers; what it must show is claimed here, the rest stands in
`tests/golden/run`. A trace that changes is to be read, line by line, before it is written anew. SEMANTICS R2, R3, R40.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from rig import (
    Rig,
    axis,
    checked,
    choose,
    flick,
    keep_out,
    machine,
    move,
    must_stay,
    number_parameter,
    perform,
    press,
    pulse,
    put,
    repeat,
    wait,
)

from sequencer.ports.orders import AxisOrder
from sequencer.ports.readings import AxisReading

Golden = Callable[[str, str], None]

BEAM, CLEAR, GUARD = ["holds", "beam"], ["holds", "clear"], ["holds", "guard"]
P = 20_000_000

WEAK: Any = [[-0.6, 0.7], [-1.3, 1.7], 13.0]
QUICK: Any = [[-1.1, 0.9], [-3.1, 2.3], None]


def uneven(**changes: Any) -> Any:
    """A lift that is weak and late, is waited for and needs time to settle, and a wrist that carries on."""
    lift = axis(
        "lift",
        limits=WEAK,
        latency=[0, 40_000_000],
        tolerance={"position": 0.004, "following": 0.06, "behind": "wait", "settle": 60_000_000},
        most_current=30.0,
        zero={"speed": -0.15, "until": CLEAR, "then": 0.03, "once": None},
        feedforward={
            "constant": 0.4,
            "velocity": 2.5,
            "acceleration": 0.3,
            "coulomb": 0.2,
            "cosine": 0.0,
            "angle": 0.0,
        },
    )
    wrist = axis("wrist", limits=QUICK, between="carry_on", stop="ramp_then_off", tolerance={"position": 0.006})
    return machine([lift, wrist, axis("roller", "spin")], **changes)


# Told as text.


def _ordered(name: str, order: AxisOrder) -> str:
    match order.mode:
        case "off":
            shown = ""
        case "effort" if name == "roller":
            shown = f"{order.volts:.3f} V"
        case "effort":
            shown = f"{order.position:.6f} at {order.velocity:.3f}, {order.current:.3f} A"
        case "track" if name == "roller":
            shown = f"{order.velocity:.3f}"
        case _:
            shown = f"{order.position:.6f} {order.velocity:.4f} {order.acceleration:.3f} {order.volts:.3f} V"
    return f"{name} {order.mode} {shown}".rstrip()


def told(rig: Rig, said: list[str]) -> str:
    """The trace: what has changed since the tick before, then what happened, then what the status says of it."""
    lines: list[str] = []
    before: dict[str, str] = {}
    for tick, (time, orders, status) in enumerate(zip(rig.times, rig.orders, said, strict=True)):
        now = {name: _ordered(name, order) for name, order in orders.axes.items()}
        now |= {name: f"{name} = {value}" for name, value in orders.outputs.items()}
        changed = [text for name, text in now.items() if before.get(name) != text]
        before = now
        if changed or orders.events or status != (said[tick - 1] if tick else ""):
            lines.append(f"{tick:4} {time * 1e-9:7.3f} s  " + "; ".join(changed))
        for event in orders.events:
            where = ".".join(part for part in (event.run, event.step) if part)
            values = " ".join(
                f"{name}={value:.6g}" if isinstance(value, float) else f"{name}={value}"
                for name, value in event.values
                if name != "outcome"
            )
            words = " ".join(part for part in (event.kind, where, event.text, values) if part)
            lines.append(f"        {words}")
        if status != (said[tick - 1] if tick else ""):
            lines.append(f"        -> {status}")
    return "\n".join(lines).replace("-0.000000", "0.000000").replace("-0.0000 ", "0.0000 ") + "\n"


class Recorded:
    """A rig of which the status is taken down after each tick."""

    def __init__(self, *routines: Any, **sensors: Any) -> None:
        self.rig = Rig(*routines, **sensors)
        self.said: list[str] = []

    def run(self, ticks: int, gap: int | None = None) -> Recorded:
        for _ in range(ticks):
            self.rig.run(1, gap=gap)
            gap = None
            status = self.rig.runner.status()
            steps = "; ".join(
                f"{step.name} waits for {step.waits_for or 'nothing'}"
                for run in status.runs
                for step in run.steps
                if "arrival" not in step.waits_for and "held by" not in step.waits_for
            )
            lost = ", ".join(f"{name} is lost: {why}" for name, why in status.not_zeroed)
            self.said.append(" | ".join(part for part in (status.headline, steps, lost) if part))
        return self

    def text(self) -> str:
        return told(self.rig, self.said)


# The runs.


def test_a_run_of_steps_of_every_kind(golden: Golden) -> None:
    """R5 to R12, R14, R26, R31, R46, M1: each starts in the tick in which what it follows ends."""
    steps = [
        put("ready", {"horn": 0.25}),
        move(
            "raise",
            {"lift": 0.31, "wrist": 0.43},
            "ready",
            together=True,
            limits={"0": WEAK, "1": QUICK},
            profile="s_curve",
        ),
        pulse("feed", {"roller": 7.5, "lamp": True}, ["parameter", "long"], with_="raise"),
        pulse("mark", {"third": 2.5}, 0.07, passing={"step": "raise", "at": 0.2, "axis": "wrist", "lead": 0.033}),
        choose(
            "which",
            [(["is", "piece", "lantern"], [wait("look", 0.05)]), (BEAM, [])],
            [put("none", {"horn": 0.5})],
            "raise",
        ),
        flick("throw", 0.2, 0.71, -0.17, "which", limits=QUICK),
        pulse("release", {"lamp": True}, 0.1, passing={"step": "throw", "lead": 0.05}),
        perform("both", [wait("a", 0.06), wait("b", until=[">", "a.elapsed", 0.05])], "throw"),
        press("push", 6.5, 0.35, "both", until=[">", "wrist", 0.1], steady=0.04),
        repeat("twice", [pulse("knock", {"horn": 1.0}, 0.04), wait("rest", 0.03, "knock")], 2, "push"),
        wait("slow", 5.0, "twice"),
        wait("soon", until=CLEAR, after="twice", timeout=3.0),
        wait("end", 0.05, {"any": ["slow", "soon"]}, only_if=["not", BEAM]),
    ]
    made = Recorded(checked(uneven(), *steps, parameters=[number_parameter("long", 0.3)]), piece="lantern", clear=False)
    made.rig.start(parameters={"long": 0.22})
    made.rig.sensors["clear"] = lambda tick: tick >= 160
    made.run(190)
    rig = made.rig
    assert rig.outcome()[1] == "done"
    assert rig.ends("raise")[0][0] == rig.starts("which")[0]
    assert rig.ends("twice") == rig.ends("rest")[1:]
    assert rig.ends("slow")[0][1] == "aborted"
    golden("run/every_kind.txt", made.text())


def test_a_run_that_is_held_before_keep_outs_and_by_request(golden: Golden) -> None:
    """R35, R53, R54, R20: a late tick in between; each goes on to where it was going."""
    boxes = [
        keep_out("eave", [0, 0.2, 0.5], [1, -0.1, 0.4]),
        keep_out("guest", [1, 0.7, 0.9], [0, 0.0, 2.0], when=["not", GUARD]),
    ]
    steps = [
        move("up", {"lift": 0.55}, limits=WEAK, profile="s_curve"),
        wait("w", 0.5),
        move("out", {"wrist": 0.8}, "w", limits=QUICK),
        pulse("p", {"lamp": True}, 0.06, passing={"step": "out", "at": 0.45}),
    ]
    made = Recorded(checked(uneven(keep_outs=boxes), *steps), guard=lambda tick: tick >= 135)
    made.rig.start(speed=0.8)
    made.run(40).run(20, gap=70_000_000)
    made.rig.runner.hold()
    made.run(30)
    made.rig.runner.resume()
    made.run(110)
    rig = made.rig
    assert [event.text for event in rig.kinds("hold")] == [
        "lift is held by eave, waiting for wrist",
        "held by request",
        "wrist is held by guest, waiting for lift",
    ]
    assert rig.outcome()[1] == "done"
    assert (rig.positions["lift"], rig.positions["wrist"]) == (0.55, 0.8)
    golden("run/held.txt", made.text())


def test_runs_that_are_cancelled_taken_over_and_disabled(golden: Golden) -> None:
    """R33, R34, R41, R44, R47: the way out after a cancel, a takeover in motion, nothing unasked after enabling."""
    on = uneven()
    back = dict(checked(on, move("back", {"lift": 0.1}, limits=WEAK, profile="s_curve")).routine)
    steps = [move("m", {"lift": 0.5, "wrist": -0.6}, limits={"0": WEAK, "1": QUICK}), pulse("p", {"roller": -4.0}, 3.0)]
    made = Recorded(
        checked(on, *steps, name="a", on_cancel=back),
        checked(on, move("n", {"wrist": 0.3}, limits=QUICK), wait("w", 0.1, "n"), name="b"),
    )
    made.rig.start("a")
    made.run(25)
    made.rig.runner.cancel()
    made.run(85)
    made.rig.start("a")
    made.run(20)
    made.rig.start("b", preempt=True)
    made.run(15)
    made.rig.enabled = False
    made.run(5)
    made.rig.enabled = True
    made.rig.positions["wrist"] += 0.01
    made.run(5)
    made.rig.start("b", restart=True)
    made.run(90)
    rig = made.rig
    assert [outcome for _, outcome in rig.outcomes("a")] == ["cancelled", "cancelled"]
    assert [outcome for _, outcome in rig.outcomes("a.on_cancel")] == ["done"]
    assert [outcome for _, outcome in rig.outcomes("b")] == ["cancelled", "done"]
    golden("run/stopped.txt", made.text())


def test_a_run_that_loses_its_zero_and_finds_it_again(golden: Golden) -> None:
    """R42, R45, R48: it waits for a slow axis, finds it jammed, is jogged free, zeroed anew, and runs."""
    on = uneven(must_stay=[must_stay("cover", GUARD, [0, 1], "ramp_then_off")])
    made = Recorded(checked(on, move("m", {"lift": 0.9}, limits=WEAK), wait("w", 0.1, "m")))
    rig = made.rig
    place = {"is": 0.0}

    def read(tick: int) -> AxisReading:
        if rig.orders and rig.orders[-1].axes["lift"].mode == "track":
            most = 0.0 if 40 <= tick < 60 else 0.005 if 10 <= tick < 25 else 0.025
            away = rig.orders[-1].axes["lift"].position - place["is"]
            place["is"] += max(-most, min(most, away))
        return AxisReading(place["is"], 0.0, 29.0 if 40 <= tick < 60 else 3.0, zeroed=not tick >= 60)

    rig.readings["lift"] = read
    rig.sensors["clear"] = lambda tick: place["is"] < 0.36
    rig.start()
    made.run(70)
    rig.runner.reset()
    made.run(1)
    for speed in (0.03, 0.05, 0.05, -0.04):
        rig.runner.jog("lift", speed)
        made.run(3)
    made.run(15)
    rig.runner.zero("lift")
    made.run(60)
    rig.start()
    made.run(20)
    rig.sensors["guard"] = False
    made.run(30)
    assert "it stands still under 29 A" in rig.kinds("fault")[0].text
    assert [event.text for event in rig.kinds("zeroed")] == ["lift is at 0.03 m"]
    assert "interlock cover" in [event.text for event in rig.kinds("fault") if event.run][-1]
    golden("run/lost.txt", made.text())
