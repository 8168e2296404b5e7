"""``stepgraph read``, ``compare`` and ``health``."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sequencer.trace import read_trace

Call = Callable[..., Any]
LOGS = Path(__file__).parents[2] / "demos/lantern/logs"
MAPPING = """\
log: bench
time: {column: t, unit: s}
columns:
  lift.measured: {column: height, unit: mm}
"""


def bench(folder: Path, gap: float = 0.0) -> None:
    rows = [(0.02 * n + (gap if n > 50 else 0.0), 500.0 + 300.0 * math.sin(0.05 * n)) for n in range(200)]
    (folder / "bench.csv").write_text("t,height\n" + "".join(f"{t:.4f},{h:.3f}\n" for t, h in rows))
    (folder / "bench.yaml").write_text(MAPPING)


def test_a_log_becomes_a_trace(folder: Path, call: Call) -> None:
    bench(folder)
    done = call("read", "bench.csv", "--mapping", "bench.yaml", "--machine", "machine.yaml", "-o", "trace.csv")
    assert (done.code, done.out.strip()) == (0, "bench.csv: 200 samples over 3.98 s")
    assert len(read_trace(folder / "trace.csv").rows) == 200


def test_what_is_wrong_with_a_log_is_told_and_fails(folder: Path, call: Call) -> None:
    bench(folder, gap=0.3)
    done = call("read", "bench.csv", "--mapping", "bench.yaml", "--json")
    assert done.code == 1
    assert [remark["fault"] for remark in done.data["remarks"]] == ["F07"]


def test_a_log_that_is_refused_writes_nothing(folder: Path, call: Call) -> None:
    bench(folder)
    (folder / "bench.yaml").write_text(MAPPING.replace("unit: mm", "unit: m"))
    done = call("read", "bench.csv", "--mapping", "bench.yaml", "--machine", "machine.yaml", "-o", "trace.csv")
    assert done.code == 1
    assert "F08 (another unit than declared), refused: lift.measured" in done.err
    assert not (folder / "trace.csv").exists()
    (folder / "bench.yaml").write_text("log: [")
    assert call("read", "bench.csv", "--mapping", "bench.yaml").code == 2
    done = call("read", "bench.csv", "--mapping", "machine.yaml")
    assert (done.code, "unknown key 'machine'" in done.err) == (2, True)


def test_two_runs_are_compared_by_their_steps(call: Call) -> None:
    log = str(LOGS / "attempts_1.csv")
    done = call("compare", log, log, "--good-run", "1", "--run", "3")
    assert done.code == 1
    assert "near: longer by 2.92 s" in done.out
    assert call("compare", log, log, "--good-run", "1", "--run", "1", "--json").data["steps"] == []
    assert call("compare", log, log, "--run", "7").code == 2


def test_wear_is_told_against_an_older_log(call: Call) -> None:
    done = call("health", str(LOGS / "attempts_2.csv"), "--against", str(LOGS / "attempts_3.csv"))
    assert (done.code, "lift: friction" in done.out) == (0, True)
    assert call("health", str(LOGS / "attempts_2.csv"), "--json").data["warnings"] == []
