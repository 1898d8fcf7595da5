"""rules/plan/ and a file of prices, read and validated against the knowledge; every problem with its file and line."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TypeVar

from pydantic import ValidationError

from expert.knowledge.base import KnowledgeBase
from expert.knowledge.lines import Lined, Unreadable, read
from expert.knowledge.load import bytes_of
from expert.knowledge.model import Entry
from expert.knowledge.problems import KnowledgeError, Problem, advice
from expert.knowledge.shapes import faults
from expert.plan.shapes import Prices, Visits

VISITS = "plan/visits.yaml"
Shape = TypeVar("Shape", bound=Entry)


def load_visits(rules: Path, base: KnowledgeBase) -> Visits:
    """rules/plan/. KnowledgeError naming file and line of everything wrong."""
    lined = _lined(rules / VISITS, VISITS)
    table = _shaped(Visits, lined, VISITS)
    problems = list(_unfit(table, lined, base))
    if problems:
        raise KnowledgeError(problems)
    return table


def load_prices(path: Path, base: KnowledgeBase) -> tuple[Prices, Lined]:
    """A shop's own figures, and their lines. KnowledgeError naming file and line of everything wrong."""
    name = str(path)
    lined = _lined(path, name)
    prices = _shaped(Prices, lined, name)
    problems = [
        Problem(name, lined.line((table, entry)), f"there is no {word} {entry!r}", advice(entry, known))
        for table, word, entries, known in (
            ("access", "access", prices.access, base.access),
            ("repairs", "repair", prices.repairs, base.repairs),
        )
        for entry in entries
        if entry not in known
    ]
    problems += _money(prices, lined, name)
    if problems:
        raise KnowledgeError(problems)
    return prices, lined


def _money(prices: Prices, lined: Lined, name: str) -> Iterator[Problem]:
    """Money needs a rate, for costs are added up, and a word for it."""
    if prices.money_per_hour is not None and prices.currency is None:
        what = "money-per-hour is given without a currency"
        yield Problem(name, lined.line(("money-per-hour",)), what, "add `currency: WORD`, any word")
    if prices.money_per_hour is None:
        if prices.currency is not None:
            what = "a currency is given without money-per-hour"
            yield Problem(name, lined.line(("currency",)), what, "add `money-per-hour: 60`, say")
        for repair, price in prices.repairs.items():
            if price.parts is not None:
                what = f"the parts of {repair!r} have a price, and an hour none"
                line = lined.line(("repairs", repair, "parts"))
                yield Problem(name, line, what, "add `currency: WORD` and `money-per-hour: 60`, say")


def _lined(path: Path, name: str) -> Lined:
    try:
        lined = read(bytes_of(path, name), name)
    except Unreadable as error:
        raise KnowledgeError([error.problem]) from None
    if not isinstance(lined.value, dict):
        problem = Problem(name, 1, "this is not made of `key: value` lines", "write them so")
        raise KnowledgeError([problem])
    return lined


def _shaped(shape: type[Shape], lined: Lined, name: str) -> Shape:
    try:
        return shape.model_validate(lined.value)
    except ValidationError as error:
        raise KnowledgeError(
            Problem(name, lined.line(fault.path), fault.what, fault.allowed)
            for fault in faults(shape, lined.value, error)
        ) from None


def _unfit(table: Visits, lined: Lined, base: KnowledgeBase) -> Iterator[Problem]:
    """What does not fit the knowledge, or itself."""
    opening = table.opening
    for name in base.access:
        if [entry.access for entry in table.access].count(name) != 1:
            yield Problem(VISITS, lined.line(("access",)), f"the access {name!r} needs one entry", "write it once")
    named: list[tuple[tuple[str | int, ...], str, str, object]] = []
    for at, opened in enumerate(table.access):
        named.append((("access", at, "access"), "access", opened.access, base.access))
    for at, moved in enumerate(table.opened_with):
        named.append((("opened-with", at, "repair"), "repair", moved.repair, base.repairs))
        named.append((("opened-with", at, "access"), "access", moved.access, base.access))
    for at, level in enumerate(table.levels):
        named += [(("levels", at, "fluids"), "fluid", fluid, base.scale.fluids) for fluid in level.fluids]
        named += [(("levels", at, "layouts"), "layout", layout, base.layouts) for layout in level.layouts]
        named += [(("levels", at, "cautions"), "caution", caution, base.cautions) for caution in level.cautions]
    for path, word, name, known in named:
        if name not in known:  # type: ignore[operator]
            yield Problem(VISITS, lined.line(path), f"there is no {word} {name!r}", advice(name, known))  # type: ignore[arg-type]
    for repair in base.repairs.values():
        access = table.moved.get(repair.repair, repair.access)
        if repair.hours <= opening.get(access, 0.0):
            what = f"{repair.repair!r} takes {repair.hours:g} hours, and opening its access {access!r} as many or more"
            yield Problem(VISITS, lined.line(("access",)), what, "give the access fewer hours, or the repair more")
