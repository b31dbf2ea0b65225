"""Sharing out an effect between several changes, independent of the order in which they are named or made."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fractions import Fraction
from itertools import combinations
from math import factorial, fsum


def subsets(names: Iterable[str]) -> list[frozenset[str]]:
    """All subsets of some names, the empty one first, smaller ones before larger ones."""
    members = list(dict.fromkeys(names))
    return [frozenset(some) for size in range(len(members) + 1) for some in combinations(members, size)]


def shapley(worth: Mapping[frozenset[str], float], names: Iterable[str]) -> dict[str, float]:
    """Share of each change in ``worth(all) - worth(none)``.

    A change's share is what it adds to a set of other changes, averaged over all orders in which the changes can
    be made: sum over the sets S without it of ``|S|! (n - |S| - 1)!/n! (worth(S and it) - worth(S))``.  The
    shares add up to the whole; a change that never matters gets nothing; two that always do the same get the
    same.

    Source: L. S. Shapley, A value for n-person games, in: Contributions to the Theory of Games II, Princeton
    1953.

    Parameters
    ----------
    worth : mapping of set of names to float
        The outcome with exactly these changes made; all 2^n sets.
    names : iterable of str

    Returns
    -------
    dict
        Name to share.  Sums are rounded once, so the order of the names makes no difference to the last digit.

    Raises
    ------
    ValueError
        A set is missing.
    """
    members = list(dict.fromkeys(names))
    missing = [some for some in subsets(members) if some not in worth]
    if missing:
        raise ValueError(f"no outcome for {_said(missing[0])}; expected all {2 ** len(members)} combinations")
    n = len(members)
    shares = {}
    for name in members:
        terms = []
        for some in subsets(member for member in members if member != name):
            weight = float(Fraction(factorial(len(some)) * factorial(n - len(some) - 1), factorial(n)))
            terms += [weight * worth[some | {name}], -weight * worth[some]]
        shares[name] = fsum(terms)
    return shares


def _said(names: frozenset[str]) -> str:
    return " with ".join(sorted(names)) if names else "no change"
