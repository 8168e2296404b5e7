"""Whether two conditions can never be true together, as far as single terms tell."""

from __future__ import annotations

from sequencer.machine.condition import Compare, Every, Is, Not, Some, Term
from sequencer.plan.gates import conjuncts


def contradict(one: Term, other: Term) -> bool:
    """Whether a term joined by `and` in one condition rules out a term joined by `and` in the other; of terms joined by
    `or` each has to be ruled out.

    False means that nothing is known, not that both can be true.
    """
    mine, hers = list(conjuncts(one)), list(conjuncts(other))
    return (
        any(_oppose(first, second) for first in mine for second in hers)
        or any(_all_ruled_out(term, other) for term in mine)
        or any(_all_ruled_out(term, one) for term in hers)
    )


def _all_ruled_out(term: Term, other: Term) -> bool:
    """Whether a term is a choice of alternatives, and each contradicts another condition."""
    alternatives: tuple[Term, ...] = ()
    if isinstance(term, Some):
        alternatives = term.terms
    elif isinstance(term, Not) and isinstance(term.term, Every):
        alternatives = tuple(Not(inner) for inner in term.term.terms)
    return bool(alternatives) and all(contradict(inner, other) for inner in alternatives)


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
            return strict and low == high
        return low >= high if strict else low > high
    return False
