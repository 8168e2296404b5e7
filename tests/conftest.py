"""Settings of the whole suite."""

from __future__ import annotations

import os

from hypothesis import settings

# The same examples on every run of CI, so that a red run speaks of the change; other ones each time at a desk.
settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")
