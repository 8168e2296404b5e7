"""After a cancel or a fault: what runs, from where, and after which faults nothing does: SEMANTICS R47."""

from __future__ import annotations

from typing import Any

import pytest
from rig import Rig, axis, checked, machine, move, must_stay, number_parameter, wait

from sequencer.ports.readings import AxisReading
from sequencer.run.supervisor import Supervisor

BEAM = ["holds", "beam"]
TWO = [axis("lift"), axis("wrist")]


def after(on: Any, key: str, *steps: Any, last: Any, **changes: Any) -> Any:
    return checked(on, *steps, **{key: {**dict(checked(on, last).routine), **changes}})


def moving(on: Any, key: str = "on_fault") -> Any:
    return after(on, key, move("m", {"lift": 2.0}), last=move("out", {"lift": 0.0}))


@pytest.mark.parametrize("kind", ["timeout", "goal", "missing piece"])
def test_after_a_fault_of_the_process_the_way_out_runs(kind: str) -> None:
    """R47: a timeout, a reading that is not what was expected, a piece that no goal is written for."""
    steps: dict[str, Any] = {
        "timeout": wait("w", until=BEAM, timeout=0.2, after=[]),
        "goal": move("w", {"lift": ["reading", "pressure", 0.0, 1.0]}, after="m"),
        "missing piece": move("w", {"lift": ["per", "piece", {"lantern": 0.1}]}, after="m"),
    }
    first = move("m", {"lift": 0.1})
    rig = Rig(
        after(machine(), "on_fault", first, steps[kind], last=move("out", {"lift": 0.0})), pressure=7.0, piece="none"
    )
    rig.start()
    rig.run(250)
    assert rig.outcome()[1] == "faulted"
    assert rig.outcomes("r.on_fault")[0][1] == "done"
    assert rig.points()[-1] == pytest.approx(0.0)


@pytest.mark.parametrize(
    "kind", ["interlock", "following", "jam", "lost zero", "actuator", "late ticks", "writing", "internal error"]
)
def test_after_a_fault_of_the_machine_nothing_is_ordered_but_the_stop(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """R47: the machine stops and stays, whatever `on_fault` says."""
    on = machine(
        [axis("lift", tolerance={"following": 0.05, "behind": "fault" if kind == "following" else "wait"})],
        must_stay=[must_stay("cover", ["holds", "guard"], [0])],
    )
    rig = Rig(
        after(on, "on_fault", move("m", {"lift": 2.0}), last=move("out", {"lift": 0.0})),
        guard=(lambda tick: tick != 20) if kind == "interlock" else True,
    )
    rig.start()
    rig.run(20)
    here = rig.positions["lift"]
    match kind:
        case "following" | "jam":
            rig.stuck.add("lift")
        case "lost zero":
            rig.readings["lift"] = AxisReading(here, 0.0, 0.0, zeroed=False)
        case "actuator":
            rig.readings["lift"] = AxisReading(here, 0.0, 0.0, fault="it is too hot")
        case "late ticks":
            rig.run(1, gap=400_000_000)
        case "writing":
            rig.runner.fail("a write failed")
        case "internal error":
            with monkeypatch.context() as patched:
                patched.setattr(Supervisor, "commit", broken)
                rig.run(1)
    rig.run(200)
    assert rig.outcome()[1] == "faulted"
    assert rig.outcomes("r.on_fault") == []
    assert rig.starts("out") == []
    assert "reset first" in next(one.why_not for one in rig.runner.allowed() if one.request == "r")


def broken(*_: object) -> None:
    raise ZeroDivisionError("a slip")


def test_the_way_out_does_not_start_where_nobody_looked() -> None:
    """R47: pushed out of the places it was proved clear from, the machine stays where it is."""
    rig = Rig(
        after(
            machine(),
            "on_cancel",
            move("m", {"lift": 2.0}),
            last=move("out", {"lift": 0.0}),
            region=[[0, -0.01, 0.1]],
        )
    )
    rig.start()
    rig.run(40)
    rig.runner.cancel()
    rig.run(60)
    assert rig.outcome()[1] == "cancelled"
    assert rig.starts("out") == []
    assert "outside the start region" in rig.refusals()[-1]


def test_a_fault_in_the_way_out_ends_it_and_nothing_follows() -> None:
    """R47, R22: what runs afterwards has an outcome of its own, and no `on_fault` of its own."""
    steps = checked(machine(), move("out", {"lift": 0.0}), wait("w", until=BEAM, timeout=0.2, after=[])).routine
    rig = Rig(checked(machine(), move("m", {"lift": 2.0}), on_cancel=dict(steps), on_fault=dict(steps)))
    rig.start()
    rig.run(40)
    rig.runner.cancel()
    rig.run(200)
    assert rig.outcomes("r.on_cancel")[0][1] == "faulted"
    assert rig.outcomes("r.on_fault") == []
    assert rig.points()[-1] == rig.points()[-50]


def test_a_disable_in_the_way_out_ends_it_and_nothing_moves_afterwards() -> None:
    """R47, R41."""
    rig = Rig(moving(machine(), "on_cancel"))
    rig.start()
    rig.run(40)
    rig.runner.cancel()
    rig.run(40)
    rig.enabled = False
    rig.run(2)
    stands = rig.positions["lift"]
    rig.enabled = True
    rig.run(50)
    assert rig.outcomes("r.on_cancel")[0][1] == "cancelled"
    assert set(rig.points()[-50:]) == {stands}


def test_a_request_for_the_axes_of_a_way_out_is_refused_until_it_is_over() -> None:
    """R47, R44: it belongs to the cancel, so it goes before what is asked for in the tick of its start."""
    rig = Rig(moving(machine(), "on_cancel"), checked(machine(), move("up", {"lift": 1.0}), name="other"))
    rig.start()
    rig.run(40)
    rig.runner.cancel()
    while not rig.outcomes():
        rig.run(1)
    rig.start("other")
    rig.run(1)
    assert rig.starts("out")
    assert not rig.starts("up")
    assert rig.refusals() == ["lift is in use by r.on_cancel"]
    rig.run(150)
    rig.start("other")
    rig.run(1)
    assert rig.starts("up")


def test_the_way_out_does_not_take_an_axis_that_another_run_has() -> None:
    """R47, R28: a fault of one run leaves the other alone, its axes included."""
    on = machine(TWO)
    rig = Rig(
        after(on, "on_fault", wait("w", until=BEAM, timeout=0.2), last=move("out", {"lift": 0.5, "wrist": 0.5})),
        checked(on, move("turn", {"wrist": 3.0}), name="other"),
    )
    rig.start()
    rig.start("other")
    rig.run(250)
    assert rig.outcome()[1] == "faulted"
    assert rig.refusals() == ["wrist is in use by other"]
    assert rig.outcome("other")[1] == "done"


def test_parameters_and_speed_hold_for_the_way_out_as_well() -> None:
    """R47, R25: it goes where the parameters of the run say."""
    goal = number_parameter("low", 0.0, 0.0, 1.0)
    rig = Rig(
        checked(
            machine(),
            move("m", {"lift": 2.0}),
            parameters=[goal],
            on_cancel={
                **dict(checked(machine(), move("out", {"lift": ["at", ["parameter", "low"]]})).routine),
                "parameters": [goal],
            },
        )
    )
    rig.start(parameters={"low": 0.3})
    rig.run(40)
    rig.runner.cancel()
    rig.run(150)
    assert rig.points()[-1] == pytest.approx(0.3)
