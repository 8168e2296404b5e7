"""A file appears whole or not at all, and only a file is ever replaced."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

import pytest

from sequencer.whole_file import whole_file


def test_a_file_is_replaced_once_it_is_complete(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    path.write_text("old")
    with whole_file(path) as file:
        file.write("new")
        assert path.read_text() == "old"
    assert path.read_text() == "new"
    assert os.listdir(tmp_path) == ["out.csv"]


def test_after_an_error_the_old_file_stays_and_nothing_is_left_behind(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    path.write_text("old")
    with suppress(ZeroDivisionError), whole_file(path) as file:
        file.write(f"half {1 / 0}")
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["out.csv"]


def test_a_link_is_followed(tmp_path: Path) -> None:
    target, link = tmp_path / "target", tmp_path / "link"
    target.write_text("old")
    link.symlink_to(target)
    with whole_file(link) as file:
        file.write("new")
    assert link.is_symlink()
    assert target.read_text() == "new"


def test_what_is_no_file_is_left_alone(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with pytest.raises(OSError, match="it is no regular file") as refused, whole_file(pipe):
        pass
    assert refused.value.filename == str(pipe)
    assert pipe.is_fifo()
    with pytest.raises(IsADirectoryError, match="it is a folder"), whole_file(tmp_path):
        pass


def test_the_error_names_the_path_that_was_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "missing" / "out.csv"
    with pytest.raises(FileNotFoundError) as missing, whole_file(path):
        pass
    assert missing.value.filename == str(path)
