"""The cheapest order of visits: exact over all of them, or by chance per cost where they are too many.

A *visit* does a set of repairs (bits of a mask) at a price. Afterwards the vehicle is cleaned, driven and looked at,
and is dry or not; if not, the next visit comes, until all repairs are done. Being still wet after the repairs D says of
the sources what any order of doing D would say, so D is the whole state, and an order costs the sum over its visits of
(chance of still being wet before it) x (its price). Whatever comes after the last repair is the same for every order
and is left out.

Arrays run over all masks of the repairs (rows) and over cases reckoned side by side (columns): beliefs, or prices.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST = 12  # repairs of which every order is weighed: 3 to the power of 12 pairs of states is about a second's work
_DIGITS = 9


@dataclass(frozen=True, eq=False)
class Solution:
    """For each state the cost to be expected from there on, times the chance of getting there wet; and what is next."""

    worth: Floats
    choice: Ints

    def visits(self, column: int = 0) -> tuple[int, ...]:
        """The cheapest order of one case, as masks."""
        return self._from(0, column)

    def beginning(self, first: int, column: int = 0) -> tuple[int, ...]:
        """The cheapest order that begins with this visit."""
        return (first, *self._from(first, column))

    def _from(self, done: int, column: int) -> tuple[int, ...]:
        found = []
        while done < len(self.choice) - 1:
            found.append(int(self.choice[done, column]))
            done |= found[-1]
        return tuple(found)


def still_wet(needed: Floats) -> Floats:
    """The chance of still being wet after each set of repairs.

    `needed[m]` is the chance that exactly the repairs m are needed; what is short of one is mended by none of them.
    """
    dry = needed.copy()
    for bit in (1 << at for at in range((len(needed) - 1).bit_length())):
        having = np.flatnonzero(np.arange(len(needed)) & bit)
        dry[having] += dry[having ^ bit]
    return np.maximum(0.0, 1.0 - dry)


def subsets(mask: int) -> Ints:
    """Every set of some of the mask's bits but the empty one, in ascending order."""
    found = np.zeros(1, dtype=np.int64)
    for bit in (1 << at for at in range(mask.bit_length()) if mask >> at & 1):
        found = np.concatenate([found, found | bit])
    return found[1:]


def solve(wet: Floats, price: Floats) -> Solution:
    """The cheapest order from every state, by dynamic programming from the last repair back.

    `wet` and `price` have a row for each set of repairs and one column, or as many as each other. Equal to nine digits
    is a tie, and goes to the lowest mask.
    """
    whole, columns = len(wet) - 1, max(wet.shape[1], price.shape[1])
    worth = np.zeros((len(wet), columns))
    choice = np.zeros((len(wet), columns), dtype=np.int64)
    for done in range(whole - 1, -1, -1):
        visit = subsets(whole & ~done)
        cost = wet[done] * price[visit] + worth[visit | done]
        pick = np.argmin(np.round(cost, _DIGITS), axis=0)
        worth[done] = cost[pick, np.arange(columns)]
        choice[done] = visit[pick]
    return Solution(worth, choice)


def solve_worth(wet: Floats, price: Floats) -> tuple[Floats, Ints]:
    """What the cheapest order costs, and its first visit, in each column: `solve`, quicker where columns are many."""
    whole, columns = len(wet) - 1, max(wet.shape[1], price.shape[1])
    worth = np.zeros((len(wet), columns))
    for done in range(whole - 1, 0, -1):
        visit = subsets(whole & ~done)
        cost = wet[done] * price[visit]
        cost += worth[visit | done]
        worth[done] = cost.min(axis=0)
    visit = subsets(whole)
    cost = wet[0] * price[visit] + worth[visit]
    pick = np.argmin(np.round(cost, _DIGITS), axis=0)
    return cost[pick, np.arange(columns)], visit[pick]


def first_visits(wet: Floats, price: Floats, solution: Solution) -> tuple[tuple[int, float], ...]:
    """Every first visit with the cost to be expected of the cheapest order beginning so, the cheapest first."""
    visit = subsets(len(wet) - 1)
    cost = wet[0, 0] * price[visit, 0] + solution.worth[visit, 0]
    return tuple((int(visit[at]), float(cost[at])) for at in np.lexsort((visit, np.round(cost, _DIGITS))))


def expected(wet_before: Sequence[float], prices: Sequence[float]) -> float:
    """What visits cost in expectation, each with the chance that it is come to."""
    return sum(wet * price for wet, price in zip(wet_before, prices, strict=True))


def by_ratio(chances: Sequence[float], costs: Sequence[float]) -> tuple[int, ...]:
    """Positions by chance per cost, the highest first.

    For a single fault and repairs whose costs do not depend on each other no order costs less: J. Kadane and H. Simon,
    Annals of Statistics 5 (1977) 237-255 (pages from memory). Where several faults are possible, or work is shared, it
    is a rule of thumb and no more.
    """
    return tuple(sorted(range(len(costs)), key=lambda at: (-round(chances[at] / costs[at], _DIGITS), at)))
