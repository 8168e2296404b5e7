"""A contradiction is told only where nothing makes both conditions true, and wherever single terms tell."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from operator import ge, gt, le, lt
from typing import Any

import pytest
from crossing import condition, crossed, to
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.check.contradiction import contradict
from sequencer.machine.condition import Compare, Every, Holds, Is, Known, Not, Some, Term
from sequencer.routine.steps import With
from sequencer.units import LENGTH

PLACES = (0.0, 0.5, 1.0, 1.5, 2.0)
WORDS = ("none", "lantern", "float")
COMPARE: dict[str, Callable[[Any, Any], bool]] = {"<": lt, "<=": le, ">": gt, ">=": ge}

simple: st.SearchStrategy[Term] = st.one_of(
    st.builds(
        Compare, st.sampled_from("ab"), st.sampled_from(sorted(COMPARE)), st.sampled_from(PLACES), st.just(LENGTH)
    ),
    st.builds(Is, st.just("piece"), st.sampled_from(WORDS)),
    st.builds(Holds, st.just("beam")),
    st.builds(Known, st.just("beam")),
)
terms: st.SearchStrategy[Term] = st.recursive(
    simple,
    lambda inner: st.one_of(
        st.builds(Not, inner),
        st.builds(Every, st.lists(inner, min_size=2, max_size=3).map(tuple)),
        st.builds(Some, st.lists(inner, min_size=2, max_size=3).map(tuple)),
    ),
    max_leaves=5,
)


def is_true(term: Term, world: dict[str, float | str | bool]) -> bool:
    match term:
        case Compare(name=name, operator=operator, value=value):
            return COMPARE[operator](world[name], value)
        case Is(name=name, value=value):
            return world[name] == value
        case Holds(name=name):
            return world[name] is True
        case Known():
            return True
        case Not(term=inner):
            return not is_true(inner, world)
        case Every(terms=inside):
            return all(is_true(inner, world) for inner in inside)
        case Some(terms=inside):
            return any(is_true(inner, world) for inner in inside)
    raise AssertionError(term)


def worlds() -> list[dict[str, float | str | bool]]:
    numbers = (-0.25, 0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 1.75, 2.0, 2.25)
    return [
        {"a": a, "b": b, "piece": piece, "beam": beam}
        for a, b, piece, beam in product(numbers, numbers, WORDS, (False, True))
    ]


@settings(max_examples=150, deadline=None)
@given(terms, terms)
def test_nothing_makes_both_true_where_a_contradiction_is_told(one: Term, other: Term) -> None:
    told = contradict(one, other)
    assert told == contradict(other, one)
    if told:
        assert not any(is_true(one, world) and is_true(other, world) for world in worlds())


@settings(max_examples=150, deadline=None)
@given(simple, st.booleans(), simple, st.booleans())
def test_of_single_terms_every_contradiction_is_told(one: Term, negate: bool, other: Term, negate_other: bool) -> None:
    first, second = Not(one) if negate else one, Not(other) if negate_other else other
    both = [(is_true(first, world), is_true(second, world)) for world in worlds()]
    if any(mine for mine, _ in both) and any(hers for _, hers in both):  # else one is never true by itself
        assert contradict(first, second) == (not any(mine and hers for mine, hers in both))


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("across < 0.1 m or across < 0.05 m", "across > 0.25 m"),
        ("not (across >= 0.1 m and across >= 0.2 m)", "across > 0.25 m"),
        ("across < 0.1 m or not beam", "across > 0.25 m and beam"),
        ("beam and (across < 0.1 m or along < 0.1 m)", "across > 0.1 m and along > 0.1 m"),
        ("not (beam or across < 0.1 m)", "beam"),
    ],
)
def test_alternatives_contradict_what_each_of_them_does(one: str, other: str) -> None:
    assert contradict(condition(one).term, condition(other).term)
    assert contradict(condition(other).term, condition(one).term)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("across < 0.1 m or beam", "across > 0.25 m"),
        ("across < 0.1 m or across < 0.3 m", "across > 0.25 m"),
        ("not (across >= 0.1 m and beam)", "across > 0.25 m"),
        ("across <= 0.1 m", "across >= 0.1 m"),
        ("across < 0.1 m", "along > 0.2 m"),
    ],
)
def test_what_leaves_a_way_open_is_no_contradiction(one: str, other: str) -> None:
    assert not contradict(condition(one).term, condition(other).term)


@pytest.mark.parametrize(
    ("first", "second", "never"),
    [(">", "<", True), (">", "<=", True), (">=", "<", True), (">=", "<=", False), (">", ">", False)],
)
def test_one_parameter_on_both_sides_says_as_much_as_a_number(first: str, second: str, never: bool) -> None:
    one, other = Compare("across", first, "place", LENGTH), Compare("across", second, "place", LENGTH)
    assert contradict(one, other) == never
    assert not contradict(one, Compare("across", "<", "elsewhere", LENGTH))


def test_a_gate_of_alternatives_that_the_mend_contradicts_is_replaced() -> None:
    passes = to("pass", "along", 1.0, start=With("rise"), once=condition("across < 0.1 m or across < 0.05 m"))
    found = crossed(to("rise", "across", 1.0), passes)
    (hint,) = {one.hint for one in found.findings if one.rule == "keep_out"}
    assert hint == "this line mends it: pass: once: across > 0.23 m  # instead of: across < 0.1 m or across < 0.05 m"
