"""What recorded sessions tell: what other code would have decided on them."""

from __future__ import annotations

from sequencer.tune.retrace import Difference, Retrace, retrace

__all__ = ["Difference", "Retrace", "retrace"]
