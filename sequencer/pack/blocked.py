"""The tables of blocked positions in machine data: what they belong to, and reading them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from sequencer.errors import PackError
from sequencer.pack.checked import canonical, sha256
from sequencer.pack.table import BlockedTable

_MOST_KEPT = 8
"""So many tables are kept ready: a machine is read once for all its runners."""


class Guarded(NamedTuple):
    """One table and when it counts: `when` is a term, or None for always; `groups` are the axes that each of its pairs
    depends on, by index."""

    name: str
    when: list[Any] | None
    groups: tuple[tuple[int, ...], ...]
    table: BlockedTable


def blocked_key(machine: Mapping[str, Any], geometry: Mapping[str, Any]) -> str:
    """A digest of all that certified positions depend on: the axes with travel, limits, tolerances and latencies, and
    the geometry with mounts, bodies, pieces, pairs and margins."""
    return sha256(canonical({"axes": machine["axes"], "geometry": geometry}))


def blocked_tables(machine: Mapping[str, Any]) -> tuple[Guarded, ...]:
    """The tables in machine data, none where it has no bodies.

    Raises:
        PackError: they are damaged, or belong to another machine.
    """
    data = machine.get("blocked")
    if data is None:
        return ()
    try:
        key = blocked_key(machine, data["geometry"])
        written = sha256(canonical(data["tables"]))
        if key + written not in _kept:
            while len(_kept) >= _MOST_KEPT:
                del _kept[next(iter(_kept))]
            _kept[key + written] = tuple(_guarded(entry, key) for entry in data["tables"])
        return _kept[key + written]
    except PackError:
        raise
    except (KeyError, TypeError, ValueError) as error:
        raise PackError(f"the tables of blocked positions are damaged ({error!r}); pack the routines again") from None


def _guarded(entry: Mapping[str, Any], key: str) -> Guarded:
    table = BlockedTable.from_data(entry["table"]).expect(key)
    groups = tuple(tuple(int(axis) for axis in group) for group in entry["groups"])
    return Guarded(str(entry["name"]), entry["when"], groups, table)


_kept: dict[str, tuple[Guarded, ...]] = {}
