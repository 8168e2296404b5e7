"""Orders that no actuator may take."""

from __future__ import annotations

import pytest

from sequencer.ports.actuators import check_orders
from sequencer.ports.orders import AxisOrder, Orders


@pytest.mark.parametrize(
    ("name", "order", "words"),
    [
        ("lit", AxisOrder("off"), "an order for unknown axis 'lit'; did you mean 'lift'"),
        ("lift", AxisOrder("trak"), "an order for lift has the unknown mode 'trak'; did you mean 'track'"),  # type: ignore[arg-type]
        ("lift", AxisOrder("track", float("nan")), "an order for lift is not finite"),
        ("lift", AxisOrder("effort", current=float("inf")), "an order for lift is not finite"),
    ],
)
def test_a_strange_order_is_refused_with_what_is_wrong(name: str, order: AxisOrder, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        check_orders(Orders(0, {name: order}, {}), ["lift"])


def test_every_mode_with_finite_numbers_is_taken() -> None:
    for mode in ("track", "effort", "hold", "brake", "off"):
        check_orders(Orders(0, {"lift": AxisOrder(mode, 1.0)}, {}), ["lift"])  # type: ignore[arg-type]
