"""The tables of blocked positions of a machine with bodies, made once and kept."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from time import perf_counter
from typing import Any

from sequencer.check.bodies import Bodies, bodies_of
from sequencer.check.spans import band_of
from sequencer.check.terms import term_data
from sequencer.clearance.box import Pair
from sequencer.errors import PackError
from sequencer.machine.condition import Condition, Every
from sequencer.machine.machine import Machine
from sequencer.pack.blocked import blocked_key
from sequencer.pack.table import BlockedTable

WORTH_KEEPING = 0.5
"""Tables that took longer to make than this [s] are kept in the user's cache folder."""

_MOST_KEPT = 16
"""So many machines' tables are kept in memory."""

_kept: dict[str, list[dict[str, Any]]] = {}


def blocked_data(machine: Machine, data: Mapping[str, Any]) -> dict[str, Any]:
    """What machine data carries of its bodies: the geometry that the check went by, and the tables made from it.

    Args:
        machine: a machine with bodies.
        data: its data, with the axes.
    """
    bodies = bodies_of(machine)
    geometry = _geometry(bodies)
    key = blocked_key(data, geometry)
    if key not in _kept:
        while len(_kept) >= _MOST_KEPT:
            del _kept[next(iter(_kept))]
        _kept[key] = _read(key) or _made(bodies, key)
    return {"geometry": geometry, "tables": _kept[key]}


def groups_of(bodies: Bodies) -> dict[str, list[Pair]]:
    """The pairs that each table is made of, by its name."""
    found: dict[str, list[Pair]] = {}
    for pair in bodies.pairs:
        if bodies.axes_of(pair):
            found.setdefault(bodies.table_of(pair), []).append(pair)
    return found


def _made(bodies: Bodies, key: str) -> list[dict[str, Any]]:
    # numpy is slow to load, and only machines with bodies need it.
    from sequencer.clearance.table import blocked_table

    begin = perf_counter()
    machine = bodies.machine
    index = {name: number for number, name in enumerate(machine.axes)}
    moving = [name for name in bodies.tree.coordinates if name in bodies.tree.axes]
    band = {name: band_of(machine, name) for name in moving}
    tables = []
    for name, pairs in groups_of(bodies).items():
        table = blocked_table(bodies.tree, pairs, key, band=band)
        blocks = [block._replace(axes=tuple(index[moving[number]] for number in block.axes)) for block in table.blocks]
        needed = bodies.needs(pairs[0])
        tables.append(
            {
                "name": name,
                "when": term_data(Condition(needed[0] if len(needed) == 1 else Every(needed))) if needed else None,
                "groups": sorted({tuple(index[axis] for axis in bodies.axes_of(pair)) for pair in pairs}),
                "table": BlockedTable(list(machine.axes), blocks, key).to_data(),
            }
        )
    found: list[dict[str, Any]] = json.loads(json.dumps(tables))
    if perf_counter() - begin > WORTH_KEEPING:
        _write(key, found)
    return found


def _geometry(bodies: Bodies) -> dict[str, Any]:
    machine = bodies.machine
    return {
        "mounts": [
            [
                axis.name,
                axis.mount.to,
                list(axis.mount.at),
                axis.mount.direction,
                axis.mount.angle_from,
                axis.mount.share,
            ]
            for axis in machine.axes.values()
        ],
        "bodies": [
            [
                body.name,
                body.carried_by,
                body.share,
                [[list(point) for point in part] for part in body.parts],
                body.along,
                None if body.range is None else list(body.range),
            ]
            for body in bodies.tree.bodies.values()
        ],
        "pairs": [[pair.first, pair.second, pair.margin] for pair in bodies.pairs],
    }


def _file_of(key: str) -> Path:
    folder = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(folder) / "stepgraph" / f"blocked-{key}.json"


def _read(key: str) -> list[dict[str, Any]] | None:
    """The tables kept for exactly this machine, if they are there and whole."""
    try:
        found: Sequence[dict[str, Any]] = json.loads(_file_of(key).read_text(encoding="ascii"))
        for entry in found:
            BlockedTable.from_data(entry["table"]).expect(key)
            if not {"name", "when", "groups"} <= entry.keys():
                return None
        return list(found)
    except (OSError, RuntimeError, ValueError, KeyError, TypeError, AttributeError, PackError):
        return None


def _write(key: str, tables: Sequence[Mapping[str, Any]]) -> None:
    """Keep the tables, whole or not at all; where that is not possible they are made anew next time."""
    try:
        path = _file_of(key)
        part = path.with_name(f".{path.name}.{os.getpid()}.part")
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            part.write_text(json.dumps(tables), encoding="ascii")
            os.replace(part, path)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
    except (OSError, RuntimeError):
        return
