"""``stepgraph spread``."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from sequencer.study import Spread, SpreadRow

Call = Callable[..., Any]

VARIED = """\
variation:
  axes:
    wrist: {start: 3 deg}
"""


@pytest.fixture
def varied(folder: Path) -> Path:
    """The routine that is clear, on a machine of which it varies where the hand begins: beyond 2 deg it is refused."""
    machine = folder / "good" / "machine.yaml"
    machine.write_text(machine.read_text() + VARIED)
    return folder / "good" / "hang.routine.yaml"


def test_a_table_of_figures_the_failures_and_a_sentence_at_the_end(varied: Path, call: Call) -> None:
    done = call("spread", str(varied), "--runs", "40", "--seed", "1", "--workers", "1")
    assert done.code == 1
    lines = done.out.splitlines()
    assert lines[0].split() == ["runs", "least", "5", "%", "median", "95", "%", "most"]
    assert lines[1].startswith("duration  ")
    failed = next(line for line in lines if "cancelled: refused" in line)
    assert "; goes with either end of wrist.start (" in failed
    assert "what goes with failing: either end of wrist.start (" in done.out
    worked = 40 - int(failed.split()[0])
    assert lines[-1].startswith(f"hang, plain: worked in {worked} of 40 (")
    assert lines[-1].endswith("; seed 1")
    again = call("spread", str(varied), "--runs", "40", "--seed", "1", "--workers", "2")
    assert again.out == done.out


def test_it_is_fine_where_so_many_work_as_must(varied: Path, call: Call) -> None:
    words = ("spread", str(varied), "--runs", "20", "--workers", "1")
    share = 100.0 * call(*words, "--json").data["success"]["share"]
    assert 0.0 < share < 100.0
    assert call(*words, "--at-least", str(share)).code == 0
    assert call(*words, "--at-least", str(share + 0.1)).code == 1
    assert "--at-least is 101; it must be from 0 to 100 percent" in call(*words, "--at-least", "101").err


def test_every_run_goes_to_csv_and_the_figures_to_json_and_a_picture(varied: Path, folder: Path, call: Call) -> None:
    words = ("--runs", "12", "--workers", "1", "--csv", "runs.csv", "--svg", "runs.svg", "--json")
    done = call("spread", str(varied), *words)
    with (folder / "runs.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [one["run"] for one in rows] == [str(number) for number in range(12)]
    assert all(abs(float(one["wrist.start [rad]"])) <= 0.0524 for one in rows)
    assert done.data["success"]["tried"] == 12
    assert done.data["success"]["made"] == sum(1 for one in rows if not one["failure"])
    assert done.data["varied"] == [
        {
            "name": "wrist.start",
            "unit": "rad",
            "from": pytest.approx(-0.05236, abs=1e-5),
            "to": pytest.approx(0.05236, abs=1e-5),
        }
    ]
    assert (folder / "runs.svg").read_text().startswith("<svg")


def test_bad_words_are_refused_in_sentences(varied: Path, folder: Path, call: Call) -> None:
    path = str(varied)
    assert "a spread of 0 runs says nothing; at least one is needed" in call("spread", path, "--runs", "0").err
    assert "the seed is -3; it must be a whole number, 0 or more" in call("spread", path, "--seed", "-3").err
    assert "has no rehearsal 'plane'; there are: plain, hasty" in call("spread", path, "--name", "plane").err
    assert "at least one must work" in call("spread", path, "--workers", "0").err
    assert "it is written as .csv, and rows.txt ends otherwise" in call("spread", path, "--csv", "rows.txt").err
    assert "it is written as .svg, and rows.png ends otherwise" in call("spread", path, "--svg", "rows.png").err
    both = call("spread", path, "--workers", "2", "--scheduler", "tcp://127.0.0.1:9")
    assert "--workers counts processes here, and --scheduler lets a cluster work; give one of the two" in both.err
    assert both.code == 2
    assert call("spread", path, "--runs", "0").code == 2


def test_a_machine_on_which_nothing_varies_is_told_so(folder: Path, call: Call) -> None:
    done = call("spread", "good/hang.routine.yaml")
    assert done.code == 2
    assert "nothing varies on 'lantern hand': it has no 'variation' and no range of latency" in done.err


def test_what_is_not_clear_is_not_run(folder: Path, call: Call) -> None:
    done = call("spread", "bad/fold.routine.yaml", "--workers", "1")
    assert done.code == 1
    assert "fold: the check found it conflict; nothing was run" in done.out


def test_ctrl_c_tells_what_is_done(varied: Path, call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = Spread.rows

    def interrupted(self: Spread, executor: object = None) -> Iterator[SpreadRow]:
        yield from list(whole(self))[:3]
        raise KeyboardInterrupt

    monkeypatch.setattr(Spread, "rows", interrupted)
    done = call("spread", str(varied), "--runs", "5", "--workers", "1", "--json")
    assert done.code == 1
    assert "interrupted: 3 of 5 were run; this is what they came to" in done.err
    assert (done.data["runs"], done.data["planned"]) == (3, 5)
    monkeypatch.setattr(Spread, "rows", _at_once)
    done = call("spread", str(varied), "--runs", "5", "--workers", "1")
    assert "hang: no run was over; nothing can be told" in done.out


def _at_once(self: Spread, executor: object = None) -> Iterator[SpreadRow]:
    raise KeyboardInterrupt
    yield
