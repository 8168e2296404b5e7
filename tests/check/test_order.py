"""What is surely over, surely begun and surely still to come, worked out by hand for each kind of start and block."""

from __future__ import annotations

from typing import Literal

import pytest
from crossing import condition, crossing, to
from random_world import BEAM

from sequencer.check.order import Occurrence, Order, members
from sequencer.plan.resolve import flatten
from sequencer.routine.routine import Routine
from sequencer.routine.steps import After, Branch, Choose, Flick, Passing, Repeat, Step, Timeout, Wait, With

SECOND = 1_000_000_000


def pause(name: str, start: object = None, **fields: object) -> Step:
    parts = {} if start is None else {"start": start}
    return Step(name, Wait(), duration=SECOND, **parts, **fields)  # type: ignore[arg-type]


def order_of(*steps: Step) -> Order:
    return Order(flatten(Routine("r", crossing(), steps, "low", default_timeout=Timeout("none"))))


def first(order: Order, name: str) -> Occurrence:
    return next(one for one in order.occurrences if one.name == name)


def names(order: Order, group: int) -> set[str]:
    return {order.occurrences[number].name for number in members(group)}


def told(order: Order, name: str) -> tuple[set[str], set[str], set[str], set[str]]:
    """What is over, begun only, still to come and possibly beside a step."""
    one = first(order, name)
    begun = one.started & ~one.ended
    return names(order, one.ended), names(order, begun), names(order, one.after), names(order, order.concurrent(one))


def test_steps_in_a_row_are_over_before_and_still_to_come() -> None:
    order = order_of(pause("a"), pause("b"), pause("c"))
    assert told(order, "a") == (set(), set(), {"b", "c"}, set())
    assert told(order, "b") == ({"a"}, set(), {"c"}, set())
    assert told(order, "c") == ({"a", "b"}, set(), set(), set())


def test_a_step_that_starts_with_another_has_it_begun_and_beside_it() -> None:
    order = order_of(pause("a"), pause("b"), pause("c", With("b")), pause("d", With("c")), pause("e", After(("b",))))
    assert told(order, "b") == ({"a"}, set(), {"e"}, {"c", "d"})
    assert told(order, "c") == ({"a"}, {"b"}, set(), {"b", "d", "e"})
    assert told(order, "d") == ({"a"}, {"b", "c"}, set(), {"b", "c", "e"})
    assert told(order, "e") == ({"a", "b"}, {"c", "d"} - {"c", "d"}, set(), {"c", "d"})


def test_a_step_after_several_has_all_of_them_over() -> None:
    order = order_of(pause("a"), pause("b", After()), pause("c", With("b")), pause("d", After(("a", "c"))))
    assert told(order, "a") == (set(), set(), {"d"}, {"b", "c"})
    assert told(order, "d") == ({"a", "c"}, {"b"}, set(), {"b"})
    assert told(order, "b") == (set(), set(), set(), {"a", "c", "d"})


def test_a_step_after_any_has_both_branches_over_since_the_other_is_cancelled() -> None:
    order = order_of(
        pause("before"),
        pause("a", After(("before",))),
        pause("b", After(("before",))),
        pause("b2", After(("b",))),
        pause("aside", With("before")),
        pause("then", After(("a", "b2"), any=True)),
        pause("last", After(("then",))),
    )
    assert told(order, "then") == ({"before", "a", "b", "b2"}, set(), {"last"}, {"aside"})
    assert told(order, "a") == ({"before"}, set(), {"then", "last"}, {"b", "b2", "aside"})
    assert told(order, "b") == ({"before"}, set(), {"b2", "then", "last"}, {"a", "aside"})
    assert told(order, "last")[0] == {"before", "a", "b", "b2", "then"}


def test_of_a_branch_that_may_be_cancelled_nothing_is_certain_and_what_is_before_it_is() -> None:
    order = order_of(
        pause("before"),
        pause("a", After(("before",))),
        pause("b", After(("before",))),
        pause("then", After(("a", "b"), any=True)),
    )
    then = first(order, "then")
    assert [order.certain(first(order, name), then.conditions) for name in ("before", "a", "b")] == [True, False, False]
    assert [bool(first(order, name).uncut) for name in ("before", "a", "b", "then")] == [False, True, True, False]
    assert order.is_complete(first(order, "before"), then)
    assert not order.is_complete(first(order, "a"), then)
    # inside its own branch it has not been interrupted
    longer = order_of(
        pause("a"), pause("a2", After(("a",))), pause("b", After()), pause("t", After(("a2", "b"), any=True))
    )
    assert longer.is_complete(first(longer, "a"), first(longer, "a2"))
    assert not longer.is_complete(first(longer, "a"), first(longer, "b"))


def test_branches_of_a_choose_never_happen_together_and_none_is_certain_outside() -> None:
    choose = Step("either", Choose((Branch(BEAM, (pause("yes"), pause("yes2"))),), (pause("no"),)))
    order = order_of(pause("before"), choose, pause("later"))
    assert names(order, first(order, "yes").never) == {"no"}
    assert names(order, first(order, "no").never) == {"yes", "yes2"}
    assert told(order, "yes") == ({"before"}, {"either"}, {"yes2", "later"}, {"either"})
    assert told(order, "later") == ({"before", "either", "yes", "yes2", "no"}, set(), set(), set())
    later = first(order, "later")
    assert not order.certain(first(order, "yes"), later.conditions)
    assert order.certain(first(order, "either"), later.conditions)
    assert order.certain(first(order, "yes"), first(order, "yes2").conditions)
    assert not order.certain(first(order, "yes"), first(order, "no").conditions)


def test_a_repeat_happens_in_a_first_passage_and_in_later_ones() -> None:
    order = order_of(pause("before"), Step("again", Repeat((pause("up"), pause("down")), times=3.0)), pause("later"))
    ups = [one for one in order.occurrences if one.name == "up"]
    assert [one.name for one in order.occurrences] == ["before", "again", "up", "down", "up", "down", "later"]
    assert [len(one.passages) for one in ups] == [0, 1]
    assert names(order, ups[1].ended) == {"before", "up", "down"}
    assert ups[0].after & ups[1].bit
    assert not order.certain(ups[1], first(order, "later").conditions)
    assert order.certain(ups[0], first(order, "later").conditions)
    # from a later passage what stands in it after a step has been over already in the passage before
    down = order.occurrences[5]
    assert order.certain(ups[1], down.conditions)
    once = order_of(Step("again", Repeat((pause("up"),), times=1.0)))
    assert [one.name for one in once.occurrences] == ["again", "up"]


def test_what_starts_with_a_block_may_be_beside_all_that_is_inside_it() -> None:
    choose = Step("either", Choose((Branch(BEAM, (pause("yes"),)),), (pause("no"),)))
    order = order_of(pause("before"), choose, pause("beside", With("either")), pause("later", After(("either",))))
    assert told(order, "beside") == ({"before"}, {"either"}, set(), {"either", "yes", "no", "later"})
    assert told(order, "yes")[2:] == ({"later"}, {"either", "beside"})


def test_a_block_that_is_tried_again_has_attempts_that_end_anywhere() -> None:
    again = Step(
        "again",
        Repeat((to("rise", "across", 1.0), to("sink", "across", 0.0)), times=1.0),
        retry=1,
        timeout=Timeout("fixed", SECOND),
    )
    order = order_of(again, to("last", "along", 1.0))
    rises = [one for one in order.occurrences if one.name == "rise"]
    assert len(rises) == 2
    assert [bool(one.uncut) for one in rises] == [True, False]
    last = first(order, "last")
    assert not order.is_complete(rises[0], last)
    assert order.is_complete(rises[1], last)
    assert order.certain(rises[1], last.conditions)


def test_a_step_that_may_be_left_out_is_not_certain_for_others() -> None:
    order = order_of(pause("a", only_if=BEAM), pause("b"))
    assert not order.certain(first(order, "a"), first(order, "b").conditions)
    assert order.certain(first(order, "a"), first(order, "a").conditions)


@pytest.mark.parametrize("at", ["through", 0.6])
def test_a_step_at_a_milestone_is_never_certain(at: Literal["through"] | float) -> None:
    """M4: what it watches may end before it gets there, and a flick that is held near its place has no throw left."""
    order = order_of(Step("throw", Flick("across", 0.5, 0.8, 0.9)), pause("flash", Passing("throw", at)))
    assert not order.certain(first(order, "flash"), first(order, "throw").conditions)
    assert order.certain(first(order, "throw"), first(order, "flash").conditions)


def test_what_starts_with_a_step_at_a_milestone_is_as_uncertain() -> None:
    order = order_of(
        to("rise", "across", 1.0),
        pause(
            "flash",
            Passing("rise", 0.5),
        ),
        pause("beside", With("flash")),
    )
    rise, flash, beside = (first(order, name) for name in ("rise", "flash", "beside"))
    assert names(order, flash.started & ~flash.ended) == {"rise"}
    assert not order.certain(beside, rise.conditions)
    assert order.certain(flash, beside.conditions)


def test_who_has_left_an_axis_where_it_stands() -> None:
    order = order_of(
        to("rise", "across", 1.0),
        to("maybe", "across", 0.5, only_if=BEAM),
        to("go", "along", 1.0),
        pause("wait"),
        to("sink", "across", 0.0),
        pause("end"),
    )

    def holders(axis: str, name: str) -> tuple[set[str], bool]:
        found, initial = order.holders(first(order, name), axis)
        return names(order, found), initial

    assert holders("across", "rise") == (set(), True)
    assert holders("across", "maybe") == ({"rise"}, False)
    assert holders("across", "go") == ({"rise", "maybe"}, False)
    assert holders("across", "end") == ({"sink"}, False)
    assert holders("along", "maybe") == (set(), True)
    assert holders("along", "end") == ({"go"}, False)


@pytest.mark.parametrize(("once", "left_by"), [(None, set()), ("along > 0.5 m", {"rise"})])
def test_a_step_that_has_begun_has_taken_its_axis_unless_a_gate_holds_it(once: str | None, left_by: set[str]) -> None:
    """While it moves its axis it is looked at as moving; asked for here is what else may have left it where it is."""
    sink = to("sink", "across", 0.0, once=None if once is None else condition(once))
    order = order_of(to("rise", "across", 1.0), sink, to("go", "along", 1.0, start=With("sink")))
    found, initial = order.holders(first(order, "go"), "across")
    assert (names(order, found), initial) == (left_by, False)


def test_gates_that_are_tried_count_as_gates() -> None:
    order = order_of(to("rise", "across", 1.0), to("sink", "across", 0.0), to("go", "along", 1.0, start=With("sink")))
    sink = first(order, "sink").node.index
    tried = order.with_gates([sink])
    assert (order.gated, tried.gated) == (frozenset(), frozenset([sink]))
    assert names(order, tried.holders(first(tried, "go"), "across")[0]) == {"rise"}
    assert names(order, order.holders(first(order, "go"), "across")[0]) == set()
