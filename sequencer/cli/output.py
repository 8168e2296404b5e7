"""Where words, tables, progress and JSON go: where JSON is asked for, it alone to stdout and the rest to stderr."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TextIO, TypeVar

from sequencer.errors import StepgraphError
from sequencer.whole_file import whole_file

Item = TypeVar("Item")

PATIENCE = 2.0
"""Whatever takes longer shows how long it has taken [s]."""


class CannotDo(StepgraphError):
    """A verb that could not be done at all: a missing or unreadable file, or bad usage; exit code 2."""


class Output:
    """The two streams of one call. Colour and moving progress bars only on a terminal, and no colour with NO_COLOR."""

    def __init__(self, as_json: bool) -> None:
        self.as_json = as_json
        self.words: TextIO = sys.stderr if as_json else sys.stdout
        self._bar_is_shown = False
        for stream in (sys.stdout, sys.stderr):
            reconfigure = getattr(stream, "reconfigure", None)
            if reconfigure is not None:
                # A terminal that lacks a character shows a question mark; that is no reason to fail.
                reconfigure(errors="replace")

    def say(self, text: str = "") -> None:
        """Words for a person."""
        print(text, file=self.words)

    def emit(self, data: Any) -> None:
        """The result as JSON, if it was asked for."""
        if self.as_json:
            print(json.dumps(data, indent=2, ensure_ascii=False, default=_plain), file=sys.stdout)

    def failed(self, message: str) -> None:
        """Why nothing came of it: a sentence to stderr, and to stdout as JSON if that was asked for."""
        print(f"stepgraph: {message}", file=sys.stderr)
        self.emit({"error": message})

    def problems(self, error: StepgraphError) -> None:
        """What is wrong with a file, one line a problem, to stderr; each begins with its place."""
        print(error, file=sys.stderr)

    def styled(self, text: str, style: str) -> str:
        """The text in a style (good, bad, doubtful, soft or strong) where the words go to a terminal."""
        return f"\x1b[{_STYLES[style]}m{text}\x1b[0m" if self.colour else text

    @property
    def colour(self) -> bool:
        """Whether words may have colours (https://no-color.org)."""
        return self.words.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"

    @property
    def width(self) -> int:
        """Columns to write in: those of the terminal, else 100."""
        import shutil

        return shutil.get_terminal_size((100, 24)).columns if self.words.isatty() else 100

    def table(self, headings: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        """A table: ruled on a terminal, aligned plainly elsewhere."""
        if self.words.isatty():
            from rich.console import Console
            from rich.table import Table
            from rich.text import Text

            table = Table(box=None, pad_edge=False, header_style="bold" if self.colour else "")
            for heading in headings:
                table.add_column(heading)
            for row in rows:
                table.add_row(*(Text.from_ansi(cell) for cell in row))
            Console(file=self.words, no_color=not self.colour, highlight=False).print(table)
            return
        lines = [headings, *rows]
        widths = [max(len(line[column]) for line in lines) for column in range(len(headings))]
        for line in lines:
            self.say("  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip())

    def progress(self, items: Iterable[Item], what: str, count: int | None = None) -> Iterator[Item]:
        """The items one by one; where stderr is a terminal, with a bar and the time left, or as `working` for one item.

        Inside another bar none is shown, so that the outer one goes on telling the time left for everything.

        Args:
            items: a sequence, or as many as `count` says.
            what: stands before the bar.
            count: how many there will be; None: as many as the sequence has.
        """
        if count is None:
            count = len(items) if isinstance(items, Sequence) else 0
        if count < 2:
            with self.working(what):
                yield from items
            return
        if not self._may_show_a_bar():
            yield from items
            return
        from rich.console import Console
        from rich.progress import track

        console = Console(stderr=True, no_color=bool(os.environ.get("NO_COLOR")))
        self._bar_is_shown = True
        try:
            yield from track(items, description=what, total=count, console=console, transient=True)
        finally:
            self._bar_is_shown = False

    @contextmanager
    def working(self, what: str, total: float | None = None) -> Iterator[Callable[[float], None]]:
        """While one thing is done: where stderr is a terminal and it takes more than `PATIENCE`, what it is and how
        long it has taken; with a total, a bar and the time left.

        Args:
            what: stands before the time.
            total: how far there is to go, in any unit; None: not known.

        Yields:
            A function to be told how far it has got.
        """
        if not self._may_show_a_bar():
            yield lambda _: None
            return
        from threading import Timer

        from rich.console import Console
        from rich.progress import (
            BarColumn,
            Progress,
            ProgressColumn,
            TextColumn,
            TimeElapsedColumn,
            TimeRemainingColumn,
        )

        console = Console(stderr=True, no_color=bool(os.environ.get("NO_COLOR")))
        known: list[ProgressColumn] = [] if total is None else [BarColumn(), TimeRemainingColumn()]
        columns = [TextColumn("{task.description}"), *known, TimeElapsedColumn()]
        progress = Progress(*columns, console=console, transient=True, redirect_stdout=False, redirect_stderr=False)
        task = progress.add_task(what, total=total)
        late = Timer(PATIENCE, progress.start)
        late.daemon = True
        self._bar_is_shown = True
        late.start()
        try:
            yield lambda done: progress.update(task, completed=done)
        finally:
            late.cancel()
            late.join()
            progress.stop()
            self._bar_is_shown = False

    def _may_show_a_bar(self) -> bool:
        return not self._bar_is_shown and sys.stderr.isatty() and os.environ.get("TERM") != "dumb"

    def write(self, path: Path, text: str, inputs: Sequence[Path] = ()) -> None:
        """Write a file whole or not at all, with its folders; never over one of the `inputs`.

        Raises:
            CannotDo: the path is that of an input, or cannot be written.
        """
        refuse_inputs(path, inputs)
        try:
            with whole_file(path) as file:
                file.write(text)
        except OSError as error:
            raise CannotDo(f"{path}: cannot be written: {error.strerror}") from None


def refuse_inputs(path: Path, inputs: Sequence[Path]) -> None:
    """Refuse to write over what is read.

    Raises:
        CannotDo: the path is that of an input.
    """
    if any(path.resolve() == given.resolve() for given in inputs):
        raise CannotDo(f"{path} is one of the files to read; choose another name to write to")


_STYLES = {"good": "32", "bad": "1;31", "doubtful": "33", "soft": "2", "strong": "1"}


def _plain(value: Any) -> Any:
    if isinstance(value, Path):
        return str(value)
    if isinstance(value, set | frozenset):
        return sorted(value)
    if hasattr(value, "as_json"):
        return value.as_json()
    return str(value)
