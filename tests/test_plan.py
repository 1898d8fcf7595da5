"""The plan: the cheapest order against brute force and published theorem, costs, looks, ranges, and what is printed."""

from __future__ import annotations

import itertools
import json
import re
import shutil
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from driving import Run
from hypothesis import given
from hypothesis import strategies as st
from strategies import calm

from expert.arithmetic.spans import Span
from expert.conclusion import conclude
from expert.diagnosis import Diagnosis, Expert
from expert.facts import Fact
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.problems import KnowledgeError
from expert.plan import looks as plan_looks
from expert.plan import making
from expert.plan.candidates import NEGLIGIBLE, Candidates, candidates
from expert.plan.costs import HOURS, OPENING, PARTS, THE_RATE, Costs
from expert.plan.looks import WEIGHED, looks
from expert.plan.making import Plan, make
from expert.plan.order import by_ratio, expected, first_visits, solve, solve_worth, still_wet, subsets
from expert.plan.pricing import costs_of, look_hours, repairs_of
from expert.plan.shapes import Visits
from expert.plan.tables import VISITS, load_visits
from expert.plan.text import plan_text
from expert.wording import WIDTH

ROOT = Path(__file__).resolve().parent.parent
SAID = "cleaned and short drive, red fluid, bellhousing hole wet, rear of engine dry"
shares = st.floats(0.01, 1.0)
prices = st.floats(0.1, 50.0)


# --- the cheapest order against brute force --------------------------------------------------------------------


def partitions(left: int) -> Iterator[tuple[int, ...]]:
    """Every order of visits that does all of these repairs, each once: ordered set partitions, as masks."""
    if not left:
        yield ()
    for first in range(1, left + 1):
        if first & ~left == 0:
            for rest in partitions(left & ~first):
                yield (first, *rest)


def cost_of(order: Sequence[int], needed: Sequence[float], price: Sequence[float]) -> float:
    """What an order costs, fault by fault: each needed set pays for every visit until it is mended."""
    total = 0.0
    for mask, chance in enumerate(needed):
        done = 0
        for visit in order:
            if mask & ~done == 0:
                break
            total += chance * price[visit]
            done |= visit
    return total


@st.composite
def situations(draw: st.DrawFn, most: int = 4) -> tuple[list[float], list[float]]:
    """Chances of every set of repairs being exactly what is needed, and a price for every visit."""
    size = 1 << draw(st.integers(1, most))
    weights = [0.0, *draw(st.lists(shares, min_size=size - 1, max_size=size - 1))]
    cost = [0.1, *draw(st.lists(prices, min_size=size - 1, max_size=size - 1))]
    return [weight / sum(weights) for weight in weights], cost


@calm(60)
@given(situation=situations())
def test_no_order_costs_less(situation: tuple[list[float], list[float]]) -> None:
    needed, price = situation
    wet, column = still_wet(np.array(needed))[:, None], np.array(price)[:, None]
    found = solve(wet, column)
    all_orders = {order: cost_of(order, needed, price) for order in partitions(len(needed) - 1)}
    assert float(found.worth[0, 0]) == pytest.approx(min(all_orders.values()))
    assert all_orders[found.visits()] == pytest.approx(min(all_orders.values()))
    worth, first = solve_worth(wet, column)
    assert worth[0] == pytest.approx(found.worth[0, 0])
    assert all_orders[found.beginning(int(first[0]))] == pytest.approx(min(all_orders.values()))
    for visit, cost in first_visits(wet, column, found):
        beginning_so = [other for order, other in all_orders.items() if order[0] == visit]
        assert cost == pytest.approx(min(beginning_so))
        assert all_orders[found.beginning(visit)] == pytest.approx(min(beginning_so))


def test_there_are_as_many_orders_as_ordered_bell_numbers() -> None:
    """1, 3, 13, 75, 541: the ordered Bell (Fubini) numbers, OEIS A000670 (from memory); the brute force misses none."""
    assert [sum(1 for _ in partitions((1 << n) - 1)) for n in range(1, 6)] == [1, 3, 13, 75, 541]


@calm(30)
@given(first=situations(3), second=situations(3))
def test_cases_side_by_side_do_not_mix(
    first: tuple[list[float], list[float]], second: tuple[list[float], list[float]]
) -> None:
    size = min(len(first[0]), len(second[0]))
    needed = [np.array(one[0][:size]) / sum(one[0][:size]) for one in (first, second)]
    wet = np.column_stack([still_wet(one) for one in needed])
    price = np.column_stack([first[1][:size], second[1][:size]])
    both = solve(wet, price)
    for column in (0, 1):
        alone = solve(wet[:, [column]], price[:, [column]])
        assert both.visits(column) == alone.visits()
        assert both.worth[0, column] == pytest.approx(alone.worth[0, 0])
    assert solve_worth(wet, price)[0] == pytest.approx(both.worth[0])


def test_subsets_are_all_of_them() -> None:
    assert subsets(0b1011).tolist() == [1, 2, 3, 8, 9, 10, 11]
    assert subsets(0).tolist() == []


# --- the theorem: a single fault, costs that do not depend on each other ----------------------------------------


def alone(chances: Sequence[float]) -> list[float]:
    """Single faults: the chance that exactly one repair is needed."""
    needed = [0.0] * (1 << len(chances))
    for at, chance in enumerate(chances):
        needed[1 << at] = chance
    return needed


def added(costs: Sequence[float]) -> list[float]:
    """Visits that cost what their repairs cost, no more and no less."""
    return [sum(c for at, c in enumerate(costs) if mask >> at & 1) for mask in range(1 << len(costs))]


def in_order(order: Sequence[int], chances: Sequence[float], costs: Sequence[float]) -> float:
    """Sum of what each costs times the chance that none before it was the fault."""
    before = [1.0 - sum(chances[at] for at in order[:place]) for place in range(len(order))]
    return expected(before, [costs[at] for at in order])


def with_repairs(
    order: Sequence[int], chances: Sequence[float], looks: Sequence[float], mends: Sequence[float]
) -> float:
    """ECR = sum of (1 - chances before) x cost to look + chance x cost to repair.

    Heckerman, Breese and Rommelse, CACM 38(3) (1995) 49-57 (formula and pages from memory).
    """
    return in_order(order, chances, looks) + sum(p * r for p, r in zip(chances, mends, strict=True))


def cheapest(chances: Sequence[float], costs: Sequence[float]) -> tuple[tuple[int, ...], float]:
    """Repairs one by one (numbered from 1) and what they cost, by dynamic programming."""
    found = solve(still_wet(np.array(alone(chances)))[:, None], np.array(added(costs))[:, None])
    visits = found.visits()
    assert all(visit.bit_count() == 1 for visit in visits), "nothing is gained by doing several at once"
    return tuple(visit.bit_length() for visit in visits), float(found.worth[0, 0])


def test_four_repairs_over_all_orders() -> None:
    """Constructed; ratios .010, .025, .008, .050, and the figures over all 24 permutations, computed once by hand."""
    chances, costs = (0.45, 0.25, 0.20, 0.10), (45, 10, 25, 2)
    every = sorted(in_order(order, chances, costs) for order in itertools.permutations(range(4)))
    assert [round(every[0], 9), round(every[1], 9), round(every[-1], 9)] == [45.25, 45.75, 64.70]
    assert in_order((2, 0, 1, 3), chances, costs) == pytest.approx(64.70)
    order, cost = cheapest(chances, costs)
    assert (order, round(cost, 9)) == ((4, 2, 1, 3), 45.25)
    assert by_ratio(chances, costs) == (3, 1, 0, 2)
    assert order.index(1) == 2, "the most probable one comes third"


def test_the_cost_of_repairing_what_is_found_does_not_move_the_order() -> None:
    """Constructed: 8.4 at best and 11.7 at worst; with repairs of 40, 20, 5 every order costs 27.0 more."""
    chances, costs, mends = (0.5, 0.3, 0.2), (10, 3, 1), (40, 20, 5)
    order, cost = cheapest(chances, costs)
    assert (order, round(cost, 9)) == ((3, 2, 1), 8.4)
    for any_order in itertools.permutations(range(3)):
        shift = with_repairs(any_order, chances, costs, mends) - in_order(any_order, chances, costs)
        assert shift == pytest.approx(27.0)
    assert with_repairs((2, 1, 0), chances, costs, mends) == pytest.approx(35.4)
    assert in_order((0, 1, 2), chances, costs) == pytest.approx(11.7)
    assert with_repairs((0, 1, 2), chances, costs, mends) == pytest.approx(38.7)
    assert [at + 1 for at in by_ratio(chances, costs)] == list(order)


@pytest.mark.parametrize(
    ("chance", "costs", "first", "second"),
    [(0.3, (10, 30), 31.0, 33.0), (0.5, (20, 10), 25.0, 20.0), (0.25, (10, 30), 32.5, 32.5)],
)
def test_two_causes_and_which_to_check_first(
    chance: float, costs: tuple[float, float], first: float, second: float
) -> None:
    """Ross, A First Course in Probability, exercise of two causes: 1 first if p/C1 >= (1-p)/C2 (figures computed)."""
    chances = (chance, 1 - chance)
    assert in_order((0, 1), chances, costs) == pytest.approx(first)
    assert in_order((1, 0), chances, costs) == pytest.approx(second)
    order, cost = cheapest(chances, costs)
    assert cost == pytest.approx(min(first, second))
    assert order[0] == (1 if chance / costs[0] >= (1 - chance) / costs[1] else 2)
    assert by_ratio(chances, costs)[0] == order[0] - 1


@calm(60)
@given(data=st.data())
def test_chance_per_cost_is_the_best_order_of_a_single_fault(data: st.DataObject) -> None:
    """Kadane and Simon, Annals of Statistics 5 (1977) 237-255 (pages from memory); against all orders and visits."""
    size = data.draw(st.integers(1, 6))
    weights = data.draw(st.lists(shares, min_size=size, max_size=size))
    chances = [weight / sum(weights) for weight in weights]
    costs = data.draw(st.lists(prices, min_size=size, max_size=size))
    mine = in_order(by_ratio(chances, costs), chances, costs)
    found = solve(still_wet(np.array(alone(chances)))[:, None], np.array(added(costs))[:, None])
    assert float(found.worth[0, 0]) == pytest.approx(mine)
    assert mine == pytest.approx(min(in_order(o, chances, costs) for o in itertools.permutations(range(size))))


def test_chance_per_cost_is_not_best_once_work_is_shared() -> None:
    """Two repairs behind one opening of 9: alone 10 each, together 11; a third from outside."""
    chances, alone_costs = (0.3, 0.3, 0.4), (10.0, 10.0, 10.0)
    price = np.array(added(alone_costs))
    price[0b011], price[0b111] = 11.0, 21.0
    found = solve(still_wet(np.array(alone(chances)))[:, None], price[:, None])
    ratio = in_order(by_ratio(chances, alone_costs), chances, alone_costs)
    assert by_ratio(chances, alone_costs)[0] == 2
    assert found.visits() == (0b011, 0b100)
    assert float(found.worth[0, 0]) == pytest.approx(11 + 0.4 * 10)
    assert ratio == pytest.approx(10 + 0.6 * 10 + 0.3 * 10)


# --- costs -----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def visits(rules: Path, kb: KnowledgeBase) -> Visits:
    """rules/plan/."""
    return load_visits(rules, kb)


@pytest.fixture(scope="session")
def costs(expert: Expert, visits: Visits) -> Costs:
    """The knowledge's own costs."""
    return costs_of(expert, visits)


def facts(**values: str) -> list[Fact]:
    """Facts after cleaning; `cleaned` and colour carry no stage."""
    plain = {"cleaned-and-driven", "colour"}
    return [
        Fact(name, value, "" if name in plain else "after-clean")
        for name, value in ((n.replace("_", "-"), v) for n, v in values.items())
    ]


SEEN = {"cleaned_and_driven": "short drive", "colour": "red", "bellhousing_hole": "wet", "engine_rear": "dry"}


@pytest.fixture(scope="session")
def now(expert: Expert) -> Diagnosis:
    """Red fluid at the bellhousing's hole, after cleaning."""
    return expert.diagnose(facts(**SEEN))


@pytest.fixture(scope="session")
def plan(expert: Expert, now: Diagnosis, costs: Costs) -> Plan:
    """Its plan."""
    return make(expert, now, "after-clean", (), costs)


def ranged(costs: Costs, **changed: Span) -> Costs:
    """Costs with other figures, named `kind__id`."""
    figures = dict(costs.figures)
    for name, span in changed.items():
        kind, _, ident = name.partition("__")
        figures[(kind, ident.replace("_", "-"))] = span
    return Costs("crowns", figures, costs.access, costs.opens, costs.look)


def test_a_visit_opens_each_access_once_and_looks_once(expert: Expert, visits: Visits, costs: Costs) -> None:
    """By hand, from the hours of the knowledge and of rules/plan/."""
    base = expert.machine.base
    deep = [
        one for one in {r.repair: r for r in repairs_of(expert.machine).values()}.values() if one.access == "unit-out"
    ]
    assert len(deep) >= 3
    first, second = deep[0], deep[1]
    together = costs.at(costs.visit([first.repair, second.repair]), costs.middle)
    assert together == pytest.approx(first.hours + second.hours - visits.opening["unit-out"] + costs.look)
    outside = next(r for r in base.repairs.values() if r.repair in costs.access and costs.access[r.repair] == "outside")
    more = costs.at(costs.visit([first.repair, outside.repair]), costs.middle)
    assert more == pytest.approx(first.hours + outside.hours + costs.look)
    assert costs.opened([first.repair, outside.repair]) == ("unit-out",)
    assert costs.look == pytest.approx(expert.machine.observables["cleaned-and-driven"].minutes / 60)
    assert look_hours(expert) == costs.look


def test_a_repair_that_opens_a_deeper_access_shares_it(expert: Expert, visits: Visits, costs: Costs) -> None:
    repairs = expert.machine.base.repairs
    for moved in (one for one in visits.opened_with if one.repair in costs.access):
        behind = next(r for r in costs.access if costs.access[r] == moved.access and r != moved.repair)
        both = costs.at(costs.visit([moved.repair, behind]), costs.middle)
        apart = repairs[moved.repair].hours + repairs[behind].hours + costs.look
        assert both == pytest.approx(apart - visits.opening[moved.access])


@calm(20)
@given(data=st.data())
def test_all_visits_at_once_cost_what_each_costs(costs: Costs, data: st.DataObject) -> None:
    names = data.draw(st.lists(st.sampled_from(sorted(costs.access)), min_size=1, max_size=6, unique=True))
    rate = data.draw(st.floats(1, 90))
    point = {**costs.middle, THE_RATE: rate, (PARTS, names[0]): data.draw(st.floats(0, 90))}
    found = costs.prices(names, point)
    for mask in range(1, len(found)):
        inside = [name for at, name in enumerate(names) if mask >> at & 1]
        assert found[mask] == pytest.approx(costs.at(costs.visit(inside), point))


@calm(20)
@given(data=st.data())
def test_the_range_of_a_cost_is_what_its_figures_can_make_of_it(costs: Costs, data: st.DataObject) -> None:
    """No point inside lies outside the range, and both ends are reached at a combination of ends."""
    names = data.draw(st.lists(st.sampled_from(sorted(costs.access)), min_size=1, max_size=3, unique=True))
    spans = {
        (HOURS, names[0]): Span(6, 9),
        (PARTS, names[-1]): Span(3, 80),
        (OPENING, costs.access[names[0]]): Span(0, 0.5),
        THE_RATE: Span(40, 70),
    }
    wide = Costs("crowns", {**costs.figures, **spans}, costs.access, costs.opens, costs.look)
    work = wide.visit(names)
    range_ = wide.over(work)
    ends = [
        wide.at(work, {**wide.middle, **dict(zip(spans, corner, strict=True))})
        for corner in itertools.product(*spans.values())
    ]
    assert (min(ends), max(ends)) == (pytest.approx(range_.low), pytest.approx(range_.high))
    inside = {figure: data.draw(st.floats(span.low, span.high)) for figure, span in spans.items()}
    assert range_.low - 1e-9 <= wide.at(work, {**wide.middle, **inside}) <= range_.high + 1e-9


# --- under a belief --------------------------------------------------------------------------------------------


def enumerated(found: Candidates, now: Diagnosis, done: int) -> float:
    """The chance of being wet after some repairs, set by set of sources, given that one of the order is needed."""
    mended = {source for at, one in enumerate(found.chosen) if done >> at & 1 for source in one.sources}
    all_of = {source for one in found.chosen for source in one.sources}
    wet = needed = 0.0
    for at in range(len(now.belief.sets)):
        mine = set(now.belief.sets.names(at)) & all_of
        chance = float(now.belief.chances[at])
        needed += chance if mine else 0.0
        wet += chance if mine - mended else 0.0
    return wet / needed


def test_the_chance_of_being_wet_is_that_of_the_belief(expert: Expert, now: Diagnosis) -> None:
    found = candidates(now.belief, repairs_of(expert.machine), weighed=5)
    wet = found.wet([now.belief.chances])
    for done in (0, 1, 0b101, 0b11111):
        assert found.wet_after(done, now.belief.chances) == pytest.approx(enumerated(found, now, done))
        few = found.first(5)
        assert few.wet([now.belief.chances])[done, 0] == pytest.approx(enumerated(few, now, done))
    assert len(found.chosen) > 5
    assert wet.shape == (32, 1)
    for one in found.chosen:
        chance = sum(
            float(now.belief.chances[at])
            for at in range(len(now.belief.sets))
            if set(now.belief.sets.names(at)) & set(one.sources)
        )
        assert one.chance == pytest.approx(chance)
        assert one.chance >= NEGLIGIBLE
    assert all(one.chance < NEGLIGIBLE for one in found.left_out)
    mended = {source for one in (*found.chosen, *found.left_out) for source in one.sources}
    assert mended == set(expert.machine.sources)


def test_a_plan_does_everything_once_and_ends_dry(plan: Plan) -> None:
    names = [one.repair.repair for visit in plan.visits for one in visit.repairs]
    assert len(names) == len(set(names)) == plan.weighed
    assert plan.exact
    assert plan.visits[0].wet_before == pytest.approx(1)
    assert plan.visits[-1].wet_after == pytest.approx(0)
    assert plan.order.cost == pytest.approx(sum(visit.wet_before * visit.cost for visit in plan.visits))
    assert all(other.cost >= plan.order.cost - 1e-9 for other in (*plan.others, plan.ratio))
    for visit in plan.visits:
        assert all(more >= -1e-9 for _, more in visit.apart), "put off, nothing is gained"


def test_of_a_deep_access_everything_due_is_done_at_once(plan: Plan) -> None:
    """The transmission is out, and the pan's gasket is come to anyway: it is not left for a visit of its own."""
    deep = next(visit for visit in plan.visits if "unit-out" in visit.opens)
    assert len(deep.repairs) > 1


def test_neighbours_change_places_at_the_price_said(expert: Expert, now: Diagnosis, costs: Costs, plan: Plan) -> None:
    found = candidates(now.belief, repairs_of(expert.machine))
    masks = [sum(1 << at for at, one in enumerate(found.chosen) if one in visit.repairs) for visit in plan.visits]
    assert len(plan.swaps) == len(masks) - 1 > 2

    def total(order: Sequence[int], price: dict[int, float]) -> float:
        done, cost = 0, 0.0
        for mask in order:
            cost += found.wet_after(done, now.belief.chances) * price[mask]
            done |= mask
        return cost

    known = {mask: visit.cost for mask, visit in zip(masks, plan.visits, strict=True)}
    for swap in plan.swaps:
        at = swap.first
        other = [*masks[:at], masks[at + 1], masks[at], *masks[at + 2 :]]
        assert swap.most is not None
        assert known[masks[at]] <= swap.most + 1e-9
        for change in ({masks[at]: swap.most}, {masks[at + 1]: swap.least}):
            assert total(masks, known | change) == pytest.approx(total(other, known | change))
        for dearer in ({masks[at]: swap.most * 1.01}, {masks[at + 1]: swap.least * 0.99}):
            assert total(masks, known | dearer) > total(other, known | dearer)


# --- looks -----------------------------------------------------------------------------------------------------


def test_a_look_is_worth_what_every_answer_leads_to(expert: Expert, now: Diagnosis, costs: Costs, plan: Plan) -> None:
    """Reckoned again: each answer really given, its likelihood read off the belief, then the best order for it."""
    few = candidates(now.belief, repairs_of(expert.machine)).first(WEIGHED)
    price = costs.prices(few.names, costs.middle)[:, None]
    before = float(solve(few.wet([now.belief.chances]), price).worth[0, 0])
    best = plan.looks[0]
    assert not best.first
    likely = []
    for value, usual in best.observable.usual.items():
        fact = Fact(best.observable.id, value, best.stage if best.observable.staged else "")
        then = expert.diagnose([*now.trace.stated, fact]).belief
        likely.append(usual * np.exp(then.log_weight - now.belief.log_weight))
    joint = np.array(likely) / np.sum(likely, axis=0) * now.belief.chances
    after = 0.0
    for row in joint:
        weight = few.share(row) / few.share(now.belief.chances)
        after += weight * float(solve(few.wet([row]), price).worth[0, 0])
    assert best.saves == pytest.approx(before - after, rel=1e-6)
    assert sum(one.chance for one in best.after) == pytest.approx(1)
    nets = [round(look.saves - look.hours, 9) for look in plan.looks]
    assert nets == sorted(nets, reverse=True)
    assert all(net > 0 for net in nets)


def test_answers_together_are_the_belief_as_it_is(expert: Expert, now: Diagnosis) -> None:
    """So no look is reckoned to do harm: whoever ignores the answer is as well off as before."""
    asking = list(plan_looks._askings(expert, now, "after-clean", ()))
    assert len(asking) > 20
    totals = np.zeros((len(asking), len(now.belief.sets)))
    for at, _, joint in plan_looks._answers(now, asking):
        totals[at] += joint
    assert np.abs(totals - now.belief.chances).max() < 1e-8


def test_a_cheap_sure_look_comes_before_a_dear_repair(plan: Plan) -> None:
    """Minutes beside hours with the transmission out, and its answers lead to different repairs."""
    best = plan.looks[0]
    assert best.hours < 0.5 < plan.visits[0].cost
    assert len(set(plan.look_visits)) > 1
    assert len(plan.look_visits) == len(best.after)


def test_a_look_too_dear_does_not_pay(expert: Expert, now: Diagnosis, costs: Costs, plan: Plan) -> None:
    """Where repairs take next to no time, no look saves what it takes."""
    figures = {
        figure: Span(0, 0) if figure[0] == OPENING else Span(1e-4, 1e-4) if figure[0] == HOURS else span
        for figure, span in costs.figures.items()
    }
    cheap = Costs("", figures, costs.access, costs.opens, 1e-4)
    found = candidates(now.belief, repairs_of(expert.machine))
    assert looks(expert, now, "after-clean", (), found, cheap) == ()
    assert plan.looks


def test_before_cleaning_the_look_that_counts_is_reckoned_with_its_cleaning(expert: Expert, costs: Costs) -> None:
    seen = expert.diagnose([Fact("pan-bottom", "wet", "as-found")])
    found = looks(expert, seen, "as-found", (), candidates(seen.belief, repairs_of(expert.machine)), costs)
    after = [look for look in found if look.first]
    assert after
    step = expert.machine.observables["cleaned-and-driven"]
    for look in after:
        assert look.first == (step,)
        assert look.hours == pytest.approx((look.observable.minutes + step.minutes) / 60)
        assert look.stage == "after-clean"
    assert step.id not in {look.observable.id for look in found}, "cleaning by itself tells nothing"


# --- ranges ----------------------------------------------------------------------------------------------------


def test_ranges_that_do_not_matter_leave_the_order(expert: Expert, now: Diagnosis, costs: Costs, plan: Plan) -> None:
    wide = ranged(costs, hours__renew_front_pump_seal=Span(6.9, 7.1), rate__=Span(50, 51))
    found = make(expert, now, "after-clean", (), wide)
    assert (found.turns, found.all_corners) == ((), True)
    assert set(found.ranged) == {THE_RATE, (HOURS, "renew-front-pump-seal")}
    assert found.order.costs.low < found.order.cost < found.order.costs.high


def test_where_in_the_range_the_order_turns(expert: Expert, now: Diagnosis, costs: Costs) -> None:
    """The likeliest repair from 5 hours to 80: at the far end another order is cheaper, by what the turn says."""
    wide = ranged(costs, hours__renew_front_pump_seal=Span(5, 80))
    found = make(expert, now, "after-clean", (), wide)
    assert found.turns
    for turn in found.turns:
        (figure, value) = turn.ends[0]
        assert (figure, len(turn.ends)) == ((HOURS, "renew-front-pump-seal"), 1)
        there = ranged(costs, hours__renew_front_pump_seal=Span(value, value))
        then = make(expert, now, "after-clean", (), there)
        assert then.order.visits == turn.order.visits
        mine = sum(
            visit.wet_before * there.at(there.visit([one.repair.repair for one in visit.repairs]), there.middle)
            for visit in found.visits
        )
        assert mine - then.order.cost == pytest.approx(turn.by)


@calm(12)
@given(ends=st.lists(st.tuples(st.floats(1, 4), st.floats(0.1, 30)), min_size=3, max_size=3), place=st.floats(0, 1))
def test_an_order_that_holds_at_all_ends_holds_inside(
    expert: Expert, now: Diagnosis, costs: Costs, plan: Plan, ends: list[tuple[float, float]], place: float
) -> None:
    names = [one.repair.repair for visit in plan.visits for one in visit.repairs][:3]
    figures = dict(costs.figures)
    for name, (least, more) in zip(names, ends, strict=True):
        low = costs.figures[(OPENING, costs.access[name])].high + least
        figures[(HOURS, name)] = Span(low, low + more)
    wide = Costs("", figures, costs.access, costs.opens, costs.look)
    found = candidates(now.belief, repairs_of(expert.machine)).first(6)
    wet = found.wet([now.belief.chances])
    middle = solve(wet, wide.prices(found.names, wide.middle)[:, None])
    reckon = making._Reckoning(found, wide, now.belief.chances, wide.middle)
    ranged_ = [(HOURS, name) for name in names if name in found.names]
    turns, whole = making._turns(reckon, wet, middle, (), ranged_)
    assert whole
    point = {f: span.low + place * (span.high - span.low) for f, span in figures.items()}
    there = solve(wet, wide.prices(found.names, point)[:, None])
    loses = reckon.cost(middle.visits(), point) - float(there.worth[0, 0])
    assert loses >= -1e-9
    if not turns:
        assert loses == pytest.approx(0, abs=1e-6)


# --- too many repairs ------------------------------------------------------------------------------------------


def test_with_too_many_repairs_it_says_heuristic(
    expert: Expert, now: Diagnosis, costs: Costs, visits: Visits, plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(making, "candidates", partial(candidates, weighed=3))
    rough = make(expert, now, "after-clean", (), costs)
    assert not rough.exact
    assert rough.weighed == 3
    assert {one for visit in rough.visits for one in visit.repairs} == {o for v in plan.visits for o in v.repairs}
    assert rough.order.cost >= plan.order.cost - 1e-9
    for swap in rough.swaps:  # neighbours were put right
        assert swap.most is None or rough.visits[swap.first].cost <= swap.most + 1e-9
    end = conclude(expert, now, "after-clean")
    said = " ".join(plan_text(expert, end, rough, visits).split())
    assert "HEURISTIC: of " in said
    assert "Exact: " not in said
    exact = " ".join(plan_text(expert, end, plan, visits).split())
    assert "Exact: every order" in exact
    assert (
        "Chance per cost alone would be a heuristic here, for several sources may leak at once, repairs share" in exact
    )


# --- the command -----------------------------------------------------------------------------------------------


def written(tmp_path: Path, text: str) -> str:
    """A file of prices."""
    path = tmp_path / "prices.yaml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_the_page_reads_as_a_user_wants_it(run: Run) -> None:
    done = run("plan", "--facts", SAID)
    assert (done.code, done.err) == (0, "")
    assert max(map(len, done.out.splitlines())) <= WIDTH
    heads = (
        "FIRST A LOOK",
        "ORDER OF REPAIRS",
        "OTHER ORDERS",
        "WHEN THE ORDER WOULD CHANGE",
        "HOW IT WAS FOUND",
        "VISIT 1",
    )
    places = [done.out.index(head) for head in heads]
    assert places == sorted(places)
    assert run("plan", "--facts", SAID).out == done.out


def test_cautions_come_before_the_first_step_that_needs_them(run: Run, kb: KnowledgeBase, visits: Visits) -> None:
    said = " ".join(run("plan", "--facts", SAID, "--all").out.replace("\n! ", " ").split())
    texts = {name: " ".join(caution.text.split()) for name, caution in kb.cautions.items()}
    shown = [one for one in kb.repairs.values() if f"[{one.repair}]" in said]
    assert len(shown) > 5
    for repair in shown:
        begins = said.index(f"[{repair.repair}]")
        for name in repair.cautions:
            assert -1 < said.find(texts[name]) < begins, (repair.repair, name)
        for step in (*repair.steps, *repair.parts):
            assert " ".join(step.split()) in said[begins:]
    level = next(one for one in visits.levels if one.name.upper() in said)
    for name in level.cautions:
        assert -1 < said.find(texts[name]) < said.index(level.name.upper())
    for line in visits.always:
        assert line in said
    assert "torque in the service data" in said
    assert "Cold, engine off" in said
    assert "Hot, after a drive" in said


def test_seldom_visits_are_told_without_steps_unless_asked_for(run: Run) -> None:
    short, whole = run("plan", "--facts", SAID).out, run("plan", "--facts", SAID, "--all").out
    assert "--all shows them" in short
    assert "--all shows them" not in whole
    visits = len(re.findall(r"^ {2,3}\d+  (?:If still wet|Transmission|From)", whole, re.MULTILINE))
    assert len(re.findall(r"^VISIT ", whole, re.MULTILINE)) == len(re.findall(r"If still wet", whole)) + 1 <= visits + 1
    assert len(re.findall(r"^VISIT ", short, re.MULTILINE)) < len(re.findall(r"^VISIT ", whole, re.MULTILINE))


@pytest.mark.parametrize("layout", ["rear-drive-electronic", "manual-gearbox", "front-drive-transaxle"])
def test_each_layout_has_its_own_way_to_set_the_level(kb: KnowledgeBase, visits: Visits, layout: str) -> None:
    machine = kb.machine(layout)
    fluids = {source.holds for source in machine.sources.values()} & {f for one in visits.levels for f in one.fluids}
    assert fluids >= {"engine oil", "coolant"}
    for fluid in fluids:
        fit = [one for one in visits.levels if fluid in one.fluids and (not one.layouts or layout in one.layouts)]
        assert len(fit) == 1, (layout, fluid)
        assert any(word in " ".join(fit[0].steps) for word in ("Cold", "cold"))


def test_every_layout_can_be_planned(kb: KnowledgeBase, experts: dict[str, Expert], visits: Visits) -> None:
    """The likeliest source of each, with a wet place of its own."""
    for layout, one in experts.items():
        source = max(one.machine.sources, key=lambda name: one.diagnose([]).belief.marginals[name])
        zone = one.machine.first_seen[source][0]
        seen = one.diagnose([Fact(zone, "wet", "after-clean")])
        found = make(one, seen, "after-clean", (), costs_of(one, visits))
        assert found.exact, layout
        text = plan_text(one, conclude(one, seen, "after-clean"), found, visits, whole=True)
        assert max(map(len, text.splitlines())) <= WIDTH


def test_a_saved_case_is_planned_by_name_and_by_file(run: Run, tmp_path: Path) -> None:
    lines = "cleaned and short drive, red fluid, bellhousing hole wet, rear of engine dry\nquit\n"
    run("ask", "--case", "mine", "--case-dir", str(tmp_path), stdin=lines)
    by_name = run("plan", "mine", "--case-dir", str(tmp_path))
    assert (by_name.code, by_name.err) == (0, "")
    assert run("plan", str(tmp_path / "mine.jsonl")).out == by_name.out
    stated = run("plan", "--facts", SAID).out
    assert by_name.out == stated[stated.index("PLAN. ") :], "the case says what the words say"


def test_a_recorded_case_with_two_leaks_mends_both(run: Run) -> None:
    told = json.loads(run("plan", "--json", str(ROOT / "transcripts_demo" / "two-leaks-at-once.jsonl")).out)
    sure = {
        source for visit in told["visits"] for one in visit["repairs"] for source in one["for"] if one["chance"] > 0.5
    }
    assert len(sure) == 2


def test_a_case_that_the_repair_closed_leaves_nothing_to_plan(run: Run, tmp_path: Path) -> None:
    run("ask", "--case", "done", "--case-dir", str(tmp_path), stdin="pan wet\nconfirmed pan gasket\nquit\n")
    done = run("plan", "done", "--case-dir", str(tmp_path))
    assert (done.code, done.out) == (1, "")
    assert "Nothing is left to plan: the repair proved transmission pan gasket" in done.err


def test_money_and_ranges_on_the_page(run: Run, tmp_path: Path) -> None:
    text = (
        "currency: crowns\nmoney-per-hour: [50, 80]\naccess: {unit-out: [4, 4.9]}\n"
        "repairs:\n  renew-front-pump-seal: {hours: [6, 9], parts: [15, 40]}\n"
    )
    done = run("plan", "--facts", SAID, "--prices", written(tmp_path, text))
    assert (done.code, done.err) == (0, "")
    said = " ".join(done.out.split())
    assert re.search(r"ORDER OF REPAIRS \(without that look: \d+ crowns, \d+ to \d+ crowns\)", said)
    assert "Parts without a price, taken as 0: " in said
    assert "renew the front pump seal" not in said[said.index("taken as 0:") : said.index("FIRST A LOOK")]
    assert re.search(r"ranges, this order stays the cheapest|depends on where in the ranges", said)
    assert " h " not in said[said.index("ORDER OF REPAIRS") : said.index("WHEN THE ORDER")]


def test_only_hours_may_be_given(run: Run, tmp_path: Path) -> None:
    plain = run("plan", "--json", "--facts", SAID)
    dear = run(
        "plan",
        "--json",
        "--facts",
        SAID,
        "--prices",
        written(tmp_path, "repairs: {renew-front-pump-seal: {hours: 9}}\n"),
    )
    assert json.loads(dear.out)["currency"] is None
    assert json.loads(dear.out)["expected_cost"] != json.loads(plain.out)["expected_cost"]


WRONG = {
    "repairs: {renew-nothing: {hours: 2}}": r"1: there is no repair 'renew-nothing'; ",
    "access: {roof-off: 2}": r"1: there is no access 'roof-off'; allowed: outside, ",
    "colour: red": r"1: the key 'colour' is not known here; .*allowed: currency, money-per-hour, access, repairs",
    "currency: crowns": r"1: a currency is given without money-per-hour; add `money-per-hour: 60`",
    "money-per-hour: 60": r"1: money-per-hour is given without a currency; add `currency: WORD`",
    "currency: c\nmoney-per-hour: none": r"2: this is no number; allowed: a number from 0.01 ",
    "currency: c\nmoney-per-hour: 0": r"2: 0 cannot be; allowed: a number from 0.01 ",
    "currency: c\nmoney-per-hour: .nan": r"2: (nan cannot be|this is no number); allowed: a number from 0.01 ",
    "currency: c\nmoney-per-hour: [9, 5]": r"2: 9 to 5 is the wrong way round; allowed: ",
    "currency: c\nmoney-per-hour: [1, 2, 3]": r"2: a range has two ends, and this has 3; allowed: ",
    "currency: c c\nmoney-per-hour: 3": r"1: currency is 'c c'; ",
    "repairs:\n  renew-pan-gasket:\n    parts: 5": r"3: the parts of 'renew-pan-gasket' have a price, and an hour none",
    "repairs:\n  renew-pan-gasket:\n    parts: -5": r"3: -5 cannot be; allowed: a number from 0 ",
    "repairs:\n  renew-pan-gasket: {hours: 0.9}": r"2: 'renew-pan-gasket' takes 0.9 h, and opening its access",
    "access:\n  unit-out: [4, 40]": r"2: '[\w-]+' takes [\d.]+ h, and opening its access 'unit-out' alone 4 to 40 h",
    "- 5": r"1: this is not made of `key: value` lines; write them so",
    "repairs: [": r"\d: this is not YAML",
}


@pytest.mark.parametrize("text", WRONG)
def test_wrong_prices_are_told_by_file_and_line(run: Run, tmp_path: Path, text: str) -> None:
    path = written(tmp_path, text)
    done = run("plan", "--facts", SAID, "--prices", path)
    assert (done.code, "Traceback" in done.err) == (2, False)
    assert re.search(rf"^  {re.escape(path)}:{WRONG[text]}", done.err, re.MULTILINE), done.err


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((), "Name a case"),
        (("some-case", "--facts", SAID), "not both"),
        (("some-case", "--stage", "as-found"), "--stage goes with --facts"),
        (("no-such-case",), "no-such-case"),
        (("--facts", "xyzzy"), "Nothing in that was understood"),
        (("--facts", "pan wet, pan dry"), "contradict each other"),
        (("--facts", SAID, "--stage", "never"), "There is no stage 'never'"),
        (("--facts", SAID, "--prices", "/nowhere/prices.yaml"), "the file is missing"),
        (("--facts", SAID, "--prices", "/"), "it cannot be read"),
    ],
)
def test_bad_input_is_told(run: Run, tmp_path: Path, arguments: tuple[str, ...], says: str) -> None:
    done = run("plan", *arguments, "--case-dir", str(tmp_path))
    assert (done.code, done.out) == (2, "")
    assert says in done.err
    assert "Traceback" not in done.err


def test_a_case_of_which_nothing_is_known_is_no_plan(run: Run, tmp_path: Path) -> None:
    run("ask", "--case", "empty", "--case-dir", str(tmp_path), stdin="quit\n")
    done = run("plan", "empty", "--case-dir", str(tmp_path))
    assert (done.code, done.out) == (2, "")
    assert "Nothing is known of this vehicle yet" in done.err


# --- the object ------------------------------------------------------------------------------------------------


def keys(value: Any, path: str = "") -> set[str]:
    """Every path of an object, lists written as `[]`."""
    if isinstance(value, dict):
        return {f"{path}{key}" for key in value}.union(*(keys(part, f"{path}{key}.") for key, part in value.items()))
    if isinstance(value, list):
        return set().union(*(keys(part, f"{path.removesuffix('.')}[].") for part in value))
    return set()


def test_every_key_of_the_object_is_in_the_readme_and_no_other(run: Run, tmp_path: Path) -> None:
    text = "currency: crowns\nmoney-per-hour: 60\nrepairs:\n  renew-front-pump-seal: {hours: [5, 80], parts: [0, 9]}\n"
    done = run("plan", "--json", "--facts", SAID, "--prices", written(tmp_path, text))
    assert done.code == 0
    found = keys(json.loads(done.out))
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    section = re.search(r"^## The plan\n(.*?)^## ", readme, re.MULTILINE | re.DOTALL)
    assert section
    rows = re.findall(r"^\| (`[^|]*`) \|", section[1], re.MULTILINE)
    said = {name for row in rows for name in re.findall(r"`([^`]+)`", row) if not name.startswith("--")}
    assert said == found


def test_the_object_says_what_the_page_says(run: Run, plan: Plan, now: Diagnosis) -> None:
    told = json.loads(run("plan", "--json", "--facts", SAID).out)
    assert told["expected_cost"] == pytest.approx(plan.order.cost, abs=1e-6)
    assert [[one["id"] for one in visit["repairs"]] for visit in told["visits"]] == [
        [one.repair.repair for one in visit.repairs] for visit in plan.visits
    ]
    assert (told["exact"], told["currency"], told["range_turns"]) == (True, None, [])
    assert told["expected_cost_range"] == [pytest.approx(plan.order.cost, rel=1e-5)] * 2


# --- rules/plan/ -----------------------------------------------------------------------------------------------


def test_everything_has_a_basis_and_every_opening_is_less_than_what_lies_behind(
    kb: KnowledgeBase, visits: Visits
) -> None:
    assert set(visits.opening) == set(kb.access)
    for one in kb.repairs.values():
        assert one.hours > visits.opening[visits.moved.get(one.repair, one.access)]
    for name, entry in kb.access.items():
        assert all(visits.opening[below] <= visits.opening[name] for below in entry.opens)


BROKEN = {
    ("access: unit-out, hours: 4.5", "access: unit-out, hours: 45"): r"'[\w-]+' takes [\d.]+ hours, and opening its",
    ("access: unit-out, hours", "access: roof-off, hours"): r"there is no access 'roof-off'",
    ("repair: renew-pan-gasket", "repair: renew-nothing"): r"there is no repair 'renew-nothing'",
    ("fluids: [engine oil]", "fluids: [olive oil]"): r"there is no fluid 'olive oil'",
    ("layouts: [rear-drive-four-speed,", "layouts: [sledge,"): r"there is no layout 'sledge'",
    ("cautions: [brakes-first,", "cautions: [no-such,"): r"there is no caution 'no-such'",
    ("always-basis:", "never-basis:"): r"the key 'never-basis' is not known",
    ("hours: 2.5", "hours: -1"): r"access\[4\].hours is '-1'; allowed: 0 or more",
}


@pytest.mark.parametrize("change", BROKEN, ids=lambda change: change[1])
def test_a_broken_table_is_told_by_file_and_line(
    rules: Path, kb: KnowledgeBase, tmp_path: Path, change: tuple[str, str]
) -> None:
    shutil.copytree(rules / "plan", tmp_path / "plan")
    path = tmp_path / VISITS
    text = path.read_text(encoding="utf-8")
    assert text.count(change[0]) == 1
    path.write_text(text.replace(*change), encoding="utf-8")
    with pytest.raises(KnowledgeError, match=rf"(?m)^plan/visits\.yaml:\d+: .*{BROKEN[change]}"):
        load_visits(tmp_path, kb)


def test_a_missing_table_is_told(tmp_path: Path, kb: KnowledgeBase) -> None:
    with pytest.raises(KnowledgeError, match=r"^plan/visits\.yaml:1: the file is missing"):
        load_visits(tmp_path, kb)
