"""The costs that a plan is reckoned with: the knowledge's own, or a shop's in their place."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from expert.arithmetic.spans import Span
from expert.diagnosis import Expert
from expert.inspection import most_trusted
from expert.knowledge.base import Machine
from expert.knowledge.lines import Lined
from expert.knowledge.model import Repair
from expert.knowledge.problems import KnowledgeError, Problem
from expert.plan.costs import HOURS, OPENING, PARTS, THE_RATE, Costs, default_costs
from expert.plan.shapes import Prices, Visits


def repairs_of(machine: Machine) -> dict[str, Repair]:
    """For each source of the layout the repair that mends it."""
    mends = {source: repair for repair in reversed(list(machine.base.repairs.values())) for source in repair.sources}
    return {source: mends[source] for source in machine.sources if source in mends}


def look_hours(expert: Expert) -> float:
    """Hours to clean, drive and look after a visit: the minutes of the step that enters the stage that counts."""
    stage = next(entry for entry in expert.scale.stages if entry.stage == most_trusted(expert.scale))
    known = expert.machine.observables
    return sum(known[name].minutes for name in stage.entered_by if name in known) / 60


def costs_of(expert: Expert, visits: Visits) -> Costs:
    """The knowledge's own costs, in hours."""
    base = expert.machine.base
    repairs = {one.repair: one for one in repairs_of(expert.machine).values()}
    return default_costs(base.access.values(), repairs.values(), visits.opening, visits.moved, look_hours(expert))


def priced(costs: Costs, prices: Prices, lined: Lined, name: str) -> Costs:
    """The costs with a shop's figures in place of the knowledge's.

    KnowledgeError (file `name`, with its line) where a repair would take no longer than the opening of its access.
    """
    figures = dict(costs.figures)
    if prices.money_per_hour is not None:
        figures[THE_RATE] = prices.money_per_hour
    figures |= {(OPENING, access): hours for access, hours in prices.access.items()}
    for repair, price in prices.repairs.items():
        if (HOURS, repair) not in figures:  # of another layout
            continue
        given = ((HOURS, price.hours), (PARTS, price.parts))
        figures |= {(kind, repair): span for kind, span in given if span is not None}
    found = replace(costs, currency=prices.currency or "", figures=figures)
    problems = list(_too_short(found, prices, lined, name))
    if problems:
        raise KnowledgeError(problems)
    return found


def _too_short(costs: Costs, prices: Prices, lined: Lined, name: str) -> Iterator[Problem]:
    for repair, access in costs.access.items():
        hours, opening = costs.figures[(HOURS, repair)], costs.figures[(OPENING, access)]
        if hours.low <= opening.high:
            given = prices.repairs.get(repair)
            path = ("repairs", repair, "hours") if given is not None and given.hours else ("access", access)
            what = f"{repair!r} takes {_hours(hours)} h, and opening its access {access!r} alone {_hours(opening)} h"
            yield Problem(name, lined.line(path), what, f"give it more `hours`, or {access!r} fewer under `access`")


def _hours(span: Span) -> str:
    return f"{span.low:g}" if span.low == span.high else f"{span.low:g} to {span.high:g}"


def unpriced(costs: Costs, repairs: Iterable[str]) -> tuple[str, ...]:
    """Those of the repairs whose parts were given no price though money is reckoned with."""
    return tuple(name for name in repairs if costs.currency and not costs.figures[(PARTS, name)].high)
