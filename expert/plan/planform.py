"""The plan as the documented object."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from expert.arithmetic.spans import rounded
from expert.conclusion import Conclusion, cautions_of
from expert.diagnosis import Expert
from expert.plan.candidates import Candidate
from expert.plan.costs import Figure
from expert.plan.looks import Look
from expert.plan.making import Order, Plan, Swap, Turn, Visit
from expert.plan.pricing import unpriced
from expert.plan.shapes import Visits
from expert.plan.text import levels_of

VERSION = 1
_DIGITS = 6


def plan_object(expert: Expert, end: Conclusion, plan: Plan, visits: Visits) -> dict[str, Any]:
    """The object that `plan --json` prints; costs are hours, or money where `currency` says which."""
    costs = plan.costs
    return {
        "version": VERSION,
        "layout": expert.machine.layout.layout,
        "knowledge": expert.machine.base.digest,
        "currency": costs.currency or None,
        "stands_out": end.alone,
        "looked_after_cleaning": end.looked,
        "expected_cost": _round(plan.order.cost),
        "expected_cost_range": rounded(plan.order.costs),
        "exact": plan.exact,
        "weighed": plan.weighed,
        "visits": [_visit(expert, visit, visits) for visit in plan.visits],
        "looks": [_look(look, costs.middle_rate) for look in plan.looks],
        "after_first_look": [
            {
                "answer": after.fact.value,
                "chance": _round(after.chance),
                "begin_with": _ids(repairs),
                "expected_cost": _round(after.cost),
            }
            for after, repairs in zip(plan.looks[0].after if plan.looks else (), plan.look_visits, strict=True)
        ],
        "other_orders": [_order(order) for order in plan.others],
        "by_chance_per_cost": _order(plan.ratio),
        "changes": [_swap(swap) for swap in plan.swaps],
        "ranges": [_figure(figure) for figure in plan.ranged],
        "range_turns": [_turn(turn) for turn in plan.turns],
        "all_range_ends_tried": plan.all_corners,
        "without_parts_price": list(unpriced(costs, (name for visit in plan.visits for name in _ids(visit.repairs)))),
        "left_out": _ids(plan.left_out),
        "not_mended": _round(plan.missed),
    }


def _round(value: float) -> float:
    return round(value, _DIGITS)


def _ids(repairs: Iterable[Candidate]) -> list[str]:
    return [one.repair.repair for one in repairs]


def _visit(expert: Expert, visit: Visit, visits: Visits) -> dict[str, Any]:
    machine = expert.machine
    apart = {one.repair.repair: more for one, more in visit.apart}
    return {
        "opens": list(visit.opens),
        "wet_before": _round(visit.wet_before),
        "wet_after": _round(visit.wet_after),
        "cost": _round(visit.cost),
        "cost_range": rounded(visit.costs),
        "repairs": [_repair(expert, one, apart.get(one.repair.repair)) for one in visit.repairs],
        "always": list(visits.always),
        "levels": [
            {
                "id": level.level,
                "name": level.name,
                "steps": list(level.steps),
                "cautions": _cautions(expert, level.cautions),
            }
            for level in levels_of(machine, visit, visits)
        ],
    }


def _repair(expert: Expert, one: Candidate, apart: float | None) -> dict[str, Any]:
    repair = one.repair
    return {
        "id": repair.repair,
        "name": repair.name,
        "for": list(one.sources),
        "chance": _round(one.chance),
        "put_off_adds": None if apart is None else _round(apart),
        "cautions": _cautions(expert, repair.cautions),
        "steps": list(repair.steps),
        "parts": list(repair.parts),
        "same_visit": list(repair.same_visit),
    }


def _cautions(expert: Expert, names: Iterable[str]) -> list[dict[str, str]]:
    known = expert.machine.base.cautions
    return [{"id": name, "text": known[name].text} for name in cautions_of(expert, names)]


def _look(look: Look, rate: float) -> dict[str, Any]:
    return {
        "finding": look.observable.id,
        "ask": look.observable.ask,
        "stage": look.stage if look.observable.staged else "",
        "after_doing": [step.id for step in look.first],
        "minutes": _round(look.hours * 60),
        "cost": _round(look.hours * rate),
        "saves": _round(look.saves),
        "pays_below_minutes": _round(look.saves / rate * 60),
    }


def _order(order: Order) -> dict[str, Any]:
    return {
        "visits": [_ids(visit) for visit in order.visits],
        "expected_cost": _round(order.cost),
        "expected_cost_range": rounded(order.costs),
    }


def _swap(swap: Swap) -> dict[str, Any]:
    return {
        "visit": swap.first + 1,
        "if_it_costs_more_than": None if swap.most is None else _round(swap.most),
        "or_the_next_less_than": _round(swap.least),
    }


def _figure(figure: Figure) -> dict[str, str]:
    return {"figure": figure[0], "id": figure[1]}


def _turn(turn: Turn) -> dict[str, Any]:
    return {
        "where": [{**_figure(figure), "value": value} for figure, value in turn.ends],
        "saves": _round(turn.by),
        "order": _order(turn.order),
    }
