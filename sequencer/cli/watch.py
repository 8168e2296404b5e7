"""Doing something again whenever a file is saved."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from sequencer.cli.output import CannotDo, Output
from sequencer.errors import StepgraphError

POLL = 0.3
"""How often the files are looked at [s]."""


def watch(
    paths: Sequence[str], others: Iterable[Path], act: Callable[[], int], output: Output, pause: Callable[[], None]
) -> int:
    """Act, and again after each change of a YAML file in the folders concerned, until Ctrl-C.

    Args:
        paths: the files and folders that were named.
        others: further files, such as overlays.
        act: what is done; its exit code counts.
        output: where words go.
        pause: waits until the files are looked at again.

    Returns:
        The exit code of the last time.
    """
    code = 2
    seen: dict[Path, tuple[int, int]] | None = None
    try:
        while True:
            now = _stamps(paths, others)
            if now != seen:
                seen = now
                try:
                    code = act()
                except CannotDo as error:
                    code = 2
                    output.failed(str(error))
                except StepgraphError as error:
                    code = 1
                    output.failed(str(error))
                output.say(output.styled("watching; it is checked again when you save (Ctrl-C ends)", "soft"))
            pause()
    except KeyboardInterrupt:
        return code


def wait_a_little() -> None:
    """The pause between two looks."""
    time.sleep(POLL)


def _stamps(paths: Sequence[str], others: Iterable[Path]) -> dict[Path, tuple[int, int]]:
    """When each file was changed and how long it is; a routine may perform any routine of its folder."""
    folders = {path if path.is_dir() else path.parent for path in map(Path, paths)}
    found = {}
    for path in {*others, *(file for folder in folders for file in folder.glob("*.yaml"))}:
        try:
            status = path.stat()
        except OSError:
            # Editors take a file away for a moment while they save it.
            continue
        found[path] = status.st_mtime_ns, status.st_size
    return found
