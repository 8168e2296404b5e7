"""The package face."""

from __future__ import annotations

import subprocess
import sys

import pytest

import sequencer.clearance


def test_every_name_of_the_face_is_there_and_no_module_hides_it():
    code = (
        "import sequencer.clearance as face\n"
        "for _ in range(2):\n"
        "    for name in dir(face):\n"
        "        assert type(getattr(face, name)).__name__ != 'module', name\n"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_scalar_clearance_needs_no_numpy():
    code = (
        "import sys\n"
        "from sequencer.clearance import Pair, Tree, diagram, free_gate, prove, timed_clearance, watch\n"
        "assert 'numpy' not in sys.modules\n"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_an_unknown_name_is_refused():
    with pytest.raises(AttributeError, match=r"^module 'sequencer.clearance' has no attribute 'sampled'$"):
        _ = sequencer.clearance.sampled
