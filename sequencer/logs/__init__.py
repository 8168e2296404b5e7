"""Logs of other programs and machines, read into traces through a small mapping file, whatever state they are in."""

from __future__ import annotations

from sequencer.logs.mapping import Mapping, load_mapping
from sequencer.logs.read import Log, read_log
from sequencer.logs.remark import LogRefused, Remark

__all__ = ["Log", "LogRefused", "Mapping", "Remark", "load_mapping", "read_log"]
