"""Where words go, and how they look on a terminal and elsewhere."""

from __future__ import annotations

import io
import sys
import time

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


def impatient(monkeypatch: pytest.MonkeyPatch) -> Terminal:
    """A terminal on which progress is shown at once; not a fixture, for pytest changes streams after those."""
    err = Terminal()
    monkeypatch.setattr(sys, "stdout", Terminal())
    monkeypatch.setattr(sys, "stderr", err)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr("sequencer.cli.output.PATIENCE", 0.0)
    return err


def until_shown(terminal: Terminal, words: str) -> None:
    for _ in range(1000):
        if words in terminal.getvalue():
            return
        time.sleep(0.01)
    raise AssertionError(f"{words!r} was never shown")


def test_one_thing_that_takes_long_shows_its_name_and_the_time_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = impatient(monkeypatch)
    with Output(False).working("checking hang") as reached:
        until_shown(terminal, "0:00:00")
        reached(1.0)
    assert "checking hang" in terminal.getvalue()


def test_with_a_total_it_shows_how_far_it_is_and_the_time_left(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = impatient(monkeypatch)
    with Output(False).working("rehearsing hang", 4.0) as reached:
        reached(1.0)
        reached(3.0)
        until_shown(terminal, "\u2501")


def test_what_is_done_soon_shows_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = impatient(monkeypatch)
    monkeypatch.setattr("sequencer.cli.output.PATIENCE", 60.0)
    with Output(False).working("checking hang"):
        pass
    assert list(Output(False).progress(["hang"], "checking")) == ["hang"]
    assert "checking" not in terminal.getvalue()


def test_an_error_goes_through_and_the_next_bar_is_shown_again(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = impatient(monkeypatch)
    output = Output(False)
    with pytest.raises(ZeroDivisionError), output.working("checking hang"):
        raise ZeroDivisionError
    with output.working("checking drop"):
        until_shown(terminal, "checking drop")


def test_without_a_terminal_nothing_is_shown(capsys: pytest.CaptureFixture[str]) -> None:
    with Output(False).working("checking hang", 1.0) as reached:
        reached(0.5)
    assert capsys.readouterr() == ("", "")
