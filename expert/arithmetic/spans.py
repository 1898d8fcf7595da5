"""Ranges of a figure: what is measured and assumed here is never one number."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from typing import NamedTuple

DIGITS = 2  # of a figure that is printed; these figures are not better than that
_EXACT = 9  # digits kept before a range is widened, so that rounding noise does not widen it


class Unusable(ValueError):
    """A figure, or figures together, that cannot be; the message says what is wrong and what is allowed."""


class Span(NamedTuple):
    """From `low` to `high` (low not above high), both in the same unit."""

    low: float
    high: float

    def times(self, other: Span) -> Span:
        """The range of products. Any signs."""
        found = [a * b for a in self for b in other]
        return Span(min(found), max(found))

    def over(self, other: Span) -> Span:
        """The range of quotients. Unusable where the divisor's range holds zero."""
        if other.low <= 0 <= other.high:
            raise Unusable("There is a division by a figure that may be zero; give a figure above zero.")
        return self.times(Span(1 / other.high, 1 / other.low))

    def plus(self, other: Span) -> Span:
        """The range of sums."""
        return Span(self.low + other.low, self.high + other.high)

    def minus(self, other: Span) -> Span:
        """The range of differences."""
        return Span(self.low - other.high, self.high - other.low)

    def scaled(self, factor: float) -> Span:
        """Both ends times a number."""
        return self.times(exactly(factor))

    def common(self, other: Span) -> Span | None:
        """What both ranges hold; None if they do not meet."""
        low, high = max(self.low, other.low), min(self.high, other.high)
        return Span(low, high) if low <= high else None

    @property
    def middle(self) -> float:
        """Half-way between the ends."""
        return (self.low + self.high) / 2


def exactly(value: float) -> Span:
    """A range of one number."""
    return Span(value, value)


def hull(values: Iterable[float]) -> Span:
    """The smallest range that holds all of them."""
    found = list(values)
    return Span(min(found), max(found))


def figure(value: float, digits: int = DIGITS, rounding: str | None = None) -> str:
    """A number with so many digits that count and no exponent: '0.034', '14', '1200'."""
    if not value:
        return "0"
    exact = Decimal(f"{value:.{_EXACT}g}")
    step = Decimal(1).scaleb(exact.adjusted() - digits + 1)
    text = f"{exact.quantize(step, rounding=rounding) if step <= 1 else (exact / step).quantize(1, rounding) * step:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def shown(span: Span, digits: int = DIGITS) -> str:
    """'14 to 40', or '14' where both ends print alike. Rounded outwards, so that nothing possible is cut off."""
    if span.high - span.low <= abs(span.high) * 10**-_EXACT:
        return figure(span.low, digits)
    low, high = figure(span.low, digits, ROUND_FLOOR), figure(span.high, digits, ROUND_CEILING)
    return low if low == high else f"{low} to {high}"


def rounded(span: Span) -> list[float]:
    """Both ends to six digits that count, for JSON."""
    return [float(f"{end:.6g}") for end in span]
