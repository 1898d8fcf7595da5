"""The meaning of the rules in its simplest form, and the same thing done step by step for looking ahead.

`chain` is the plain forward chainer that durable-rules is compared with, and the engine where
durable-rules cannot be imported. `extend` adds one fact to a finished run without starting again.
"""

from __future__ import annotations

from collections.abc import Iterable

from expert.facts import Fact
from expert.knowledge.ground import GroundRule, Ruleset
from expert.trace import Trace, fires, remember


def chain(ruleset: Ruleset, facts: Iterable[Fact]) -> Trace:
    """Fire rules until nothing new follows.

    A finding the user has stated (in that stage) is never derived over: a rule that would conclude it fires,
    but its conclusion about that finding is dropped.
    """
    stated = frozenset(facts)
    said = {fact.key for fact in stated}
    known = set(stated)
    fired: set[int] = set()
    grown = True
    while grown:
        memory = remember(known)
        new = [r for r in ruleset.rules if r.index not in fired and fires(r, memory)]
        fired |= {rule.index for rule in new}
        known |= {fact for rule in new for fact in rule.derives if fact.key not in said}
        grown = bool(new)
    return Trace(ruleset, stated, frozenset(known), frozenset(fired))


def extend(trace: Trace, fact: Fact) -> Trace:
    """The trace after one more stated fact; equal to chaining all of them afresh.

    Chaining only ever adds, so the old firings stand and only rules that watch something new are tried.
    The exception is a fact about a finding that rules have derived: stating it takes the derived values
    back, so everything is chained again.
    """
    ruleset = trace.ruleset
    if fact in trace.stated:
        return trace
    if any(f.key == fact.key for f in trace.derived):
        return chain(ruleset, trace.stated | {fact})
    said = {f.key for f in trace.stated} | {fact.key}
    memory = dict(trace.memory)
    fired = set(trace.fired)
    known = set(trace.facts)
    agenda = [fact]
    while agenda:
        new = agenda.pop()
        if new in known:
            continue
        known.add(new)
        key = new.key
        memory[key] = memory.get(key, frozenset()) | {new.value}
        for rule in _woken(ruleset, key, fired):
            if fires(rule, memory):
                fired.add(rule.index)
                agenda.extend(f for f in rule.derives if f.key not in said)
    return Trace(ruleset, trace.stated | {fact}, frozenset(known), frozenset(fired))


def _woken(ruleset: Ruleset, key: tuple[str, str], fired: set[int]) -> list[GroundRule]:
    return [rule for rule in ruleset.watchers.get(key, ()) if rule.index not in fired]
