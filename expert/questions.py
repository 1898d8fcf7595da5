"""Which question tells most per minute: expected information over the sets of sources, looked ahead one step."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from expert.belief import Belief, Floats
from expert.diagnosis import Diagnosis, Expert, Learnt
from expert.facts import Fact
from expert.grouping import grouped
from expert.information import answer_chances, answer_likelihood, expected_shift
from expert.knowledge.base import Observable
from expert.reference import extend
from expert.trace import Trace

TIE = 1e-9  # log weights nearer to each other than this count as equal

Asked = Collection[tuple[str, str]]


@dataclass(frozen=True)
class Outlook:
    """One possible answer: the fact it would state, how likely it is, and the belief it would leave."""

    fact: Fact
    chance: float
    _expert: Expert = field(repr=False)
    _now: Diagnosis = field(repr=False)
    _learnt: Learnt = field(repr=False)

    @cached_property
    def belief(self) -> Belief:
        """Exactly the belief that really answering so leads to; worked out when it is looked at."""
        shift = self._expert.weight_of(self._learnt, self._expert.sets.every)
        return Belief(self._expert.sets, self._now.belief.log_weight + shift)


@dataclass(frozen=True)
class Question:
    """A question with its expected information (bits), and what each answer would do.

    `value` is by how much knowing the answer raises the chance that the most probable set is the true one, in
    expectation; `decides` says whether any answer would make another set the most probable.
    """

    observable: Observable
    stage: str
    gain: float
    outlooks: tuple[Outlook, ...]
    value: float = 0.0
    decides: bool = False

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
    """The facts an answer could state, each with its weight where no source that it speaks of leaks."""
    name, when = key_of(observable, stage)
    if observable.kind == "number":
        share = 1 / len(observable.bands)
        return tuple((Fact(name, float(band), when), share) for band in observable.bands)
    usual = observable.usual_in.get(stage, observable.usual)
    return tuple((Fact(name, value, when), usual[value]) for value in observable.values)


def look_ahead(expert: Expert, now: Diagnosis, observable: Observable, stage: str) -> Question:
    """What each answer would do, and the information to be expected.

    The belief after an answer is exactly the one that really answering leads to. An answer's chance under a
    set of sources is its usual weight times its likelihood ratio there, scaled so that the answers sum to one.
    """
    answers = possible_answers(observable, stage)
    learnt = [expert.learnt(now.trace, extend(now.trace, fact)) for fact, _ in answers]
    groups = grouped(now.belief, learnt)
    columns = expert.sets.columns(groups.foremost)
    shifts = np.array([expert.weight_of(item, columns) for item in learnt])
    likelihood = answer_likelihood([weight for _, weight in answers], shifts)
    chances = answer_chances(groups.chance, likelihood)
    after = np.exp(shifts) * groups.chance
    after /= after.sum(axis=1, keepdims=True)
    outlooks = tuple(
        Outlook(fact, float(chance), expert, now, item)
        for (fact, _), chance, item in zip(answers, chances, learnt, strict=True)
    )
    foremost = now.belief.chances[groups.foremost]
    return Question(
        observable,
        stage,
        gain=expected_shift(groups.chance, after, chances) if shifts.any() else 0.0,
        outlooks=outlooks,
        value=max(0.0, float((foremost * likelihood).max(axis=1).sum() - foremost.max())),
        decides=_decides(now.belief.log_weight, groups.foremost, int(now.belief.rising[-1]), shifts),
    )


def _decides(weight: Floats, foremost: NDArray[np.intp], best: int, shifts: Floats) -> bool:
    """Would any answer make another group's likeliest set the most probable? (Ties, to nine digits, decide nothing.)"""
    at = int(np.flatnonzero(foremost == best)[0])  # not the heaviest: of tied sets it would be any, as rounding falls
    after = weight[foremost] + shifts
    return bool((after.max(axis=1) > after[:, at] + TIE).any())


@dataclass(frozen=True)
class Pair:
    """Two questions one after the other: what both are worth, the minutes to be expected, whether they decide."""

    value: float
    minutes: float
    decides: bool


def in_two_steps(
    expert: Expert, now: Diagnosis, first: Question, stage: str, closed: Asked, others: Iterable[Observable]
) -> Pair:
    """What a question is worth together with the best one to follow each of its answers.

    What may follow are `others`, and questions that need this one's answer to be known.
    """
    here = first.observable
    dependent = [o for o in expert.machine.observables.values() if here.id in o.needs]
    after = [o for o in dict.fromkeys(o.id for o in (*others, *dependent)) if o != here.id]
    value, minutes, decides = first.value, here.minutes, first.decides
    for outlook in first.outlooks:
        trace = extend(now.trace, outlook.fact)
        then = replace(now, trace=trace, belief=outlook.belief)
        seconds = ranked(expert, then, (expert.machine.observables[o] for o in after), stage, closed)
        best = max(seconds, key=lambda q: (round(q.value / q.observable.minutes, 9), q.observable.id), default=None)
        if best is not None and best.value > 0:
            value += outlook.chance * best.value
            minutes += outlook.chance * best.observable.minutes
            decides = decides or best.decides
    return Pair(value, minutes, decides)


def ranked(
    expert: Expert, now: Diagnosis, observables: Iterable[Observable], stage: str, closed: Asked
) -> tuple[Question, ...]:
    """All that may be asked now, the most bits per minute first; ties (to nine digits) go by name."""
    return in_order(
        look_ahead(expert, now, observable, stage)
        for observable in observables
        if askable(expert, now.trace, observable, stage, closed)
    )


def in_order(questions: Iterable[Question]) -> tuple[Question, ...]:
    """The most bits per minute first; ties (to nine digits) go by name."""
    return tuple(sorted(questions, key=lambda q: (-round(q.rate, 9), q.observable.id)))
