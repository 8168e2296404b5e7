"""README.md and DEVELOPERS.md say what is so: outputs are real, code runs, tables are complete, CI says the same."""

from __future__ import annotations

import importlib.util
import re
import shlex
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

from sequencer.cli import command, main
from sequencer.cli.output import CannotDo

ROOT = Path(__file__).resolve().parents[2]


def _document() -> ModuleType:
    spec = importlib.util.spec_from_file_location("stepgraph_document", Path(__file__).with_name("document.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


document = _document()
PARTS = [
    (name, part, body)
    for name in ("README.md", "DEVELOPERS.md")
    for part, body in document.made_parts((ROOT / name).read_text())
]


@pytest.mark.parametrize(("name", "part", "body"), PARTS, ids=[f"{name} {part}" for name, part, _ in PARTS])
def test_what_a_document_prints_is_what_comes_out_today(name: str, part: str, body: str) -> None:
    assert body == document.MADE[part](), f"python tests/docs/document.py writes {name} anew"


@pytest.mark.parametrize("name", document.DRAWN)
def test_a_picture_is_what_its_command_draws_today_and_small(name: str) -> None:
    kept = (document.PICTURES / name).read_text(encoding="utf-8")
    assert kept == document.drawn(name), "python tests/docs/document.py draws it anew"
    assert len(kept.encode()) < 40_000


def test_every_picture_is_shown_and_every_one_shown_is_there() -> None:
    shown = set()
    for path in (ROOT / "README.md", *sorted((ROOT / "demos").rglob("*.md"))):
        for link in re.findall(r"!\[[^\]]+\]\(([^)]+)\)", path.read_text()):
            assert (path.parent / link).is_file()
            shown.add(Path(link).name)
    assert shown == set(document.DRAWN) == {path.name for path in document.PICTURES.iterdir()}


def test_every_made_part_has_its_place() -> None:
    assert {part for _, part, _ in PARTS} == set(document.MADE)


def test_every_rule_has_a_test_named_after_its_claim() -> None:
    missing = [rule for rule in document.RULES if rule not in document.tests_of_rules()]
    assert missing == []


def _blocks(name: str, language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", (ROOT / name).read_text(), re.DOTALL)


@pytest.mark.parametrize("number", range(len(_blocks("README.md", "python"))))
def test_the_python_of_the_readme_runs(number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "demos").symlink_to(ROOT / "demos")
    monkeypatch.chdir(tmp_path)
    code = _blocks("README.md", "python")[number]
    scope: dict[str, object] = {"__name__": "readme"}
    exec(compile(code, "README.md", "exec"), scope)
    assert (tmp_path / "robot.pack").exists()
    assert scope["rehearsal"].outcome == "done"  # type: ignore[attr-defined]


def test_the_routine_of_the_readme_is_clear(tmp_path: Path) -> None:
    from sequencer import check, load_routine

    (tmp_path / "machine.yaml").write_text((ROOT / "demos/lantern/machine.yaml").read_text())
    (routine,) = _blocks("README.md", "yaml")
    assert len(routine.splitlines()) <= 11
    (tmp_path / "hang_eaves.routine.yaml").write_text(routine)
    assert check(load_routine(tmp_path / "hang_eaves.routine.yaml")).name == "hang_eaves"


def test_the_pictures_of_the_readme_are_drawn_by_its_commands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "demos").symlink_to(ROOT / "demos")
    monkeypatch.chdir(tmp_path)
    lines = [line for block in _blocks("README.md", "console") for line in block.splitlines()]
    commands = [line.removeprefix("stepgraph ").split() for line in lines if line.startswith("stepgraph ")]
    for words in commands:
        # A log or a spread with a run that failed is no failure of the command.
        assert main(words) == (1 if words[0] in ("why", "spread") else 0)
    drawn = {path.name: path.read_text() for path in tmp_path.glob("*.svg")}
    assert set(drawn) == {"machine.svg", "hang_ridge.svg", "hang_ridge_raise_level.svg", "changes.svg", "way.svg"}
    (distance,) = re.findall(r"passes the limit of reach at ([\d.]+ mm)", (ROOT / "README.md").read_text())
    assert f">{distance}<" in drawn["hang_ridge.svg"]


def _commands() -> list[tuple[str, str]]:
    """Every command of ours in running text or in a fence, with the document: what a reader may type."""
    pages = sorted((ROOT / "demos").rglob("*.md"))
    found = []
    for path in (ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "CHANGELOG.md", *pages):
        text = path.read_text()
        lines = [" ".join(code.split()) for code in re.findall(r"`(stepgraph [^`]+)`", text)]
        lines += re.findall(r"^(stepgraph .*)$", text, re.MULTILINE)
        found += [(path.name, line) for line in lines if shlex.split(line)[1] in command.VERBS]
    return found


def test_every_command_in_a_document_has_words_that_its_verb_takes() -> None:
    parser, wrong = command._parser(), []
    commands = _commands()
    assert len(commands) > 60
    for name, line in commands:
        words = [
            "1" if word in ("N", "S") else word.split("|")[0]
            for word in shlex.split(re.sub(r"[.]{3}|[][]", "", line))[1:]
        ]
        if "--help" in words:
            continue
        try:
            parser.parse_args(words)
        except CannotDo as error:
            # A verb alone, or with one option, is talked about, not typed.
            if "the following arguments are required" not in str(error):
                wrong.append(f"{name}: {line}: {error}")
    assert wrong == []


def test_what_the_readme_shows_of_the_machine_stands_in_its_file() -> None:
    """The indented blocks: every key with its value, those that are shortened to "..." apart."""
    machine = (ROOT / "demos/lantern/machine.yaml").read_text()
    section = (ROOT / "README.md").read_text().partition("## What may touch what")[2].partition("\n## ")[0]
    block = "\n".join(re.findall(r"^    (.*)$", section, re.MULTILINE)) + "\n"
    shown = re.findall(r"\w+: (?:\[(?:[^\[\].]|\.\d)*\]|[\w.]+ ?\w*)(?=[,}\n])", block)
    assert len(shown) > 6
    assert [words for words in shown if words not in machine] == []


def test_ci_runs_the_test_command_of_the_readme_word_for_word() -> None:
    commands = [line for block in _blocks("README.md", "console") for line in block.splitlines()]
    (tests,) = [line for line in commands if "pytest" in line]
    assert tests in (ROOT / ".ci" / "run").read_text().splitlines()


def test_the_top_level_holds_what_the_design_says_and_nothing_else() -> None:
    allowed = {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml"}
    allowed |= {"sequencer", "profiles", "tests", "demos"}
    asked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if asked.returncode != 0:
        pytest.skip("this is no git checkout, so that what belongs to the project cannot be told from what was made")
    tops = {name.split("/")[0] for name in asked.stdout.splitlines()}
    assert {name for name in tops if not name.startswith(".")} <= allowed
