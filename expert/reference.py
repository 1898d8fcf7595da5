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
    back, so everything is followed again from the stated facts.
    """
    if fact in trace.stated:
        return trace
    if any(f.key == fact.key for f in trace.derived):
        return _followed(Trace(trace.ruleset, frozenset(), frozenset(), frozenset()), trace.stated | {fact})
    return _followed(trace, frozenset({fact}))


def _followed(trace: Trace, facts: frozenset[Fact]) -> Trace:
    """What follows when these facts are stated too; none of them about a finding derived so far."""
    ruleset = trace.ruleset
    stated = trace.stated | facts
    said = {f.key for f in stated}
    memory = dict(trace.memory)
    fired = set(trace.fired)
    known = set(trace.facts)
    agenda = [fact for fact in facts if fact not in known]
    # All that is stated is known before any rule is tried, so that each rule is tried on all of it.
    new = set(agenda)
    for fact in agenda:
        memory[fact.key] = memory.get(fact.key, frozenset()) | {fact.value}
    known |= new
    while agenda:
        key = agenda.pop().key
        for rule in _woken(ruleset, key, fired):
            if fires(rule, memory):
                fired.add(rule.index)
                for fact in rule.derives:
                    if fact.key not in said and fact not in known:
                        known.add(fact)
                        memory[fact.key] = memory.get(fact.key, frozenset()) | {fact.value}
                        agenda.append(fact)
    after = Trace(ruleset, stated, frozenset(known), frozenset(fired))
    after.__dict__["memory"] = memory  # what the property would gather again
    return after


def _woken(ruleset: Ruleset, key: tuple[str, str], fired: set[int]) -> list[GroundRule]:
    return [rule for rule in ruleset.watchers.get(key, ()) if rule.index not in fired]
