"""What the fired rules say about sources, pooled so that one observation counts once."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from expert.knowledge.ground import GroundRule
from expert.trace import Trace

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
    """Every observation that fired rules speak about.

    Within one observation the most specific rule speaks for each source it names (most conditions; then the
    larger ratio; then the earlier rule), so that a special rule overrides a general one and nothing counts twice.
    """
    return tuple(_patterns(trace.ruleset.rules[index] for index in sorted(trace.fired)).values())


def changed(before: Trace, after: Trace) -> tuple[tuple[Pattern, ...], tuple[Pattern, ...]]:
    """The patterns that differ between a trace and one with more facts: (as they were, as they are)."""
    rules = after.ruleset.rules
    touched = {rules[index].observed for index in before.fired ^ after.fired if _speaks(rules[index])}
    if not touched:
        return (), ()
    old, new = (
        _patterns(rules[i] for i in sorted(trace.fired) if rules[i].observed in touched) for trace in (before, after)
    )
    differs = [key for key in dict.fromkeys([*old, *new]) if old.get(key) != new.get(key)]
    return tuple(old[k] for k in differs if k in old), tuple(new[k] for k in differs if k in new)


def excluded(trace: Trace) -> frozenset[str]:
    """Sources that fired rules exclude on this vehicle."""
    return frozenset(s for index in trace.fired for s in trace.ruleset.rules[index].excludes)


def _speaks(rule: GroundRule) -> bool:
    return bool(rule.explains or rule.favours or rule.against or rule.excludes)


def _patterns(rules: Iterable[GroundRule]) -> dict[tuple[str, str, str], Pattern]:
    best: dict[tuple[str, str, str], dict[str, tuple[tuple[float, float, float], Opinion]]] = {}
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
