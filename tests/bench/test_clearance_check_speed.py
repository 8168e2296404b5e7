"""How long a whole verdict takes where bodies are watched, beside one certified bound of a pair in the same run."""

from __future__ import annotations

import sys
from pathlib import Path
from time import process_time

import pytest

from sequencer import load_routine, plan
from sequencer.check import examine
from sequencer.check.bodies import bodies_of
from sequencer.routine.steps import With

DEMO = Path(__file__).parents[2] / "demos" / "lantern"

MOST_SECONDS = 0.060
"""A whole verdict of the longest demo routine, or of 12 steps on 3 axes with 6 bodies, may take this long, loading not
counted [s]. It is the time of the processor: what others do on the machine meanwhile is no part of it."""

MOST_BOUNDS = 3_000
"""It may take as long as so many certified bounds of one pair, in the same run."""


@pytest.mark.bench
def test_a_whole_verdict_is_quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "path", [str(Path(__file__).parents[1] / "check"), *sys.path])
    from reaching import examined, reacher, step, to

    machine = reacher()
    steps = []
    for turn in range(3):
        steps += [
            step(f"raise{turn}", to("over", "lift")),
            step(f"reach{turn}", to("over", "slide", "wrist"), With(f"raise{turn}"), once="lift > 0.65 m"),
            step(f"back{turn}", to("stow", "slide", "wrist")),
            step(f"lower{turn}", to("stow", "lift")),
        ]

    def verdict() -> float:
        begin = process_time()
        assert examined(machine, *steps).verdict == "clear"
        return process_time() - begin

    verdict()  # the table of the machine is made once
    whole = min(verdict() for _ in range(7))
    (pair,) = (one for one in bodies_of(machine).pairs if one.names == ("shelf", "hand"))
    low, high = [0.6, 0.1, 0.0], [0.7, 0.2, 0.3]
    begin = process_time()
    for _ in range(2_000):
        pair.bound(low, high)
    bound = (process_time() - begin) / 2_000
    print(f"verdict {whole * 1e3:.1f} ms, {whole / bound:.0f} bounds of {bound * 1e6:.1f} us")
    assert whole < MOST_SECONDS
    assert whole / bound < MOST_BOUNDS


@pytest.mark.bench
def test_the_longest_routine_of_the_demo_is_judged_quickly() -> None:
    """By planned duration; the ratio is to one certified bound of its machine's hand and post in the same run."""
    routines = [load_routine(path) for path in DEMO.glob("*.routine.yaml") if not path.name.startswith("broken_")]
    longest = max(routines, key=lambda routine: plan(routine).duration)

    def verdict() -> float:
        begin = process_time()
        assert examine(longest).verdict == "clear"
        return process_time() - begin

    verdict()  # the table of the machine is made once
    whole = min(verdict() for _ in range(7))
    tree = bodies_of(longest.machine).tree
    (pair,) = (one for one in bodies_of(longest.machine).pairs if one.names == ("hand", "post"))
    low, high = tree.box({"lift": (1.0, 1.1), "wrist": (0.0, 0.3)})
    begin = process_time()
    for _ in range(2_000):
        pair.bound(low, high)
    bound = (process_time() - begin) / 2_000
    print(f"{longest.name}: verdict {whole * 1e3:.1f} ms, {whole / bound:.0f} bounds of {bound * 1e6:.1f} us")
    assert whole < MOST_SECONDS
    assert whole / bound < MOST_BOUNDS
