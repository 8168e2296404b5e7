"""A report as one HTML file that needs nothing else: no network, no fonts, no other file.

The page forbids itself to load anything (W3C, Content Security Policy Level 3), and every text from a file is escaped.
It follows the reader's preference for light or dark, and is printed as one landscape card for each chapter.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

from sequencer.report.look import Shades, style_sheet
from sequencer.report.outlines import BODY_SHADES
from sequencer.report.page_look import MOTION_SCRIPT, PAGE_STYLE
from sequencer.report.spread_view import SPREAD_SHADES
from sequencer.report.timing_picture import TIMING_SHADES


@dataclass(frozen=True, slots=True)
class Section:
    """One part of a chapter: its heading and its HTML; `key` is its own within the chapter."""

    key: str
    title: str
    body: str


@dataclass(frozen=True, slots=True)
class Chapter:
    """One routine, or one run: its heading, a line below it, sections in the order of reading, and the HTML of the card
    that is printed for it. `good` colours the line: True, False, or None for neither.
    """

    key: str
    title: str
    line: str
    sections: Sequence[Section]
    card: str
    good: bool | None = None


def page(title: str, chapters: Sequence[Chapter], opening: str = "") -> str:
    """The text of the HTML file.

    Args:
        title: of the page.
        chapters: in order; several get an index.
        opening: HTML that stands before them.
    """
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en">',
            "<head>",
            '<meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
            '<meta name="color-scheme" content="light dark">',
            f"<title>{escape(title)}</title>",
            f"<style>{style_sheet(_SHADES)}{PAGE_STYLE}</style>",
            "</head>",
            "<body>",
            '<main class="screen">',
            opening,
            _index(chapters) if len(chapters) > 1 else "",
            *(_chapter(chapter, len(chapters) > 1) for chapter in chapters),
            "</main>",
            *(f'<section class="card">{chapter.card}</section>' for chapter in chapters if chapter.card),
            f"<script>{MOTION_SCRIPT}</script>",
            "</body>",
            "</html>",
            "",
        ]
    )


def table(headings: Sequence[str], rows: Iterable[Sequence[str]], numbers: Sequence[int] = ()) -> str:
    """A table of texts; the columns in `numbers` are set flush right."""

    def line(cells: Sequence[str], tag: str) -> str:
        written = (
            f'<{tag} class="number">{escape(cell)}</{tag}>' if place in numbers else f"<{tag}>{escape(cell)}</{tag}>"
            for place, cell in enumerate(cells)
        )
        return f"<tr>{''.join(written)}</tr>"

    body = "".join(line(row, "td") for row in rows)
    return f'<div class="wide"><table><thead>{line(headings, "th")}</thead><tbody>{body}</tbody></table></div>'


def paragraph(text: str, kind: str = "") -> str:
    """A paragraph of plain text."""
    return f'<p class="{kind}">{escape(text)}</p>' if kind else f"<p>{escape(text)}</p>"


def inline(svg: str, prefix: str, kind: str = "drawing") -> str:
    """A picture inside the page: without its own size and style sheet, its ids made its own by the prefix."""
    text = re.sub(r"<style>.*?</style>\s*", "", svg, flags=re.DOTALL)
    text = re.sub(r'\bid="([^"]+)"', rf'id="{prefix}-\1"', text)
    text = re.sub(r"url\(#([^)]+)\)", rf"url(#{prefix}-\1)", text)
    text = re.sub(r'href="#([^"]+)"', rf'href="#{prefix}-\1"', text)
    text = re.sub(r'(<svg[^>]*?) width="[^"]*" height="[^"]*"', r"\1", text, count=1)
    # Indentation is for files that people open; here it would be a tenth of the page.
    text = re.sub(r"\n\s*", "\n", text)
    return f'<div class="{kind}">{text}</div>'


def data_island(key: str, data: Any) -> str:
    """Plain data for the page's script; no text in it can end the element."""
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c").replace("&", "\\u0026")
    return f'<script type="application/json" id="{escape(key)}">{text}</script>'


_SHADES = Shades(
    BODY_SHADES.light + TIMING_SHADES.light + SPREAD_SHADES.light,
    BODY_SHADES.dark + TIMING_SHADES.dark + SPREAD_SHADES.dark,
)
"""Of all pictures that a page may hold: inside it they give up their own style sheets."""

_POLICY = "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'"


def _index(chapters: Sequence[Chapter]) -> str:
    rows = "".join(
        f'<li><a href="#{escape(chapter.key)}">{escape(chapter.title)}</a> '
        f'<span class="{_tone(chapter.good)}">{escape(chapter.line)}</span></li>'
        for chapter in chapters
    )
    return f'<nav aria-label="contents"><ol>{rows}</ol></nav>'


def _chapter(chapter: Chapter, numbered: bool) -> str:
    heading = "h2" if numbered else "h1"
    parts = [
        f'<article id="{escape(chapter.key)}">',
        f"<header><{heading}>{escape(chapter.title)}</{heading}>",
        f'<p class="verdict {_tone(chapter.good)}">{escape(chapter.line)}</p></header>',
    ]
    for section in chapter.sections:
        key = f"{chapter.key}-{section.key}"
        parts.append(
            f'<section aria-labelledby="{escape(key)}"><h3 id="{escape(key)}">{escape(section.title)}</h3>'
            f"{section.body}</section>"
        )
    return "\n".join([*parts, "</article>"])


def _tone(good: bool | None) -> str:
    return "plain" if good is None else "good" if good else "wrong"
