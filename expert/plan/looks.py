"""Is a look worth its minutes before the first repair? Each open question, and then the best order for each answer."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from expert.diagnosis import Diagnosis, Expert
from expert.facts import Fact
from expert.information import answer_likelihood
from expert.inspection import asked_in, enters_stage, looked, most_trusted, open_in
from expert.knowledge.base import Observable
from expert.plan.candidates import Candidates
from expert.plan.costs import Costs
from expert.plan.order import Floats, solve_worth
from expert.questions import Asked, Outlook, askable, key_of, look_ahead, possible_answers

_EPSILON = 1e-9
WEIGHED = 9  # repairs with which looks are reckoned, for each of some hundred answers
_AT_ONCE = 256  # answers reckoned side by side, to bound memory


@dataclass(frozen=True)
class After:
    """An answer, its chance, the first visit of the order that is then the cheapest, and what that order costs.

    The chance is that of the answer given that one of the repairs reckoned with is needed.
    """

    fact: Fact
    chance: float
    visit: int
    cost: float


@dataclass(frozen=True)
class Look:
    """A question worth asking before anything is repaired.

    `first` are steps that have to be done before (cleaning), `stage` when it is asked, `hours` what both take.
    `saves` is by how much the orders that follow cost less in expectation than the order without the look.
    """

    observable: Observable
    stage: str
    first: tuple[Observable, ...]
    hours: float
    saves: float
    after: tuple[After, ...]


@dataclass(frozen=True)
class _Asking:
    observable: Observable
    stage: str
    first: tuple[Observable, ...]
    outlooks: tuple[Outlook, ...]

    @property
    def hours(self) -> float:
        return (self.observable.minutes + sum(step.minutes for step in self.first)) / 60


def looks(
    expert: Expert, now: Diagnosis, stage: str, closed: Asked, found: Candidates, costs: Costs
) -> tuple[Look, ...]:
    """Every look that pays, the one that leaves the least to be expected first; ties go by name.

    One question deep: the order after it holds no further look. Reckoned with the likeliest repairs (`WEIGHED`), under
    the condition that one of them is needed at all, before the look and after it; so no look can do harm.
    """
    few = found.first(WEIGHED)
    price = costs.prices(few.names, costs.middle)[:, None]
    asking = list(_askings(expert, now, stage, closed))
    before = float(solve_worth(few.wet([now.belief.chances]), price)[0][0])
    share = few.share(now.belief.chances)
    after: dict[int, list[After]] = {at: [] for at in range(len(asking))}
    answers = _answers(now, asking)
    while some := list(itertools.islice(answers, _AT_ONCE)):
        worth, visit = solve_worth(few.wet([joint for _, _, joint in some]), price)
        for column, (at, fact, joint) in enumerate(some):
            after[at].append(
                After(fact, few.share(joint) / share, int(visit[column]), float(worth[column])),
            )
    made = []
    for at, asked in enumerate(asking):
        saves = before - sum(answer.chance * answer.cost for answer in after[at])
        if saves - asked.hours * costs.middle_rate > _EPSILON * max(1.0, before):
            made.append(Look(asked.observable, asked.stage, asked.first, asked.hours, saves, tuple(after[at])))
    return tuple(
        sorted(made, key=lambda look: (round(look.hours * costs.middle_rate - look.saves, 9), look.observable.id))
    )


def _answers(now: Diagnosis, asking: Sequence[_Asking]) -> Iterator[tuple[int, Fact, Floats]]:
    """Every answer of every question: the joint chance of it and of each set of sources.

    The answers of a question are exhaustive, so the joint chances sum to the belief as it is now.
    """
    for at, one in enumerate(asking):
        usual = dict(possible_answers(one.observable, one.stage))
        shifts = np.array([outlook.belief.log_weight - now.belief.log_weight for outlook in one.outlooks])
        joint = answer_likelihood([usual[outlook.fact] for outlook in one.outlooks], shifts) * now.belief.chances
        for outlook, chances in zip(one.outlooks, joint, strict=True):
            if float(chances.sum()) > _EPSILON:
                yield at, outlook.fact, chances


def _askings(expert: Expert, now: Diagnosis, stage: str, closed: Asked) -> Iterator[_Asking]:
    """Everything that can be looked at now, and the look that counts where cleaning has to come first."""
    for observable in open_in(expert, stage):
        if not enters_stage(expert, observable.id) and askable(expert, now.trace, observable, stage, closed):
            yield _Asking(observable, stage, (), look_ahead(expert, now, observable, stage).outlooks)
    if not looked(expert, now.trace):
        yield from _after_cleaning(expert, now, closed)


def _after_cleaning(expert: Expert, now: Diagnosis, closed: Asked) -> Iterator[_Asking]:
    """What must be asked once the stage that counts is entered. Entering it is work and tells nothing by itself."""
    stage = most_trusted(expert.scale)
    entered = next(entry.entered_by for entry in expert.scale.stages if entry.stage == stage)
    steps = tuple(expert.machine.observables[name] for name in entered if name in expert.machine.observables)
    if not steps:
        return
    stated = [fact for fact in now.trace.stated if fact.finding not in entered]
    done = expert.diagnose([*stated, *(Fact(step.id, entered[step.id], "") for step in steps)])
    then = replace(done, belief=now.belief)
    for phase in expert.scale.phases:
        if phase.must and stage in phase.stages:
            for observable in asked_in(expert, phase):
                here = observable.staged and observable.only_stage in ("", stage)
                if here and key_of(observable, stage) not in closed:
                    yield _Asking(observable, stage, steps, look_ahead(expert, then, observable, stage).outlooks)
