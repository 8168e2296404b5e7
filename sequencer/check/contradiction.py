"""Whether two conditions can never be true together, as far as single terms tell."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.machine.condition import Compare, Every, Holds, Is, Not, Term


def contradict(one: Term, other: Term) -> bool:
    """Whether a term joined by `and` in one condition rules out a term joined by `and` in the other.

    False means that nothing is known, not that both can be true.
    """
    return any(_oppose(first, second) for first in _conjuncts(one) for second in _conjuncts(other))


def _conjuncts(term: Term) -> Iterator[Term]:
    if isinstance(term, Every):
        for inner in term.terms:
            yield from _conjuncts(inner)
    else:
        yield term


def _oppose(one: Term, other: Term) -> bool:
    if (isinstance(one, Not) and one.term == other) or (isinstance(other, Not) and other.term == one):
        return True
    if isinstance(one, Is) and isinstance(other, Is):
        return one.name == other.name and one.value != other.value
    if isinstance(one, Compare) and isinstance(other, Compare) and one.name == other.name:
        above, below = (one, other) if one.operator in (">", ">=") else (other, one)
        if above.operator not in (">", ">=") or below.operator not in ("<", "<="):
            return False
        strict = above.operator == ">" or below.operator == "<"
        low, high = above.value, below.value
        if isinstance(low, str) or isinstance(high, str):
            return False
        return low >= high if strict else low > high
    return isinstance(one, Holds) and isinstance(other, Not) and other.term == one
