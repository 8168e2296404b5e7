"""Condition terms as functions of no arguments over the tick's snapshot; True, False, or None for UNKNOWN (R16)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Protocol

Truth = bool | None
Test = Callable[[], Truth]

_OPPOSITE = {"<": ">=", "<=": ">", ">": "<=", ">=": "<"}


class Occupant(Protocol):
    """What a gate asks of an axis: the lowest and highest position that it occupies (R32)."""

    def occupied(self) -> tuple[float, float]: ...


class Scope:
    """Where a term finds what it names: the snapshot, the run's own step values, its parameters and the machine's
    presets.
    """

    __slots__ = ("occupants", "own", "parameters", "presets", "values")

    def __init__(
        self,
        values: dict[str, Any],
        own: dict[str, Any] | None = None,
        parameters: Mapping[str, float | str] | None = None,
        presets: Mapping[str, Mapping[str, float]] | None = None,
        occupants: Mapping[str, Occupant] | None = None,
    ) -> None:
        self.values = values
        self.own = own if own is not None else {}
        self.parameters = parameters if parameters is not None else {}
        self.presets = presets if presets is not None else {}
        self.occupants = occupants if occupants is not None else {}

    def number(self, operand: Any) -> float:
        """An operand as a number: itself, a parameter, or what the preset chosen by a parameter gives an axis."""
        if isinstance(operand, list | tuple):
            if operand[0] == "parameter":
                return float(self.parameters[operand[1]])
            return self.presets[str(self.parameters[operand[1]])][operand[2]]
        return float(operand)

    def time(self, operand: Any) -> int:
        """A time operand in whole nanoseconds; a parameter is in seconds and is converted here, once (R17)."""
        if isinstance(operand, list | tuple):
            return round(float(self.parameters[operand[1]]) * 1e9)
        return int(operand)

    def source(self, name: str) -> dict[str, Any]:
        return self.own if name in self.own else self.values


class Edge:
    """`rising` or `falling`: true in the tick in which the term is first seen changed while this activation is active
    (R14).
    """

    __slots__ = ("before", "fired", "rising", "term")

    def __init__(self, term: Test, rising: bool) -> None:
        self.term = term
        self.rising = rising
        self.before: Truth = term()
        self.fired: Truth = False

    def sample(self) -> None:
        """Look once; called once a tick, whatever the rest of the condition says."""
        now = self.term()
        if now is None:
            self.fired = None
            return
        self.fired = self.before is (not self.rising) and now is self.rising
        self.before = now

    def __call__(self) -> Truth:
        return self.fired


def build(term: Any, scope: Scope, edges: list[Edge] | None = None, gate: bool = False) -> Test:
    """The term as a function. `edges` collects its edges, to be sampled once a tick. `gate`: axis positions stand for
    all they occupy.
    """
    return _build(term, scope, edges if edges is not None else [], gate, False)


def _build(term: Any, scope: Scope, edges: list[Edge], gate: bool, negated: bool) -> Test:
    head = term[0]
    if head == "not":
        return _build(term[1], scope, edges, gate, not negated)
    if head in ("and", "or"):
        parts = tuple(_build(part, scope, edges, gate, negated) for part in term[1:])
        return _every(parts) if (head == "and") is not negated else _some(parts)
    if head in ("rising", "falling"):
        edge = Edge(_build(term[1], scope, edges, False, False), head == "rising")
        edges.append(edge)
        return _negation(edge) if negated else edge
    name = term[1]
    values = scope.source(name)
    if head == "holds":
        return _holds(values, name, not negated)
    if head == "is":
        return _is(values, name, term[2], not negated)
    if head == "known":
        return _known(values, name, not negated)
    operator = _OPPOSITE[head] if negated else head
    limit = scope.number(term[2])
    occupant = scope.occupants.get(name) if gate else None
    return (
        _compare(values, name, operator, limit) if occupant is None else _gate(values, name, operator, limit, occupant)
    )


def _every(parts: tuple[Test, ...]) -> Test:
    def every() -> Truth:
        unknown = False
        for part in parts:
            truth = part()
            if truth is False:
                return False
            if truth is None:
                unknown = True
        return None if unknown else True

    return every


def _some(parts: tuple[Test, ...]) -> Test:
    def some() -> Truth:
        unknown = False
        for part in parts:
            truth = part()
            if truth is True:
                return True
            if truth is None:
                unknown = True
        return None if unknown else False

    return some


def _negation(part: Test) -> Test:
    def negation() -> Truth:
        truth = part()
        return None if truth is None else not truth

    return negation


def _holds(values: dict[str, Any], name: str, wanted: bool) -> Test:
    def holds() -> Truth:
        value = values.get(name)
        return None if value is None else value is wanted

    return holds


def _is(values: dict[str, Any], name: str, word: str, wanted: bool) -> Test:
    def is_word() -> Truth:
        value = values.get(name)
        return None if value is None else (value == word) is wanted

    return is_word


def _known(values: dict[str, Any], name: str, wanted: bool) -> Test:
    def known() -> Truth:
        return (values.get(name) is not None) is wanted

    return known


def _compare(values: dict[str, Any], name: str, operator: str, limit: float) -> Test:
    get = values.get
    if operator == ">":

        def greater() -> Truth:
            value = get(name)
            return None if value is None else value > limit

        return greater
    if operator == "<":

        def less() -> Truth:
            value = get(name)
            return None if value is None else value < limit

        return less
    if operator == ">=":

        def at_least() -> Truth:
            value = get(name)
            return None if value is None else value >= limit

        return at_least

    def at_most() -> Truth:
        value = get(name)
        return None if value is None else value <= limit

    return at_most


def _gate(values: dict[str, Any], name: str, operator: str, limit: float, occupant: Occupant) -> Test:
    """True when the measured position and everything the axis occupies lie on the right side (R32)."""
    measured = _compare(values, name, operator, limit)
    above = operator[0] == ">"
    strict = len(operator) == 1

    def gate() -> Truth:
        truth = measured()
        if truth is not True:
            return truth
        low, high = occupant.occupied()
        if above:
            return low > limit if strict else low >= limit
        return high < limit if strict else high <= limit

    return gate


class Watch:
    """A condition with its filters: `steady` and `blind` [ns] (R15). A gap between samples credits at most
    one period.
    """

    __slots__ = ("blind", "credit", "edges", "period", "since", "steady", "test", "true_before")

    def __init__(self, term: Any, scope: Scope, now: int, period: int, steady: int = 0, blind: int = 0) -> None:
        self.edges: list[Edge] = []
        self.test = build(term, scope, self.edges)
        self.steady = steady
        self.blind = blind
        self.period = period
        self.since = now
        self.credit = 0
        self.true_before = False

    def forget(self) -> None:
        """What was seen so far does not count."""
        self.credit = 0
        self.true_before = False

    def fulfilled(self, now: int, gap: int) -> bool:
        """Look once this tick; True when the condition has held long enough."""
        for edge in self.edges:
            edge.sample()
        if self.blind and now - self.since + (self.period >> 2) < self.blind:
            return False
        if self.test() is not True:
            self.credit = 0
            self.true_before = False
            return False
        if self.true_before:
            self.credit += gap if gap < self.period else self.period
        self.true_before = True
        return self.credit + (self.period >> 2) >= self.steady


def names_of(term: Any) -> list[str]:
    """The names whose values decide a term, in reading order, each once."""
    head = term[0]
    if head in ("not", "rising", "falling"):
        return names_of(term[1])
    if head in ("and", "or"):
        found: list[str] = []
        for part in term[1:]:
            found += [name for name in names_of(part) if name not in found]
        return found
    return [term[1]]
