from __future__ import annotations

from collections.abc import Callable
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.places import NOWHERE
from sequencer.routine import Routine, Step, graph_of, order_facts, starts_of
from sequencer.routine.steps import After, AtTime, Following, Passing, Wait, With

Read = Callable[..., Routine]


def step(name: str, start: After | With | Passing | AtTime | Following = Following()) -> Step:  # noqa: B008
    return Step(name, Wait(), start, duration=1_000_000_000, place=NOWHERE)


def test_a_step_without_a_start_follows_the_one_above() -> None:
    assert starts_of((step("a"), step("b"), step("c"))) == {"a": After(), "b": After(("a",)), "c": After(("b",))}


@pytest.mark.parametrize("second", [With("a"), Passing("a"), AtTime(0)], ids=["with", "passing", "at"])
def test_with_passing_and_at_do_not_close_a_step(second: With | Passing | AtTime) -> None:
    assert starts_of((step("a"), step("b", second), step("c")))["c"] == After(("a", "b"))


def test_a_step_named_by_after_is_closed_for_those_below() -> None:
    steps = (step("a"), step("b", After()), step("c", After(("a",))), step("d"))
    assert starts_of(steps)["d"] == After(("b", "c"))


def test_a_step_that_only_a_later_one_names_is_still_open() -> None:
    steps = (step("a"), step("b", After()), step("c"), step("d", After(("a",))))
    assert starts_of(steps)["c"] == After(("a", "b"))


def test_a_join_any_closes_all_that_it_names() -> None:
    steps = (step("a"), step("b", After()), step("c", After(("a", "b"), any=True)), step("d"))
    assert starts_of(steps)["d"] == After(("c",))


def test_predecessors_and_successors_are_each_others_mirror(routine_from: Read) -> None:
    graph = graph_of(
        routine_from("- a: {wait: 1 s}\n- b: {wait: 1 s, with: a}\n- c: {wait: 1 s}\n- d: {wait: 1 s, after: a}")
    )
    assert [graph.predecessors(name) for name in "abcd"] == [(), ("a",), ("a", "b"), ("a",)]
    assert [graph.successors(name) for name in "abcd"] == [("b", "c", "d"), ("c",), (), ()]


PLAN = """
- a: {wait: 1 s}
- b: {wait: 1 s, with: a}
- pick:
    choose:
    - if: cover_closed
      steps:
      - x: {wait: 1 s}
      - v: {wait: 1 s}
    - else:
      - z: {wait: 1 s}
- c: {wait: 1 s, after: [a]}
- d: {wait: 1 s}
"""
BEFORE = {
    ("a", "pick"), ("b", "pick"), ("a", "x"), ("a", "v"), ("a", "z"), ("b", "x"), ("b", "v"), ("b", "z"), ("x", "v"),
    ("a", "c"), ("a", "d"), ("b", "d"), ("pick", "d"), ("x", "d"), ("v", "d"), ("z", "d"), ("c", "d"),
}  # fmt: skip
APART = {("x", "z"), ("v", "z")}


def test_what_is_surely_over_before_what(routine_from: Read) -> None:
    facts = order_facts(routine_from(PLAN))
    names = list(facts.nodes)
    assert {pair for pair in product(names, names) if facts.surely_before(*pair)} == BEFORE


def test_what_may_be_active_together(routine_from: Read) -> None:
    facts = order_facts(routine_from(PLAN))
    names = list(facts.nodes)
    never = BEFORE | APART
    for pair in product(names, names):
        assert facts.may_overlap(*pair) == (pair not in never and pair[::-1] not in never), pair


def test_a_join_any_ends_the_losers_and_their_branches(routine_from: Read) -> None:
    graph = graph_of(
        routine_from(
            "- s: {wait: 1 s}\n- a: {wait: 1 s, after: s}\n- b: {wait: 1 s, after: s}\n- c: {wait: 1 s, after: b}\n"
            "- other: {wait: 9 s, after: s}\n- j: {wait: 1 s, after: {any: [a, c]}}\n- k: {wait: 1 s, after: j}"
        )
    )
    assert graph.join_branches("j") == (("a",), ("b", "c"))
    assert graph.ended_before("j") == {"s", "a", "b", "c"}
    assert graph.ended_before("k") == {"s", "a", "b", "c", "j"}
    assert graph.may_overlap("other", "k")


def test_performed_routines_are_part_of_the_graph_under_their_path(routine_from: Read) -> None:
    inner = routine_from("- up: {move: ridge}\n- down: {move: stow}")
    outer = routine_from("- first: {wait: 1 s}\n- go: {perform: r}\n- last: {wait: 1 s}", others=(inner,))
    graph = graph_of(outer)
    assert list(graph.nodes) == ["first", "go", "go/up", "go/down", "last"]
    assert graph.blocks("go/down") == ("go",)
    assert graph.surely_before("first", "go/up")
    assert graph.surely_before("go/up", "go/down")
    assert graph.surely_before("go/down", "last")
    assert not graph.surely_before("go", "go/up")
    assert graph.may_overlap("go", "go/up")


def test_loops_are_found_each_once(routine_from: Read) -> None:
    steps = (
        "- a: {wait: 1 s, after: c}\n- b: {wait: 1 s, with: a}\n- c: {wait: 1 s, after: b}\n- d: {wait: 1 s, after: d}"
    )
    assert graph_of(routine_from(steps)).loops() == [("a", "c", "b"), ("d",)]


def random_steps(draws: list[tuple[int, list[int]]]) -> tuple[Step, ...]:
    steps: list[Step] = []
    for index, (kind, picks) in enumerate(draws):
        names = tuple(dict.fromkeys(f"s{pick % index}" for pick in picks)) if index else ()
        start: After | With | Following = Following()
        if kind == 1:
            start = After(names)
        elif kind == 2 and names:
            start = With(names[0])
        elif kind == 3:
            start = After()
        steps.append(step(f"s{index}", start))
    return tuple(steps)


@given(
    st.lists(
        st.tuples(st.integers(0, 3), st.lists(st.integers(0, 20), min_size=1, max_size=3)), min_size=1, max_size=9
    ),
    st.lists(st.integers(1, 7), min_size=9, max_size=9),
)
def test_surely_before_holds_for_any_durations(
    lantern_machine_module: object, draws: list[tuple[int, list[int]]], durations: list[int]
) -> None:
    """Simulated with any durations, a step that is surely before another has ended when the other starts."""
    steps = random_steps(draws)
    starts = starts_of(steps)
    begin: dict[str, int] = {}
    end: dict[str, int] = {}
    for one, duration in zip(steps, durations, strict=False):
        start = starts[one.name]
        match start:
            case With(step=name):
                begin[one.name] = begin[name]
            case After(steps=names):
                begin[one.name] = max((end[name] for name in names), default=0)
        end[one.name] = begin[one.name] + duration
    facts = order_facts(Routine("r", lantern_machine_module, steps))  # type: ignore[arg-type]
    for first, second in product(begin, begin):
        if facts.surely_before(first, second):
            assert end[first] <= begin[second]
        if not facts.may_overlap(first, second):
            assert end[first] <= begin[second] or end[second] <= begin[first]


@pytest.fixture(scope="module")
def lantern_machine_module(lantern_machine: object) -> object:
    return lantern_machine
