"""The command line as a whole: help, misspelt words, exit codes, and errors that are sentences."""

from __future__ import annotations

import json
import os
import shlex
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sequencer.cli import command, draw

Call = Callable[..., Any]
HEAVY = {"numpy", "networkx", "pydantic", "yaml", "rich", "profiles", "importlib.metadata"}


def python(code: str, *words: str, **variables: str) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), **variables}
    return subprocess.run(
        [sys.executable, "-c", code, *words], capture_output=True, text=True, env=environment, timeout=60, check=False
    )


@pytest.mark.parametrize("words", [["--help"], ["check", "--help"], ["chek"], ["check", "nowhere.routine.yaml"]])
def test_nothing_heavy_is_loaded_before_it_is_needed(words: list[str]) -> None:
    code = "import sys; from sequencer.cli import main; main(sys.argv[1:]); print(*sys.modules, file=sys.stderr)"
    loaded = set(python(code, *words).stderr.split())
    assert "sequencer.cli.command" in loaded
    assert not loaded & HEAVY


def test_the_module_runs_as_a_program() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "sequencer", "schema", "machin"],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "stepgraph: there is no schema 'machin'; did you mean 'machine'?\n"


@pytest.mark.parametrize("verb", sorted(command.VERBS))
def test_every_verb_explains_itself_with_an_example_and_its_exit_codes(verb: str, call: Call) -> None:
    done = call(verb, "--help")
    assert done.code == 0
    assert f"example:\n  stepgraph {verb} " in done.out
    assert "exit codes: 0 fine, 1 findings or a failed outcome, 2 could not do it" in done.out
    assert "--json" in done.out


@pytest.mark.parametrize("verb", sorted(command.VERBS))
def test_the_example_of_every_verb_has_words_that_it_takes(verb: str) -> None:
    for line in command.VERBS[verb].EXAMPLE.splitlines():
        program, *words = shlex.split(line)
        assert program == "stepgraph"
        assert command._parser().parse_args(words).verb == verb


def test_no_word_at_all_shows_the_help_and_is_an_error(call: Call) -> None:
    done = call()
    assert done.code == 2
    assert done.out.startswith("usage: stepgraph")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["rehears", "x"], "there is no verb 'rehears'; did you mean 'rehearse'?"),
        (
            ["fly"],
            f"there is no verb 'fly'; allowed: {', '.join(sorted(command.VERBS))}",
        ),
        (["check"], "the following arguments are required: FILE; see stepgraph check --help"),
        (["check", "--fast", "x"], "unrecognized arguments: --fast; see stepgraph --help"),
        (["check", "nowhere/x.routine.yaml"], "nowhere/x.routine.yaml: there is no such file"),
        (
            ["check", "good/hong.routine.yaml"],
            "good/hong.routine.yaml: there is no such file; did you mean 'good/hang.routine.yaml'?",
        ),
        (["check", "empty"], "empty has no *.routine.yaml file in it"),
        (["check", "binary.routine.yaml"], "binary.routine.yaml is not a text file in UTF-8"),
        (
            ["check", "good", "--waive", "timeout:away"],
            "'timeout:away' is no waiver; write rule:step:because, such as 'timeout-none:away:the driver decides'",
        ),
        (
            ["draw", "good", "--over", "sunday.yaml"],
            "sunday.yaml: there is no such file; did you mean 'saturday.yaml'?",
        ),
    ],
)
def test_what_cannot_be_done_is_said_in_a_sentence(folder: Path, call: Call, words: list[str], message: str) -> None:
    (folder / "empty").mkdir()
    (folder / "binary.routine.yaml").write_bytes(b"\xff\xfe\x00")
    done = call(*words)
    assert (done.code, done.out, done.err) == (2, "", f"stepgraph: {message}\n")
    if "--json" not in words and words[0] in command.VERBS:
        again = call(*words, "--json")
        assert (again.code, again.data) == (2, {"error": message})


def test_an_internal_error_says_that_it_is_a_bug_and_shows_where_only_on_demand(
    folder: Path, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> int:
        raise ZeroDivisionError("by nothing")

    monkeypatch.setattr(draw, "run", broken)
    done = call("draw", "machine.yaml")
    assert (done.code, done.out) == (2, "")
    assert done.err == (
        "stepgraph: this is a bug in stepgraph, not in your files (ZeroDivisionError: by nothing); "
        "with STEPGRAPH_DEBUG=1 the same command shows where\n"
    )
    monkeypatch.setenv("STEPGRAPH_DEBUG", "1")
    with pytest.raises(ZeroDivisionError):
        call("draw", "machine.yaml")


def test_an_interrupt_is_one_sentence(folder: Path, call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_: object) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr(draw, "run", interrupted)
    assert call("draw", "machine.yaml") == (130, "", "stepgraph: interrupted; nothing more was written\n")


def test_a_reader_that_goes_away_is_no_error(folder: Path) -> None:
    code = "import sys; from sequencer.cli import main; sys.exit(main(['draw', 'machine.yaml']))"
    process = subprocess.Popen(
        [sys.executable, "-c", code],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    assert process.stdout is not None
    process.stdout.close()
    assert process.stderr is not None
    assert process.stderr.read() == b""
    assert process.wait(60) in (0, 141)
    process.stderr.close()


def test_json_is_alone_on_stdout_whatever_happens(folder: Path, call: Call) -> None:
    for words in (["draw", "machine.yaml"], ["draw", "wrong"], ["draw", "nothing.yaml"]):
        done = call(*words, "--json")
        assert json.loads(done.out)
        assert done.err
