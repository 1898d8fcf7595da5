"""What the fired rules say about sources, pooled so that one observation counts once."""

from __future__ import annotations

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
    was = _silenced(before)
    now = was if _silence_stays(before, after) else _silenced(after)
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


def _silence_stays(before: Trace, after: Trace) -> bool:
    """Is what is silenced certainly the same in a trace with more facts, so that it need not be worked out again?

    It follows from the derived facts, what they rest on, and which rules speak of either. Of a trace that lacks
    something nothing is certain.
    """
    if before.derived != after.derived or not before.fired <= after.fired or not before.facts <= after.facts:
        return False
    if not after.derived:
        return True
    rules = after.ruleset.rules
    new = [rules[index] for index in after.fired - before.fired]
    if any(rule.derives for rule in new):
        return False
    resting = _resting(before)
    if any(rule.observed[:2] in resting for rule in new):
        return False
    watching = (rule for fact in after.facts - before.facts for rule in after.ruleset.watchers.get(fact.key, ()))
    return not any(rule.derives and rule.index in before.fired for rule in watching)


@lru_cache(maxsize=REMEMBERED)
def _resting(trace: Trace) -> frozenset[tuple[str, str]]:
    """What the derived facts, and the facts that they rest on, are about."""
    return frozenset(f.key for fact, grounds in trace.supports.items() for f in (fact, *grounds))


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
    best: dict[Observed, dict[str, tuple[tuple[float, float, int], str, float]]] = {}
    for rule in rules:
        mine = best.setdefault(rule.observed, {})
        for kind, source, ratio, log in rule.weights:
            rank = (rule.size, log, -rule.index)
            if source not in mine or rank > mine[source][0]:
                mine[source] = (rank, kind, ratio)
    found = {}
    for observed in sorted(best):
        trust = _trust(trace, observed)
        if trust > 0:
            heard = sorted(best[observed].items())
            opinions = (Opinion(who, _KINDS[kind], ratio**trust, -rank[2]) for who, (rank, kind, ratio) in heard)
            found[observed] = Pattern(*observed, tuple(opinions))
    return found


_KINDS = {"explains": EXPLAINS, "favours": FAVOURS, "against": AGAINST}
