"""The pages under demos/ are followed line by line: their files are written, their changes made, their commands run.

What a reader does with a fence, by its language:

- ``console``: types its lines, one after the other.
- ``text``: compares it with what the commands above it printed; "..." stands for anything.
- ``yaml``, ``python``: saves it in the file that is named just above it.
- ``diff``: changes lines of the file that was named last; what is taken away stands there once.

`<!-- exit 1 -->` between commands and their output says that the last command ends so; else it ends with 0.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[2]
PAGES = tuple(ROOT / "demos" / "lantern" / f"{name}.md" for name in ("scripting", "testing", "tuning", "event_day"))

_FENCE = re.compile(r"^```(?P<language>\w+)\n(?P<body>.*?)^```$", re.DOTALL | re.MULTILINE)
_FILE = re.compile(r"`([\w./]+\.(?:yaml|py))`")
_DOTS = re.compile(r"(?<!\.)\.\.\.(?!\.)")
_EXIT = re.compile(r"<!-- exit (\d) -->")


class Block(NamedTuple):
    """One fence of a page: its language, what is in it, where it stands in the text, and the words before it."""

    language: str
    body: str
    span: tuple[int, int]
    before: str


class Told(NamedTuple):
    """What the commands of one fence printed, and how the last of them ended."""

    printed: str
    code: int


def blocks(text: str) -> Iterator[Block]:
    """The fences of a page in order."""
    end = 0
    for match in _FENCE.finditer(text):
        yield Block(match["language"], match["body"], match.span("body"), text[end : match.start()])
        end = match.end()


class Reader:
    """Follows one page, in a folder that looks like that of stepgraph with the demo in it."""

    def __init__(self, folder: Path) -> None:
        home = folder / "stepgraph"
        shutil.copytree(ROOT / "demos", home / "demos")
        (home / ".venv" / "bin").mkdir(parents=True)
        (home / ".venv" / "bin" / "activate").write_text("")
        self.here = home
        self.file = ""
        self.tools = folder / "tools"
        self.tools.mkdir()
        plugin = "-p no:stepgraph -p sequencer.testing.plugin -p no:cacheprovider -p no:benchmark -p no:xdist"
        for name, words in (("python", ""), ("pytest", f"-m pytest {plugin}")):
            (self.tools / name).write_text(f'#!/bin/sh\nexec "{sys.executable}" {words} "$@"\n')
            (self.tools / name).chmod(0o755)

    def save(self, block: Block) -> None:
        """Write the file that is named above."""
        self._name(block)
        (self.here / self.file).write_text(block.body)

    def change(self, block: Block) -> None:
        """Put the lines with + in the place of those with -."""
        self._name(block)
        old = "".join(line[1:] for line in block.body.splitlines(keepends=True) if line.startswith("-"))
        new = "".join(line[1:] for line in block.body.splitlines(keepends=True) if line.startswith("+"))
        text = (self.here / self.file).read_text()
        assert text.count(old) == 1, f"{self.file} has this {text.count(old)} times:\n{old}"
        (self.here / self.file).write_text(text.replace(old, new))

    def type(self, block: Block) -> Told:
        """Run every line; only the last may end with another code than 0."""
        told = Told("", 0)
        lines = block.body.splitlines()
        for number, line in enumerate(lines):
            one = self._run(line)
            assert one.code == 0 or number == len(lines) - 1, f"{line}: {one.code}\n{one.printed}"
            told = Told(told.printed + one.printed, one.code)
        return told

    def _name(self, block: Block) -> None:
        named = _FILE.findall(block.before.rstrip().rsplit("\n\n", 1)[-1])
        if named:
            self.file = named[-1]
        assert self.file, f"no file is named above:\n{block.body}"

    def _run(self, line: str) -> Told:
        words = shlex.split(line)
        if words[0] == "cd":
            self.here = (self.here / words[1]).resolve()
            return Told("", 0)
        if words[0] == "stepgraph" and not any(word in line for word in "|>*"):
            return self._stepgraph(words[1:])
        path = os.pathsep.join([str(self.tools), os.environ.get("PATH", "")])
        environment = {**os.environ, "PATH": path, "PYTHONPATH": str(ROOT), "COLUMNS": "100", "NO_COLOR": "1"}
        done = subprocess.run(
            ["/bin/sh", "-c", line],
            cwd=self.here,
            env=environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=120,
            check=False,
        )
        return Told(_trimmed(done.stdout), done.returncode)

    def _stepgraph(self, words: list[str]) -> Told:
        """In this process, which spares a start for each command."""
        from sequencer.cli import main

        out = io.StringIO()
        before = {name: os.environ.get(name) for name in ("NO_COLOR", "COLUMNS")}
        started = Path.cwd()
        os.environ.update(NO_COLOR="1", COLUMNS="100")
        os.chdir(self.here)
        try:
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
                code = main(words)
        finally:
            os.chdir(started)
            for name, value in before.items():
                os.environ.pop(name, None) if value is None else os.environ.__setitem__(name, value)
        return Told(_trimmed(out.getvalue()), code)


def _trimmed(text: str) -> str:
    return "".join(f"{line.rstrip()}\n" for line in text.rstrip().splitlines())


def matches(shown: str, printed: str) -> bool:
    """Whether a page shows what was printed; "..." stands for anything, lines included."""
    first, *others = _DOTS.split(shown)
    if not others:
        return shown == printed
    *middle, last = others
    if not printed.startswith(first):
        return False
    place = len(first)
    for part in middle:
        found = printed.find(part, place)
        if found < 0:
            return False
        place = found + len(part)
    return printed.endswith(last) and len(printed) - len(last) >= place


def followed(text: str, folder: Path) -> Iterator[tuple[Block, Told]]:
    """Do what a page says; each of its outputs, with what came out."""
    reader, told = Reader(folder), Told("", 0)
    open_code = False
    for block in blocks(text):
        if block.language == "text":
            asked = _EXIT.search(block.before)
            code = int(asked[1]) if asked else 0
            assert told.code == code, f"ended with {told.code} in place of {code}:\n{told.printed}"
            open_code = False
            yield block, told
            continue
        assert not open_code, f"ended with {told.code}:\n{told.printed}"
        match block.language:
            case "console":
                told = reader.type(block)
                open_code = told.code != 0
            case "diff":
                reader.change(block)
            case "yaml" | "python":
                reader.save(block)
            case language:
                raise AssertionError(f"nobody knows what to do with a fence in {language}")
    assert not open_code, f"ended with {told.code}:\n{told.printed}"


def renewed(text: str, folder: Path) -> str:
    """The page with every output made anew, apart from those in which "..." stands."""
    changes = [(block.span, told.printed) for block, told in followed(text, folder) if not _DOTS.search(block.body)]
    for (begin, end), printed in reversed(changes):
        text = text[:begin] + printed + text[end:]
    return text
