"""What the fired rules say about sources, pooled so that one observation counts once."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from expert.facts import Fact
from expert.knowledge.ground import GroundRule
from expert.trace import Trace

Observed = tuple[str, str, str]
REMEMBERED = 64  # the traces whose pooled evidence is kept: one question's answers, and the trace they start from

EXPLAINS, FAVOURS, AGAINST = "explains", "favours", "speaks against"


@dataclass(frozen=True)
class Opinion:
    """What one rule says of one source: its kind, and a likelihood ratio above one (trust applied)."""

    source: str
    kind: str
    ratio: float
    rule: int


@dataclass(frozen=True)
class Pattern:
    """All that is said about one observation: at most one opinion a source, in source order.

    `value` is "" except for findings of which several values may hold at once, where each is its own observation.
    """

    finding: str
    stage: str
    value: str
    opinions: tuple[Opinion, ...]

    def of_kind(self, kind: str) -> tuple[Opinion, ...]:
        """The opinions of one kind."""
        return tuple(opinion for opinion in self.opinions if opinion.kind == kind)


def patterns(trace: Trace) -> tuple[Pattern, ...]:
    """Every observation that fired rules speak about, each counted once.

    Within one observation the most specific rule speaks for each source it names (most conditions; then the
    larger ratio; then the earlier rule), so that a special rule overrides a general one. And what a derived fact
    says of a source takes the place of what the observations it was derived from say of it.
    """
    return tuple(_pooled(trace).values())


def changed(before: Trace, after: Trace) -> tuple[tuple[Pattern, ...], tuple[Pattern, ...]]:
    """The patterns that differ between a trace and one with more facts: (as they were, as they are)."""
    rules = after.ruleset.rules
    # A pattern follows from the rules that fired, the values that hold (their trust) and what is silenced; a rule that
    # had fired already may now do so by another alternative, and so change both.
    seen = {fact.key for fact in before.facts ^ after.facts}
    touched = {rules[index].observed for index in before.fired ^ after.fired}
    touched |= {rules[index].observed for index in after.fired if rules[index].observed[:2] in seen}
    was, now = _silenced(before), _silenced(after)
    touched |= {key for key in was.keys() | now.keys() if was.get(key) != now.get(key)}
    if not touched:
        return (), ()
    old, new = _heard(before, was, touched), _heard(after, now, touched)
    differs = [key for key in dict.fromkeys([*old, *new]) if old.get(key) != new.get(key)]
    return tuple(old[k] for k in differs if k in old), tuple(new[k] for k in differs if k in new)


@lru_cache(maxsize=REMEMBERED)
def _pooled(trace: Trace) -> dict[Observed, Pattern]:
    """The patterns by observation."""
    return _heard(trace, _silenced(trace), None)


def _heard(
    trace: Trace, silenced: Mapping[Observed, set[str]], only: Collection[Observed] | None
) -> dict[Observed, Pattern]:
    """The patterns of all observations, or of those named, without the opinions that are silenced."""
    rules = (trace.ruleset.rules[index] for index in sorted(trace.fired))
    found = _patterns(trace, (rule for rule in rules if only is None or rule.observed in only))
    for observed, silent in silenced.items():
        if observed in found:
            heard = tuple(o for o in found[observed].opinions if o.source not in silent)
            found[observed] = Pattern(*observed, heard)
    return {observed: pattern for observed, pattern in found.items() if pattern.opinions}


@lru_cache(maxsize=REMEMBERED)
def _silenced(trace: Trace) -> dict[Observed, set[str]]:
    """For each observation that a derived fact rests on, the sources of which the derived fact speaks instead."""
    speaking: dict[tuple[str, str], dict[Observed, set[str]]] = {}
    for index in trace.fired if trace.derived else ():
        rule = trace.ruleset.rules[index]
        about = speaking.setdefault(rule.observed[:2], {})
        about.setdefault(rule.observed, set()).update(rule.explains, rule.favours, rule.against)
    found: dict[Observed, set[str]] = {}
    for fact, grounds in trace.supports.items() if trace.derived else ():
        spoken: set[str] = set().union(*(who for _, who in _about(speaking, fact)))
        for ground in grounds if spoken else ():
            for observed, _ in _about(speaking, ground):
                found.setdefault(observed, set()).update(spoken)
    return found


def _about(
    speaking: Mapping[tuple[str, str], Mapping[Observed, set[str]]], fact: Fact
) -> list[tuple[Observed, set[str]]]:
    """The observations that a fact is one of, and the sources spoken of by them."""
    here = speaking.get(fact.key, {})
    return [(observed, who) for observed, who in here.items() if _is_about(observed, fact)]


def _is_about(observed: Observed, fact: Fact) -> bool:
    finding, stage, values = observed
    return (finding, stage) == fact.key and (not values or fact.value in values.split("\n"))


def excluded(trace: Trace) -> frozenset[str]:
    """Sources that fired rules exclude on this vehicle."""
    return frozenset(s for index in trace.fired for s in trace.ruleset.rules[index].excludes)


def _trust(trace: Trace, observed: Observed) -> float:
    """How far the value seen is to be trusted: the most trusted of the values that hold."""
    finding, stage, _ = observed
    table = trace.ruleset.machine.observables[finding].trust
    return max((table.get(str(value), 1.0) for value in trace.memory.get((finding, stage), ())), default=1.0)


def _patterns(trace: Trace, rules: Iterable[GroundRule]) -> dict[Observed, Pattern]:
    best: dict[Observed, dict[str, tuple[tuple[float, float, float], Opinion]]] = {}
    for rule in rules:
        trust = _trust(trace, rule.observed)
        for kind, table in _tables(rule):
            for source, ratio in table.items():
                rank = (rule.size, math.log(ratio), -rule.index)
                mine = best.setdefault(rule.observed, {})
                if trust > 0 and (source not in mine or rank > mine[source][0]):
                    mine[source] = (rank, Opinion(source, kind, ratio**trust, rule.index))
    return {key: Pattern(*key, tuple(mine[source][1] for source in sorted(mine))) for key, mine in sorted(best.items())}


def _tables(rule: GroundRule) -> tuple[tuple[str, Mapping[str, float]], ...]:
    return ((EXPLAINS, rule.explains), (FAVOURS, rule.favours), (AGAINST, rule.against))
