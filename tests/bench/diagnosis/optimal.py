"""The best policy there can be on a small layout, by exact dynamic programming, and what the expert's costs beside it.

Both are priced alike: minutes of the questions asked, plus a penalty times the chance that the set concluded is not
the one that leaks. The chances are the model's own: a set of sources is drawn from the expert's belief, and each answer
from the likelihoods with which the expert looks ahead. What is thought after an answer comes in two kinds, both shown:

* BAYES, the posterior by those same likelihoods: one coherent model, in which a cost means what it says;
* OWN, what the expert will believe. Where strength words are not balanced against each other the mean of these beliefs
  is not the belief before the answer, and the best policy may seek out questions that only make it surer of itself.

Cases with equal facts and an equal posterior go on alike, so that each is worked out once (Bellman 1957, from memory).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from expert.diagnosis import Expert
from expert.facts import Fact
from expert.information import answer_likelihood
from expert.inspection import asked_in, enters_stage, most_trusted, next_step, open_in
from expert.knowledge.base import Observable
from expert.questions import askable, key_of, look_ahead, possible_answers, ranked
from expert.reference import chain, extend

from .bench import Bench, Setting

State = TypeVar("State", bound=Hashable)
Known = frozenset[Fact]
Likelihood = NDArray[np.float64]

FAMILIES = 4  # small layouts taken from one layout
FEWEST, MOST = 4, 6  # sources in each
QUESTIONS = 5  # all orders of six with three answers each would be 700,000 nodes a family
MOST_ANSWERS = 3
BAYES, OWN = "bayes", "own"  # whose posterior an answer leads to
DIGITS = 10  # to which posteriors are compared
PENALTIES = (0.5, 1.0, 2.0)  # what a wrong conclusion costs: so many times the mean repair


@dataclass(frozen=True)
class Ask(Generic[State]):
    """A question: its minutes, and what it may lead to with which chance."""

    minutes: float
    leads: tuple[tuple[float, State], ...]


class Problem(Protocol[State]):
    """A sequence of questions that may be ended at any time."""

    def risk(self, state: State) -> float:
        """The chance of being wrong when concluding here."""

    def asks(self, state: State) -> Mapping[str, Ask[State]]:
        """All questions that may be asked here."""


def least_cost(problem: Problem[State], start: State, penalty: float) -> float:
    """The least expected cost from here on: ask what is best to ask, stop when that is best."""
    known: dict[State, float] = {}

    def cost(state: State) -> float:
        if state not in known:
            stop = penalty * problem.risk(state)
            known[state] = min([stop, *(_price(ask, cost) for ask in problem.asks(state).values())])
        return known[state]

    return cost(start)


def cost_of(
    problem: Problem[State],
    start: State,
    penalty: float,
    choose: Callable[[State], str | None],
    risk: Callable[[State], float] | None = None,
    may_stop: bool = False,
) -> float:
    """The expected cost of a policy that chooses a question, or None to stop.

    `risk` is the chance that its own conclusion is wrong, where it does not draw the best one. With `may_stop` it also
    stops wherever that is better than going on with its own choice.
    """
    known: dict[State, float] = {}

    def cost(state: State) -> float:
        if state not in known:
            stop = penalty * (risk or problem.risk)(state)
            name = choose(state)
            on = stop if name is None else _price(problem.asks(state)[name], cost)
            known[state] = min(stop, on) if may_stop else on
        return known[state]

    return cost(start)


def _price(ask: Ask[State], cost: Callable[[State], float]) -> float:
    return ask.minutes + sum(chance * cost(state) for chance, state in ask.leads)


@dataclass(frozen=True)
class Node:
    """How far a case has got: the facts known, and the posterior over the sets of sources (rounded, to be compared)."""

    known: Known
    posterior: tuple[float, ...]


class Model:
    """A small layout's expert as a problem in its own probabilities."""

    def __init__(
        self, expert: Expert, given: Sequence[Fact], questions: Sequence[Observable], stage: str, after: str
    ) -> None:
        self.expert, self.questions, self.stage, self._after = expert, tuple(questions), stage, after
        self._given: Known = frozenset(given)
        self._said = {self._given: expert.weigh(chain(expert.ruleset, given))}
        self._ahead: dict[tuple[Known, str], tuple[Likelihood, tuple[Known, ...]]] = {}
        self._asks: dict[Node, dict[str, Ask[Node]]] = {}
        self._chosen: dict[Known, str | None] = {}
        self._others = {key_of(o, stage) for o in expert.machine.observables.values()}
        self._others -= {key_of(o, stage) for o in self.questions}
        phases = [phase for phase in reversed(expert.scale.phases) if stage in phase.stages]
        self._phase = {o.id: phase.phase for phase in phases for o in asked_in(expert, phase)}
        self.start = Node(self._given, _rounded(self._said[self._given].belief.chances))

    def __len__(self) -> int:
        return len(self._asks)

    def risk(self, node: Node) -> float:
        """The chance that the most probable set is not the one that leaks."""
        return 1 - max(node.posterior)

    def risk_of_expert(self, node: Node) -> float:
        """The chance that the set which the expert believes in is not the one that leaks."""
        belief = self._said[node.known].belief
        return 1 - node.posterior[int(np.argmax(np.round(belief.log_weight, 9)))]

    def asks(self, node: Node) -> Mapping[str, Ask[Node]]:
        """What can be asked, and what each answer leads to."""
        if node not in self._asks:
            now = self._said[node.known]
            self._asks[node] = {
                observable.id: Ask(observable.minutes, self._leads(node, observable))
                for observable in self.questions
                if askable(self.expert, now.trace, observable, self.stage, ())
            }
        return self._asks[node]

    def _leads(self, node: Node, observable: Observable) -> tuple[tuple[float, Node], ...]:
        likelihood, known = self._looked_ahead(node.known, observable)
        joint = likelihood * np.array(node.posterior)
        chances = joint.sum(axis=1)
        return tuple(
            (float(chance), Node(after, _rounded(row / chance if self._after == BAYES else self._own(after))))
            for chance, row, after in zip(chances, joint, known, strict=True)
            if chance > 0
        )

    def _own(self, known: Known) -> Likelihood:
        return self._said[known].belief.chances

    def _looked_ahead(self, known: Known, observable: Observable) -> tuple[Likelihood, tuple[Known, ...]]:
        """Each answer's chance under each set, as the expert takes it, and the facts after it."""
        key = (known, observable.id)
        if key not in self._ahead:
            trace = self._said[known].trace
            answers = possible_answers(observable, self.stage)
            traces = [extend(trace, fact) for fact, _ in answers]
            shifts = np.array([self.expert.shift(trace, after) for after in traces])
            likelihood = answer_likelihood([weight for _, weight in answers], shifts)
            for after in traces:
                self._said.setdefault(after.stated, self.expert.weigh(after))
            self._ahead[key] = (likelihood, tuple(after.stated for after in traces))
        return self._ahead[key]

    def by_expert(self, node: Node) -> str | None:
        """What the expert asks here, left alone with these questions; None where it stops."""
        if node.known not in self._chosen:
            asked = Counter(self._phase[fact.finding] for fact in node.known - self._given)
            coming = next_step(self.expert, self._said[node.known], self.stage, self._others, asked)
            self._chosen[node.known] = None if coming.question is None else coming.question.observable.id
        return self._chosen[node.known]

    def by_information(self, node: Node) -> str | None:
        """The question of most bits a minute, whatever its phase and worth; None where none tells anything."""
        best = ranked(self.expert, self._said[node.known], self.questions, self.stage, ())
        return best[0].observable.id if best and best[0].gain > 1e-12 else None

    def imbalance(self) -> float:
        """How far, at the start, the mean of the expert's beliefs after an answer is from its belief before it.

        The largest total variation distance over the questions; 0 where all likelihoods are balanced.
        """
        now = self._said[self._given].belief.chances
        found = [0.0]
        for ask in (look_ahead(self.expert, self._said[self._given], o, self.stage) for o in self.questions):
            after = sum(outlook.chance * outlook.belief.chances for outlook in ask.outlooks)
            found.append(float(np.abs(after - now).sum()) / 2)
        return max(found)


def _rounded(posterior: Likelihood) -> tuple[float, ...]:
    return tuple(np.round(posterior, DIGITS).tolist())


@dataclass(frozen=True)
class Family:
    """A small layout: sources easily taken for each other, and the questions that tell most about them."""

    sources: tuple[str, ...]
    questions: tuple[str, ...]
    imbalance: float


@dataclass(frozen=True)
class Compared:
    """Expected costs on one small layout with one penalty, in minutes, after an answer's posterior of one kind.

    `guess` is concluding at once, `expert` the expert's own policy, `concluding` the same with the best conclusion
    drawn where it stops, `ordered` its order of questions stopped where it is best to stop.
    """

    family: Family
    after: str
    penalty: float
    nodes: int
    guess: float
    best: float
    ordered: float
    concluding: float
    expert: float

    @property
    def ratio(self) -> float:
        """The expert's cost to the best one."""
        return self.expert / self.best


def families(bench: Bench) -> tuple[tuple[str, ...], ...]:
    """Groups of sources named as alike, the commonest first, none in two groups."""
    taken: set[str] = set()
    found: list[tuple[str, ...]] = []
    for source in sorted(bench.commonness, key=lambda s: (-bench.commonness[s], s)):
        alike = [s for s in bench.machine.sources[source].alike if s in bench.commonness and s not in taken]
        if source in taken or len(alike) + 1 < FEWEST:
            continue
        found.append((source, *alike[: MOST - 1]))
        taken.update(found[-1])
    return tuple(found[:FAMILIES])


def small(setting: Setting, sources: tuple[str, ...]) -> Bench:
    """The bench of the layout reduced to these sources."""
    return Setting(setting.rules, setting.layout, setting.seed, sources).bench()


def model_of(bench: Bench, most: int, after: str) -> Model:
    """A small layout, cleaned and driven, with the questions that tell most about it."""
    expert = bench.expert
    stage = most_trusted(expert.scale)
    entered = next(entry.entered_by for entry in expert.scale.stages if entry.stage == stage)
    given = [Fact(finding, value) for finding, value in entered.items()]
    start = expert.weigh(chain(expert.ruleset, given))
    few = [
        o
        for o in open_in(expert, stage)
        if 2 <= len(o.values) <= MOST_ANSWERS and not o.many and not enters_stage(expert, o.id)
    ]
    best = [q.observable for q in ranked(expert, start, few, stage, ()) if q.gain > 0][:most]
    return Model(expert, given, best, stage, after)


def compare(setting: Setting, sources: tuple[str, ...], questions: int = QUESTIONS) -> list[Compared]:
    """The best policy and the expert's on one small layout, priced in both kinds and with several penalties.

    A wrong conclusion costs half, once and twice the mean hours of the repairs of these sources.
    """
    bench = small(setting, sources)
    hours = [repair.hours for repair in bench.repairs.values()]
    found = []
    for after in (BAYES, OWN):
        model = model_of(bench, questions, after)
        family = Family(tuple(bench.machine.sources), tuple(o.id for o in model.questions), model.imbalance())
        for times in PENALTIES:
            penalty = times * 60 * sum(hours) / len(hours)
            costs = {
                "guess": penalty * model.risk(model.start),
                "best": least_cost(model, model.start, penalty),
                "ordered": cost_of(model, model.start, penalty, model.by_information, may_stop=True),
                "concluding": cost_of(model, model.start, penalty, model.by_expert),
                "expert": cost_of(model, model.start, penalty, model.by_expert, model.risk_of_expert),
            }
            found.append(Compared(family, after, penalty, len(model), **costs))
    return found
