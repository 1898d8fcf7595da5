"""Facts, chances and sources as words: the one place that decides how a thing is called on the screen."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from expert.facts import Fact
from expert.knowledge.base import WETNESS_KIND, Machine

WIDTH = 76

# Bands of a posterior in plain words; ours, symmetrical, no source.
_SURE = (
    (0.95, "almost certain"),
    (0.85, "very likely"),
    (0.65, "likely"),
    (0.35, "possible"),
    (0.15, "unlikely"),
    (0.0, "very unlikely"),
)


def sure(chance: float) -> str:
    """A probability in plain words."""
    return next(words for least, words in _SURE if chance >= least)


def percent(chance: float) -> str:
    """A probability as a whole percentage that never claims certainty."""
    if chance > 0.99:
        return "over 99%"
    if 0 < chance < 0.01:
        return "under 1%"
    return f"{chance:.0%}"


def number(value: float) -> str:
    """A number without needless digits."""
    return f"{value:.6g}"


def fact_words(machine: Machine, fact: Fact, stage: bool = True) -> str:
    """'lowest hole of the bellhousing: wet (as found)'."""
    observable = machine.observables[fact.finding]
    said = f"{observable.name}: {value_name(machine, fact)}"
    if isinstance(fact.value, float):
        said += f" {observable.unit}"
    return f"{said} ({stage_name(machine, fact.stage)})" if stage and fact.stage else said


def value_name(machine: Machine, fact: Fact) -> str:
    """A fact's value by itself: a number, a place by its name, or a word."""
    if isinstance(fact.value, float):
        return number(fact.value)
    if machine.observables[fact.finding].kind == "zone":
        return machine.zones[fact.value].name
    return fact.value


def stage_name(machine: Machine, stage: str) -> str:
    """The words for a stage id."""
    return next(entry.name for entry in machine.base.scale.stages if entry.stage == stage)


def source_name(machine: Machine, source: str) -> str:
    """What the trade calls a source."""
    return machine.base.sources[source].name


def value_words(machine: Machine, finding: str, value: str) -> str:
    """An answer as shown beside its number: a zone's name, or the value with what it looks like."""
    observable = machine.observables[finding]
    if observable.kind == "zone":
        return machine.zones[value].name
    means = observable.value_means.get(value, "") if observable.kind != WETNESS_KIND else ""
    return f"{value} - {means}" if means else value


def joined(names: Iterable[str], last: str = "and") -> str:
    """'a, b and c'."""
    *before, final = list(names)
    return f"{', '.join(before)} {last} {final}" if before else final


def wrap(text: str, width: int = WIDTH, first: str = "", rest: str | None = None) -> str:
    """Fold text to a width; `first` leads the first line, `rest` (or as many spaces) the lines after it."""
    hang = " " * len(first) if rest is None else rest
    return textwrap.fill(text, width, initial_indent=first, subsequent_indent=hang, break_on_hyphens=False)
