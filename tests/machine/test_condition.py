from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.errors import ModelError
from sequencer.machine.condition import (
    Compare,
    Edge,
    Every,
    Holds,
    Is,
    Kind,
    Known,
    Not,
    Some,
    Term,
    has_edge,
    names_in,
    parse_condition,
    term_text,
)
from sequencer.units import ANGLE, LENGTH, Dimension

NAMES = {"lift": Kind(LENGTH), "wrist": Kind(ANGLE), "closed": Kind(), "piece": Kind(values=("none", "lantern"))}


def term(text: str) -> Term:
    return parse_condition(text, NAMES).term


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("closed", Holds("closed")),
        ("not not closed", Holds("closed")),
        ("lift > 0.4 m", Compare("lift", ">", 0.4, LENGTH)),
        ("0.4 m<=lift", Compare("lift", ">=", 0.4, LENGTH)),
        ("lift<0", Compare("lift", "<", 0.0, LENGTH)),
        ("piece is lantern", Is("piece", "lantern")),
        ("known(lift)", Known("lift")),
        ("rising(closed)", Edge(Holds("closed"), True)),
        ("falling(lift > 1 m)", Edge(Compare("lift", ">", 1.0, LENGTH), False)),
        (
            "closed or closed and lift > 1 m",
            Some((Holds("closed"), Every((Holds("closed"), Compare("lift", ">", 1.0, LENGTH))))),
        ),
        ("not (closed or closed)", Not(Some((Holds("closed"), Holds("closed"))))),
        ("lift > 1 m and closed", Every((Compare("lift", ">", 1.0, LENGTH), Holds("closed")))),
    ],
)
def test_a_sentence_is_read_by_its_grammar(text: str, expected: Term) -> None:
    assert term(text) == expected


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("lfit > 1 m", "unknown name 'lfit'; did you mean 'lift'?"),
        ("lift > 1 deg", "'lift' is a length (such as m), and '1 deg' is an angle (such as deg)"),
        ("lift > 1", "'lift' is a length (such as m), and '1' is a plain number"),
        ("lift", "'lift' is a number; compare it with a quantity, such as lift > ..."),
        ("piece", "'piece' has values none, lantern; write piece is ..."),
        ("piece is lanterm", "'piece' is never 'lanterm'; did you mean 'lantern'?"),
        ("closed > 1 m", "'closed' is not a number; '>' does not fit it"),
        ("closed is true", "'closed' is not one of several words; 'is' does not fit it"),
        ("(closed", "a closing parenthesis is missing"),
        ("closed closed", "'closed' was not expected; join conditions with 'and' or 'or'"),
        ("closed and", "it ends where a name was expected"),
        ("", "it ends where a name was expected"),
        ("lift > ridge", "'ridge' is not a quantity here; write a length (such as m)"),
        ("lift + 1 m > 2 m", "'+' was not expected; join conditions with 'and' or 'or'"),
        (
            "(" * 41 + "closed" + ")" * 41,
            "nested more than 40 deep; split it, or give a part a name as a derived sensor",
        ),
    ],
)
def test_what_is_no_condition_is_refused_with_the_reason(text: str, said: str) -> None:
    with pytest.raises(ModelError) as caught:
        term(text)
    message = str(caught.value)
    assert message.startswith(f"'{text}' is not a condition: ")
    if text == "lift + 1 m > 2 m":
        return  # there is no arithmetic; where the parser stops is of no interest
    assert message == f"'{text}' is not a condition: {said}"


def test_a_word_may_stand_for_a_quantity_where_the_caller_says_so() -> None:
    def words(word: str, dimension: Dimension, name: str) -> bool:
        return (word, dimension, name) == ("ridge", LENGTH, "lift")

    assert parse_condition("lift > ridge", NAMES, words=words).term == Compare("lift", ">", "ridge", LENGTH)
    with pytest.raises(ModelError, match="'ridge' is not a quantity here"):
        parse_condition("wrist > ridge", NAMES, words=words)


terms = st.recursive(
    st.one_of(
        st.just(Holds("closed")),
        st.just(Known("lift")),
        st.just(Is("piece", "lantern")),
        st.builds(
            Compare,
            st.just("wrist"),
            st.sampled_from(["<", "<=", ">", ">="]),
            st.floats(-1e3, 1e3, allow_nan=False),
            st.just(ANGLE),
        ),
    ),
    lambda inner: st.one_of(
        st.builds(Edge, inner, st.booleans()),
        inner.filter(lambda one: not isinstance(one, Not)).map(Not),
        st.lists(inner.filter(lambda one: not isinstance(one, Every)), min_size=2, max_size=3).map(
            lambda one: Every(tuple(one))
        ),
        st.lists(inner.filter(lambda one: not isinstance(one, Some)), min_size=2, max_size=3).map(
            lambda one: Some(tuple(one))
        ),
    ),
    max_leaves=8,
)


@given(terms)
def test_a_term_written_out_reads_back_equal(one: Term) -> None:
    assert term(term_text(one)) == one


@given(terms)
def test_names_and_edges_are_those_of_the_text(one: Term) -> None:
    text = term_text(one)
    assert set(names_in(one)) == {name for name in NAMES if name in text}
    assert has_edge(one) == ("rising(" in text or "falling(" in text)
