"""The core as a pure function of what it was given: SEMANTICS R2, and the layers of the package."""

from __future__ import annotations

import os
import subprocess
import sys
from math import cos
from pathlib import Path

import pytest
from rig import JERKY, Rig, axis, checked, choose, flick, keep_out, machine, move, pulse, put, repeat, wait

from sequencer.run.feedforward import cosine

ROOT = Path(__file__).resolve().parents[2]

WORK = """
import sys
sys.path.insert(0, {folder!r})
from test_determinism import busy_rig, digest
print(digest(busy_rig()))
"""


def busy_rig() -> Rig:
    """A rig that has run a routine with most kinds of steps, a hold, a late tick, a cancel and a second run."""
    table = {"constant": 1.0, "cosine": 0.7, "angle": 0.2, "coulomb": 0.3, "velocity": 2.0, "acceleration": 0.1}
    on = machine(
        [axis("lift", limits=JERKY, feedforward=table), axis("wrist", limits=JERKY), axis("roller", "spin")],
        keep_outs=[keep_out("post", [0, 0.5, 0.7], [1, 0.5, 3.0])],
    )
    routine = checked(
        on,
        move("m", {"lift": 1.0}, limits=JERKY, profile="s_curve"),
        repeat("loop", [pulse("p", {"roller": 3.0, "lamp": True}, 0.06), put("s", {"horn": 1.0}, "p")], 3),
        choose("c", [(["holds", "beam"], [wait("x", 0.1)])], [wait("y", 0.1)], "loop"),
        flick("f", 0.3, 0.4, 0.9, "c", limits=JERKY),
        pulse("q", {"third": 2.0}, 0.1, passing={"step": "f"}),
        move("back", {"lift": 0.2, "wrist": 0.1}, ["f", "m"], limits=JERKY, profile="s_curve", together=True),
    )
    rig = Rig(routine, beam=lambda tick: tick % 7 == 3)
    rig.start()
    rig.run(40)
    rig.run(1, gap=55_000_001)
    rig.run(150)
    rig.runner.cancel()
    rig.run(60)
    rig.start(speed=0.7)
    return rig.run(200)


def digest(rig: Rig) -> str:
    import hashlib

    return hashlib.sha256(repr((rig.orders, rig.events, rig.runner.status())).encode()).hexdigest()


def test_the_same_readings_and_requests_give_the_same_bytes() -> None:
    """R2: twice in this process."""
    one, two = busy_rig(), busy_rig()
    assert repr(one.orders) == repr(two.orders)
    assert one.events
    assert {"hold", "milestone", "late", "branch"} <= {event.kind for event in one.events}


@pytest.mark.parametrize("seed", ["1", "4711"])
def test_another_process_with_another_hash_seed_gives_the_same_bytes(seed: str) -> None:
    """R2: no order of hashes anywhere."""
    found = subprocess.run(
        [sys.executable, "-c", WORK.format(folder=str(Path(__file__).parent))],
        env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert found.stdout.strip() == digest(busy_rig())


def test_the_runner_needs_the_standard_library_alone() -> None:
    """R2: in an interpreter without site-packages; no clock, no thread of its own, and no third-party module
    is there.
    """
    code = (
        "import sys; before = set(sys.modules)\n"
        f"sys.path.insert(0, {str(ROOT)!r})\n"
        "import sequencer.run\n"
        "from sequencer.run import Runner, Status\n"
        "import sequencer.run.runner\n"
        "tops = {name.split('.')[0] for name in set(sys.modules) - before}\n"
        "print(sorted(tops - set(sys.stdlib_module_names)))\n"
    )
    found = subprocess.run([sys.executable, "-S", "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "['profiles', 'sequencer']"


def test_the_runner_reads_no_clock() -> None:
    """R2: none of its modules imports one, or chance."""
    for path in sorted((ROOT / "sequencer" / "run").glob("*.py")):
        text = path.read_text(encoding="utf-8")
        if path.name == "loop.py":
            continue
        for module in ("time", "datetime", "random", "asyncio"):
            assert f"import {module}" not in text
            assert f"from {module} " not in text


def test_the_cosine_from_plain_arithmetic() -> None:
    """R2: feedforward uses + - * / alone and agrees with the C library's cosine to 1e-11 for |angle| < 1000."""
    for n in range(-20_000, 20_001, 7):
        angle = n * 0.05
        assert cosine(angle) == pytest.approx(cos(angle), abs=1e-11)


def test_jitter_gives_the_same_steps() -> None:
    """R17: 0.1 ms of jitter changes no start or end of a step."""
    import random

    def steps(jitter: random.Random | None) -> list[tuple[int, str, str]]:
        rig = Rig(
            checked(
                machine(),
                repeat("loop", [wait("a", 0.06), pulse("p", {"lamp": True}, 0.1, "a")], 5),
                move("m", {"lift": 0.313}),
            )
        )
        rig.jitter = jitter
        rig.start()
        rig.run(80)
        return [(event.tick, event.kind, event.step) for event in rig.events]

    assert steps(None) == steps(random.Random(3)) == steps(random.Random(5))
