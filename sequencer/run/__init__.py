"""The runner: interprets checked routines tick by tick under a mandatory supervisor. Standard library alone."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.run.confirmation import Confirmations
    from sequencer.run.loop import Loop
    from sequencer.run.requests import Allowed
    from sequencer.run.runner import Runner
    from sequencer.run.status import Status

_MODULE_OF = {
    "Allowed": "requests",
    "Confirmations": "confirmation",
    "Loop": "loop",
    "Runner": "runner",
    "Status": "status",
}

__all__ = ["Allowed", "Confirmations", "Loop", "Runner", "Status"]


def __getattr__(name: str) -> object:
    if name not in _MODULE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f"{__name__}.{_MODULE_OF[name]}"), name)
    globals()[name] = value
    return value
