"""The time of a gated step runs while it waits, so that a long wait before its gate opens uses its timeout up."""

from __future__ import annotations

from crossing import condition, crossing, to
from random_world import BEAM

from sequencer.check import examine
from sequencer.routine.routine import Routine
from sequencer.routine.steps import After, Step, Timeout, Wait

HALF = Timeout("planned", 500_000_000)


def told(wait: Step, gated_after: tuple[str, ...] = ()) -> list[str]:
    passes = to("pass", "along", 1.0, start=After(gated_after), once=condition("across > 0.5 m"))
    rise = to("rise", "across", 1.0, start=After(("near",)))
    found = examine(Routine("cross", crossing(), (wait, rise, passes), "low", default_timeout=HALF))
    return [one.message for one in found.findings if one.rule == "timeouts" and one.severity == "warning"]


def test_a_gate_that_may_open_after_the_timeout_is_told() -> None:
    near = Step("near", Wait(BEAM), timeout=Timeout("fixed", 3_000_000_000))
    assert told(near) == [
        "'pass' may take 4.875 s if the waits before its gate (across > 0.5 m) opens take as long as they may; "
        "its timeout is 2.395 s"
    ]
    assert told(Step("near", Wait(BEAM), timeout=Timeout("fixed", 400_000_000))) == []


def test_a_gate_behind_a_wait_without_end_is_told() -> None:
    near = Step("near", Wait(BEAM), timeout=Timeout("none"))
    assert told(near) == [
        "'pass' may wait for ever if the waits before its gate (across > 0.5 m) opens take as long as they may; "
        "its timeout is 2.395 s"
    ]


def test_a_step_that_starts_after_the_wait_has_all_its_time() -> None:
    near = Step("near", Wait(BEAM), timeout=Timeout("fixed", 3_000_000_000))
    assert told(near, ("near",)) == []
