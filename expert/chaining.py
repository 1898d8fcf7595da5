"""Rules compiled to durable-rules: facts in, derived facts and a full trace out.

This module alone touches durable-rules (2.0.28), and emits only the narrow subset in which it was measured to
be right: equality and constant numeric tests, `$or` over constants, `all` of single-fact patterns. `any` becomes
one compiled rule a branch; negation was turned into stated values when the rules were grounded; every fact has
its own id; every session has a boot fact, because deleting a session in which no action ever fired crashes.
"""

from __future__ import annotations

import bisect
import itertools
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from expert import reference
from expert.engine import DURABLE
from expert.facts import Fact, canonical
from expert.knowledge.conditions import Test
from expert.knowledge.ground import Branch, GroundRule, Ruleset
from expert.trace import Trace

if DURABLE:
    import durable_rules_engine
    from durable.engine import Host, MessageNotHandledException, MessageObservedException

NAME = "firstwet"
COMPARE = {">": "$gt", ">=": "$gte", "<": "$lt", "<=": "$lte"}

# Measured limits of the C code; past them it errs, crashes or hangs, so they are checked before it is asked.
MOST_CONDITIONS = 16
MOST_VALUES = 300  # alternatives in one test; at 400 it still answers, at 600 it hangs
RULES_A_SET = 200  # with one first pattern the engine holds 256 rules
FINDINGS_A_SET = 400  # it holds 511 distinct tests on one attribute
TESTS_A_FINDING = 60  # one fact may satisfy 64 tests of a set


class EngineLimit(Exception):
    """A ruleset that durable-rules cannot hold; the message names the rule or finding to mend."""


def over_limits(ruleset: Ruleset) -> tuple[tuple[str, str], ...]:
    """(rule id, what is too large) for everything in the rules that the engine could not hold."""
    found = [
        (rule.rule.rule, f"{len(branch)} conditions in one branch; the engine holds {MOST_CONDITIONS}")
        for rule in ruleset.rules
        for branch in rule.branches
        if len(branch) > MOST_CONDITIONS
    ]
    found += [
        (rule.rule.rule, f"a test of {test.finding!r} with {len(test.values)} values; the engine holds {MOST_VALUES}")
        for rule in ruleset.rules
        for branch in rule.branches
        for test in branch
        if len(test.values) > MOST_VALUES
    ]
    return tuple(dict.fromkeys(found))


if DURABLE:

    class _QuietHost(Host):  # type: ignore[misc]
        """A host without the two timer threads, which run actions behind our back and crash on deletion."""

        def _run(self) -> None:
            return


def _key(finding: str, stage: str, copy: int = 0) -> str:
    return f"{finding}@{stage}" + "+" * copy


def _copies(branch: Branch) -> Iterator[tuple[Test, int]]:
    """The tests of a branch, those of one finding and stage numbered.

    The engine never lets one fact match two patterns of a rule; so the second pattern looks at a copy of it.
    """
    seen: Counter[tuple[str, str]] = Counter()
    for test in branch:
        yield test, seen[test.finding, test.stage]
        seen[test.finding, test.stage] += 1


class DurableChainer:
    """One host for one ruleset, kept for its life: discarded hosts leak about 10 MB each."""

    def __init__(self, ruleset: Ruleset) -> None:
        limits = over_limits(ruleset)
        if limits:
            raise EngineLimit("; ".join(f"rule {name!r}: {what}" for name, what in limits))
        self._ruleset = ruleset
        self._sessions = itertools.count(1)
        self._fired: set[int] = set()
        self._pending: list[Fact] = []
        self._failure: tuple[str, BaseException] | None = None
        self._most_copies: Counter[tuple[str, str]] = Counter()
        self._marks: dict[str, list[float]] = {}
        for test, copy in (pair for rule in ruleset.rules for branch in rule.branches for pair in _copies(branch)):
            self._most_copies[test.finding, test.stage] = max(copy, self._most_copies[test.finding, test.stage])
            if test.op:
                bisect.insort(self._marks.setdefault(test.finding, []), test.number)
        self._host = _QuietHost()
        self._names: list[str] = []
        for definition in self._definitions():
            self._names += self._host.register_rulesets(definition)

    def _definitions(self) -> list[dict[str, Any]]:
        """Compiled rules, in sets small enough that no limit on one attribute or first pattern is reached."""
        chunks: list[list[tuple[GroundRule, Branch]]] = [[]]
        tests: dict[str, set[Test]] = {}
        for rule in self._ruleset.rules:
            for branch in filter(_can_hold, rule.branches):
                mine = {_key(test.finding, test.stage, copy): test for test, copy in _copies(branch)}
                full = any(len(tests.get(key, set()) | {test}) > TESTS_A_FINDING for key, test in mine.items())
                if full or len(chunks[-1]) == RULES_A_SET or len(tests.keys() | mine.keys()) > FINDINGS_A_SET:
                    chunks.append([])
                    tests = {}
                for key, test in mine.items():
                    tests.setdefault(key, set()).add(test)
                chunks[-1].append((rule, branch))
        return [{f"{NAME}{number}": self._definition(chunk)} for number, chunk in enumerate(chunks)]

    def _definition(self, chunk: list[tuple[GroundRule, Branch]]) -> dict[str, Any]:
        found: dict[str, Any] = {"boot": {"all": [{"b": {"boot": 1}}], "run": lambda c: None}}
        for number, (rule, branch) in enumerate(chunk):
            patterns = [{f"c{at}": self._pattern(test, copy)} for at, (test, copy) in enumerate(_copies(branch))]
            found[f"r{number}"] = {"all": patterns, "run": self._action(rule)}
        return found

    def _pattern(self, test: Test, copy: int) -> dict[str, Any]:
        key = {"f": _key(test.finding, test.stage, copy)}
        if test.op:
            return {"$and": [key, {COMPARE[test.op]: {"n": self._rank(test.finding, test.number)}}]}
        values = [{"v": value} for value in sorted(test.values)]
        return {"$and": [key, values[0] if len(values) == 1 else {"$or": values}]}

    def _rank(self, finding: str, number: float) -> int:
        """Where a number stands among those that rules compare it with; the engine misreads floats such as 1e-05."""
        marks = self._marks.get(finding, [])
        return bisect.bisect_left(marks, number) + bisect.bisect_right(marks, number)

    def _messages(self, sid: str, number: int, fact: Fact) -> Iterator[dict[str, Any]]:
        value = {"n": self._rank(fact.finding, fact.value)} if isinstance(fact.value, float) else {"v": fact.value}
        for copy in range(self._most_copies[fact.finding, fact.stage] + 1):
            yield {"sid": sid, "id": f"{sid}-{number}-{copy}", "f": _key(fact.finding, fact.stage, copy), **value}

    def _action(self, rule: GroundRule) -> Callable[[Any], None]:
        def run(context: Any) -> None:
            # durable-rules swallows what an action raises into its own state: keep it for chain() to raise.
            try:
                self._fired.add(rule.index)
                self._pending.extend(rule.derives)
            except BaseException as error:
                self._failure = self._failure or (rule.key, error)

        return run

    def chain(self, facts: Iterable[Fact]) -> Trace:
        """Fire all rules that follow from the facts; equal to `reference.chain` for the same input."""
        stated = frozenset(facts)
        said = {fact.key for fact in stated}
        sid = f"s{next(self._sessions)}"
        self._fired, self._pending, self._failure = set(), [], None
        known: set[Fact] = set()
        agenda = sorted(stated, key=canonical)
        try:
            for name in self._names:
                self._tell(name, {"sid": sid, "id": f"{sid}-boot", "boot": 1})
            while agenda:
                for fact in agenda:
                    known.add(fact)
                    for message in self._messages(sid, len(known), fact):
                        for name in self._names:
                            self._tell(name, message)
                new = {fact for fact in self._pending if fact.key not in said and fact not in known}
                self._pending = []
                agenda = sorted(new, key=canonical)
        finally:
            for name in self._names:
                self._host.delete_state(name, sid)
        if self._failure is not None:
            key, error = self._failure
            raise RuntimeError(f"rule {key} failed while firing: {error}") from error
        return Trace(self._ruleset, stated, frozenset(known), frozenset(self._fired))

    def _tell(self, name: str, message: dict[str, Any]) -> None:
        try:
            self._host.assert_fact(name, message)
        except MessageNotHandledException:
            pass  # no rule of this set tests the fact; our own working memory keeps it
        except MessageObservedException as error:
            raise RuntimeError(f"durable-rules took two facts for one: {message}") from error

    def close(self) -> None:
        """Free the compiled rules."""
        for name in self._names:
            durable_rules_engine.delete_ruleset(self._host.get_ruleset(name)._handle)
        self._names = []


def _can_hold(branch: Branch) -> bool:
    """A test without any allowed value (the negation of all values) can never hold, and has no compiled form."""
    return all(test.op or test.values for test in branch)


def chainer(ruleset: Ruleset) -> Callable[[Iterable[Fact]], Trace]:
    """The engine's chain function for a ruleset: durable-rules, or the reference chainer where it cannot run."""
    if DURABLE:
        return DurableChainer(ruleset).chain
    return lambda facts: reference.chain(ruleset, facts)
