"""The shapes of rules/plan/ and of a file of prices."""

from __future__ import annotations

import math
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from expert.arithmetic.spans import Span
from expert.knowledge.model import Entry, Id, Ids, Text, Words

MOST_HOURS = 1000.0
MOST_MONEY = 1e7
_TWO = 2


def _span(value: Any, least: float, most: float) -> Span:
    ends = value if isinstance(value, list) else [value, value]
    allowed = f"allowed: a number from {least:g} to {most:g}, or two of them, [low, high]"
    if len(ends) != _TWO:
        raise ValueError(f"a range has two ends, and this has {len(ends)}; {allowed}")
    try:
        low, high = (float(end) for end in ends)
    except (TypeError, ValueError):
        raise ValueError(f"this is no number; {allowed}") from None
    if not (math.isfinite(low) and math.isfinite(high) and least <= low and high <= most):
        given = f"{low:g} to {high:g}" if low != high else f"{low:g}"
        raise ValueError(f"{given} cannot be; {allowed}")
    if low > high:
        raise ValueError(f"{low:g} to {high:g} is the wrong way round; {allowed}")
    return Span(low, high)


Hours = Annotated[Span, BeforeValidator(lambda value: _span(value, 0.01, MOST_HOURS))]
Opening = Annotated[Span, BeforeValidator(lambda value: _span(value, 0, MOST_HOURS))]
Money = Annotated[Span, BeforeValidator(lambda value: _span(value, 0, MOST_MONEY))]
Rate = Annotated[Span, BeforeValidator(lambda value: _span(value, 0.01, MOST_MONEY))]
Word = Annotated[str, Field(pattern=r"^[^\s\d]{1,12}$")]


class Price(Entry):
    """What one repair takes: hours (opening included), and the price of its parts."""

    hours: Hours | None = None
    parts: Money | None = None


class Prices(Entry):
    """A shop's own figures, all of which may be left out; money needs both a rate and a currency."""

    currency: Word | None = None
    money_per_hour: Rate | None = None
    access: dict[Id, Opening] = Field(default={})
    repairs: dict[Id, Price] = Field(default={})


class Opened(Entry):
    """Hours to open an access and close it again."""

    access: Id
    hours: Annotated[float, Field(ge=0, le=MOST_HOURS)]
    basis: Text


class OpenedWith(Entry):
    """A repair that counts to a deeper access, whose opening is part of its work."""

    repair: Id
    access: Id
    basis: Text


class Level(Entry):
    """How fluid is filled in and its level set, cold and hot."""

    level: Id
    name: Text
    fluids: Words
    layouts: Ids = ()
    steps: Words
    cautions: Ids = ()
    basis: Text


class Visits(Entry):
    """rules/plan/visits.yaml."""

    access: tuple[Opened, ...]
    opened_with: tuple[OpenedWith, ...] = ()
    hours_basis: Text
    always: Words
    always_basis: Text
    levels: tuple[Level, ...]

    @property
    def opening(self) -> dict[str, float]:
        """The hours of each access."""
        return {entry.access: entry.hours for entry in self.access}

    @property
    def moved(self) -> dict[str, str]:
        """The access that each repair which counts to another than its own counts to."""
        return {entry.repair: entry.access for entry in self.opened_with}
