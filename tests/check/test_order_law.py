"""Two independent readings of the step graph agree: bit sets of occurrences, and sets of names."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from profiles import Limits
from sequencer.check.order import Order, members
from sequencer.machine.axis import Axis, Tolerance
from sequencer.machine.condition import Condition, Holds
from sequencer.machine.machine import Machine
from sequencer.plan.resolve import flatten
from sequencer.routine.graph import order_facts
from sequencer.routine.routine import Routine
from sequencer.routine.steps import After, Branch, Choose, Following, Repeat, Start, Step, Wait, With

BEAM = Condition(Holds("cover_closed"))


@st.composite
def step_lists(draw: st.DrawFn, prefix: str = "s", depth: int = 0) -> tuple[Step, ...]:
    steps: list[Step] = []
    for index in range(draw(st.integers(1, 5))):
        name = f"{prefix}{index}"
        before = [step.name for step in steps]
        starts: list[st.SearchStrategy[Start]] = [st.just(Following()), st.just(After())]
        if before:
            starts.append(st.sampled_from(before).map(With))
            starts.append(st.lists(st.sampled_from(before), min_size=1, unique=True).map(lambda one: After(tuple(one))))
        start = draw(st.one_of(starts))
        kind = draw(st.integers(0, 5)) if depth < 2 else 5
        if kind == 0:
            steps.append(Step(name, Repeat(draw(step_lists(f"{name}_", depth + 1)), times=2.0), start))
        elif kind == 1:
            branch, other = draw(step_lists(f"{name}_a", depth + 1)), draw(step_lists(f"{name}_b", depth + 1))
            steps.append(Step(name, Choose((Branch(BEAM, branch),), other), start))
        else:
            steps.append(Step(name, Wait(), start, duration=1_000_000_000))
    return tuple(steps)


@given(step_lists())
def test_what_is_surely_over_is_the_same_by_both(steps: tuple[Step, ...]) -> None:
    lift = Axis("lift", "linear", Limits(1.0, 1.0), (0.0, 1.0), tolerance=Tolerance(0.01))
    routine = Routine("r", Machine("none", {"lift": lift}), steps)
    order, facts = Order(flatten(routine)), order_facts(routine)
    first = {one.name: one for one in reversed(order.occurrences)}
    for one in first.values():
        over = {order.occurrences[number].name for number in members(one.ended)}
        for other in first.values():
            if other.name == one.name or one.never & other.bit:
                continue
            assert (other.name in over) == facts.surely_before(other.name, one.name), (other.name, one.name)
            if other.ended & one.bit:
                assert one.after & other.bit
            if not facts.may_overlap(one.name, other.name):
                assert not order.concurrent(one) & other.bit
