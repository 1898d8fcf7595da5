"""From facts to a belief: chaining, pooling and the posterior, in that order, for one layout."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property

from expert.belief import Belief, Floats, SourceSets, believe
from expert.evidence import Pattern, changed, excluded, patterns
from expert.facts import Fact
from expert.knowledge.base import Machine
from expert.knowledge.ground import Ruleset, ground
from expert.trace import Trace

Chain = Callable[[Iterable[Fact]], Trace]


@dataclass(frozen=True, eq=False)
class Diagnosis:
    """What follows from a set of facts: the trace of the rules, the pooled evidence, the belief."""

    trace: Trace
    patterns: tuple[Pattern, ...]
    belief: Belief


class Expert:
    """A layout's knowledge made ready to reason with: grounded rules, an engine, the sets of sources.

    `chain` is the engine (expert.chaining.chainer by default is given by the caller, so that nothing
    here depends on which one runs). Reasoning is a pure function of the facts.
    """

    def __init__(self, machine: Machine, chain_for: Callable[[Ruleset], Chain]) -> None:
        self.machine = machine
        self.scale = machine.base.scale
        self.ruleset = ground(machine)
        self._chain_for = chain_for
        chance = {entry.commonness: entry.chance for entry in self.scale.commonness}
        self.sets = SourceSets({name: chance[source.commonness] for name, source in machine.sources.items()})

    @cached_property
    def chain(self) -> Chain:
        """The engine's chain function, built when first needed."""
        return self._chain_for(self.ruleset)

    def diagnose(self, facts: Iterable[Fact]) -> Diagnosis:
        """Chain the facts and believe accordingly. The order of facts, and repeats, make no difference."""
        return self.weigh(self.chain(facts))

    def weigh(self, trace: Trace) -> Diagnosis:
        """The belief that follows from a finished trace."""
        pooled = patterns(trace)
        belief = believe(self.sets, pooled, excluded(trace), self.scale.excluded_odds)
        return Diagnosis(trace, pooled, belief)

    def shift(self, before: Trace, after: Trace) -> Floats:
        """Log likelihood of what was learnt between two traces, for each set of sources."""
        old, new = changed(before, after)
        gone = excluded(after) ^ excluded(before)
        if gone:
            return self.weigh(after).belief.log_weight - self.weigh(before).belief.log_weight
        change = self.sets.total({})
        for pattern in new:
            change += self.sets.log_factor(pattern.opinions)
        for pattern in old:
            change -= self.sets.log_factor(pattern.opinions)
        return change
