"""What the fired rules say about sources, pooled so that one observation counts once."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from expert.facts import Fact
from expert.knowledge.ground import GroundRule
from expert.trace import Trace

Observed = tuple[str, str, str]

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
    new_rules = [rules[index] for index in before.fired ^ after.fired]
    if any(rule.derives for rule in new_rules) or before.derived != after.derived:
        old, new = _pooled(before), _pooled(after)  # a derived fact may silence patterns anywhere
    else:
        touched = {rule.observed for rule in new_rules if _speaks(rule)}
        if not touched:
            return (), ()
        old, new = _pooled(before, touched), _pooled(after, touched)
    differs = [key for key in dict.fromkeys([*old, *new]) if old.get(key) != new.get(key)]
    return tuple(old[k] for k in differs if k in old), tuple(new[k] for k in differs if k in new)


def _pooled(trace: Trace, only: Collection[Observed] | None = None) -> dict[Observed, Pattern]:
    """The patterns by observation, all or only those named."""
    rules = (trace.ruleset.rules[index] for index in sorted(trace.fired))
    found = _patterns(rule for rule in rules if only is None or rule.observed in only)
    for observed, silent in _silenced(trace).items():
        if observed in found:
            heard = tuple(o for o in found[observed].opinions if o.source not in silent)
            found[observed] = Pattern(*observed, heard)
    return {observed: pattern for observed, pattern in found.items() if pattern.opinions}


def _silenced(trace: Trace) -> dict[Observed, set[str]]:
    """For each observation that a derived fact rests on, the sources of which the derived fact speaks instead."""
    if not trace.derived:
        return {}
    speaking: dict[Observed, set[str]] = {}
    for index in trace.fired:
        rule = trace.ruleset.rules[index]
        speaking.setdefault(rule.observed, set()).update(rule.explains, rule.favours, rule.against)
    found: dict[Observed, set[str]] = {}
    for fact, grounds in trace.supports.items():
        spoken: set[str] = set().union(*(who for about, who in speaking.items() if _is_about(about, fact)))
        for ground in grounds:
            for about in speaking:
                if _is_about(about, ground):
                    found.setdefault(about, set()).update(spoken)
    return found


def _is_about(observed: Observed, fact: Fact) -> bool:
    finding, stage, values = observed
    return (finding, stage) == (fact.finding, fact.stage) and (not values or fact.value in values.split(" or "))


def excluded(trace: Trace) -> frozenset[str]:
    """Sources that fired rules exclude on this vehicle."""
    return frozenset(s for index in trace.fired for s in trace.ruleset.rules[index].excludes)


def _speaks(rule: GroundRule) -> bool:
    return bool(rule.explains or rule.favours or rule.against or rule.excludes)


def _patterns(rules: Iterable[GroundRule]) -> dict[Observed, Pattern]:
    best: dict[Observed, dict[str, tuple[tuple[float, float, float], Opinion]]] = {}
    for rule in rules:
        for kind, table in _tables(rule):
            for source, ratio in table.items():
                rank = (rule.size, math.log(ratio), -rule.index)
                mine = best.setdefault(rule.observed, {})
                if source not in mine or rank > mine[source][0]:
                    mine[source] = (rank, Opinion(source, kind, ratio, rule.index))
    return {key: Pattern(*key, tuple(mine[source][1] for source in sorted(mine))) for key, mine in sorted(best.items())}


def _tables(rule: GroundRule) -> tuple[tuple[str, Mapping[str, float]], ...]:
    return ((EXPLAINS, rule.explains), (FAVOURS, rule.favours), (AGAINST, rule.against))
