"""What the rules of a layout cover: what speaks for and against each source, and which questions part any two of them.

A question parts two sources if some answer moves the odds of the one leaking alone against the other leaking alone by
more than `FACTOR`. Answers are tried by themselves and, where a rule has several conditions, last of all that it asks
for. What only rules a part out ("this vehicle has none") parts nothing: it tells vehicles apart and not leaks.
"""

from __future__ import annotations

import copy
import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from expert.belief import Floats, SourceSets
from expert.diagnosis import Expert
from expert.evidence import excluded
from expert.facts import Fact, canonical
from expert.inspection import asked_in
from expert.knowledge.base import Observable
from expert.knowledge.conditions import Test
from expert.knowledge.ground import Branch
from expert.questions import key_of, possible_answers
from expert.reference import chain, extend
from expert.trace import Trace

# How far the odds between two sources must be moved to part them: ours, no source. A weak hint does not, two do.
FACTOR = 2.0
_LEAST = round(math.log(FACTOR), 9)


@dataclass(frozen=True)
class Parting:
    """An answer that parts two sources: `fact`, when `given` is known; it favours `towards`, by `factor` above one."""

    fact: Fact
    given: tuple[Fact, ...]
    towards: str
    factor: float


@dataclass(frozen=True)
class Pair:
    """Two sources, and what parts them: the best answer of each question, those that ask for least known first."""

    one: str
    other: str
    partings: tuple[Parting, ...]


@dataclass(frozen=True)
class Covered:
    """One source: the rules that raise and lower it, and how it is told from its nearest look-alike.

    `lookalike` is of those it is said to be `alike` the hardest to part from it; of all sources where it is `said` to
    be like none. It is None where the layout has no other source.
    """

    source: str
    raised: tuple[str, ...]
    lowered: tuple[str, ...]
    lookalike: Pair | None
    said: bool


@dataclass(frozen=True)
class Coverage:
    """A layout's sources, and the pairs that need an author's eye.

    `unexplained` pairs can be parted by no question and are not named `inseparable-from` each other, `inseparable`
    ones are, and `doubtful` ones are named so although questions do part them. Each stands once, in the layout's order.
    """

    layout: str
    sources: tuple[Covered, ...]
    unexplained: tuple[Pair, ...]
    inseparable: tuple[Pair, ...]
    doubtful: tuple[Pair, ...]


@dataclass(frozen=True)
class _Step:
    """An answer given when other facts are known, and the log likelihood it adds for each source leaking alone."""

    fact: Fact
    given: tuple[Fact, ...]
    shift: Floats

    @property
    def order(self) -> tuple[object, ...]:
        """What decides between steps that tell as much: few known facts, then names."""
        return (len(self.given), canonical(self.fact), tuple(map(canonical, self.given)))


def coverage(expert: Expert) -> Coverage:
    """Look all rules of the expert's layout over."""
    machine = expert.machine
    names = tuple(machine.sources)
    table = _Table(names, _Steps(expert).all())
    both = list(itertools.combinations(names, 2))
    said = {frozenset((s, o)) for s, entry in machine.sources.items() for o in entry.inseparable_from if o in names}
    shut = {frozenset(pair) for pair in both if not table.parts(*pair)}

    def pairs(some: set[frozenset[str]]) -> tuple[Pair, ...]:
        return tuple(table.pair(*pair) for pair in both if frozenset(pair) in some)

    return Coverage(
        layout=machine.layout.layout,
        sources=tuple(_covered(expert, source, table) for source in names),
        unexplained=pairs(shut - said),
        inseparable=pairs(shut & said),
        doubtful=pairs(said - shut),
    )


def _covered(expert: Expert, source: str, table: _Table) -> Covered:
    entry, rules = expert.machine.sources[source], expert.ruleset.rules
    others = [other for other in expert.machine.sources if other != source]
    alike = [other for other in entry.alike if other in others]
    nearest = min(alike or others, key=lambda other: (table.apart(source, other), other), default=None)
    return Covered(
        source=source,
        raised=tuple(dict.fromkeys(r.rule.rule for r in rules if source in r.explains or source in r.favours)),
        lowered=tuple(dict.fromkeys(r.rule.rule for r in rules if source in r.against or source in r.excludes)),
        lookalike=table.pair(source, nearest) if nearest is not None else None,
        said=bool(alike),
    )


class _Table:
    """All steps as one table: a row for each step, a column for each source."""

    def __init__(self, names: tuple[str, ...], steps: list[_Step]) -> None:
        self.steps = steps
        self.at = {name: at for at, name in enumerate(names)}
        self.shift = np.array([step.shift for step in steps]).reshape(len(steps), len(names))

    def _between(self, one: str, other: str) -> Floats:
        """How far each step moves the log odds of `one` against `other`; not at all where it rules one of them out."""
        moved: Floats = np.nan_to_num(self.shift[:, self.at[one]] - self.shift[:, self.at[other]])
        return moved

    def apart(self, one: str, other: str) -> float:
        """The most that a step moves the log odds between two sources, to nine digits."""
        return round(float(np.abs(self._between(one, other)).max(initial=0.0)), 9)

    def parts(self, one: str, other: str) -> bool:
        """Does any step part the two?"""
        return self.apart(one, other) > _LEAST

    def pair(self, one: str, other: str) -> Pair:
        """The two, and for each question that parts them the answer that asks for least and parts them most."""
        moved = self._between(one, other)
        much = np.round(np.abs(moved), 9)
        rows = map(int, np.flatnonzero(much > _LEAST))
        telling = sorted(rows, key=lambda at: (len(self.steps[at].given), -much[at], at))
        best: dict[str, int] = {}
        for at in telling:
            best.setdefault(self.steps[at].fact.finding, at)
        partings = [
            Parting(step.fact, step.given, one if moved[at] > 0 else other, math.exp(abs(moved[at])))
            for at, step in ((at, self.steps[at]) for at in best.values())
        ]
        return Pair(one, other, tuple(partings))


class _Steps:
    """Every answer that may part sources, tried once each."""

    def __init__(self, expert: Expert) -> None:
        self.expert = expert
        self.observables = expert.machine.observables
        # Sources are compared one by one, so sets of several need not be looked at.
        self.singles = copy.copy(expert)
        self.singles.sets = SourceSets(dict.fromkeys(expert.machine.sources, 0.5), most=1)
        self.traces: dict[frozenset[Fact], Trace] = {frozenset(): chain(expert.ruleset, ())}
        self.shifts: dict[frozenset[Fact], Floats] = {}
        self.askable = {
            key_of(observable, stage)
            for phase in expert.scale.phases
            for observable in asked_in(expert, phase)
            for stage in phase.stages
            if observable.only_stage in ("", stage)
        }

    def all(self) -> list[_Step]:
        """The steps in a fixed order, those that ask for nothing else first."""
        found: dict[tuple[Fact, frozenset[Fact]], _Step] = {}
        for scenario in self._scenarios():
            for fact in sorted(scenario, key=canonical):
                given = scenario - {fact}
                if fact.key in self.askable and (fact, given) not in found:
                    shift = self._shift(scenario) - self._shift(given)
                    found[fact, given] = _Step(fact, tuple(sorted(given, key=canonical)), shift)
        return sorted(found.values(), key=lambda step: step.order)

    def _scenarios(self) -> Iterator[frozenset[Fact]]:
        """Each answer by itself, then what each branch of a rule with several conditions asks for."""
        for name, stage in sorted(self.askable):
            observable = self.observables[name]
            yield from (frozenset({fact}) for fact, _ in possible_answers(observable, stage))
        for rule in self.expert.ruleset.rules:
            for branch in rule.branches:
                facts = self._facts(branch)
                if len(facts) > 1:
                    yield facts

    def _facts(self, branch: Branch) -> frozenset[Fact]:
        """Facts that satisfy a branch; none where no facts do, or where they can be neither asked nor concluded."""
        together: dict[tuple[str, str], list[Test]] = {}
        for test in branch:
            together.setdefault((test.finding, test.stage), []).append(test)
        found: set[Fact] = set()
        for (name, stage), tests in together.items():
            observable = self.observables[name]
            if (name, stage) not in self.askable and name not in self.expert.ruleset.derivable:
                return frozenset()
            groups = [[test] for test in tests] if observable.many else [tests]
            for group in groups:
                value = _value(observable, group)
                if value is None:
                    return frozenset()
                found.add(Fact(name, value, stage))
        return frozenset(found)

    def _shift(self, facts: frozenset[Fact]) -> Floats:
        """Log likelihood of the facts for each source leaking alone; not a number for those they rule out."""
        if facts not in self.shifts:
            trace = self._trace(facts)
            shift = self.singles.weigh(trace).belief.log_weight.copy()
            gone = excluded(trace)
            shift[[source in gone for source in self.singles.sets.sources]] = math.nan
            self.shifts[facts] = shift
        return self.shifts[facts]

    def _trace(self, facts: frozenset[Fact]) -> Trace:
        if facts not in self.traces:
            *before, last = sorted(facts, key=canonical)
            self.traces[facts] = extend(self._trace(frozenset(before)), last)
        return self.traces[facts]


def _value(observable: Observable, tests: list[Test]) -> str | float | None:
    """The most trusted value that satisfies all tests, the first of equals; None where there is none."""
    if observable.kind == "number":
        marks = sorted({*observable.bands, observable.least or 0.0, observable.most or 0.0, *(t.number for t in tests)})
        between = [(low + high) / 2 for low, high in itertools.pairwise(marks)]
        choices: list[str | float] = [float(n) for n in (*observable.bands, *between, *marks)]
    else:
        choices = [*sorted(observable.values, key=lambda value: -observable.trust.get(value, 1.0))]
    return next((value for value in choices if all(test.holds(value) for test in tests)), None)
