"""Strict reading of YAML 1.2 text into nodes that know their line and column.

Built on PyYAML's events (syntax only); what a plain scalar means is decided here by the core schema of YAML 1.2.2
(section 10.3.2), with everything refused that YAML 1.1 readers take for something else (SEMANTICS Y1, Y2, Y5, Y7).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import yaml

from sequencer.files.problems import FileErrors, named_path
from sequencer.machine.node import Node, Problem, Scalar
from sequencer.places import Place

MOST_BYTES = 512 * 1024
"""Largest file that is read [bytes]; files come from strangers (Y7)."""
MOST_NESTING = 40
"""Deepest nesting of lists and tables (Y7)."""
MOST_ALIASES = 1_000
"""Most aliases in one file (Y7)."""
MOST_VALUES = 100_000
"""Most values that a file may come to once its aliases are written out; stops aliases of aliases from multiplying."""

_SWITCH_WORDS = {"y", "yes", "n", "no", "on", "off"}
_NULL = re.compile(r"~|null|Null|NULL|\Z")
_TRUE = re.compile(r"(?:true|True|TRUE)\Z")
_FALSE = re.compile(r"(?:false|False|FALSE)\Z")
_INTEGER = re.compile(r"[-+]?[0-9]+\Z")
_OCTAL = re.compile(r"0o[0-7]+\Z")
_HEXADECIMAL = re.compile(r"0x[0-9a-fA-F]+\Z")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?\Z")
_NOT_FINITE = re.compile(r"(?:[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN))\Z")
_LEADING_ZERO = re.compile(r"[-+]?0[0-9]")
_SEXAGESIMAL = re.compile(r"[-+]?[0-9]+(?::[0-5]?[0-9])+(?:\.[0-9]*)?\Z")


class Document(NamedTuple):
    """What a file holds: its root table, and what is wrong with scalars and keys in it.

    A refused scalar stands in the tree as text and a doubled key with its first value, so that the rest can be judged.
    """

    root: Node
    problems: tuple[Problem, ...]


def read_yaml(path: Path) -> Document:
    """The document in a YAML file, whose root must be a table.

    Raises:
        FileErrors: the file cannot be read or decoded, is too large, or its syntax is not that of YAML.
    """
    start = Place(str(path), 1, 1)
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise FileErrors([Problem(start, "", f"the file has {size} bytes; at most {MOST_BYTES} are read")])
        data = path.read_bytes()
    except OSError as error:
        message = f"the file cannot be read: {error.strerror or error}"
        raise FileErrors([Problem(start, "", message, hint=_similar_file(path))]) from error
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        place = Place(str(path), line, error.start - (data.rfind(b"\n", 0, error.start) + 1) + 1)
        raise FileErrors([Problem(place, "", "the text is not UTF-8", hint="save the file as UTF-8")]) from error
    return parse_document(text, str(path))


def parse_yaml(text: str, file: str = "text") -> Node:
    """The root node of YAML text, which must be a table; `file` names it in places.

    Raises:
        FileErrors: the text is not strict YAML 1.2; all problems at once.
    """
    document = parse_document(text, file)
    if document.problems:
        raise FileErrors(document.problems)
    return document.root


def parse_document(text: str, file: str = "text") -> Document:
    """The document in YAML text; `file` names it in places.

    Raises:
        FileErrors: the text is too large, its syntax is not that of YAML, or its root is not a table.
    """
    if len(text.encode("utf-8", "surrogatepass")) > MOST_BYTES:
        message = f"the text has more than {MOST_BYTES} bytes; no more are read"
        raise FileErrors([Problem(Place(file, 1, 1), "", message)])
    composer = _Composer(text, file)
    try:
        root = composer.document()
    except yaml.MarkedYAMLError as error:
        raise FileErrors([*composer.problems, _syntax_problem(error, text, file)]) from error
    except yaml.reader.ReaderError as error:
        raise FileErrors([*composer.problems, _character_problem(error, text, file)]) from error
    except _Refused as refused:
        raise FileErrors([*composer.problems, refused.problem]) from refused
    return Document(root, tuple(composer.problems))


class _Refused(Exception):
    """Reading stops: going on would be of no use or of danger."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.message)
        self.problem = problem


class _Composer:
    """Turns events into nodes; collects every problem that does not stop the reading."""

    def __init__(self, text: str, file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self.anchors: dict[str, Node | None] = {}
        self.sizes: dict[int, tuple[int, int]] = {}
        self.aliases = 0
        loader: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
        self.events: Iterator[Any] = yaml.parse(text, Loader=loader)

    def document(self) -> Node:
        next(self.events)
        event = next(self.events)
        if isinstance(event, yaml.StreamEndEvent):
            raise _Refused(Problem(Place(self.file, 1, 1), "", "the file is empty"))
        if event.version is not None and event.version != (1, 2):
            version = ".".join(str(part) for part in event.version)
            self.wrong(event, "", f"the file says it is YAML {version}; YAML 1.2 is read", "remove the %YAML line")
        first = next(self.events)
        if isinstance(first, yaml.ScalarEvent) and first.value == "" and first.style in (None, ""):
            raise _Refused(Problem(Place(self.file, 1, 1), "", "the file is empty"))
        root, _, _ = self.node(first, "", 1)
        next(self.events)
        event = next(self.events)
        if not isinstance(event, yaml.StreamEndEvent):
            self.wrong(event, "", "a second document starts here; a file holds one", "remove the line ---")
        if root.entries is None:
            raise _Refused(Problem(root.place, "", f"the file holds {root.found()}; a table of keys was expected"))
        return root

    def node(self, event: Any, path: str, depth: int) -> tuple[Node, int, int]:
        """The node that begins with `event`, how many values it holds with aliases written out, and its depth."""
        if isinstance(event, yaml.AliasEvent):
            return self.alias(event, path, depth)
        if event.anchor is not None:
            self.anchors[event.anchor] = None
        if event.tag is not None and not (isinstance(event, yaml.ScalarEvent) and event.tag == "!"):
            self.wrong(event, path, f"the tag {event.tag} is not allowed", "remove it; values have no tags")
        if isinstance(event, yaml.ScalarEvent):
            node, size, height = self.scalar(event, path), 1, 0
        else:
            if depth > MOST_NESTING:
                raise _Refused(self.problem(event, path, f"nested more than {MOST_NESTING} deep"))
            if isinstance(event, yaml.SequenceStartEvent):
                node, size, height = self.sequence(event, path, depth)
            else:
                node, size, height = self.mapping(event, path, depth)
        if size > MOST_VALUES:
            message = f"the aliases come to more than {MOST_VALUES} values when written out"
            raise _Refused(self.problem(event, path, message))
        if event.anchor is not None:
            self.anchors[event.anchor] = node
            self.sizes[id(node)] = (size, height)
        return node, size, height

    def alias(self, event: Any, path: str, depth: int) -> tuple[Node, int, int]:
        self.aliases += 1
        if self.aliases > MOST_ALIASES:
            raise _Refused(self.problem(event, path, f"more than {MOST_ALIASES} aliases"))
        if event.anchor not in self.anchors:
            raise _Refused(self.problem(event, path, f"the alias *{event.anchor} has no anchor above it"))
        target = self.anchors[event.anchor]
        if target is None:
            raise _Refused(self.problem(event, path, f"the alias *{event.anchor} stands inside its own anchor"))
        size, height = self.sizes[id(target)]
        if depth - 1 + height > MOST_NESTING:
            raise _Refused(self.problem(event, path, f"nested more than {MOST_NESTING} deep"))
        return target, size, height

    def sequence(self, start: Any, path: str, depth: int) -> tuple[Node, int, int]:
        items: list[Node] = []
        total, highest = 1, 0
        while not isinstance(event := next(self.events), yaml.SequenceEndEvent):
            item, size, height = self.node(event, f"{path}[{len(items)}]", depth + 1)
            items.append(item)
            total, highest = total + size, max(highest, height)
        return Node(tuple(items), self.place(start)), total, highest + 1

    def mapping(self, start: Any, path: str, depth: int) -> tuple[Node, int, int]:
        entries: dict[str, Node] = {}
        keys: dict[str, Place] = {}
        total, highest = 1, 0
        while not isinstance(event := next(self.events), yaml.MappingEndEvent):
            key = self.key(event, path, depth)
            inner = f"{path}.{key}" if path and key else key or path
            value, size, height = self.node(next(self.events), inner, depth + 1)
            total, highest = total + size, max(highest, height)
            if key is None:
                continue
            if key in keys:
                message = f"the key '{key}' stands here and in line {keys[key].line}"
                self.wrong(event, inner, message, "remove one of them")
                continue
            entries[key], keys[key] = value, self.place(event)
        return Node(entries, self.place(start), keys=keys), total, highest + 1

    def key(self, event: Any, path: str, depth: int) -> str | None:
        """The text of a key, or None after the problem was noted."""
        if not isinstance(event, yaml.ScalarEvent):
            self.wrong(event, path, "a key must be text; a list, a table or an alias stands here")
            self.node(event, path, depth + 1)
            return None
        if event.value == "<<" and event.style in (None, ""):
            self.wrong(event, path, "merge keys (<<) are not part of YAML 1.2", "write the keys out")
            return None
        before = len(self.problems)
        node = self.node(event, path, depth)[0]
        if len(self.problems) > before:
            return node.text
        if not isinstance(node.value, str):
            self.wrong(event, path, f"a key must be text; {node.found()} stands here", "quote it if it is a name")
            return None
        return node.value

    def scalar(self, event: Any, path: str) -> Node:
        place = self.place(event)
        span = (event.start_mark.index, event.end_mark.index)
        if event.style not in (None, "") or event.tag == "!":
            return Node(event.value, place, event.value, True, span)
        value: Scalar = event.value
        try:
            value = plain_scalar(event.value)
        except ValueError as error:
            message, hint = error.args
            self.problems.append(Problem(place, named_path(path), message, event.value, hint))
        return Node(value, place, event.value, False, span)

    def place(self, event: Any) -> Place:
        return Place(self.file, event.start_mark.line + 1, event.start_mark.column + 1)

    def problem(self, event: Any, path: str, message: str, hint: str = "") -> Problem:
        return Problem(self.place(event), named_path(path), message, hint=hint)

    def wrong(self, event: Any, path: str, message: str, hint: str = "") -> None:
        self.problems.append(self.problem(event, path, message, hint))


def plain_scalar(text: str) -> Scalar:
    """What an unquoted scalar means by the core schema of YAML 1.2.

    Raises:
        ValueError: (message, hint), where the scalar is refused because readers disagree about it.

    >>> plain_scalar("1e3"), plain_scalar("true"), plain_scalar("62 deg")
    (1000.0, True, '62 deg')
    """
    if text.lower() in _SWITCH_WORDS:
        raise ValueError(
            f"'{text}' is read as a truth value by some and as text by others", "write true or false, or quote it"
        )
    if _NULL.match(text) and text in ("", "~", "null", "Null", "NULL"):
        return None
    if _TRUE.match(text):
        return True
    if _FALSE.match(text):
        return False
    first = text[0]
    if not (first.isdigit() or first in "+-."):
        return text
    if _OCTAL.match(text):
        return int(text[2:], 8)
    if _HEXADECIMAL.match(text):
        return int(text[2:], 16)
    if _SEXAGESIMAL.match(text):
        hint = "write plain seconds, such as 90 s, or quote it"
        raise ValueError(f"'{text}' is read as a number of base 60 by some", hint)
    if _NOT_FINITE.match(text):
        raise ValueError(f"'{text}' is not a finite number", "write a finite one")
    if _INTEGER.match(text) or _FLOAT.match(text):
        if _LEADING_ZERO.match(text):
            raise ValueError(f"'{text}' has a leading zero, which some read as octal", "write it without, or quote it")
        value = float(text)
        if not math.isfinite(value):
            raise ValueError(f"'{text}' is not a finite number", "write a finite one")
        return int(text) if _INTEGER.match(text) else value
    return text


def _syntax_problem(error: yaml.MarkedYAMLError, text: str, file: str) -> Problem:
    mark = error.problem_mark or error.context_mark
    if mark is None:
        return Problem(Place(file, 1, 1), "", f"this is not YAML: {error.problem}")
    place = Place(file, mark.line + 1, mark.column + 1)
    lines = text.splitlines()
    line = lines[mark.line] if mark.line < len(lines) else ""
    if "\t" in line[: mark.column + 1] or "\t" in line[: len(line) - len(line.lstrip())]:
        return Problem(place, "", "a tab stands where indentation is", hint="use spaces")
    context = f" {error.context}" if error.context else ""
    return Problem(place, "", f"this is not YAML:{context} {error.problem}".replace("  ", " "))


def _character_problem(error: Any, text: str, file: str) -> Problem:
    position = min(int(error.position), len(text))
    line_start = text.rfind("\n", 0, position) + 1
    place = Place(file, text.count("\n", 0, position) + 1, position - line_start + 1)
    return Problem(place, "", "a character that may not stand in YAML", hint="remove it or write it as an escape")


def _similar_file(path: Path) -> str:
    from sequencer.errors import did_you_mean

    try:
        names = [entry.name for entry in path.parent.iterdir() if entry.suffix == path.suffix]
    except OSError:
        return ""
    return did_you_mean(path.name, names) if names else ""
