"""A real Dask scheduler with two workers on this machine does the work of drills and spreads."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from sequencer import check, load_routine
from sequencer.cli import main
from sequencer.study import Drill, Spread, spreading

distributed = pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")

DEMO = Path(__file__).parents[2] / "demos" / "lantern"
pytestmark = pytest.mark.filterwarnings("ignore")  # those of the library about itself are none of ours


@pytest.fixture(scope="module")
def scheduler() -> Iterator[str]:
    """Its address; two worker processes of one thread each."""
    cluster = distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
    )
    with cluster:
        yield str(cluster.scheduler_address)


def test_rows_of_a_cluster_are_those_of_one_process(scheduler: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spreading, "FEWEST_AT_ONCE", 3)
    routine = load_routine(DEMO / "to_stow.routine.yaml")
    checked = check(routine)
    spread = Spread(checked, machine=routine.machine, runs=8, seed=1, spec=routine.rehearsals[0])
    drill = Drill(
        checked,
        machine=routine.machine,
        specs=routine.rehearsals,
        middles_only=True,
        choose=lambda fault: "frozen" in fault.words,
    )
    with distributed.Client(scheduler, set_as_default=False) as client:
        executor = client.get_executor(pure=False)
        assert list(spread.rows(executor)) == list(spread.rows())
        assert list(drill.rows(executor)) == list(drill.rows())
        assert len(client.run(lambda: None)) == 2


@pytest.mark.parametrize("verb", [("spread", "--runs", "6"), ("drill", "--short", "--fault", "cancel")])
def test_the_command_line_hands_the_work_to_a_cluster(
    scheduler: str, verb: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    path = str(DEMO / "to_stow.routine.yaml")
    here = main([verb[0], path, *verb[1:], "--workers", "1"]), capsys.readouterr().out
    there = main([verb[0], path, *verb[1:], "--scheduler", scheduler]), capsys.readouterr().out
    assert there == here


def test_a_scheduler_that_does_not_answer_is_told(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sequencer.cli.workers.CONNECTING", 0.3)
    path = str(DEMO / "to_stow.routine.yaml")
    assert main(["spread", path, "--runs", "6", "--scheduler", "tcp://127.0.0.1:9"]) == 2
    assert "no Dask scheduler answers at tcp://127.0.0.1:9: " in capsys.readouterr().err


def test_without_the_library_the_extra_is_named(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    missing: Callable[[str], Any] = _missing
    monkeypatch.setattr("sequencer.cli.workers.import_module", missing)
    path = str(DEMO / "to_stow.routine.yaml")
    assert main(["spread", path, "--runs", "6", "--scheduler", "tcp://127.0.0.1:9"]) == 2
    assert (
        "--scheduler needs the extra 'cluster'; install it with: pip install 'stepgraph[cluster]'"
        in capsys.readouterr().err
    )


def _missing(name: str) -> Any:
    raise ImportError(name)
