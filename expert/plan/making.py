"""The plan as data: the cheapest order of visits, why, what comes close, and the prices at which it would change."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from expert.arithmetic.spans import Span
from expert.belief import Belief
from expert.diagnosis import Diagnosis, Expert
from expert.plan.candidates import Candidate, Candidates, candidates, tail
from expert.plan.costs import OPENING, THE_RATE, Costs, Figure, Point, Work
from expert.plan.looks import Look, looks
from expert.plan.order import Floats, Solution, by_ratio, expected, first_visits, solve
from expert.plan.pricing import repairs_of
from expert.questions import Asked

OTHERS = 3  # orders that begin otherwise and are shown
CORNERS = 6  # ranged figures of which every combination of ends is tried; with more, each by itself
_EPSILON = 1e-9


@dataclass(frozen=True)
class Visit:
    """One visit: what it does, the accesses it opens, and the chances of being wet before and after it.

    `costs` is the range of its cost, `cost` that in the middle of all ranges. `apart` gives for each of several repairs
    what doing it at a later visit would add to what is to be expected.
    """

    repairs: tuple[Candidate, ...]
    opens: tuple[str, ...]
    wet_before: float
    wet_after: float
    cost: float
    costs: Span
    apart: tuple[tuple[Candidate, float], ...]

    @property
    def dries(self) -> float:
        """The chance that this visit is the one that ends it."""
        return self.wet_before - self.wet_after


@dataclass(frozen=True)
class Order:
    """Visits in an order, and what they cost in expectation: in the middle of all ranges, and over them."""

    visits: tuple[tuple[Candidate, ...], ...]
    cost: float
    costs: Span


@dataclass(frozen=True)
class Swap:
    """Two visits that follow each other would change places if the first cost more, or the second less, than this.

    `most` is None where no price of the first would do it, `least` 0 where none of the second would.
    """

    first: int
    most: float | None
    least: float


@dataclass(frozen=True)
class Turn:
    """Where in the ranges another order is cheaper: the figures with their values, by how much, and that order."""

    ends: tuple[tuple[Figure, float], ...]
    by: float
    order: Order


@dataclass(frozen=True)
class Plan:
    """Everything that `firstwet plan` shows.

    `exact` says that no order of the repairs costs less; else it is a rule of thumb. `single` says that the belief
    holds single leaks only, `shared` that two repairs share an access. `ratio` is one repair a visit by chance per
    cost. `missed` is the chance that something leaks that is left out, `ranged` the figures known only as ranges;
    `turns` where in them the order is another, and `all_corners` whether every combination of their ends was tried.
    """

    costs: Costs
    visits: tuple[Visit, ...]
    order: Order
    looks: tuple[Look, ...]
    look_visits: tuple[tuple[Candidate, ...], ...]
    others: tuple[Order, ...]
    ratio: Order
    swaps: tuple[Swap, ...]
    exact: bool
    single: bool
    shared: bool
    weighed: int
    left_out: tuple[Candidate, ...]
    missed: float
    ranged: tuple[Figure, ...]
    turns: tuple[Turn, ...]
    all_corners: bool


def make(expert: Expert, now: Diagnosis, stage: str, closed: Asked, costs: Costs) -> Plan:
    """The plan under a diagnosis; `stage` and `closed` say what can still be looked at."""
    found = candidates(now.belief, repairs_of(expert.machine))
    point, chances = costs.middle, now.belief.chances
    wet = found.wet([chances])
    price = costs.prices(found.names, point)[:, None]
    solution = solve(wet, price)
    alone = [costs.at(costs.visit([one.repair.repair]), point) for one in found.chosen]
    rest = tail(found, chances, alone)
    exact = not rest
    reckon = _Reckoning(found, costs, chances, point)
    masks = (*solution.visits(), *rest) if exact else reckon.swapped((*solution.visits(), *rest))
    paying = looks(expert, now, stage, closed, found, costs)
    ranged = tuple(f for f in _used(found, costs) if costs.figures[f].low < costs.figures[f].high)
    turns, all_corners = _turns(reckon, wet, solution, rest, ranged)
    return Plan(
        costs=costs,
        visits=_visits(reckon, masks, wet, price, solution),
        order=reckon.order(masks),
        looks=paying,
        look_visits=tuple(reckon.named(after.visit) for after in paying[0].after) if paying else (),
        others=tuple(
            reckon.order((*solution.beginning(first), *rest))
            for first in _others(reckon, masks[0], wet, price, solution)
        ),
        ratio=reckon.order([1 << at for at in by_ratio([one.chance for one in found.chosen], alone)]),
        swaps=tuple(_swaps(reckon, masks)),
        exact=exact,
        single=_only_single(now.belief),
        shared=_shared(found, costs),
        weighed=found.weighed,
        left_out=found.left_out,
        missed=found.missed,
        ranged=ranged,
        turns=turns,
        all_corners=all_corners,
    )


def _others(reckon: _Reckoning, mine: int, wet: Floats, price: Floats, solution: Solution) -> list[int]:
    """The first visits of the orders that come next: the best other one, and the best that opens other accesses."""
    found: list[int] = []
    opened = {reckon.opens(mine)}
    for first, _ in first_visits(wet, price, solution):
        if first != mine and (not found or reckon.opens(first) not in opened):
            found.append(first)
            opened.add(reckon.opens(first))
        if len(found) == OTHERS:
            break
    return found


def _shared(found: Candidates, costs: Costs) -> bool:
    """Do two of the repairs lie behind an access that takes time to open?"""
    opened = [costs.access[one.repair.repair] for one in found.chosen]
    return any(opened.count(name) > 1 and costs.figures[(OPENING, name)].high > 0 for name in opened)


def _only_single(belief: Belief) -> bool:
    several = (belief.sets.members < len(belief.sets.sources)).sum(axis=1) > 1
    return float(belief.chances[several].sum()) < _EPSILON


@dataclass(frozen=True, eq=False)
class _Reckoning:
    """Orders given as masks, reckoned under one belief at one point."""

    found: Candidates
    costs: Costs
    chances: Floats
    point: Point

    def named(self, mask: int) -> tuple[Candidate, ...]:
        """The repairs of a visit."""
        return tuple(one for at, one in enumerate(self.found.chosen) if mask >> at & 1)

    def work(self, mask: int) -> Work:
        """What a visit is made of."""
        return self.costs.visit([one.repair.repair for one in self.named(mask)])

    def opens(self, mask: int) -> tuple[str, ...]:
        """The accesses that a visit opens."""
        return self.costs.opened(one.repair.repair for one in self.named(mask))

    def wet_before(self, masks: Sequence[int]) -> list[float]:
        """The chance of being wet before each visit of an order, and after the last."""
        done = itertools.accumulate(masks, lambda a, b: a | b, initial=0)
        return [self.found.wet_after(mask, self.chances) for mask in done]

    def cost(self, masks: Sequence[int], point: Point | None = None) -> float:
        """What an order costs in expectation."""
        prices = [self.costs.at(self.work(mask), point or self.point) for mask in masks]
        return expected(self.wet_before(masks)[:-1], prices)

    def order(self, masks: Sequence[int]) -> Order:
        """An order with its cost over all ranges."""
        total = Work()
        for wet, mask in zip(self.wet_before(masks), masks, strict=False):
            total = total.plus(self.work(mask), wet)
        return Order(tuple(self.named(mask) for mask in masks), self.cost(masks), self.costs.over(total))

    def swapped(self, masks: tuple[int, ...]) -> tuple[int, ...]:
        """The order after changing places of neighbours for as long as that makes it cheaper."""
        best, cost = list(masks), self.cost(masks)
        better = True
        while better:
            better = False
            for at in range(len(best) - 1):
                other = [*best[:at], best[at + 1], best[at], *best[at + 2 :]]
                if (then := self.cost(other)) < cost - _EPSILON:
                    best, cost, better = other, then, True
        return tuple(best)


def _visits(
    reckon: _Reckoning, masks: Sequence[int], wet: Floats, price: Floats, solution: Solution
) -> tuple[Visit, ...]:
    chances, done = reckon.wet_before(masks), 0
    found: list[Visit] = []
    for at, mask in enumerate(masks):
        names, work = reckon.named(mask), reckon.work(mask)
        apart: list[tuple[Candidate, float]] = []
        if len(names) > 1 and done | mask < len(wet):
            here = float(wet[done, 0] * price[mask, 0] + solution.worth[done | mask, 0])
            for bit in (1 << place for place in range(mask.bit_length()) if mask >> place & 1):
                less = mask & ~bit
                later = float(wet[done, 0] * price[less, 0] + solution.worth[done | less, 0])
                apart.append((reckon.named(bit)[0], later - here))
        found.append(
            Visit(
                repairs=names,
                opens=reckon.opens(mask),
                wet_before=chances[at],
                wet_after=chances[at + 1],
                cost=reckon.costs.at(work, reckon.point),
                costs=reckon.costs.over(work),
                apart=tuple(apart),
            )
        )
        done |= mask
    return tuple(found)


def _swaps(reckon: _Reckoning, masks: Sequence[int]) -> list[Swap]:
    """For neighbours a, b: a first as long as cost a x (wet - wet after b) <= cost b x (wet - wet after a)."""
    chances, found, done = reckon.wet_before(masks), [], 0
    prices = [reckon.costs.at(reckon.work(mask), reckon.point) for mask in masks]
    for at in range(len(masks) - 1):
        dries = chances[at] - chances[at + 1]
        other = chances[at] - reckon.found.wet_after(done | masks[at + 1], reckon.chances)
        most = prices[at + 1] * dries / other if other > _EPSILON else None
        found.append(Swap(at, most, prices[at] * other / dries if dries > _EPSILON else 0.0))
        done |= masks[at]
    return found


def _used(found: Candidates, costs: Costs) -> list[Figure]:
    """The figures that the orders of these repairs are made of, the rate first."""
    used = {figure for one in found.chosen for figure in costs.visit([one.repair.repair]).times}
    return [figure for figure in costs.figures if figure == THE_RATE or figure in used]


def _turns(
    reckon: _Reckoning, wet: Floats, solution: Solution, rest: Sequence[int], ranged: Sequence[Figure]
) -> tuple[tuple[Turn, ...], bool]:
    """Where in the ranges another order costs less, and whether every combination of ends was tried.

    What an order costs more than another is linear in each figure, so it is greatest where every figure is at an end of
    its range: an order that is the cheapest at all combinations of ends is so everywhere.
    """
    if not ranged:
        return (), True
    spans, whole = reckon.costs.figures, len(ranged) <= CORNERS
    single = [((figure, end),) for figure in ranged for end in spans[figure]]
    product = itertools.product(*([(figure, end) for end in spans[figure]] for figure in ranged)) if whole else iter(())
    corners = [*single, *product, *(tuple((f, spans[f][side]) for f in ranged) for side in (0, 1) if not whole)]
    corners = list(dict.fromkeys(corners))
    points = [{**reckon.point, **dict(ends)} for ends in corners]
    solved = solve(wet, np.column_stack([reckon.costs.prices(reckon.found.names, point) for point in points]))
    mine = solution.visits()
    found = []
    for column, (ends, point) in enumerate(zip(corners, points, strict=True)):
        by = reckon.cost(mine, point) - float(solved.worth[0, column])
        if by > _EPSILON * max(1.0, float(solved.worth[0, column])):
            found.append(Turn(ends, by, reckon.order((*solved.visits(column), *rest))))
    # A figure that turns the order by itself says it more plainly than a combination of several.
    plain = [turn for turn in found if len(turn.ends) == 1]
    return tuple(plain or sorted(found, key=lambda turn: -round(turn.by, 9))[:1]), whole
