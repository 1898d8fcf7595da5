"""Costs, figures, visits and answers of a plan in words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from expert.arithmetic.spans import Span
from expert.knowledge.base import Machine
from expert.plan.candidates import Candidate
from expert.plan.costs import HOURS, OPENING, RATE, Figure
from expert.wording import joined

_WHOLE = 20  # money from here on is said without the small coin


def _number(value: float, currency: str) -> str:
    if currency:
        return f"{value:.0f}" if value >= _WHOLE else f"{value:.2f}"
    return f"{value:.2f}" if value < 1 else f"{value:.1f}"


def cost_words(value: float, currency: str) -> str:
    """'7.4 h', or '312 euro'."""
    return f"{_number(value, currency)} {currency or 'h'}"


def span_words(span: Span, currency: str) -> str:
    """'6.9 to 8.2 h', or '7.4 h' where both ends print alike."""
    low, high = _number(span.low, currency), _number(span.high, currency)
    return f"{low} {currency or 'h'}" if low == high else f"{low} to {high} {currency or 'h'}"


def about(value: float, span: Span, currency: str) -> str:
    """A cost with its range, where it has one."""
    alike = span.high - span.low <= 1e-9 * abs(span.high)
    return cost_words(value, currency) + ("" if alike else f", {span_words(span, currency)}")


def figure_words(machine: Machine, figure: Figure, value: float, currency: str) -> str:
    """'renew the pan gasket at 2 h'."""
    kind, name = figure
    if kind == RATE:
        return f"an hour at {value:g} {currency}"
    if kind == OPENING:
        return f"{machine.base.access[name].name}, opened in {value:g} h"
    what = machine.base.repairs[name].name
    return f"{what}, in {value:g} h" if kind == HOURS else f"parts to {what} at {value:g} {currency}"


def doing(repairs: Iterable[Candidate]) -> str:
    """'renew the pan gasket and reseal the drain plug'."""
    return joined(one.repair.name for one in repairs)


def access_words(machine: Machine, opens: Sequence[str]) -> str:
    """'Transmission out'."""
    said = joined(machine.base.access[name].name for name in opens)
    return f"{said[:1].upper()}{said[1:]}"


def minutes_words(hours: float) -> str:
    """'about 45 minutes', or hours where it is long."""
    minutes = round(hours * 60)
    if minutes > 120:
        return f"{hours:.1f} hours"
    return "1 minute" if minutes == 1 else f"{minutes} minutes"
