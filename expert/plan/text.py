"""The plan as text, no line wider than asked."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from expert.conclusion import Conclusion, cautions_of
from expert.diagnosis import Expert
from expert.knowledge.base import Machine
from expert.plan.candidates import NEGLIGIBLE, Candidate
from expert.plan.looks import After, Look
from expert.plan.making import CORNERS, Order, Plan, Visit
from expert.plan.pricing import unpriced
from expert.plan.shapes import Level, Visits
from expert.plan.words import about, access_words, cost_words, doing, figure_words, minutes_words
from expert.report import CLEAN_FIRST, cautions_text
from expert.wording import WIDTH, joined, percent, source_name, value_name, wrap

# A later visit that is come to less often than this is told without its steps, unless they are asked for.
SELDOM = 0.2
_LEADING = 0.1  # a source from this chance on is one of the explanations that compete
_SHOWN_VALUES = 3
_SHOWN_BRANCHES = 6
_MORE_LOOKS = 2
_TOLD_TURNS = 3
_LIKELY = 20  # a price so many times off is not worth telling


def plan_text(
    expert: Expert, end: Conclusion, plan: Plan, visits: Visits, whole: bool = False, width: int = WIDTH
) -> str:
    """The whole plan. `whole` shows the steps of every repair, however seldom it is come to."""
    machine = expert.machine
    read: set[str] = set()
    parts = [_head(machine, end, plan, width)]
    if plan.looks:
        parts.append(_look(expert, plan, read, width))
    parts.append(_order(machine, plan, width))
    parts.append(_others(machine, plan, width))
    parts.append(_changes(machine, plan, width))
    parts.append(_found(machine, plan, visits, width))
    parts += _steps(expert, plan, visits, read, whole, width)
    return "\n\n".join(parts)


def _head(machine: Machine, end: Conclusion, plan: Plan, width: int) -> str:
    likeliest = joined(f"{source_name(machine, source)} ({percent(chance)})" for source, chance in end.ranking[:3])
    lines = [wrap(f"PLAN. Likeliest to leak: {likeliest}.", width)]
    if not end.looked:
        lines.append(wrap(f"It rests on what was seen before cleaning. {CLEAN_FIRST}", width))
    elif not end.alone:
        several = len([source for source, chance in end.ranking if chance >= _LEADING]) > 1
        open_ = "No single explanation stands out" if several else "What else may leak beside it is not settled"
        lines.append(wrap(f"{open_}; the plan reckons with each source by its chance.", width))
    money = plan.costs.currency
    if not money:
        lines.append(wrap("Costs are hours of work, without parts; --prices FILE gives them in your own money.", width))
    else:
        free = unpriced(plan.costs, (one.repair.repair for visit in plan.visits for one in visit.repairs))
        if free:
            names = "; ".join(machine.base.repairs[name].name for name in free)
            lines.append(wrap(f"Costs are in {money}. Parts without a price, taken as 0: {names}.", width))
    return "\n".join(lines)


def _look(expert: Expert, plan: Plan, read: set[str], width: int) -> str:
    """The look that pays best: cautions, what to do, what follows from each answer, for how long it pays."""
    machine, best, money = expert.machine, plan.looks[0], plan.costs.currency
    rate = plan.costs.middle_rate
    warned = cautions_of(expert, (c for step in (*best.first, best.observable) for c in step.cautions))
    read |= set(warned)
    lines = [
        wrap(
            f"FIRST A LOOK ({minutes_words(best.hours)}, {cost_words(best.hours * rate, money)}): it saves "
            f"{cost_words(best.saves, money)} of what is to be expected, so all in all "
            f"{cost_words(plan.order.cost - best.saves + best.hours * rate, money)} in place of "
            f"{cost_words(plan.order.cost, money)}. It pays for as long as it takes less than "
            f"{minutes_words(best.saves / rate)}.",
            width,
        )
    ]
    if warned:
        lines.append(cautions_text(machine, warned, width))
    lines += [wrap(f"Before it: {step.ask}", width, "  ") for step in best.first]
    lines.append(wrap(best.observable.ask, width, "  "))
    if best.observable.how:
        lines.append(wrap(f"How: {best.observable.how}", width, "  ", "    "))
    lines += _branches(machine, plan, best, width)
    for other in plan.looks[1 : 1 + _MORE_LOOKS]:
        gain = cost_words(other.saves - other.hours * rate, money)
        name = other.observable.name
        after = f" after {joined(step.name for step in other.first)}" if other.first else ""
        lines.append(
            wrap(f"Pays too: {name}{after} ({minutes_words(other.hours)}; {gain} saved in all).", width, "  ", "    ")
        )
    return "\n".join(lines)


def _branches(machine: Machine, plan: Plan, look: Look, width: int) -> Iterator[str]:
    """Answers that lead to the same first visit stand together, the likeliest first."""
    groups: dict[tuple[Candidate, ...], list[After]] = {}
    for after, visit in zip(look.after, plan.look_visits, strict=True):
        groups.setdefault(visit, []).append(after)
    ordered = sorted(groups.items(), key=lambda item: -round(sum(after.chance for after in item[1]), 9))
    for visit, answers in ordered[:_SHOWN_BRANCHES]:
        answers.sort(key=lambda after: -round(after.chance, 9))
        values = [value_name(machine, after.fact) for after in answers]
        more = f" or {len(values) - _SHOWN_VALUES} others" if len(values) > _SHOWN_VALUES else ""
        said = ", ".join(values[:_SHOWN_VALUES]) + more if more else joined(values, "or")
        chance = percent(sum(after.chance for after in answers))
        yield wrap(f"If {said} (chance {chance}): begin with: {doing(visit)}", width, "  - ")
    if len(ordered) > _SHOWN_BRANCHES:
        yield f"  and {len(ordered) - _SHOWN_BRANCHES} rarer beginnings"


def _order(machine: Machine, plan: Plan, width: int) -> str:
    money = plan.costs.currency
    looked = "without that look" if plan.looks else "to be expected"
    cost = about(plan.order.cost, plan.order.costs, money)
    title = (
        f"ORDER OF REPAIRS ({looked}: {cost}). After each visit clean, take a short drive, look; go on only if it is"
    )
    lines = [wrap(f"{title} still wet.", width)]
    for at, visit in enumerate(plan.visits, start=1):
        when = "" if at == 1 else f"If still wet (chance {percent(visit.wet_before)}): "
        cost = about(visit.cost, visit.costs, money)
        head = f"{when}{access_words(machine, visit.opens)}: {doing(visit.repairs)} ({cost} with the look after it)."
        lines.append(wrap(head, width, f"  {at:>2}  "))
        lines.append(wrap(_why(machine, visit, money), width, "      "))
        if visit.apart:
            lines.append(wrap(_together(visit, money), width, "      "))
    return "\n".join(lines)


def _why(machine: Machine, visit: Visit, money: str) -> str:
    leaks = ", ".join(f"{_sources(machine, one)} {percent(one.chance)}" for one in visit.repairs)
    pace = visit.dries / visit.cost * (100 if money else 1)
    per = f"100 {money}" if money else "hour"
    return (
        f"Leaks with a chance of: {leaks}. It ends the matter with a chance of {percent(visit.dries)}, "
        f"{percent(min(pace, 1.0))} for each {per}."
    )


def _sources(machine: Machine, one: Candidate) -> str:
    names = [source_name(machine, source) for source in one.sources]
    return joined(names if len(names) < 3 else [names[0], f"{len(names) - 1} others"], "or")


def _together(visit: Visit, money: str) -> str:
    """Why several repairs are one visit."""
    added = "; ".join(
        f"{one.repair.name} {cost_words(more, money)}"
        for one, more in sorted(visit.apart, key=lambda item: (-round(item[1], 9), item[0].repair.repair))
    )
    return (
        "In one visit, because opening up, cleaning and looking are then paid for once. To put off any of them would "
        f"add to what is to be expected: {added}."
    )


def _others(machine: Machine, plan: Plan, width: int) -> str:
    money = plan.costs.currency
    lines = [wrap("OTHER ORDERS, each the best that begins so:", width)]
    lines += [wrap(f"{about(one.cost, one.costs, money)}: {_listed(one)}", width, "  - ") for one in plan.others]
    if plan.ratio.cost > plan.order.cost + 1e-9:
        cost = about(plan.ratio.cost, plan.ratio.costs, money)
        lines.append(wrap(f"{cost}: one repair a visit, by chance per cost: {_listed(plan.ratio)}", width, "  - "))
    return "\n".join(lines) if len(lines) > 1 else "OTHER ORDERS: there is none."


def _listed(order: Order) -> str:
    """The visits of an order, the first three in full."""
    said = [doing(visit) for visit in order.visits[:3]]
    more = len(order.visits) - len(said)
    return "; then ".join(said) + (f"; then {more} more" if more > 0 else "") + "."


def _changes(machine: Machine, plan: Plan, width: int) -> str:
    money = plan.costs.currency
    lines = ["WHEN THE ORDER WOULD CHANGE (all else unchanged):"]
    for swap in plan.swaps:
        one, two = plan.visits[swap.first], plan.visits[swap.first + 1]
        if one.wet_before < NEGLIGIBLE:
            break
        this, then = f"visit {swap.first + 1}", f"visit {swap.first + 2}"
        ways = []
        if swap.most is not None and swap.most <= one.cost * _LIKELY:
            ways.append(f"{this} cost more than {cost_words(swap.most, money)} (now {cost_words(one.cost, money)})")
        if swap.least >= two.cost / _LIKELY:
            ways.append(f"{then} less than {cost_words(swap.least, money)} (now {cost_words(two.cost, money)})")
        if ways:
            said = f"Visits {swap.first + 1} and {swap.first + 2} would change places if {joined(ways, 'or')}."
        else:
            said = f"Visits {swap.first + 1} and {swap.first + 2} would change places at no likely price."
        lines.append(wrap(said, width, "  - "))
    lines += [wrap(line, width, "  - ") for line in _ranges(machine, plan)]
    return "\n".join(lines) if len(lines) > 1 else "WHEN THE ORDER WOULD CHANGE: there is only one visit."


def _ranges(machine: Machine, plan: Plan) -> Iterator[str]:
    """Whether the order holds wherever the figures lie in their ranges."""
    money = plan.costs.currency
    if not plan.ranged:
        return
    for turn in plan.turns[:_TOLD_TURNS]:
        ends = joined(figure_words(machine, figure, value, money) for figure, value in turn.ends)
        yield (
            f"The order depends on where in the ranges the figures lie. With {ends}, this costs "
            f"{cost_words(turn.by, money)} less: {_listed(turn.order)}"
        )
    if len(plan.turns) > _TOLD_TURNS:
        yield f"{len(plan.turns) - _TOLD_TURNS} more ends of ranges change the order."
    if not plan.turns and plan.all_corners:
        yield "Wherever the figures lie in their ranges, this order stays the cheapest."
    elif not plan.turns:
        yield (
            f"No range by itself changes the order, nor do all low ends or all high ends together; with more than "
            f"{CORNERS} ranges not every combination was tried."
        )


def _found(machine: Machine, plan: Plan, visits: Visits, width: int) -> str:
    """How the order was found, what it holds for, what was left out."""
    count = sum(len(visit.repairs) for visit in plan.visits)
    if count == 1:
        said = f"There is nothing to order: only this repair's sources leak with a chance of {NEGLIGIBLE:.0%} or more."
    elif plan.exact:
        said = (
            f"Exact: every order of the {count} repairs was weighed, in every way of doing several in one visit; none "
            "costs less."
        )
    else:
        said = (
            f"HEURISTIC: of {count} repairs only the orders of the likeliest {plan.weighed} were all weighed; the "
            "others were put in by chance per cost, and neighbours changed places where that is cheaper. A cheaper "
            "order may exist."
        )
    lines = ["HOW IT WAS FOUND", wrap(said, width, "  - ")]
    because = [
        words
        for words, holds in (
            ("several sources may leak at once", not plan.single),
            ("repairs share the opening of an access", plan.shared),
            ("one look after a visit serves all of its repairs", plan.costs.look > 0),
        )
        if holds
    ]
    if because:
        words = f"Chance per cost alone would be a heuristic here, for {joined(because)}."
    else:
        words = "For a single leak and repairs that share nothing, going by chance per cost alone costs no more."
    if count > 1:
        lines.append(wrap(words, width, "  - "))
    lines.append(
        wrap(
            "A look after a visit is reckoned to tell dry or wet and no more, and a repair to mend all of its sources; "
            "where you see what is wet, ask again with what you saw.",
            width,
            "  - ",
        )
    )
    if plan.left_out:
        lines.append(
            wrap(
                f"Left out: {len(plan.left_out)} repairs whose sources leak with a chance under {NEGLIGIBLE:.0%} each, "
                f"most of them never looked at. The chance that any of them leaks is {percent(plan.missed)}; it is in "
                "no figure here.",
                width,
                "  - ",
            )
        )
    lines.append(wrap(" ".join(visits.hours_basis.split()), width, "  - "))
    return "\n".join(lines)


def _steps(expert: Expert, plan: Plan, visits: Visits, read: set[str], whole: bool, width: int) -> Iterator[str]:
    """Each visit's repairs: cautions first, then steps, parts, refilling and the level."""
    machine = expert.machine
    shown = [at for at, visit in enumerate(plan.visits) if whole or at == 0 or visit.wet_before >= SELDOM]
    told: set[str] = set()
    for at in shown:
        visit = plan.visits[at]
        levels = levels_of(machine, visit, visits)
        warned = cautions_of(
            expert,
            [c for one in visit.repairs for c in one.repair.cautions] + [c for level in levels for c in level.cautions],
        )
        lines = [wrap(f"VISIT {at + 1}: {access_words(machine, visit.opens)}", width)]
        new = [name for name in warned if name not in read]
        if new:
            lines.append(cautions_text(machine, new, width))
        if len(new) < len(warned):
            lines.append(
                wrap(
                    "The cautions above hold here too." if not new else "The cautions further up hold here too.", width
                )
            )
        read |= set(warned)
        for one in visit.repairs:
            lines.append(wrap(f"REPAIR: {one.repair.name} [{one.repair.repair}]", width))
            lines += _numbered(one.repair.steps, width)
            lines += [wrap(f"Part: {part}", width, "  - ") for part in one.repair.parts]
            if one.repair.same_visit:
                lines.append(
                    wrap("Look at in the same visit: " + "; ".join(one.repair.same_visit), width, "  ", "    ")
                )
        if at == 0:
            lines.append(wrap("SEALS AND BOLTS, in every visit", width))
            lines += [wrap(line, width, "  - ") for line in visits.always]
        for level in levels:
            again = level.level in told
            lines.append(wrap(level.name.upper() + (", as further up" if again else ""), width))
            lines += [] if again else _numbered(level.steps, width)
            told.add(level.level)
        lines.append(wrap("Then clean, take a short drive, look; go on with the next visit only if it is wet.", width))
        yield "\n".join(lines)
    left = len(plan.visits) - len(shown)
    if left:
        said = "1 later visit" if left == 1 else f"{left} later visits"
        yield wrap(f"The steps of {said}, seldom come to, are left out; --all shows them.", width)


def _numbered(steps: Iterable[str], width: int) -> list[str]:
    return [wrap(step, width, f"  {at:>2}  ") for at, step in enumerate(steps, start=1)]


def levels_of(machine: Machine, visit: Visit, visits: Visits) -> tuple[Level, ...]:
    """How the fluids of a visit's sources are filled in and their levels set: for each fluid the first that fits."""
    found = []
    for fluid in dict.fromkeys(machine.sources[source].holds for one in visit.repairs for source in one.sources):
        fit = (
            level
            for level in visits.levels
            if fluid in level.fluids and (not level.layouts or machine.layout.layout in level.layouts)
        )
        found += list(fit)[:1]
    return tuple(dict.fromkeys(found))
