"""Conditions on readings: what `once`, `until`, `must_stay`, `when` and derived sensors say.

A condition is a small sentence over names and quantities, three-valued after Kleene: a comparison with a missing, stale
or non-finite value is UNKNOWN, which never counts as true (R16). There is no arithmetic; what needs computing is
computed by the caller and handed in as a reading.

    lift > 0.40 m and (piece is lantern or not cover_closed)
    rising(beam)        known(range_to_hook)        wrist.speed < 5 deg/s        near.timed_out
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

from sequencer.errors import ModelError, did_you_mean
from sequencer.places import NOWHERE, Place
from sequencer.units import NUMBER, Dimension, dimension_name, exact, parse_quantity, show

Operand = float | str
"""A number in SI units, or a word that names a parameter (or a preset, for the value it gives the axis at hand)."""


@dataclass(frozen=True, slots=True)
class Compare:
    """A measured value on one side, a quantity on the other: ``lift > 0.4 m``; `operator` is < <= > or >=."""

    name: str
    operator: str
    value: Operand
    dimension: Dimension


@dataclass(frozen=True, slots=True)
class Is:
    """A one-of value equals a word: ``piece is lantern``."""

    name: str
    value: str


@dataclass(frozen=True, slots=True)
class Holds:
    """A switch is true: ``lift_bottom``."""

    name: str


@dataclass(frozen=True, slots=True)
class Known:
    """A value is there, fresh and finite: ``known(range_to_hook)``; never UNKNOWN itself."""

    name: str


@dataclass(frozen=True, slots=True)
class Edge:
    """The term changed to true (`rising`) or to false while the step was active (R14)."""

    term: Term
    rising: bool


@dataclass(frozen=True, slots=True)
class Not:
    """The opposite; UNKNOWN stays UNKNOWN."""

    term: Term


@dataclass(frozen=True, slots=True)
class Every:
    """All terms are true: ``a and b``."""

    terms: tuple[Term, ...]


@dataclass(frozen=True, slots=True)
class Some:
    """At least one term is true: ``a or b``."""

    terms: tuple[Term, ...]


Term = Compare | Is | Holds | Known | Edge | Not | Every | Some


@dataclass(frozen=True, slots=True)
class Condition:
    """A term with the text it was read from. Two conditions are equal when their terms are."""

    term: Term
    text: str = field(compare=False, default="")
    place: Place = field(compare=False, default=NOWHERE)

    def __str__(self) -> str:
        return self.text or term_text(self.term)


@dataclass(frozen=True, slots=True)
class Kind:
    """What a name stands for in a condition: a number of a dimension, a switch, or one of some words."""

    dimension: Dimension | None = None
    values: tuple[str, ...] = ()

    @property
    def is_number(self) -> bool:
        return self.dimension is not None

    @property
    def is_switch(self) -> bool:
        return self.dimension is None and not self.values


Vocabulary = Mapping[str, Kind]
"""Every name that a condition may use where it stands, with its kind."""

Words = Callable[[str, Dimension, str], bool]
"""Asks whether a bare word may stand as a quantity: (word, dimension, name compared with) -> allowed."""


def parse_condition(text: str, vocabulary: Vocabulary, place: Place = NOWHERE, words: Words | None = None) -> Condition:
    """Read a condition.

    Args:
        text: the sentence.
        vocabulary: the names it may use; an unknown one is an error with the nearest right one.
        place: where it stands, kept for messages.
        words: says whether a bare word may stand where a quantity does (a parameter or a preset); None: never.

    Raises:
        ModelError: the text is not a condition, a name or unit is unknown, or a unit does not fit its name.
    """
    parser = _Parser(text, vocabulary, words)
    term = parser.condition()
    parser.expect_end()
    return Condition(term, " ".join(text.split()), place)


def names_in(term: Term) -> Iterator[str]:
    """Every name whose value decides the term, in reading order, repeats included."""
    match term:
        case Compare(name=name) | Is(name=name) | Holds(name=name) | Known(name=name):
            yield name
        case Edge(term=inner) | Not(term=inner):
            yield from names_in(inner)
        case Every(terms=terms) | Some(terms=terms):
            for inner in terms:
                yield from names_in(inner)


def has_edge(term: Term) -> bool:
    """Whether `rising` or `falling` stands anywhere in the term."""
    match term:
        case Edge():
            return True
        case Not(term=inner):
            return has_edge(inner)
        case Every(terms=terms) | Some(terms=terms):
            return any(has_edge(inner) for inner in terms)
    return False


def term_text(term: Term, people: bool = False) -> str:
    """The term as a sentence; numbers exact, or rounded in customary units where `people` read it."""
    match term:
        case Compare(name=name, operator=operator, value=value, dimension=dimension):
            write = show if people else exact
            return f"{name} {operator} {value if isinstance(value, str) else write(value, dimension)}"
        case Is(name=name, value=value):
            return f"{name} is {value}"
        case Holds(name=name):
            return name
        case Known(name=name):
            return f"known({name})"
        case Edge(term=inner, rising=rising):
            return f"{'rising' if rising else 'falling'}({term_text(inner, people)})"
        case Not(term=inner):
            return f"not {_bracketed(inner, people)}"
        case Every(terms=terms):
            return " and ".join(_bracketed(inner, people) for inner in terms)
        case Some(terms=terms):
            return " or ".join(_bracketed(inner, people) for inner in terms)


def _bracketed(term: Term, people: bool) -> str:
    text = term_text(term, people)
    return f"({text})" if isinstance(term, Every | Some) else text


_TOKEN = re.compile(
    r"\s*(?:(?P<quantity>[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?(?:\s*%|\s*(?!and\b|or\b|is\b|not\b)[A-Za-z][A-Za-z0-9./*^]*)?)"
    r"|(?P<word>[A-Za-z_][A-Za-z0-9_]*(?:\.[A-Za-z_][A-Za-z0-9_]*)?)"
    r"|(?P<sign><=|>=|<|>|\(|\)|,)"
    r"|(?P<other>\S))"
)
_RESERVED = {"and", "or", "not", "is", "known", "rising", "falling"}
_FLIPPED = {"<": ">", "<=": ">=", ">": "<", ">=": "<="}


class _Parser:
    """Recursive descent over: some := every {or every}; every := unary {and unary}; unary := [not] atom."""

    def __init__(self, text: str, vocabulary: Vocabulary, words: Words | None) -> None:
        self.text = text
        self.vocabulary = vocabulary
        self.words = words
        self.tokens = [(m.lastgroup or "", m.group(m.lastgroup or 0)) for m in _TOKEN.finditer(text)]
        self.index = 0
        self.depth = 0

    def peek(self) -> tuple[str, str]:
        return self.tokens[self.index] if self.index < len(self.tokens) else ("end", "")

    def take(self) -> tuple[str, str]:
        token = self.peek()
        self.index += 1
        return token

    def wrong(self, what: str) -> ModelError:
        return ModelError(f"'{self.text}' is not a condition: {what}")

    def expect_end(self) -> None:
        kind, text = self.peek()
        if kind != "end":
            raise self.wrong(f"'{text}' was not expected; join conditions with 'and' or 'or'")

    def condition(self) -> Term:
        self.depth += 1
        if self.depth > 40:
            raise self.wrong("nested more than 40 deep; split it, or give a part a name as a derived sensor")
        terms = [self.conjunction()]
        while self.peek() == ("word", "or"):
            self.take()
            terms.append(self.conjunction())
        self.depth -= 1
        return terms[0] if len(terms) == 1 else Some(tuple(terms))

    def conjunction(self) -> Term:
        terms = [self.unary()]
        while self.peek() == ("word", "and"):
            self.take()
            terms.append(self.unary())
        return terms[0] if len(terms) == 1 else Every(tuple(terms))

    def unary(self) -> Term:
        negations = 0
        while self.peek() == ("word", "not"):
            self.take()
            negations += 1
        term = self.atom()
        return Not(term) if negations % 2 else term

    def atom(self) -> Term:
        kind, text = self.take()
        if (kind, text) == ("sign", "("):
            term = self.condition()
            self.closing()
            return term
        if kind == "word" and text in ("known", "rising", "falling") and self.peek() == ("sign", "("):
            self.take()
            if text == "known":
                name = self.name(self.take())
                self.closing()
                return Known(name)
            inner = self.condition()
            self.closing()
            return Edge(inner, text == "rising")
        if kind == "quantity":
            sign = self.sign()
            return self.compared(self.name(self.take()), _FLIPPED[sign], (kind, text))
        name = self.name((kind, text))
        following = self.peek()
        if following == ("word", "is"):
            self.take()
            return self.one_of(name, self.take())
        if following[0] == "sign" and following[1] in _FLIPPED:
            return self.compared(name, self.sign(), self.take())
        if not self.vocabulary[name].is_switch:
            if self.vocabulary[name].is_number:
                raise self.wrong(f"'{name}' is a number; compare it with a quantity, such as {name} > ...")
            raise self.wrong(f"'{name}' has values {', '.join(self.vocabulary[name].values)}; write {name} is ...")
        return Holds(name)

    def closing(self) -> None:
        if self.take() != ("sign", ")"):
            raise self.wrong("a closing parenthesis is missing")

    def sign(self) -> str:
        kind, text = self.take()
        if kind != "sign" or text not in _FLIPPED:
            raise self.wrong(f"a comparison (< <= > >=) was expected, found '{text or 'the end'}'")
        return text

    def name(self, token: tuple[str, str]) -> str:
        kind, text = token
        if kind != "word" or text in _RESERVED:
            raise self.wrong(f"a name was expected, found '{text}'" if text else "it ends where a name was expected")
        if text not in self.vocabulary:
            raise self.wrong(f"unknown name '{text}'; {did_you_mean(text, self.vocabulary)}")
        return text

    def one_of(self, name: str, token: tuple[str, str]) -> Term:
        values = self.vocabulary[name].values
        kind, text = token
        if not values:
            raise self.wrong(f"'{name}' is not one of several words; 'is' does not fit it")
        if kind != "word" or text not in values:
            raise self.wrong(f"'{name}' is never '{text}'; {did_you_mean(text, values)}")
        return Is(name, text)

    def compared(self, name: str, operator: str, token: tuple[str, str]) -> Term:
        dimension = self.vocabulary[name].dimension
        if dimension is None:
            raise self.wrong(f"'{name}' is not a number; '{operator}' does not fit it")
        kind, text = token
        if kind == "word" and text not in _RESERVED:
            if self.words is None or not self.words(text, dimension, name):
                raise self.wrong(f"'{text}' is not a quantity here; write {dimension_name(dimension)}")
            return Compare(name, operator, text, dimension)
        if kind != "quantity":
            raise self.wrong(f"{dimension_name(dimension)} was expected after {operator}, found '{text or 'the end'}'")
        quantity = parse_quantity(text)
        if quantity.dimension != dimension and not (quantity.dimension == NUMBER and quantity.value == 0.0):
            raise self.wrong(
                f"'{name}' is {dimension_name(dimension)}, and '{text}' is {dimension_name(quantity.dimension)}"
            )
        return Compare(name, operator, quantity.value, dimension)
