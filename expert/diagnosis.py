"""From facts to a belief: chaining, pooling and the posterior, in that order, for one layout."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from expert.belief import Belief, Floats, SourceSets, believe
from expert.evidence import Pattern, changed, excluded, patterns
from expert.facts import Fact
from expert.knowledge.base import Machine
from expert.knowledge.ground import Ruleset, ground
from expert.trace import Trace

Chain = Callable[[Iterable[Fact]], Trace]


@dataclass(frozen=True)
class Learnt:
    """What one trace tells beyond another: patterns as they were and as they are, sources restored and excluded."""

    old: tuple[Pattern, ...]
    new: tuple[Pattern, ...]
    restored: frozenset[str]
    excluded: frozenset[str]


@dataclass(frozen=True, eq=False)
class Diagnosis:
    """What follows from a set of facts: the trace of the rules, the pooled evidence, the belief."""

    trace: Trace
    patterns: tuple[Pattern, ...]
    belief: Belief


def chances_of(machine: Machine) -> dict[str, float]:
    """The chance of each source of the layout before anything is seen, as the knowledge has it."""
    chance = {entry.commonness: entry.chance for entry in machine.base.scale.commonness}
    return {name: chance[source.commonness] for name, source in machine.sources.items()}


class Expert:
    """A layout's knowledge made ready to reason with: grounded rules, an engine, the sets of sources.

    `chain` is the engine (expert.chaining.chainer by default is given by the caller, so that nothing
    here depends on which one runs). `chances` are prior chances that take the place of the knowledge's own, for
    sources of the layout. Reasoning is a pure function of the facts.
    """

    def __init__(
        self, machine: Machine, chain_for: Callable[[Ruleset], Chain], chances: Mapping[str, float] | None = None
    ) -> None:
        self.machine = machine
        self.scale = machine.base.scale
        self.ruleset = ground(machine)
        self._chain_for = chain_for
        self.sets = SourceSets({**chances_of(machine), **(chances or {})})

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

    def learnt(self, before: Trace, after: Trace) -> Learnt:
        """What was learnt between two traces."""
        old, new = changed(before, after)
        was, now = excluded(before), excluded(after)
        return Learnt(old, new, was - now, now - was)

    def shift(self, before: Trace, after: Trace) -> Floats:
        """Log likelihood of what was learnt between two traces, for each set of sources."""
        return self.weight_of(self.learnt(before, after), self.sets.every)

    def weight_of(self, learnt: Learnt, columns: list[NDArray[np.intp]]) -> Floats:
        """Log likelihood of what was learnt for some sets, given as columns of their rows of `SourceSets.members`."""
        change = np.zeros(len(columns[0]))
        for pattern in learnt.new:
            change += self.sets.log_factor_of(pattern.opinions, columns)
        for pattern in learnt.old:
            change -= self.sets.log_factor_of(pattern.opinions, columns)
        gone = np.zeros(len(self.sets.sources) + 1)
        for sources, odds in (
            (learnt.excluded, self.scale.excluded_odds),
            (learnt.restored, 1 / self.scale.excluded_odds),
        ):
            for source in sources:
                gone[self.sets.position[source]] = math.log(odds)
        if gone.any():
            for column in columns:
                change += gone[column]
        return change
