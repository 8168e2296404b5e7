"""Checked routines as plain data, and the one file that carries them to the robot.

Reading needs the standard library alone. The names are loaded when first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.pack.checked import CheckedRoutine
    from sequencer.pack.read import Pack, load_pack
    from sequencer.pack.write import write_pack

__all__ = ["CheckedRoutine", "Pack", "load_pack", "write_pack"]

_HOMES = {"CheckedRoutine": "checked", "Pack": "read", "load_pack": "read", "write_pack": "write"}


def __getattr__(name: str) -> object:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'sequencer.pack' has no attribute '{name}'")
    return getattr(import_module(f"sequencer.pack.{home}"), name)
