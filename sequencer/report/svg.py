"""A small writer of SVG (W3C, Scalable Vector Graphics 1.1): elements, escaping, numbers, and widths of texts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

Attribute = str | float | None


@dataclass(slots=True)
class Element:
    """One element: `attributes` and, between its tags, elements and texts in order."""

    name: str
    attributes: dict[str, str] = field(default_factory=dict)
    children: list[Element | str] = field(default_factory=list)

    def add(self, name: str, text: str | None = None, **attributes: Attribute) -> Element:
        """Append a child and return it; see `element` for the attributes."""
        child = element(name, text, **attributes)
        self.children.append(child)
        return child

    def __str__(self) -> str:
        """The document text, one element a line."""
        return "\n".join(self._lines(0)) + "\n"

    def _lines(self, depth: int) -> Iterator[str]:
        indent = " " * depth
        head = f"{indent}<{self.name}" + "".join(f' {name}="{value}"' for name, value in self.attributes.items())
        if not self.children:
            yield f"{head}/>"
        elif all(isinstance(child, str) for child in self.children):
            yield f"{head}>{''.join(map(str, self.children))}</{self.name}>"
        else:
            yield f"{head}>"
            for child in self.children:
                if isinstance(child, str):
                    yield f"{indent} {child}"
                else:
                    yield from child._lines(depth + 1)
            yield f"{indent}</{self.name}>"


def element(name: str, text: str | None = None, **attributes: Attribute) -> Element:
    """An element; in attribute names an underscore stands for a hyphen, a trailing one is left out; None: left out."""
    written = {
        key.rstrip("_").replace("_", "-"): number(value) if isinstance(value, int | float) else escape(value)
        for key, value in attributes.items()
        if value is not None
    }
    return Element(name, written, [] if text is None else [escape(text)])


def number(value: float) -> str:
    """A coordinate with at most two decimals: a hundredth of a pixel is nothing to the eye.

    >>> number(12.0), number(0.126), number(-0.001)
    ('12', '0.13', '0')
    """
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def escape(text: str) -> str:
    """The text with the characters that XML 1.0 gives a meaning replaced, and those that it forbids left out."""
    allowed = "".join(
        character
        for character in text
        if character in "\t\n\r"
        or " " <= character <= "\ud7ff"
        or "\ue000" <= character <= "\ufffd"
        or character > "\uffff"
    )
    for character, name in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ('"', "&quot;")):
        allowed = allowed.replace(character, name)
    return allowed


def text_width(text: str, size: float) -> float:
    """About how wide a text of that font size [px] is in a wide sans-serif face: an upper estimate [px]."""
    return size * sum(_WIDTHS.get(character, 0.72 if character.isupper() else 0.63) for character in text)


def shortened(text: str, size: float, width: float) -> str:
    """The text, cut with an ellipsis where it would be wider than `width` [px]."""
    if text_width(text, size) <= width:
        return text
    while text and text_width(text + "…", size) > width:
        text = text[:-1]
    return text.rstrip() + "…"


def wrapped(text: str, size: float, width: float) -> list[str]:
    """The text in lines no wider than `width` [px], broken between words; at least one line."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        if line and text_width(f"{line} {word}", size) > width:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip()
    return [shortened(line, size, width) for line in [*lines, line]]


_WIDTHS = {
    **dict.fromkeys("ijlI.,:;|!'", 0.33),
    **dict.fromkeys("ft()[]/ -r", 0.41),
    **dict.fromkeys("mwMW@%", 0.98),
}
