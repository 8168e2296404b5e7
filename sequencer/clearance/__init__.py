"""How near bodies come: one certified query over boxes of positions, and what is built on it."""

from __future__ import annotations
