"""What one run of the rules concluded, as data: facts, derived facts, and which ground rules fired on what."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

from expert.facts import Fact, Scalar, canonical
from expert.knowledge.conditions import Test
from expert.knowledge.ground import GroundRule, Ruleset
from expert.knowledge.model import Rule

Memory = Mapping[tuple[str, str], frozenset[Scalar]]


def remember(facts: Iterable[Fact]) -> dict[tuple[str, str], frozenset[Scalar]]:
    """Facts as a working memory: the values that hold, by finding and stage."""
    found: dict[tuple[str, str], frozenset[Scalar]] = {}
    for fact in facts:
        key = fact.key
        found[key] = found.get(key, frozenset()) | {fact.value}
    return found


def satisfied(test: Test, held: Collection[Scalar]) -> bool:
    """Does some remembered value of its finding satisfy the test?"""
    if test.op:
        return any(test.holds(value) for value in held)
    return not test.values.isdisjoint(held)


def met(branch: Iterable[tuple[tuple[str, str], Test]], memory: Memory) -> bool:
    """Do all tests of a branch hold? (A plain loop: this is asked some hundred thousand times a conversation.)"""
    for key, test in branch:
        held = memory.get(key)
        if held is None or not satisfied(test, held):
            return False
    return True


def fires(rule: GroundRule, memory: Memory) -> bool:
    """Do all tests of some branch hold?"""
    return any(met(branch, memory) for branch in rule.lookups)


@dataclass(frozen=True)
class Firing:
    """One ground rule that fired, and the facts that satisfied it (canonical, whatever the engine's order)."""

    rule: GroundRule
    matched: tuple[Fact, ...]


@dataclass(frozen=True)
class Trace:
    """The result of chaining: stated facts, all facts after chaining, indexes of the ground rules that fired.

    Both chainers return this, and equal input gives an equal trace.
    """

    ruleset: Ruleset
    stated: frozenset[Fact]
    facts: frozenset[Fact]
    fired: frozenset[int]

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, Trace)
            and self.ruleset is other.ruleset
            and (self.stated, self.facts, self.fired) == (other.stated, other.facts, other.fired)
        )

    def __hash__(self) -> int:
        return hash((self.stated, self.fired))

    @cached_property
    def memory(self) -> Memory:
        """All facts by finding and stage."""
        return remember(self.facts)

    @cached_property
    def derived(self) -> frozenset[Fact]:
        """Facts that rules concluded."""
        return self.facts - self.stated

    @cached_property
    def firings(self) -> tuple[Firing, ...]:
        """Every firing in rule order, with the facts that matched its first satisfied branch."""
        return tuple(self._firing(self.ruleset.rules[index]) for index in sorted(self.fired))

    @cached_property
    def rules(self) -> tuple[Rule, ...]:
        """The rules that fired, each once however many zones and stages it fired for, in rule order."""
        fired = (self.ruleset.rules[index].rule for index in sorted(self.fired))
        return tuple({rule.rule: rule for rule in fired}.values())

    @cached_property
    def supports(self) -> Mapping[Fact, frozenset[Fact]]:
        """For each derived fact, the stated facts that it rests on, directly or through other derived facts."""
        grounds: dict[Fact, set[Fact]] = {fact: set() for fact in self.derived}
        deriving = [rule for rule in map(self.ruleset.rules.__getitem__, sorted(self.fired)) if rule.derives]
        steps = [
            (fact, firing.matched)
            for firing in map(self._firing, deriving)
            for fact in firing.rule.derives
            if fact in grounds
        ]
        grown = True
        while grown:
            grown = False
            for fact, matched in steps:
                below = {g for m in matched for g in grounds.get(m, {m})}
                if not below <= grounds[fact]:
                    grounds[fact] |= below
                    grown = True
        return {fact: frozenset(found) for fact, found in grounds.items()}

    def _firing(self, rule: GroundRule) -> Firing:
        branch = next(b for b, tests in zip(rule.branches, rule.lookups, strict=True) if met(tests, self.memory))
        matched = {
            Fact(test.finding, value, test.stage)
            for test in branch
            for value in self.memory[(test.finding, test.stage)]
            if test.holds(value)
        }
        return Firing(rule, tuple(sorted(matched, key=canonical)))
