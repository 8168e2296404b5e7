"""Every change between two presets of a machine: its time and way, or why there is none."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from sequencer.machine.machine import Machine
from sequencer.ordering.cache import Kept, look, store
from sequencer.ordering.gated import GatedPlan
from sequencer.ordering.grid import Grid, bodies_of, cells_of, checked_outside, grid_key
from sequencer.ordering.search import NoOrder, Ordered, Ordering

Progress = Callable[[int, int], None]
"""Told after each change how many are done, of how many."""


@dataclass(frozen=True, slots=True)
class Change:
    """One change from a preset to another.

    Attributes:
        start, goal: the presets.
        verdict: clear; conflict: an end lies in what is declared; undecided: no way was shown.
        duration: how long it takes if all goes punctually [s]; None without a way.
        kind: at once, gated, detour or still; "" without a way.
        because: what is in the way of all axes at once, or of any way.
        plan: the way.
    """

    start: str
    goal: str
    verdict: Literal["clear", "conflict", "undecided"]
    duration: float | None
    kind: str
    because: str
    plan: GatedPlan | None

    def as_json(self) -> dict[str, Any]:
        """The change as `order --all --json` prints it."""
        return {
            "from": self.start,
            "to": self.goal,
            "verdict": self.verdict,
            "duration": self.duration,
            "kind": self.kind or None,
            "because": self.because or None,
        }


@dataclass(frozen=True, slots=True)
class PresetTable:
    """All changes of a machine, by start and goal, in the order of the file.

    Attributes:
        machine: its name.
        presets: their names.
        changes: the changes.
        key: a digest of all that they depend on.
        from_cache: whether they were kept from before.
        refused: why what was kept under the key was not taken, if something was.
    """

    machine: str
    presets: tuple[str, ...]
    changes: Mapping[tuple[str, str], Change]
    key: str
    from_cache: bool = False
    refused: str = ""

    def __iter__(self) -> Iterator[Change]:
        return iter(self.changes.values())

    def __len__(self) -> int:
        return len(self.changes)

    def __repr__(self) -> str:
        clear = sum(1 for change in self if change.verdict == "clear")
        return f"<PresetTable of {self.machine}: {clear} of {len(self)} changes are clear>"


def preset_table(
    machine: Machine,
    *,
    cells: int | None = None,
    outside: Mapping[str, tuple[float, float]] | None = None,
    progress: Progress | None = None,
    cache: bool = True,
) -> PresetTable:
    """Every change between two presets, each certified by the boxes it may be in; kept for next time under a hash of
    all that it depends on.

    Args:
        machine: the machine.
        cells: cells along each axis, a power of 2; None: by how many axes count.
        outside: where bodies outside may stand [m], by default anywhere in their ranges.
        progress: told how many changes are done.
        cache: whether to look for a table that was kept, and keep this one.

    Raises:
        ModelError: a body or clearance names something that is not there, or a range is not within the machine's.
    """
    wanted = cells_of(cells)
    tree, pairs = bodies_of(machine)
    key = grid_key(machine, tree, pairs, wanted, checked_outside(machine, outside or {}))
    pairs_of_presets = [(start, goal) for start in machine.presets for goal in machine.presets if start != goal]
    kept = look(key) if cache else Kept(None)
    if kept.data is not None:
        changes = _changes(kept.data)
        if list(changes) == pairs_of_presets:
            return PresetTable(machine.name, tuple(machine.presets), changes, key, from_cache=True)
    ordering = Ordering(machine, Grid(machine, wanted, outside))
    changes = {}
    for start, goal in pairs_of_presets:
        changes[start, goal] = _change(ordering, start, goal)
        if progress is not None:
            progress(len(changes), len(pairs_of_presets))
    if cache:
        store(key, {"changes": [_written(change) for change in changes.values()]})
    return PresetTable(machine.name, tuple(machine.presets), changes, key, refused=kept.refused)


def _change(ordering: Ordering, start: str, goal: str) -> Change:
    try:
        found: Ordered = ordering.find(start, goal)
    except NoOrder as error:
        return Change(start, goal, error.verdict, None, "", str(error), None)
    return Change(start, goal, "clear", found.duration, found.kind, found.in_the_way, found.plan)


def _written(change: Change) -> dict[str, Any]:
    data = {name: getattr(change, name) for name in ("start", "goal", "verdict", "duration", "kind", "because")}
    return data | {"plan": None if change.plan is None else change.plan.to_data()}


def _changes(data: Mapping[str, Any]) -> dict[tuple[str, str], Change]:
    try:
        return {(entry["start"], entry["goal"]): _read(entry) for entry in data["changes"]}
    except (KeyError, TypeError, ValueError):
        return {}  # written by another version, which counted its format up


def _read(entry: Mapping[str, Any]) -> Change:
    plan = None if entry["plan"] is None else GatedPlan.from_data(entry["plan"])
    return Change(
        entry["start"], entry["goal"], entry["verdict"], entry["duration"], entry["kind"], entry["because"], plan
    )
