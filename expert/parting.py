"""Which one question best tells two answers apart: this source or that one, this source or not."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import reduce

import numpy as np
from numpy.typing import NDArray

from expert.belief import Belief, Floats
from expert.diagnosis import Diagnosis, Expert
from expert.facts import Fact
from expert.information import answer_chances, answer_likelihood, expected_shift
from expert.inspection import most_trusted, open_in
from expert.knowledge.base import Observable
from expert.questions import Asked, askable, possible_answers
from expert.reference import extend

# A question that tells less than this of the two is not worth showing. Ours, no source.
LEAST = 0.01

Rows = NDArray[np.bool_]


@dataclass(frozen=True)
class Answer:
    """One answer: the fact it would state, and the belief that it would leave."""

    fact: Fact
    belief: Belief


@dataclass(frozen=True)
class Parting:
    """A question, what it is expected to tell of the two (bits), and what each of its answers would do.

    `stage` is that in which it is asked; `first` are the facts that enter this stage, if it is another than the
    present one, and `minutes` count what entering it takes.
    """

    observable: Observable
    stage: str
    first: tuple[Fact, ...]
    minutes: float
    gain: float
    answers: tuple[Answer, ...]


@dataclass(frozen=True)
class _Candidate:
    """A question that may be asked of a diagnosis, and the bits it is expected to tell."""

    now: Diagnosis
    observable: Observable
    stage: str
    first: tuple[Fact, ...]
    minutes: float
    gain: float


def cautions(expert: Expert, parting: Parting | None) -> tuple[str, ...]:
    """The ids of the cautions of a question, and of the steps that lead to its stage."""
    if parting is None:
        return ()
    steps = (expert.machine.observables[fact.finding] for fact in parting.first)
    return tuple(dict.fromkeys(c for each in (*steps, parting.observable) for c in each.cautions))


def leaking(belief: Belief, source: str) -> Rows:
    """The sets of sources that hold this one."""
    return np.asarray((belief.sets.members == belief.sets.position[source]).any(axis=1))


def between(expert: Expert, now: Diagnosis, one: str, other: str, stage: str, closed: Asked = ()) -> Parting | None:
    """The question that tells most per minute of which of two sources leaks, given that one of them alone does."""
    has, had = leaking(now.belief, one), leaking(now.belief, other)
    return _best(expert, now, has & ~had, had & ~has, stage, closed)


def settling(expert: Expert, now: Diagnosis, source: str, stage: str, closed: Asked = ()) -> Parting | None:
    """The question that tells most per minute of whether this source leaks at all."""
    has = leaking(now.belief, source)
    return _best(expert, now, has, ~has, stage, closed)


def _best(expert: Expert, now: Diagnosis, one: Rows, other: Rows, stage: str, closed: Asked) -> Parting | None:
    """The best question of the present stage or of the stage that counts, if that is still to come; None for none.

    Ties, to nine digits, go by name.
    """
    if not (one.any() and other.any()):
        return None
    found = list(_candidates(expert, now, one, other, stage, (), closed))
    later = most_trusted(expert.scale)
    entering = () if later == stage else _entering(expert, later)
    if entering and not any(fact.key == said.key for fact in entering for said in now.trace.stated):
        then = expert.weigh(reduce(extend, entering, now.trace))
        found += _candidates(expert, then, one, other, later, entering, closed)
    telling = [each for each in found if each.gain >= LEAST]
    if not telling:
        return None
    best = min(telling, key=lambda c: (-round(c.gain / c.minutes, 9), c.observable.id, c.stage))
    answers = (
        Answer(fact, expert.weigh(extend(best.now.trace, fact)).belief)
        for fact, _ in possible_answers(best.observable, best.stage)
    )
    return Parting(best.observable, best.stage, best.first, best.minutes, best.gain, tuple(answers))


def _entering(expert: Expert, stage: str) -> tuple[Fact, ...]:
    """The facts that say that a stage was entered."""
    entry = next(entry for entry in expert.scale.stages if entry.stage == stage)
    return tuple(Fact(name, value) for name, value in entry.entered_by.items())


def _candidates(
    expert: Expert, now: Diagnosis, one: Rows, other: Rows, stage: str, first: tuple[Fact, ...], closed: Asked
) -> Iterator[_Candidate]:
    """All questions that may be asked in a stage, with what they tell; `first` was done to get there."""
    lead = sum(expert.machine.observables[fact.finding].minutes for fact in first)
    rows = np.flatnonzero(one | other)
    for observable in open_in(expert, stage):
        if askable(expert, now.trace, observable, stage, closed):
            gain = _gain(expert, now, observable, stage, rows, one[rows])
            yield _Candidate(now, observable, stage, first, observable.minutes + lead, gain)


def _gain(
    expert: Expert, now: Diagnosis, observable: Observable, stage: str, rows: NDArray[np.intp], mine: Rows
) -> float:
    """Expected shift, in bits, of the belief in one of the two, reckoned over all sets of sources of either."""
    prior = now.belief.chances[rows] / now.belief.chances[rows].sum()
    answers = possible_answers(observable, stage)
    learnt = [expert.learnt(now.trace, extend(now.trace, fact)) for fact, _ in answers]
    if not any(each.old or each.new or each.restored or each.excluded for each in learnt):
        return 0.0
    columns = expert.sets.columns(rows)
    shifts = np.array([expert.weight_of(each, columns) for each in learnt])
    chances = answer_chances(prior, answer_likelihood([weight for _, weight in answers], shifts))
    after = np.exp(shifts) * prior
    after /= after.sum(axis=1, keepdims=True)
    return expected_shift(_halves(prior[np.newaxis], mine)[0], _halves(after, mine), chances)


def _halves(chances: Floats, mine: Rows) -> Floats:
    """Rows over sets of sources to rows over the two of them."""
    return np.stack([chances[:, mine].sum(axis=1), chances[:, ~mine].sum(axis=1)], axis=1)
