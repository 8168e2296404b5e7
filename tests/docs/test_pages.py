"""The pages for new users can be followed line by line: every command runs, every file and change is as shown."""

from __future__ import annotations

import importlib.util
import re
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]


def _pages() -> ModuleType:
    spec = importlib.util.spec_from_file_location("stepgraph_pages", Path(__file__).with_name("pages.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


pages = _pages()


@pytest.mark.parametrize("path", pages.PAGES, ids=lambda path: path.stem)
def test_a_page_can_be_followed_line_by_line(path: Path, tmp_path: Path) -> None:
    shown = 0
    for block, told in pages.followed(path.read_text(), tmp_path):
        assert pages.matches(block.body, told.printed), (
            f"{path.name} shows:\n{block.body}\ncame out:\n{told.printed}\n"
            "python tests/docs/document.py --pages writes it anew"
        )
        shown += 1
    assert shown >= 5


@pytest.mark.parametrize("path", pages.PAGES, ids=lambda path: path.stem)
def test_a_page_warns_and_its_links_lead_somewhere(path: Path) -> None:
    text = path.read_text()
    assert "**Mechanisms pinch, crush and throw.**" in text
    links = re.findall(r"\]\(([^)#]+)\)", text)
    assert links
    assert [link for link in links if not (path.parent / link).exists()] == []


def test_the_readme_leads_to_every_page() -> None:
    text = (ROOT / "README.md").read_text()
    assert [path.name for path in pages.PAGES if f"(demos/lantern/{path.name})" not in text] == []


def test_dots_stand_for_anything_and_all_else_is_compared() -> None:
    assert pages.matches("a\n...\nd\n", "a\nb\nc\nd\n")
    assert pages.matches("took ... s\n", "took 1.25 s\n")
    assert not pages.matches("a\n...\nd\n", "a\nb\nc\n")
    assert not pages.matches("1.5 s\n", "1x5 s\n")


def test_a_command_that_ends_badly_is_noticed(tmp_path: Path) -> None:
    with pytest.raises(AssertionError, match="ended with 2"):
        list(pages.followed("```console\nstepgraph check nothing.routine.yaml\n```\n", tmp_path))
