"""Values of sensors and outputs as they are written: true or false, a number with its unit, or one of some words."""

from __future__ import annotations

from sequencer.errors import did_you_mean
from sequencer.machine.node import Node
from sequencer.machine.reading import Reading, quantity_or_word
from sequencer.machine.sensor import Value
from sequencer.machine.written import Switch
from sequencer.units import NUMBER, Dimension


def value_of(
    node: Node, path: str, kind: str, dimension: Dimension | None, values: tuple[str, ...], reading: Reading
) -> Value:
    """The value of a sensor or output of a `kind`, in SI where it is a number.

    Raises:
        Unreadable: it is no such value; noted.
    """
    if kind == "switch":
        return Switch().read(node, path, reading)
    if kind == "number":
        return quantity_or_word(node, path, dimension or NUMBER, reading)
    if not isinstance(node.value, str):
        raise reading.wrong(node, path, f"{node.found()} was found; one of {', '.join(values)} was expected")
    if node.value not in values:
        raise reading.wrong(
            node, path, f"'{node.value}' is not one of {', '.join(values)}", did_you_mean(node.value, values)
        )
    return node.value
