"""Where words go, and how they look on a terminal and elsewhere."""

from __future__ import annotations

import io
import sys

import pytest

from sequencer.cli.output import Output


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_table_is_aligned_plainly_where_there_is_no_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    Output(False).table(["name", "s"], [["raise", "0.5"], ["go", "1"]])
    assert capsys.readouterr().out == "name   s\nraise  0.5\ngo     1\n"


def test_words_go_to_stderr_where_json_is_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    output = Output(True)
    output.say("checking")
    output.emit({"verdict": "clear"})
    assert capsys.readouterr() == ('{\n  "verdict": "clear"\n}\n', "checking\n")


@pytest.mark.parametrize(("variables", "coloured"), [({}, True), ({"NO_COLOR": "1"}, False), ({"TERM": "dumb"}, False)])
def test_colours_are_for_terminals_that_want_them(
    monkeypatch: pytest.MonkeyPatch, variables: dict[str, str], coloured: bool
) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(sys, "stdout", Terminal())
    assert ("\x1b" in Output(False).styled("clear", "good")) is coloured


def test_a_terminal_gets_a_table_and_a_bar_without_losing_an_item(monkeypatch: pytest.MonkeyPatch) -> None:
    out, err = Terminal(), Terminal()
    monkeypatch.setattr(sys, "stdout", out)
    monkeypatch.setattr(sys, "stderr", err)
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm")
    output = Output(False)
    output.table(["name"], [["raise"]])
    assert list(output.progress([1, 2, 3], "checking")) == [1, 2, 3]
    assert out.getvalue().split() == ["name", "raise"]
    assert "checking" in err.getvalue()


def test_a_bar_inside_a_bar_is_not_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    out, err = Terminal(), Terminal()
    monkeypatch.setattr("sys.stdout", out)
    monkeypatch.setattr("sys.stderr", err)
    monkeypatch.setenv("TERM", "xterm")
    output = Output(False)
    seen = [list(output.progress(range(3), f"inner {item}")) for item in output.progress([1, 2], "outer")]
    assert seen == [[0, 1, 2], [0, 1, 2]]
    assert "outer" in err.getvalue()
    assert "inner" not in err.getvalue()
    assert list(output.progress([1, 2], "later")) == [1, 2]
    assert "later" in err.getvalue()
