"""A piece that cannot be there while a step moves does not count in what is advised about the punctual plan."""

from __future__ import annotations

from reaching import examined, reacher, rectangle, step, to

from sequencer.machine.condition import parse_condition
from sequencer.machine.interlock import MustStay
from sequencer.machine.piece import Piece

LANTERN = Piece("lantern", 0.5, "wrist", parts=(rectangle(0.30, 0.45, -0.04, 0.25),))


def nearest(*interlocks: MustStay, own: str | None = None) -> set[str]:
    """The two that come nearest; the lift and the slide move together, the lantern stands up from the hand."""
    machine = reacher(pieces=(LANTERN,), interlocks=interlocks)
    stay = {"must_stay": parse_condition(own, machine.vocabulary())} if own else {}
    found = examined(machine, step("go", to({"lift": 0.244, "slide": 0.1}), **stay), start="low")
    assert found.clearance is not None
    return set(found.clearance.between)


def rule(*axes: str, text: str = "piece is none") -> MustStay:
    return MustStay("empty", parse_condition(text, reacher().vocabulary()), axes)


def test_where_nothing_is_required_a_piece_counts() -> None:
    assert nearest() == {"shelf", "lantern"}
    assert nearest(rule("wrist")) == {"shelf", "lantern"}, "a rule for an axis that stands"
    assert nearest(rule("lift", text="piece is lantern")) == {"shelf", "lantern"}


def test_a_rule_for_one_of_the_axes_that_move_is_enough() -> None:
    assert nearest(rule("slide")) == nearest(rule("lift", "slide", "wrist")) != {"shelf", "lantern"}
    assert "lantern" not in nearest(rule("slide"))


def test_what_the_step_itself_requires_counts_as_much() -> None:
    assert "lantern" not in nearest(own="piece is none")
    assert nearest(own="piece is lantern") == {"shelf", "lantern"}
