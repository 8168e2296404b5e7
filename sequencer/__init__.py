"""Coordinated motion of a robot's mechanisms: timed routines, checked before they run, rehearsed with no robot at hand.

The names below are loaded when they are first used, so that importing the package costs nothing and the robot needs no
more than it runs.
"""

from __future__ import annotations

import os
import sys
from importlib import import_module
from importlib.machinery import PathFinder
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sequencer.check import CheckFailed, check
    from sequencer.check.ordered import order
    from sequencer.errors import (
        ClockError,
        MissingExtra,
        ModelError,
        PackError,
        RequestRefused,
        StepgraphError,
    )
    from sequencer.files import FileErrors, load_machine, load_routine
    from sequencer.machine.machine import Machine
    from sequencer.ordering import NoOrder, preset_table
    from sequencer.pack import CheckedRoutine, load_pack, write_pack
    from sequencer.plan import Plan, plan
    from sequencer.plant import Plant
    from sequencer.ports.orders import AxisOrder, Event, Orders
    from sequencer.ports.readings import AxisReading, Readings, Sensed
    from sequencer.rehearse import Rehearsal, rehearse
    from sequencer.routine.routine import Routine
    from sequencer.run import Confirmations, Loop, Runner
    from sequencer.study import DrillReport, SpreadReport, drill, spread
    from sequencer.trace import ChildSink, Recorder, Trace, TraceError, read_trace
    from sequencer.tune import fit_axis, fit_delay, retrace

_HOMES = {
    "AxisOrder": "ports.orders",
    "AxisReading": "ports.readings",
    "CheckFailed": "check",
    "CheckedRoutine": "pack",
    "ChildSink": "trace",
    "ClockError": "errors",
    "Confirmations": "run",
    "DrillReport": "study",
    "Event": "ports.orders",
    "FileErrors": "files",
    "Loop": "run",
    "Machine": "machine.machine",
    "MissingExtra": "errors",
    "ModelError": "errors",
    "NoOrder": "ordering",
    "Orders": "ports.orders",
    "PackError": "errors",
    "Plan": "plan",
    "Plant": "plant",
    "Readings": "ports.readings",
    "Recorder": "trace",
    "Rehearsal": "rehearse",
    "RequestRefused": "errors",
    "Routine": "routine.routine",
    "Runner": "run",
    "Sensed": "ports.readings",
    "SpreadReport": "study",
    "StepgraphError": "errors",
    "Trace": "trace",
    "TraceError": "trace",
    "check": "check",
    "drill": "study",
    "fit_axis": "tune",
    "fit_delay": "tune",
    "load_machine": "files",
    "load_pack": "pack",
    "load_routine": "files",
    "order": "check.ordered",
    "plan": "plan",
    "preset_table": "ordering",
    "read_trace": "trace",
    "rehearse": "rehearse",
    "retrace": "tune",
    "spread": "study",
    "write_pack": "pack",
}

__all__ = [
    "AxisOrder",
    "AxisReading",
    "CheckFailed",
    "CheckedRoutine",
    "ChildSink",
    "ClockError",
    "Confirmations",
    "DrillReport",
    "Event",
    "FileErrors",
    "Loop",
    "Machine",
    "MissingExtra",
    "ModelError",
    "NoOrder",
    "Orders",
    "PackError",
    "Plan",
    "Plant",
    "Readings",
    "Recorder",
    "Rehearsal",
    "RequestRefused",
    "Routine",
    "Runner",
    "Sensed",
    "SpreadReport",
    "StepgraphError",
    "Trace",
    "TraceError",
    "check",
    "drill",
    "fit_axis",
    "fit_delay",
    "load_machine",
    "load_pack",
    "load_routine",
    "order",
    "plan",
    "preset_table",
    "read_trace",
    "rehearse",
    "retrace",
    "spread",
    "write_pack",
]


def _refuse_other_profiles() -> None:
    """Raise ImportError where Python takes something else for `profiles`; else it only shows as an odd error later."""
    loaded = sys.modules.get("profiles")
    spec = loaded.__spec__ if loaded is not None else PathFinder.find_spec("profiles")
    found = spec.origin if spec is not None else None
    if found is None or not os.path.exists(found):
        return
    ours = os.path.join(os.path.dirname(os.path.dirname(os.path.abspath(__file__))), "profiles", "__init__.py")
    if os.path.exists(ours) and not os.path.samefile(found, ours):
        raise ImportError(
            f"stepgraph needs its own package 'profiles', but Python imports {found} in its place; rename that, "
            "or start Python in another folder and without it on PYTHONPATH",
            name="profiles",
            path=found,
        )


_refuse_other_profiles()


class _Verb(ModuleType):
    """A package that can be called: ``plan``, ``check`` and ``rehearse`` each name a package and its function."""

    def __call__(self, *arguments: Any, **named: Any) -> Any:
        name = self.__name__.rpartition(".")[2]
        return getattr(self, name)(*arguments, **named)


class _Face(ModuleType):
    """Importing ``sequencer.plan`` binds the package to the name of the function, so the two are made one."""

    def __setattr__(self, name: str, value: object) -> None:
        if name in _VERBS and type(value) is ModuleType:
            value.__class__ = _Verb
        super().__setattr__(name, value)


_VERBS = ("check", "plan", "rehearse")
sys.modules[__name__].__class__ = _Face


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'sequencer' has no attribute '{name}'")
    module = import_module(f"sequencer.{home}")
    return module if name in _VERBS else getattr(module, name)


def __dir__() -> list[str]:
    return __all__
