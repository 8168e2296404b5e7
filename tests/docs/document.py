"""Parts of README.md, DEVELOPERS.md and the pages under demos/ that are made, not written: outputs, tables, pictures.

`python tests/docs/document.py` writes them anew, with `--pages` the slower pages too; the tests beside this file fail
when one is out of date.
"""

from __future__ import annotations

import ast
import contextlib
import io
import os
import re
import sys
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
_MADE = re.compile(r"(<!-- (?:output|table): (?P<name>[a-z_ ]+) -->\n)(?P<body>.*?)(?=\n<!-- end -->)", re.DOTALL)

RULES = (
    [f"R{number}" for number in range(1, 35)]
    + ["R35", "R36", "R37", "R38", "R39", "R40", "R41", "R42", "R43", "R44", "R45", "R46", "R47"]
    + ["R48", "R49", "R50", "R51", "R52", "R53", "R54"]
    + [f"M{number}" for number in range(1, 5)]
    + [f"Y{number}" for number in range(1, 8)]
)
"""The rules of how routines run and how files are read that this version keeps; each must have a test."""


def printed_by(*arguments: str) -> str:
    """What a stepgraph command prints, run from the project's root without colour, 100 columns wide."""
    from sequencer.cli import main

    out = io.StringIO()
    before = {name: os.environ.get(name) for name in ("NO_COLOR", "COLUMNS")}
    here = Path.cwd()
    os.environ.update(NO_COLOR="1", COLUMNS="100")
    os.chdir(ROOT)
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
            main(list(arguments))
    finally:
        os.chdir(here)
        for name, value in before.items():
            os.environ.pop(name, None) if value is None else os.environ.__setitem__(name, value)
    return "\n".join(line.rstrip() for line in out.getvalue().rstrip().splitlines())


def fenced(text: str) -> str:
    return f"```text\n{text}\n```"


def tests_of_rules() -> dict[str, list[tuple[str, str]]]:
    """(file, test) pairs by rule: a test belongs to the rules that its docstring begins with ("R8, R10: ...")."""
    found: dict[str, list[tuple[str, str]]] = {}
    for path in sorted((ROOT / "tests").rglob("test_*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                match = re.match(r"((?:[RMY]\d+(?:, ?| and )?)+):", ast.get_docstring(node) or "")
                for rule in re.findall(r"[RMY]\d+", match.group(1)) if match else []:
                    found.setdefault(rule, []).append((str(path.relative_to(ROOT)), node.name))
    return found


def rule_table() -> str:
    """One row a rule: how many tests, and the first of them."""
    tests = tests_of_rules()
    rows = ["| rule | tests | first of them |", "| --- | --- | --- |"]
    for rule in RULES:
        found = tests.get(rule, [])
        first = f"`{found[0][0]}` {found[0][1].removeprefix('test_').replace('_', ' ')}" if found else "none"
        rows.append(f"| {rule} | {len(found)} | {first} |")
    return "\n".join(rows)


def key_table() -> str:
    """Every key of the files with its rule and default, from the same source as the loader and the schemas."""
    from sequencer.files import key_table as rendered

    return rendered().rstrip()


MADE: dict[str, Callable[[], str]] = {
    "rehearse": lambda: fenced(
        printed_by("rehearse", "demos/lantern/hang_ridge.routine.yaml", "--name", "good approach")
    ),
    "drill": lambda: fenced(printed_by("drill", "demos/lantern/to_stow.routine.yaml", "--short", "--workers", "1")),
    "spread": lambda: fenced(
        printed_by("spread", "demos/lantern/hang_ridge.routine.yaml", "--runs", "100", "--seed", "1", "--workers", "1")
    ),
    "why": lambda: fenced(printed_by("why", "demos/lantern/logs/attempts_1.csv")),
    "tune": lambda: fenced(
        printed_by(
            "tune",
            *(f"demos/lantern/logs/attempts_{number}.csv" for number in range(1, 5)),
            "--routine",
            "demos/lantern/hang_ridge.routine.yaml",
        )
    ),
    "misspelt": lambda: fenced(printed_by("check", "demos/lantern/broken_name.routine.yaml")),
    "conflict": lambda: fenced(printed_by("check", "demos/lantern/broken_order.routine.yaml")),
    "rules": rule_table,
    "keys": key_table,
}


PICTURES = ROOT / "demos" / "lantern" / "pictures"

DRAWN: dict[str, tuple[str, ...]] = {
    "hang_ridge.svg": ("rehearse", "demos/lantern/hang_ridge.routine.yaml", "--name", "good approach", "--svg"),
    "machine.svg": ("draw", "demos/lantern/machine.yaml", "-o"),
    "release.svg": (
        "tune",
        *(f"demos/lantern/logs/attempts_{number}.csv" for number in range(1, 5)),
        "--routine",
        "demos/lantern/hang_ridge.routine.yaml",
        "--svg",
    ),
}
"""The pictures of the documents, by name, and what draws each; the name of the file comes last."""


def drawn(name: str) -> str:
    """A picture as its command draws it today."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        printed_by(*DRAWN[name], str(Path(folder) / name))
        return (Path(folder) / name).read_text(encoding="utf-8")


def made_parts(text: str) -> list[tuple[str, str]]:
    """(name, present body) of every made part of a document."""
    return [(match.group("name"), match.group("body")) for match in _MADE.finditer(text)]


def renewed(text: str) -> str:
    """The document with every made part made anew."""
    return _MADE.sub(lambda match: match.group(1) + MADE[match.group("name")](), text)


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    for name in ("README.md", "DEVELOPERS.md"):
        path = ROOT / name
        path.write_text(renewed(path.read_text()))
        print(f"renewed {name}", file=sys.stderr)
    for name in DRAWN:
        (PICTURES / name).write_text(drawn(name), encoding="utf-8")
    import tempfile

    from pages import PAGES
    from pages import renewed as followed

    for path in PAGES if "--pages" in sys.argv else ():
        with tempfile.TemporaryDirectory() as folder:
            path.write_text(followed(path.read_text(), Path(folder)))
        print(f"renewed {path.relative_to(ROOT)}", file=sys.stderr)
    from sequencer.files.schema import schema_text, shipped_schema

    for kind in ("machine", "routine", "overlay", "mapping"):
        shipped_schema(kind).write_text(schema_text(kind), encoding="utf-8")
