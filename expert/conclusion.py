"""The conclusion as data: which sources, how sure, why, what speaks against, what would change its mind."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from expert.belief import minimal_explanations
from expert.diagnosis import Diagnosis, Expert
from expert.evidence import AGAINST, EXPLAINS, Opinion, Pattern
from expert.facts import Fact, canonical
from expert.inseparable import POSSIBLE, Either, standing
from expert.inspection import enters_stage, looked, most_trusted, open_in
from expert.knowledge.base import WETNESS_KIND
from expert.questions import Asked, Question, ranked
from expert.repair import Job, jobs

REASONS = 6
CHANGERS = 3
CONTENDERS = 5


@dataclass(frozen=True)
class Reason:
    """One rule's word on a source: the rule, the facts it rests on, for or against, and how strongly."""

    rule: str
    because: str
    source: str
    kind: str
    ratio: float
    facts: tuple[Fact, ...]


@dataclass(frozen=True)
class Conclusion:
    """What is believed now and why.

    `sources` is the most probable set, `chance` its posterior, `marginals` every source's own.
    `either` names, for sources of it, others that no look can part from them; `together` is the posterior of the set
    with any of those in place of them or beside them. `alone` says whether that stands out. `explanations` are the
    smallest sets that explain everything seen.
    """

    sources: tuple[str, ...]
    chance: float
    either: tuple[Either, ...]
    together: float
    alone: bool
    looked: bool
    ranking: tuple[tuple[str, float], ...]
    reasons: tuple[Reason, ...]
    against: tuple[Reason, ...]
    explanations: tuple[frozenset[str], ...]
    unexplained: tuple[Fact, ...]
    contenders: tuple[str, ...]
    changers: tuple[Question, ...]
    not_looked: tuple[str, ...]
    advice: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    jobs: tuple[Job, ...]


def conclude(expert: Expert, now: Diagnosis, stage: str, closed: Asked = ()) -> Conclusion:
    """Draw the conclusion from a diagnosis; `stage` and `closed` say which questions could still be asked."""
    best = standing(now.belief, expert.machine.inseparable)
    sources, chance = now.belief.best
    marginals = now.belief.marginals
    contenders = tuple(s for s, p in now.belief.ranking if s not in sources and p >= POSSIBLE)[:CONTENDERS]
    changers = _changers(expert, now, stage, closed)
    reasons = reasons_for(now, *sources)
    sights = {p: frozenset(o.source for o in p.of_kind(EXPLAINS)) for p in now.patterns if _is_sight(expert, p)}
    return Conclusion(
        sources=sources,
        chance=chance,
        either=best.either,
        together=best.chance,
        alone=best.chance >= expert.scale.stands_out,
        looked=looked(expert, now.trace),
        ranking=now.belief.ranking,
        reasons=tuple(r for r in reasons if r.kind != AGAINST)[:REASONS],
        against=tuple(r for r in reasons if r.kind == AGAINST)[:REASONS],
        explanations=_smallest(minimal_explanations([s for s in sights.values() if s], expert.machine.sources)),
        unexplained=tuple(
            fact
            for pattern, causes in sights.items()
            if causes and not causes & set(sources)
            for fact in _facts_of(now, pattern)
        ),
        contenders=contenders,
        changers=changers,
        not_looked=_not_looked(expert, now, sources),
        advice=_advice(now),
        cautions=cautions_of(expert, _cautions(expert, now, (*sources, *contenders), changers)),
        jobs=jobs(expert.machine, sources, marginals),
    )


def _cautions(expert: Expert, now: Diagnosis, sources: Iterable[str], changers: Iterable[Question]) -> list[str]:
    """Of all that a conclusion sends a person to do: cleaning, rules' advice, open questions, a look at the sources."""
    looks = [zone for source in sources for zone in expert.machine.first_seen[source]]
    cleaning = [o for o in expert.machine.observables.values() if enters_stage(expert, o.id)]
    return [
        *(caution for step in cleaning if not looked(expert, now.trace) for caution in step.cautions),
        *(caution for rule in now.trace.rules for caution in rule.caution),
        *(caution for question in changers for caution in question.observable.cautions),
        *(caution for zone in looks for caution in expert.machine.zones[zone].cautions),
    ]


def cautions_of(expert: Expert, names: Iterable[str]) -> tuple[str, ...]:
    """Caution ids without repeats, the most important first."""
    known = expert.machine.base.cautions
    return tuple(sorted(dict.fromkeys(names), key=lambda name: (known[name].order, name)))


def _is_sight(expert: Expert, pattern: Pattern) -> bool:
    """Something seen in a place, which the true sources must explain."""
    return expert.machine.observables[pattern.finding].kind == WETNESS_KIND


def _smallest(covers: tuple[frozenset[str], ...]) -> tuple[frozenset[str], ...]:
    least = min((len(cover) for cover in covers), default=0)
    return tuple(cover for cover in covers if len(cover) == least and cover)


def reasons_for(now: Diagnosis, *sources: str) -> tuple[Reason, ...]:
    """Everything that fired rules say of these sources, strongest first."""
    matched = {firing.rule.index: firing.matched for firing in now.trace.firings}
    found = [
        _reason(now, opinion, matched[opinion.rule])
        for pattern in now.patterns
        for opinion in pattern.opinions
        if opinion.source in sources
    ]
    return tuple(sorted(found, key=_weight))


def _weight(reason: Reason) -> tuple[float, str, str]:
    return (-round(math.log(reason.ratio), 9), reason.rule, reason.source)


def _reason(now: Diagnosis, opinion: Opinion, facts: tuple[Fact, ...]) -> Reason:
    rule = now.trace.ruleset.rules[opinion.rule].rule
    return Reason(rule.rule, rule.because, opinion.source, opinion.kind, opinion.ratio, facts)


def _facts_of(now: Diagnosis, pattern: Pattern) -> tuple[Fact, ...]:
    values = now.trace.memory.get((pattern.finding, pattern.stage), frozenset())
    return tuple(sorted((Fact(pattern.finding, v, pattern.stage) for v in values), key=canonical))


def _changers(expert: Expert, now: Diagnosis, stage: str, closed: Asked) -> tuple[Question, ...]:
    """The questions not yet asked that would tell most per minute."""
    telling = ranked(expert, now, open_in(expert, stage), stage, closed)
    return tuple(q for q in telling if q.gain > 0)[:CHANGERS]


def _not_looked(expert: Expert, now: Diagnosis, sources: tuple[str, ...]) -> tuple[str, ...]:
    """Zones that could have fed what the conclusion blames and were not looked at in the stage that counts."""
    machine, stage = expert.machine, most_trusted(expert.scale)
    seen = {fact.finding for fact in now.trace.facts if fact.stage == stage}
    blamed = {zone for source in sources for zone in machine.first_seen[source]}
    feeding = {zone for zone in machine.zones if any(b in machine.reach[zone] for b in blamed)}
    return tuple(z for z, entry in machine.zones.items() if z in feeding and entry.visible and z not in seen)


def _advice(now: Diagnosis) -> tuple[tuple[str, str], ...]:
    """(rule, text) of what fired rules say to do first, then what they advise."""
    first = [(rule.rule, rule.first_do) for rule in now.trace.rules if rule.first_do]
    then = [(rule.rule, rule.advise) for rule in now.trace.rules if rule.advise]
    return (*first, *then)
