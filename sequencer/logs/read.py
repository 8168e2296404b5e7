"""A log of another program as a trace, with everything that is wrong with it named."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sequencer.errors import did_you_mean
from sequencer.logs.columns import Array, read_columns
from sequencer.logs.faults import AxisColumns, look_at, same_columns
from sequencer.logs.mapping import Mapping
from sequencer.logs.remark import LogRefused, Remark
from sequencer.logs.rows import ColumnRows
from sequencer.logs.stamps import in_order
from sequencer.machine.machine import Machine
from sequencer.trace.trace import NANOSECONDS, Header, Trace, TraceError
from sequencer.units import si_unit


@dataclass(frozen=True, slots=True)
class Log:
    """A log as a trace without runs, and what was found wrong with it."""

    trace: Trace
    remarks: tuple[Remark, ...]

    def __str__(self) -> str:
        return "\n".join([repr(self.trace), *map(str, self.remarks)])


def read_log(path: str | os.PathLike[str], mapping: Mapping, machine: Machine | None = None) -> Log:
    """Read any table of comma-separated values through a mapping.

    Nothing in it is evaluated. What can be mended safely is, and said; values that are no numbers become unknown, and
    nothing is ever put in the place of what is missing.

    Args:
        path: the file.
        mapping: which column is which quantity.
        machine: whose axes they are; its travel catches wrong units.

    Raises:
        LogRefused: faults that make it useless as it is; all at once.
        TraceError: no log, too short, or of axes that the machine does not have.
    """
    file = Path(path)
    axes = _axes(str(path), mapping, machine)
    times, quantities = read_columns(file, mapping)
    if len(times) < 2:
        count = "no sample" if len(times) == 0 else "one sample"
        raise TraceError(f"{path}: the log has {count}; two are needed to tell a speed")
    stamped = in_order(times, quantities)
    remarks = list(stamped.remarks)
    times, quantities = stamped.times, stamped.quantities
    told: list[AxisColumns] = []
    if not any(remark.outcome == "refused" for remark in remarks) and len(times) >= 2:
        remarks += same_columns(quantities)
        for name, kind in axes:
            axis = _columns_of(name, kind, times, quantities, machine)
            remarks += look_at(axis)
            told.append(axis)
    refused = [remark for remark in remarks if remark.outcome == "refused"]
    if refused:
        raise LogRefused(str(path), refused)
    return Log(_trace(file, mapping, axes, times, quantities, told), tuple(remarks))


def _axes(path: str, mapping: Mapping, machine: Machine | None) -> tuple[tuple[str, str], ...]:
    if machine is None:
        return mapping.axes
    found = []
    for name, kind in mapping.axes:
        if name not in machine.axes:
            hint = did_you_mean(name, machine.axes)
            raise TraceError(f"{path}: {machine.name} has no axis '{name}'; {hint} Is this the log of another machine?")
        own = machine.axes[name].kind
        if kind != own and not (own == "spin" and kind == "rotary") and f"{name}.measured" in mapping.columns:
            raise TraceError(f"{path}: the mapping gives {name} as {kind}, and it is {own} in {machine.name}")
        found.append((name, own))
    return tuple(found)


def _columns_of(
    name: str, kind: str, times: Array, quantities: dict[str, Array], machine: Machine | None
) -> AxisColumns:
    none = np.zeros(0)
    found = {
        what: quantities.get(f"{name}.{what}", none) for what in ("measured", "speed", "current", "ordered", "volts")
    }
    travel = machine.axes[name].travel if machine is not None else None
    return AxisColumns(name, kind, times, **found, trusted=np.ones(len(times), bool), travel=travel)


def _trace(
    file: Path,
    mapping: Mapping,
    axes: tuple[tuple[str, str], ...],
    times: Array,
    quantities: dict[str, Array],
    told: list[AxisColumns],
) -> Trace:
    period = round(float(np.median(np.diff(times))) * NANOSECONDS)
    sensors = tuple((name, si_unit(mapping.columns[name].dimension)) for name in mapping.sensors)
    header = Header(mapping.log, "", max(period, 1), axes, sensors, note=f"read from {file.name} through a mapping")
    stamps = np.rint((times - times[0]) * NANOSECONDS).astype(np.int64)
    none = np.zeros(0)
    speeds = [quantities.get(f"{axis.name}.ordered_speed", none) for axis in told]
    sensed = [quantities[name] for name in mapping.sensors]
    return Trace(header, ColumnRows(stamps, told, speeds, sensed, quantities.get("battery", none)))
