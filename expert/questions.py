"""Which question tells most per minute: expected information over the sets of sources, looked ahead one step."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass

import numpy as np

from expert.belief import Belief
from expert.diagnosis import Diagnosis, Expert
from expert.facts import Fact
from expert.information import answer_chances, expected_shift
from expert.knowledge.base import Observable
from expert.reference import extend
from expert.trace import Trace

Asked = Collection[tuple[str, str]]


@dataclass(frozen=True)
class Outlook:
    """One possible answer: the fact it would state, how likely it is, and the belief it would leave."""

    fact: Fact
    chance: float
    belief: Belief


@dataclass(frozen=True)
class Question:
    """A question with its expected information (bits), its minutes, and what each answer would do."""

    observable: Observable
    stage: str
    gain: float
    outlooks: tuple[Outlook, ...]

    @property
    def rate(self) -> float:
        """Expected bits per minute of effort."""
        return self.gain / self.observable.minutes


def key_of(observable: Observable, stage: str) -> tuple[str, str]:
    """The (finding, stage) under which an answer given in `stage` is kept."""
    return (observable.id, stage if observable.staged else "")


def askable(expert: Expert, trace: Trace, observable: Observable, stage: str, closed: Asked) -> bool:
    """May it be asked now: not yet known (or waived, `closed`), in the right stage, all that it needs known."""
    key = key_of(observable, stage)
    if not observable.phase or key in closed or any(f.key == key for f in trace.stated):
        return False
    # What rules concluded need not be asked, unless it is a value not fully trusted (a damp place): look closer.
    if any(observable.trust.get(str(value), 1.0) >= 1 for value in trace.memory.get(key, ())):
        return False
    if observable.only_stage and observable.only_stage != stage:
        return False
    return all(_met(expert, trace, name, values, stage) for name, values in observable.needs.items())


def _met(expert: Expert, trace: Trace, name: str, values: tuple[str, ...], stage: str) -> bool:
    observable = expert.machine.observables.get(name)
    if observable is None:
        return False
    known = trace.memory.get(key_of(observable, stage), frozenset())
    return any(value in values for value in known)


def possible_answers(observable: Observable, stage: str) -> tuple[tuple[Fact, float], ...]:
    """The facts an answer could state, each with its weight on a vehicle of which nothing is known."""
    name, when = key_of(observable, stage)
    if observable.kind == "number":
        share = 1 / len(observable.bands)
        return tuple((Fact(name, float(band), when), share) for band in observable.bands)
    return tuple((Fact(name, value, when), observable.usual[value]) for value in observable.values)


def look_ahead(expert: Expert, now: Diagnosis, observable: Observable, stage: str) -> Question:
    """What each answer would do, and the information to be expected.

    The belief after an answer is exactly the one that really answering leads to. An answer's chance under a
    set of sources is its usual weight times its likelihood ratio there, scaled so that the answers sum to one.
    """
    answers = possible_answers(observable, stage)
    shifts = np.array([expert.shift(now.trace, extend(now.trace, fact)) for fact, _ in answers])
    usual = np.array([[weight] for _, weight in answers])
    likelihood = usual * np.exp(shifts)
    likelihood /= likelihood.sum(axis=0)
    chances = answer_chances(now.belief.chances, likelihood)
    beliefs = [Belief(expert.sets, now.belief.log_weight + shift) for shift in shifts]
    after = np.array([belief.chances for belief in beliefs])
    gain = expected_shift(now.belief.chances, after, chances)
    outlooks = tuple(
        Outlook(fact, float(chance), belief)
        for (fact, _), chance, belief in zip(answers, chances, beliefs, strict=True)
    )
    return Question(observable, stage, gain, outlooks)


def ranked(
    expert: Expert, now: Diagnosis, observables: Iterable[Observable], stage: str, closed: Asked
) -> tuple[Question, ...]:
    """All that may be asked now, the most bits per minute first; ties (to nine digits) go by name."""
    found = [
        look_ahead(expert, now, observable, stage)
        for observable in observables
        if askable(expert, now.trace, observable, stage, closed)
    ]
    return tuple(sorted(found, key=lambda q: (-round(q.rate, 9), q.observable.id)))
