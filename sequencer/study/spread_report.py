"""What a spread found: a row for every run, how often it worked, how its figures lie, and what goes with failing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import ceil
from typing import Any, NamedTuple

from sequencer.machine.machine import Machine
from sequencer.machine.variation import Varied, dimension_of
from sequencer.rates import Rate, wilson
from sequencer.rehearse.clearance_batch import SeenClearance
from sequencer.study.ranks import Influence, influences
from sequencer.units import ANGLE, LENGTH, TIME, VOLTAGE, Dimension, exact_unit

MOST_REASONS = 5
"""So many ways of failing are looked into one by one."""
FEWEST = 10
"""A way of failing is explained from so many runs on: a few runs go with anything."""


class SpreadRow(NamedTuple):
    """One run. Times are in [s], from its first tick.

    Attributes:
        run: its number, from 0 on.
        values: of everything that varies [SI], in order.
        failure: what it fell short of; "": nothing.
        outcome: done, cancelled or faulted.
        cause: why it was not done.
        duration: from start to end; None where it was not done.
        clearance: which bodies had the least to spare over their margin; None where none are watched.
        released: when the first piece was let go; None: none was.
        release_position: where the axis that carried it was then [m or rad]; None also where that has no position.
        battery: the lowest voltage [V]; None where the machine declares no battery.
    """

    run: int
    values: tuple[float, ...]
    failure: str
    outcome: str
    cause: str | None
    duration: float | None
    clearance: SeenClearance | None
    released: float | None
    release_position: float | None
    battery: float | None


class Distribution(NamedTuple):
    """How the values of one figure lie: [SI of `dimension`], sorted; `level` is what they are held against."""

    name: str
    dimension: Dimension
    values: tuple[float, ...]
    level: float | None = None

    def quantile(self, share: float) -> float:
        """The least value that at least a share of all do not exceed [SI].

        >>> Distribution("duration", TIME, (1.0, 2.0, 3.0, 4.0)).quantile(0.5)
        2.0
        """
        return self.values[min(max(ceil(share * len(self.values)) - 1, 0), len(self.values) - 1)]

    def as_json(self) -> dict[str, Any]:
        """Plain data: how many, the ends, and some quantiles."""
        return {
            "unit": exact_unit(self.dimension),
            "count": len(self.values),
            "least": self.values[0],
            "5 %": self.quantile(0.05),
            "median": self.quantile(0.5),
            "95 %": self.quantile(0.95),
            "most": self.values[-1],
        }


class FailureReason(NamedTuple):
    """One way of failing: how many runs did, and what goes with it against those that worked, strongest first."""

    words: str
    runs: int
    influences: tuple[Influence, ...]


@dataclass(frozen=True)
class SpreadReport:
    """All rows of a spread.

    Attributes:
        routine: its name.
        rehearsal: the one that was repeated.
        machine: as declared.
        varied: what varies.
        rows: one each, in order.
        planned: how many there were to be; more than there are rows where it was interrupted.
        seed: of everything drawn.
    """

    routine: str
    rehearsal: str
    machine: Machine
    varied: tuple[Varied, ...]
    rows: tuple[SpreadRow, ...]
    planned: int
    seed: int

    @property
    def complete(self) -> bool:
        """Whether all runs were done."""
        return len(self.rows) == self.planned

    @property
    def success(self) -> Rate:
        """The share of runs that fell short of nothing, with Wilson's interval (95 %).

        Raises:
            ModelError: there are no rows.
        """
        return wilson(sum(1 for row in self.rows if not row.failure), len(self.rows))

    @cached_property
    def reasons(self) -> tuple[FailureReason, ...]:
        """The ways of failing, the commonest first."""
        counts = Counter(row.failure for row in self.rows if row.failure)
        found = []
        for place, (words, count) in enumerate(sorted(counts.items(), key=lambda entry: (-entry[1], entry[0]))):
            looked_into = place < MOST_REASONS and count >= FEWEST
            rows = [row for row in self.rows if row.failure in ("", words)] if looked_into else []
            found.append(FailureReason(words, count, self._influences(rows)))
        return tuple(found)

    @cached_property
    def influences(self) -> tuple[Influence, ...]:
        """How each quantity that varies goes with failing, strongest first; empty where nothing or everything fails."""
        return self._influences(self.rows)

    @cached_property
    def distributions(self) -> tuple[Distribution, ...]:
        """How the figures of the runs lie; those that no run has are left out."""
        battery = self.machine.battery
        given = (
            Distribution("duration", TIME, _sorted(row.duration for row in self.rows)),
            Distribution(
                "clearance to spare",
                LENGTH,
                _sorted(
                    None if row.clearance is None else row.clearance.least - row.clearance.margin for row in self.rows
                ),
                0.0,
            ),
            Distribution("release", TIME, _sorted(row.released for row in self.rows)),
            Distribution(
                "release angle" if self._release_dimension == ANGLE else "release position",
                self._release_dimension,
                _sorted(row.release_position for row in self.rows),
            ),
            Distribution(
                "lowest battery",
                VOLTAGE,
                _sorted(row.battery for row in self.rows),
                None if battery is None else battery.brown_out,
            ),
        )
        return tuple(one for one in given if one.values)

    def as_json(self) -> dict[str, Any]:
        """Plain data: all but the single rows."""
        success = self.success if self.rows else None
        return {
            "routine": self.routine,
            "rehearsal": self.rehearsal,
            "seed": self.seed,
            "planned": self.planned,
            "runs": len(self.rows),
            "success": None if success is None else success._asdict(),
            "failures": [
                {"words": one.words, "runs": one.runs, "influences": [each._asdict() for each in one.influences]}
                for one in self.reasons
            ],
            "influences": [one._asdict() for one in self.influences],
            "distributions": {one.name: one.as_json() for one in self.distributions},
            "varied": [
                {
                    "name": one.name,
                    "unit": exact_unit(dimension_of(self.machine, one)),
                    "from": one.low,
                    "to": one.high,
                }
                for one in self.varied
            ],
        }

    def as_csv(self) -> str:
        """The rows as CSV (RFC 4180), numbers in SI, their units in the headings."""
        import csv
        import io

        text = io.StringIO()
        writer = csv.writer(text)
        units = [exact_unit(dimension_of(self.machine, one)) or "1" for one in self.varied]
        drawn = [f"{one.name} [{unit}]" for one, unit in zip(self.varied, units, strict=True)]
        unit = exact_unit(self._release_dimension)
        writer.writerow([*_HEADINGS, f"release position [{unit}]", "lowest battery [V]", *drawn])
        writer.writerows(_cells(row) for row in self.rows)
        return text.getvalue()

    def __repr__(self) -> str:
        return f"<SpreadReport of {self.routine}: {len(self.rows)} of {self.planned} runs, seed {self.seed}>"

    @property
    def _release_dimension(self) -> Dimension:
        axes = [self.machine.axes.get(piece.carried_by) for piece in self.machine.pieces.values()]
        return next((axis.dimension for axis in axes if axis is not None and axis.travel is not None), ANGLE)

    def _influences(self, rows: Sequence[SpreadRow]) -> tuple[Influence, ...]:
        failed = [1.0 if row.failure else 0.0 for row in rows]
        places = [place for place, one in enumerate(self.varied) if one.varies]
        if not 0.0 < sum(failed) < len(failed):
            return ()
        values = [[row.values[place] for place in places] for row in rows]
        return influences([self.varied[place].name for place in places], values, failed)


_HEADINGS = (
    "run",
    "failure",
    "outcome",
    "cause",
    "duration [s]",
    "clearance [m]",
    "margin [m]",
    "between",
    "released [s]",
)


def _cells(row: SpreadRow) -> list[str | float | None]:
    near = row.clearance
    return [
        row.run,
        row.failure,
        row.outcome,
        row.cause,
        row.duration,
        None if near is None else near.least,
        None if near is None else near.margin,
        None if near is None else " ".join(near.between),
        row.released,
        row.release_position,
        row.battery,
        *row.values,
    ]


def _sorted(values: Any) -> tuple[float, ...]:
    return tuple(sorted(value for value in values if value is not None))
