"""Changing one value in a file and leaving every other character alone, comments and spacing included."""

from __future__ import annotations

import os
import re
from pathlib import Path

from sequencer.errors import ModelError, did_you_mean
from sequencer.files.problems import FileErrors
from sequencer.files.writer import scalar
from sequencer.files.yaml_text import parse_yaml
from sequencer.machine.node import Node

_INDEX = re.compile(r"(.*)\[(\d+)\]\Z")


def edit_file(file: str | Path, path: str, value: str | bool | int | float, because: str = "") -> None:
    """Change one value of a file in place; the file is replaced in one go or not at all.

    `because` becomes a comment at the end of the value's line, unless that line has one already.

    Raises:
        FileErrors: the file cannot be read.
        ModelError: as for `edit_text`.
    """
    target = Path(file)
    text = target.read_bytes().decode("utf-8")
    mark = "\ufeff" if text.startswith("\ufeff") else ""
    changed = edit_text(text.removeprefix("\ufeff"), path, value, str(target))
    changed = mark + (_remarked(changed, path, because, str(target)) if because else changed)
    beside = target.with_name(target.name + ".new")
    beside.write_bytes(changed.encode("utf-8"))
    os.replace(beside, target)


def edit_text(text: str, path: str, value: str | bool | int | float, file: str = "text") -> str:
    """The text with one scalar changed.

    Args:
        text: the text of a file.
        path: the way to the scalar as messages write it: ``parameters.release_lead.value``, ``steps.flick.timeout``,
            ``axes.lift.travel[1]``. Steps are found by name at any depth.
        value: what shall stand there.
        file: names the text in messages.

    Raises:
        FileErrors: the text is no strict YAML.
        ModelError: nothing, or no single scalar, stands at the path, or the change would change other values as well.
    """
    root = parse_yaml(text, file)
    node = _find(root, path)
    if node.span is None or isinstance(node.value, tuple | dict):
        raise ModelError(f"{path} is {node.found()}; one value can be changed, not a whole list or table")
    start, end = node.span
    if text[start : start + 1] in ("|", ">"):
        raise ModelError(f"{path} is a text over several lines; change it by hand")
    if text[start : start + 1] == "&":
        raise ModelError(f"{path} shares its value with other places of the file (an anchor); write it out there first")
    written = scalar(value)
    if node.quoted and isinstance(value, str) and text[start] == "'" and written == value:
        written = f"'{value}'"
    changed = text[:start] + written + text[end:]
    new_root = parse_yaml(changed, file)
    if _find(new_root, path).value != value or _differences(root, new_root) > 1:
        raise ModelError(f"{path} shares its value with other places of the file (an alias); write it out here first")
    return changed


def written_at(text: str, path: str, file: str = "text") -> str | None:
    """What is written for the scalar at a path, quotes left out; None where nothing stands there, or no scalar.

    Args:
        text: the text of a file.
        path: as for `edit_text`.
        file: names the text in messages.

    Raises:
        FileErrors: the text is no strict YAML.
    """
    try:
        node = _find(parse_yaml(text, file), path)
    except ModelError:
        return None
    if node.items is not None or node.entries is not None or node.value is None:
        return None
    return str(node.value) if node.quoted or node.text is None else node.text


def _remarked(text: str, path: str, because: str, file: str) -> str:
    """The text with a comment at the end of the value's line; as it is where that would change what is read."""
    root = parse_yaml(text, file)
    span = _find(root, path).span
    assert span is not None
    end = text.find("\n", span[1])
    end = len(text) if end < 0 else end
    end -= text[:end].endswith("\r")
    if "#" in text[text.rfind("\n", 0, span[0]) + 1 : end]:
        return text
    remarked = f"{text[:end].rstrip()} # {' '.join(because.split())}{text[end:]}"
    try:
        return remarked if _differences(root, parse_yaml(remarked, file)) == 0 else text
    except FileErrors:
        return text


def _find(root: Node, path: str) -> Node:
    node, walked = root, ""
    for part in path.split("."):
        match = _INDEX.match(part)
        name, index = (match.group(1), int(match.group(2))) if match else (part, None)
        here = _entry(node, name)
        walked = f"{walked}.{part}" if walked else part
        if here is None:
            raise ModelError(f"nothing stands at {walked}; {did_you_mean(name, _names(node))}")
        if index is not None:
            if here.items is None or index >= len(here.items):
                raise ModelError(f"nothing stands at {walked}; {name} is {here.found()}")
            here = here.items[index]
        node = here
    return node


def _entry(node: Node, name: str) -> Node | None:
    """What stands under a name: a key of a table, or a named thing of a list such as the steps, at any depth."""
    if node.entries is not None:
        return node.entries.get(name)
    for item in node.items or ():
        for key, inner in (item.entries or {}).items():
            if key == name:
                return inner
            below = _below(inner, name)
            if below is not None:
                return below
    return None


def _below(step: Node, name: str) -> Node | None:
    for inner in (step.entries or {}).values():
        for branch in inner.items or (inner,):
            for key in ("steps", "else"):
                listed = (branch.entries or {}).get(key)
                found = _entry(listed, name) if listed is not None and listed.items is not None else None
                if found is not None:
                    return found
    return None


def _names(node: Node) -> list[str]:
    if node.entries is not None:
        return list(node.entries)
    return [key for item in node.items or () for key in item.entries or {}]


def _differences(one: Node, other: Node) -> int:
    """How many scalars differ; very many where the trees are not of one shape."""
    if one.entries is not None and other.entries is not None and list(one.entries) == list(other.entries):
        return sum(_differences(inner, other.entries[key]) for key, inner in one.entries.items())
    if one.items is not None and other.items is not None and len(one.items) == len(other.items):
        return sum(_differences(here, there) for here, there in zip(one.items, other.items, strict=True))
    both = isinstance(one.value, tuple | dict) or isinstance(other.value, tuple | dict)
    if both:
        return 1_000
    return int(type(one.value) is not type(other.value) or one.value != other.value)
