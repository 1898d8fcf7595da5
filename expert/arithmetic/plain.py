"""Ranges with their units as words for the screen."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from expert.arithmetic.spans import Span, shown
from expert.knowledge.model import Text
from expert.wording import wrap

_MONTH = 30.44  # days, the mean


def volume(millilitres: Span) -> str:
    """'14 to 40 mL', or litres where there are many."""
    return f"{shown(millilitres.scaled(0.001))} L" if millilitres.high >= 1000 else f"{shown(millilitres)} mL"


def duration(hours: Span) -> str:
    """'12 to 40 hours', in minutes, days or months where that reads better."""
    if hours.high < 2:
        return f"{shown(hours.scaled(60))} minutes"
    if hours.high < 100:
        return f"{shown(hours)} hours"
    if hours.high < 100 * 24:
        return f"{shown(hours.scaled(1 / 24))} days"
    return f"{shown(hours.scaled(1 / 24 / _MONTH))} months"


def item(text: str, width: int) -> str:
    """One figure with what it rests on, as an entry of a list."""
    return wrap(text, width, first="  - ", rest="    ")


def note(text: str, width: int) -> str:
    """A paragraph of its own."""
    return wrap(text, width)


def assumed(said: Sequence[str], width: int) -> list[str]:
    """The lines that say what a figure rests on; none where it rests on nothing."""
    return ["  Assumed:", *(item(one, width) for one in said)] if said else []


def source(says: Text, basis: Text) -> str:
    """'says [basis]'."""
    return f"{says} [{basis}]"


def warnings(cautions: Iterable[str], width: int) -> str:
    """Cautions as the chat shows them."""
    return "\n".join(wrap(text, width, first="! CAUTION: ", rest="! ") for text in cautions)
