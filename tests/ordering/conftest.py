"""Makes the random world of `tests/check` and the annealing beside this importable, whatever the import mode."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "check"))
sys.path.insert(0, str(Path(__file__).parent))
