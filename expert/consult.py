"""One case stated at once, in words or as facts, to a conclusion: what `facts`, a batch and Python's callers share."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from expert.conclusion import Conclusion, conclude
from expert.diagnosis import Diagnosis, Expert
from expert.dialogue import conflicting, entering
from expert.facts import Fact, Scalar
from expert.inspection import stage_of
from expert.jsonform import conclusion_object
from expert.knowledge.base import Observable
from expert.knowledge.problems import nearest
from expert.overlay import Shop
from expert.parting import Parting, between
from expert.phrases import Lexicon, Reading, understand
from expert.report import rivals
from expert.wording import fact_words, joined, number

SAY = "Say for example: red fluid, bellhousing hole wet, rear of engine dry"
KEYS = ("finding", "value", "stage")
NEAR = 3


class FactsError(ValueError):
    """Facts or words that cannot be used; the message says what is wrong and what is allowed instead."""


@dataclass(frozen=True)
class Stated:
    """What was stated of one vehicle: its facts, the stage it is judged in, and the reading of the words, if any."""

    facts: tuple[Fact, ...]
    stage: str
    reading: Reading


@dataclass(frozen=True)
class Concluded:
    """A conclusion with what it follows from; `parting` is the question that best parts the first two, if any."""

    stated: Stated
    now: Diagnosis
    end: Conclusion
    parting: Parting | None


class Consultant:
    """An expert on one layout who is told a whole case at once. A pure function of what is stated."""

    def __init__(self, expert: Expert, lexicon: Lexicon, shop: Shop | None = None) -> None:
        self.expert = expert
        self.lexicon = lexicon
        self.shop = shop

    def stage(self, wanted: str | None) -> str:
        """The stage wanted, or the first one. FactsError for an unknown one."""
        stages = [entry.stage for entry in self.expert.scale.stages]
        if wanted is not None and wanted not in stages:
            raise FactsError(f"There is no stage {_shown(wanted)}. Allowed: {', '.join(stages)}.")
        return wanted or stages[0]

    def read(self, text: str, stage: str | None = None) -> Reading:
        """What a text says, seen in `stage` (the first one, if None) until it names another."""
        return understand(self.lexicon, text, self.stage(stage))

    def stated(self, reading: Reading, stage: str | None = None, given: Sequence[Fact] = ()) -> Stated:
        """The facts of a reading and those `given` as such, together. FactsError if two contradict, or there are none.

        `stage` is the one asked for, if any; else the facts themselves say in which stage the vehicle is.
        """
        pairs = list(reading.contradictions)
        facts: list[Fact] = []
        for fact in (*given, *entering(self.expert, reading, self.stage(stage))):
            other = conflicting(self.expert, facts, fact)
            if other is not None:
                pairs.append((other, fact))
            elif fact not in facts:
                facts.append(fact)
        if pairs:
            old, new = (fact_words(self.expert.machine, fact) for fact in pairs[0])
            raise FactsError(
                f"Two facts contradict each other: {old}, and {new}. Which is right? Leave one out, or say when each "
                "was seen (as found, after cleaning)."
            )
        if not facts:
            raise FactsError(f"Nothing in that was understood. {SAY}")
        return Stated(tuple(facts), stage or stage_of(self.expert, facts), reading)

    def conclude(self, stated: Stated, ahead: bool = True) -> Concluded:
        """The conclusion; without `ahead` no question is looked at, which is most of the work."""
        now = self.expert.diagnose(stated.facts)
        end = conclude(self.expert, now, stated.stage if ahead else "")  # in no stage there is nothing to ask
        two = rivals(end)
        parted = ahead and len(two) == 2
        parting = between(self.expert, now, two[0], two[1], stated.stage) if parted else None
        return Concluded(stated, now, end, parting)

    def as_object(self, concluded: Concluded, ahead: bool = True) -> dict[str, Any]:
        """The documented object; what looking ahead would have told is null without it."""
        stated = concluded.stated
        found = conclusion_object(
            self.expert, concluded.now, concluded.end, stated.stage, stated.reading, self.shop, concluded.parting
        )
        return found if ahead else {**found, "would_change_its_mind": None, "parts_first_two": None}

    # --- facts given as such ---------------------------------------------------------------------------------

    def facts_of(self, given: object, stage: str | None = None) -> tuple[Fact, ...]:
        """The facts of a mapping from findings to values, or of a list of objects with finding, value and stage.

        What carries no stage of its own was seen in `stage` or, where that is None, in the stage that the other facts
        say the vehicle is in. A mapping's value may be a list where several values may hold. FactsError says what is
        wrong, and what is allowed.
        """
        entries = list(_entries(given))
        plain = (Fact(name, value) for name, value, _ in entries if isinstance(value, str))
        when = self.stage(stage) if stage is not None else stage_of(self.expert, plain)
        return tuple(dict.fromkeys(self._fact(name, value, seen, when) for name, value, seen in entries))

    def _fact(self, name: str, value: object, seen: str | None, when: str) -> Fact:
        observable = self.expert.machine.observables.get(name)
        if observable is None:
            near = nearest(name, self.expert.machine.observables, NEAR)
            offer = f" Near it: {joined(near, 'or')}." if near else ""
            layout = self.expert.machine.layout.layout
            raise FactsError(f"There is no finding {_shown(name)} on layout {layout!r}.{offer}")
        if seen and not observable.staged:
            raise FactsError(f"{name!r} carries no stage; leave it out.")
        at = (self.stage(seen) if seen else when) if observable.staged else ""
        return Fact(name, _value(observable, value), at)


def _entries(given: object) -> Iterable[tuple[str, object, str | None]]:
    """(finding, value, stage or None) of each fact in whatever form."""
    if isinstance(given, Mapping):
        for name, value in given.items():
            if not isinstance(name, str):
                raise FactsError(f"A finding is named by a word, not by {_shown(name)}.")
            for one in value if isinstance(value, list | tuple) else [value]:
                yield name, one, None
        return
    if isinstance(given, str) or not isinstance(given, Iterable):
        raise FactsError("Facts are an object of findings with their values, or a list of facts.")
    for entry in given:
        if isinstance(entry, Fact):
            yield entry.finding, entry.value, entry.stage or None
            continue
        if not isinstance(entry, Mapping) or "finding" not in entry or "value" not in entry:
            raise FactsError(
                f"A fact is an object with {joined(KEYS[:2])}, and stage where it has one; not {_shown(entry)}."
            )
        strange = [key for key in entry if key not in KEYS]
        if strange:
            raise FactsError(f"A fact has no key {_shown(strange[0])}. Allowed: {', '.join(KEYS)}.")
        name, stage = entry["finding"], entry.get("stage")
        if not isinstance(name, str) or not (stage is None or isinstance(stage, str)):
            raise FactsError(f"A fact's finding and stage are words; not {_shown(entry)}.")
        yield name, entry["value"], stage or None


def _value(observable: Observable, value: object) -> Scalar:
    """The value, if the finding may have it."""
    if observable.kind == "number":
        least, most = observable.least or 0.0, observable.most or 0.0
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise FactsError(f"{observable.id!r} is a number (in: {observable.unit}), not {_shown(value)}.")
        if not least <= value <= most:
            limits = f"Allowed: {number(least)} to {number(most)} {observable.unit}."
            raise FactsError(f"{observable.id!r} cannot be {number(float(value))}. {limits}")
        return float(value)
    if not isinstance(value, str) or value not in observable.values:
        raise FactsError(f"{observable.id!r} has no value {_shown(value)}. Allowed: {', '.join(observable.values)}.")
    return value


def _shown(value: object) -> str:
    """A value as given, cut short, without control characters."""
    text = ascii(value)
    return text if len(text) <= 60 else f"{text[:60]} ..."
