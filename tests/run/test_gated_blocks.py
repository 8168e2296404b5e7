"""Blocks with a gate: nothing inside begins before it opens, and it is asked once (R32)."""

from __future__ import annotations

from typing import Any

import pytest
from rig import checked, choose, machine, perform, repeat, started, wait

BEAM = ["holds", "beam"]


def inside() -> list[Any]:
    return [wait("A", 0.1)]


def blocks(**fields: Any) -> list[Any]:
    return [
        repeat("block", inside(), 2, once=BEAM, **fields),
        perform("block", inside(), once=BEAM, **fields),
        choose("block", [(["holds", "clear"], inside())], once=BEAM, **fields),
    ]


@pytest.mark.parametrize("block", blocks(), ids=lambda one: one["kind"])
def test_nothing_inside_a_block_begins_before_its_gate_opens(block: Any) -> None:
    """R32: and the gate is not asked again once it has opened."""
    rig = started(checked(machine(), block), beam=lambda tick: tick == 4, ticks=40)
    passes = 2 if block["kind"] == "repeat" else 1
    assert rig.starts("block") == [0]
    assert rig.starts("A") == [4, 9][:passes]
    assert rig.outcome() == (4 + 5 * passes, "done")


@pytest.mark.parametrize("block", blocks(), ids=lambda one: one["kind"])
def test_a_block_whose_gate_is_open_begins_in_its_tick(block: Any) -> None:
    """R5, R32."""
    rig = started(checked(machine(), wait("B", 0.1), {**block, "after": ["B"]}), beam=True, ticks=40)
    assert rig.starts("A")[0] == rig.starts("block")[0] == 5


@pytest.mark.parametrize("block", blocks(timeout=0.1, on_timeout="continue"), ids=lambda one: one["kind"])
def test_the_timeout_of_a_block_runs_while_its_gate_is_shut(block: Any) -> None:
    """R32: and then nothing inside has been."""
    rig = started(checked(machine(), block, wait("B", 0.1, "block")), ticks=40)
    assert rig.starts("A") == []
    assert rig.ends("block") == [(5, "timeout")]
    assert rig.outcome() == (10, "done")


@pytest.mark.parametrize("block", blocks(timeout=0.1, retry=1), ids=lambda one: one["kind"])
def test_each_attempt_at_a_block_waits_at_its_gate_anew(block: Any) -> None:
    """R24, R32."""
    rig = started(checked(machine(), block), beam=lambda tick: tick in (3, 8), ticks=10)
    assert rig.starts("A") == [3, 8]


def test_an_empty_branch_behind_a_gate_is_done_when_it_opens() -> None:
    """R11, R32: what follows starts in the same tick."""
    block = choose("block", [(["holds", "clear"], [])], once=BEAM)
    rig = started(checked(machine(), block, wait("B", 0.1, "block")), beam=lambda tick: tick == 3, ticks=4)
    assert rig.ends("block") == [(3, "done")]
    assert rig.starts("B") == [3]


def test_a_gated_choice_takes_the_branch_that_is_true_when_its_gate_opens_or_later() -> None:
    """R11, R32."""
    guards = [(["holds", "clear"], inside()), (["holds", "guard"], [wait("C", 0.1)])]
    rig = started(checked(machine(), choose("block", guards, once=BEAM)), beam=False, clear=False, ticks=3)
    assert "its gate: beam" in rig.runner.status().runs[0].steps[0].waits_for
    rig.sensors["beam"] = True
    rig.run(1)
    assert (rig.starts("A"), rig.starts("C")) == ([], [3])
    shut = started(checked(machine(), choose("block", guards, once=BEAM)), clear=False, guard=False, ticks=3)
    shut.sensors["beam"] = True
    shut.run(2)
    shut.sensors.update(clear=True, beam=False)
    shut.run(1)
    assert shut.starts("A") == [5]


@pytest.mark.parametrize("block", blocks(), ids=lambda one: one["kind"])
def test_a_block_that_is_held_and_resumed_does_not_ask_its_gate_again_once_it_is_inside(block: Any) -> None:
    """R35, R32: what is inside may have closed it on purpose."""
    rig = started(checked(machine(), block), beam=lambda tick: tick == 2, ticks=4)
    rig.runner.hold()
    rig.run(3)
    rig.runner.resume()
    rig.run(20)
    assert rig.outcome()[1] == "done"
    waiting = started(checked(machine(), block), ticks=4)
    waiting.runner.hold()
    waiting.run(3)
    waiting.runner.resume()
    waiting.run(5)
    assert waiting.starts("A") == []
    waiting.sensors["beam"] = True
    waiting.run(1)
    assert len(waiting.starts("A")) == 1
