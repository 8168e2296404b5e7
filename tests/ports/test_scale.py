"""Counts of a controller as metres and radians."""

from __future__ import annotations

import pytest

from sequencer.errors import ModelError
from sequencer.ports.scale import Scale


def test_positions_and_counts_are_each_others_inverse_with_sign_and_zero() -> None:
    scale = Scale(-2048.0, zero=100.0)
    assert scale.position(100.0) == 0.0
    assert scale.position(-1948.0) == 1.0
    assert scale.counts(scale.position(733.0)) == pytest.approx(733.0)
    assert scale.rate(scale.speed(50.0)) == pytest.approx(50.0)
    assert scale.speed(2048.0) == -1.0


@pytest.mark.parametrize(("counts", "zero"), [(0.0, 0.0), (float("nan"), 0.0), (1.0, float("inf"))])
def test_a_scale_that_is_none_is_refused(counts: float, zero: float) -> None:
    with pytest.raises(ModelError, match="both must be finite and the first not 0"):
        Scale(counts, zero)
