"""Is a look worth its minutes before the first repair? Each open question, and then the best order for each answer."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from expert.diagnosis import Diagnosis, Expert
from expert.facts import Fact
from expert.inspection import asked_in, enters_stage, looked, most_trusted
from expert.knowledge.base import Observable
from expert.plan.candidates import Candidates
from expert.plan.costs import Costs
from expert.plan.order import solve_worth
from expert.questions import Asked, Outlook, askable, look_ahead

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
    answers = [(at, outlook) for at, one in enumerate(asking) for outlook in one.outlooks if outlook.chance > _EPSILON]
    before = float(solve_worth(few.wet([now.belief.chances]), price)[0][0])
    share = few.share(now.belief.chances)
    after: dict[int, list[After]] = {at: [] for at in range(len(asking))}
    for begin in range(0, len(answers), _AT_ONCE):
        some = [(at, outlook, outlook.belief.chances) for at, outlook in answers[begin : begin + _AT_ONCE]]
        worth, visit = solve_worth(few.wet([chances for _, _, chances in some]), price)
        for column, (at, outlook, chances) in enumerate(some):
            weight = outlook.chance * few.share(chances) / share
            after[at].append(After(outlook.fact, weight, int(visit[column]), float(worth[column])))
    made = []
    for at, asked in enumerate(asking):
        saves = before - sum(answer.chance * answer.cost for answer in after[at])
        if saves - asked.hours * costs.middle_rate > _EPSILON * max(1.0, before):
            made.append(Look(asked.observable, asked.stage, asked.first, asked.hours, saves, tuple(after[at])))
    return tuple(
        sorted(made, key=lambda look: (round(look.hours * costs.middle_rate - look.saves, 9), look.observable.id))
    )


def _askings(expert: Expert, now: Diagnosis, stage: str, closed: Asked) -> Iterator[_Asking]:
    """Everything that can be looked at now, and the look that counts where cleaning has to come first."""
    open_now = {
        observable.id: observable
        for phase in expert.scale.phases
        if stage in phase.stages
        for observable in asked_in(expert, phase)
    }
    for observable in open_now.values():
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
                if not enters_stage(expert, observable.id) and askable(expert, then.trace, observable, stage, closed):
                    yield _Asking(observable, stage, steps, look_ahead(expert, then, observable, stage).outlooks)
