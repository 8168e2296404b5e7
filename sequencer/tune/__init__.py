"""What recorded sessions tell: what other code would have decided on them, and why runs ended as they did."""

from __future__ import annotations

from sequencer.tune.retrace import Difference, Retrace, retrace
from sequencer.tune.why import Account, Near, why

__all__ = ["Account", "Difference", "Near", "Retrace", "retrace", "why"]
