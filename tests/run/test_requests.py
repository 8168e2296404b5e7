"""What is taken and what is refused, first runs, bypasses, and what runs afterwards: SEMANTICS R44, R47, R49 to R51."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from rig import JERKY, Rig, axis, checked, flick, machine, move, must_stay, pulse, started, wait

from sequencer.errors import PackError, RequestRefused
from sequencer.pack import load_pack, write_pack
from sequencer.ports.readings import Readings
from sequencer.run import Confirmations, Runner

BEAM = ["holds", "beam"]
STOW = {"from": "stow", "region": [[0, -0.01, 0.01], [1, -0.01, 0.01]]}


def answers(rig: Rig) -> dict[str, str]:
    return {one.request: one.why_not for one in rig.runner.allowed() if not one.taken}


def test_allowed_says_which_requests_would_be_taken_and_why_not_the_others() -> None:
    """R44: at any tick, for every routine, for zeroing and jogging, for hold, resume and reset."""
    on = machine([axis("lift"), axis("wrist"), axis("roller", "spin")])
    rig = Rig(checked(on, move("m", {"lift": 1.0}), name="a"), checked(on, move("w", {"wrist": 1.0}), name="b"))
    rig.enabled = False
    rig.run(1)
    assert answers(rig)["a"] == "the machine is not enabled"
    rig.enabled = True
    rig.run(1)
    idle = {"hold": "nothing is running", "resume": "nothing is held", "reset": "there is no fault to reset"}
    assert answers(rig) == idle
    rig.start("a")
    rig.run(5)
    assert answers(rig) == {
        "a": "a is already running",
        "jog lift": "lift is in use by a",
        "resume": "nothing is held",
        "reset": "there is no fault to reset",
    }
    rig.runner.hold()
    rig.run(30)
    assert "resume" not in answers(rig)
    rig.runner.cancel()
    rig.run(40)
    assert answers(rig) == idle
    rig.runner.abort()
    rig.run(1)
    assert answers(rig)["b"] == "reset first; the last fault: aborted by request"
    assert "reset" not in answers(rig)


def test_what_allowed_says_is_what_happens() -> None:
    """R44: every request that is called taken is, every other is refused with the same words."""
    on = machine()
    routines = [
        checked(on, move("m", {"lift": 1.0}), name="a"),
        checked(on, move("w", {"lift": 1.0, "wrist": 1.0}), name="b"),
        checked(on, wait("x", 1.0), name="c", **STOW),
    ]
    for name in "abc":
        rig = Rig(*routines)
        rig.positions["wrist"] = 0.05
        rig.start("a")
        rig.run(3)
        (answer,) = [one for one in rig.runner.allowed() if one.request == name]
        rig.start(name)
        rig.run(1)
        assert rig.refusals() == ([] if answer.taken else [answer.why_not])


def test_a_preempting_request_takes_over_in_motion_inside_its_start_region() -> None:
    """R44: all that the moving axis occupies lies in the region of the new routine: no stop in between."""
    on = machine()
    wide = {"from": "near", "region": [[0, -1.0, 1.0]]}
    rig = Rig(checked(on, move("m", {"lift": 2.0}), name="a"), checked(on, move("n", {"lift": 0.9}), name="b", **wide))
    rig.start("a")
    rig.run(20)
    rig.start("b", preempt=True)
    rig.run(10)
    assert rig.starts("n") == [20]
    assert rig.orders[-1].axes["lift"].velocity > 0.5


def test_a_preempting_request_stops_first_where_the_moving_axis_leaves_its_region() -> None:
    """R44: a controlled stop, then the start; where it would come to rest outside, it is refused and goes on."""
    on = machine()
    for low, high, taken in ((0.25, 1.0, True), (-1.0, 0.3, False)):
        near = {"from": "near", "region": [[0, low, high]]}
        rig = Rig(
            checked(on, move("m", {"lift": 2.0}), name="a"),
            checked(on, move("n", {"lift": 0.0}), name="b", **near),
        )
        rig.start("a")
        rig.run(20)
        rig.start("b", preempt=True)
        rig.run(60)
        assert rig.outcomes("a") == ([(40, "cancelled")] if taken else [])
        assert rig.starts("n") == ([41] if taken else [])
        if not taken:
            assert "outside the start region of 'near'" in rig.refusals()[0]


def test_a_start_outside_its_region_names_the_routine_that_ends_there() -> None:
    """R51: how far each axis is off, and the way to get there."""
    on = machine()
    rig = Rig(
        checked(on, wait("x", 1.0), name="a", **STOW),
        checked(on, move("m", {"lift": 0.0, "wrist": 0.0}), name="to_stow"),
    )
    rig.positions |= {"lift": 0.2, "wrist": -0.05}
    rig.start("a")
    rig.run(1)
    assert rig.refusals() == [
        "lift is at 0.2 m, 0.19 m outside; wrist is at -0.05 m, 0.04 m outside the start region of 'stow'; "
        "to_stow ends there"
    ]
    rig.start("to_stow")
    rig.run(60)
    rig.start("a")
    rig.run(1)
    assert rig.starts("x") == [61]


# First runs.


def test_a_routine_never_run_here_is_slow_until_a_person_confirms(tmp_path: Path) -> None:
    """R49: a quarter of the limits; the confirmation is recorded in a file and in the trace, for later runners too."""
    path = tmp_path / "confirmed"
    routine = checked(machine(), move("m", {"lift": 1.0}))

    def fastest(runner: Runner, confirm: bool) -> float:
        rig = Rig(routine)
        rig.runner = runner
        if confirm:
            runner.confirm("r", "the pit")
        rig.start()
        rig.run(400)
        assert rig.outcome()[1] == "done"
        if confirm:
            assert [event.text for event in rig.kinds("confirmed")] == ["confirmed by the pit"]
        else:
            assert len(rig.kinds("slowed")) == (0 if fast else 1)
        return max(one.axes["lift"].velocity for one in rig.orders)

    fast = False
    assert fastest(Runner(routine, confirmations=Confirmations(path)), False) == pytest.approx(0.25)
    assert fastest(Runner(routine, confirmations=Confirmations(path)), True) == pytest.approx(1.0)
    fast = True
    assert fastest(Runner(routine, confirmations=Confirmations(path)), False) == pytest.approx(1.0)
    changed = checked(machine(), move("m", {"lift": 1.1}))
    assert changed.hash not in Confirmations(path).hashes


def test_a_line_cut_short_confirms_nothing(tmp_path: Path) -> None:
    """R49: a file that lost power in mid-write."""
    path = tmp_path / "confirmed"
    Confirmations(path).add("abc", "r", "")
    path.write_text(path.read_text() + '{"hash": "de\n[]\n{"hash": 3}\n')
    assert Confirmations(path).hashes == {"abc"}


def test_a_slowed_flick_is_called_a_rehearsal_only() -> None:
    """R49: in the status."""
    rig = Rig(checked(machine(), flick("f", 0.4, 0.9, 1.0)))
    rig.start(speed=0.5)
    rig.run(3)
    assert rig.runner.status().runs[-1].slowed == "at 0.5 of the limits; its flick is a rehearsal only"


# Bypasses.


def test_a_pack_without_confirmations_says_at_boot_that_first_runs_are_not_slowed(tmp_path: Path) -> None:
    """R49, R50: who leaves the confirmations out on a robot is told so in every session."""
    routine = checked(machine(), move("m", {"lift": 1.0}))
    write_pack(tmp_path / "robot.pack", [routine])
    pack = load_pack(tmp_path / "robot.pack")
    told = "first runs are not slowed: the runner was given no confirmations"
    runner = Runner(pack)
    assert told in [event.text for event in runner.tick(Readings(1)).events if event.kind == "bypass"]
    assert told in runner.status().bypasses
    assert told not in Runner(pack, confirmations=Confirmations(tmp_path / "confirmed")).status().bypasses
    assert told not in Runner(routine).status().bypasses


def test_bypasses_are_shown_at_boot_and_in_the_status() -> None:
    """R50: waived findings and what is out of service: an event in the first tick, and the status at any time."""
    on = machine(overlays=["right chain off"])
    waived = [{"rule": "C7", "step": "x", "because": "tried on the bench"}]
    rig = Rig(checked(on, wait("x", 1.0), waived=waived)).run(2)
    shown = ["right chain off", "waived in r: C7, step x: tried on the bench"]
    assert [(event.tick, event.text) for event in rig.kinds("bypass")] == [(0, text) for text in shown]
    assert list(rig.runner.status().bypasses) == shown


def test_an_assumed_sensor_reads_what_is_assumed_until_it_is_read_again() -> None:
    """R50: shown and recorded; it ends with None, or with the session."""
    rig = started(checked(machine(), wait("A", until=BEAM)), ticks=3, beam=False)
    rig.runner.assume("beam", True)
    rig.run(1)
    assert rig.outcome() == (3, "done")
    assert rig.kinds("assume")[0].text == "beam is assumed to be True"
    assert rig.runner.status().bypasses == ("assumed: beam is True",)
    rig.runner.assume("beam", None)
    rig.run(1)
    assert rig.runner.status().bypasses == ()
    rig.start()
    rig.run(5)
    assert len(rig.outcomes()) == 1


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("bem", True, "unknown sensor 'bem'; did you mean 'beam'"),
        ("beam", 1.0, "beam cannot be 1.0; it is true or false"),
        ("pressure", float("nan"), "pressure cannot be nan; it is a number"),
        ("piece", "kite", "piece cannot be 'kite'; it is none, lantern, float"),
    ],
)
def test_what_a_sensor_cannot_read_cannot_be_assumed(name: str, value: Any, words: str) -> None:
    """R50."""
    with pytest.raises(RequestRefused, match=words.replace("(", r"\(")):
        Rig(checked(machine(), wait("x", 1.0))).runner.assume(name, value)


# What runs afterwards.


def after(on: Any, key: str, *steps: Any, last: Any) -> Any:
    return checked(on, *steps, **{key: dict(checked(on, last).routine)})


def test_on_cancel_runs_after_standstill() -> None:
    """R47: nothing is ordered but the stop, then the way out, as a run of its own with its own outcome."""
    rig = Rig(after(machine(), "on_cancel", move("m", {"lift": 2.0}), last=move("out", {"lift": 0.0})))
    rig.start()
    rig.run(40)
    rig.runner.cancel()
    rig.run(140)
    (cancelled,) = rig.outcomes()
    assert cancelled == (65, "cancelled")
    assert rig.starts("out") == [66]
    assert rig.outcomes("r.on_cancel")[0][1] == "done"
    assert rig.points()[-1] == 0.0


@pytest.mark.parametrize("how", ["abort", "disable", "second cancel"])
def test_on_cancel_does_not_run_after_an_abort_a_disable_or_a_second_cancel(how: str) -> None:
    """R47, R33, R41."""
    rig = Rig(after(machine(), "on_cancel", move("m", {"lift": 2.0}), last=move("out", {"lift": 0.0})))
    rig.start()
    rig.run(40)
    if how == "second cancel":
        rig.runner.cancel()
        rig.run(10)
        rig.runner.cancel()
    elif how == "abort":
        rig.runner.abort()
    else:
        rig.enabled = False
    rig.run(5)
    rig.enabled = True
    rig.run(60)
    assert rig.starts("out") == []


def test_on_fault_runs_after_a_fault_of_the_process_alone() -> None:
    """R47: after a timeout it runs, and a reset is still needed; after an interlock it does not."""
    on = machine(must_stay=[must_stay("cover", ["holds", "guard"], [0])])
    for machine_fault in (False, True):
        rig = Rig(
            after(
                on,
                "on_fault",
                move("m", {"lift": 2.0}),
                wait("w", until=BEAM, timeout=0.4, after=[]),
                last=move("out", {"lift": 0.0}),
            ),
            guard=(lambda tick: tick != 10) if machine_fault else True,
        )
        rig.start()
        rig.run(150)
        assert rig.outcomes()[0][1] == "faulted"
        assert bool(rig.starts("out")) is not machine_fault
        assert rig.points()[-1] == pytest.approx(0.0) if not machine_fault else True
        rig.start()
        rig.run(1)
        assert "reset first" in rig.refusals()[-1]


def test_a_cancel_ends_what_runs_afterwards() -> None:
    """R47, R34."""
    rig = Rig(after(machine(), "on_cancel", move("m", {"lift": 2.0}), last=move("out", {"lift": 0.0})))
    rig.start()
    rig.run(40)
    rig.runner.cancel()
    rig.run(40)
    rig.runner.cancel()
    rig.run(60)
    assert rig.outcomes("r.on_cancel")[0][1] == "cancelled"


# Nothing can happen any more.


def test_a_run_that_waits_for_axes_that_stand_says_so_at_once() -> None:
    """R40: nothing can happen any more, with what each step waits for in vain."""
    rig = started(
        checked(machine(), move("m", {"lift": 0.2}), wait("w", until=[">", "lift", 0.5], after="m")),
        ticks=80,
    )
    (event,) = rig.kinds("stuck")
    assert event.text == "nothing can happen any more: w waits for lift > 0.5 m (lift 0.2 m)"
    assert event.tick <= rig.starts("w")[0] + 1
    assert rig.headline() == "r: nothing can happen"
    assert rig.runner.status().runs[-1].hopeless == "w waits for lift > 0.5 m (lift 0.2 m)"


@pytest.mark.parametrize(
    "step",
    [
        wait("w", until=BEAM),
        wait("w", 5.0),
        wait("w", until=[">", "lift", 0.5], timeout=9.0, on_timeout="continue"),
        wait("w", until=["or", [">", "lift", 0.5], BEAM]),
        pulse("w", {"roller": 3.0}, until=[">", "lift", 0.5]),
    ],
)
def test_a_run_in_which_something_can_still_happen_is_not_called_lost(step: Any) -> None:
    """R40: a sensor, a time, a timeout that goes on or a driven axis may still change it."""
    rig = started(checked(machine(), step), ticks=40)
    assert not rig.kinds("stuck")


def test_axes_that_hold_each_other_without_a_timeout_are_called_lost() -> None:
    """R40, R54: the supervisor's mutual hold."""
    from rig import keep_out

    on = machine(keep_outs=[keep_out("a", [0, 0.4, 0.6], [1, -0.1, 0.5]), keep_out("b", [0, -0.1, 0.5], [1, 0.4, 0.6])])
    rig = started(
        checked(on, move("m", {"lift": 1.0}, timeout=None), move("n", {"wrist": 1.0}, timeout=None)), ticks=150
    )
    assert len(rig.runner.status().stuck) == 2
    assert rig.headline() == "r: nothing can happen"


def test_every_headline_has_at_most_forty_characters() -> None:
    """R40."""
    long = "a_routine_with_a_very_long_name_that_nobody_should_give"
    rig = Rig(checked(machine(), move("m", {"lift": 2.0}), name=long))
    rig.start(long)
    rig.run(5)
    assert len(rig.headline()) <= 40
    rig.runner.hold()
    rig.run(2)
    assert len(rig.headline()) <= 40


def test_the_status_keeps_the_chain_of_causes_after_the_end() -> None:
    """R40: what came first and what was added while stopping."""
    rig = started(checked(machine([axis("lift", limits=JERKY), *machine()["axes"][1:]]), move("m", {"lift": 2.0})))
    rig.run(40)
    rig.runner.cancel()
    rig.run(3)
    rig.positions["lift"] += 1.0
    rig.run(60)
    chain = rig.runner.status().runs[-1].chain
    assert chain[0] == "cancelled by request"
    assert chain[1].startswith("lift has lost its zero: its reading jumped by 1")


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("zero", {"speed": "x", "until": BEAM, "then": 0.0, "once": None}, r"machine.axes\[0\].zero.speed is 'x'"),
        ("differ_by", "wide", r"machine.axes\[0\].differ_by is 'wide'"),
    ],
)
def test_machine_data_whose_zero_has_another_shape_is_refused(key: str, value: Any, words: str) -> None:
    """R42: before anything runs."""
    with pytest.raises(PackError, match=words):
        checked(machine([axis("lift", **{key: value}), *machine()["axes"][1:]]), wait("A", 1.0))


def test_what_runs_afterwards_has_the_shape_of_a_routine() -> None:
    """R47."""
    with pytest.raises(PackError, match=r"routines\[0\].on_cancel has no 'from'"):
        checked(machine(), wait("A", 1.0), on_cancel={"steps": []})
