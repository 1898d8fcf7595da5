"""Exact belief over sets of sources: several leaks at once are normal, so a hypothesis is a set, not a source."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from expert.evidence import AGAINST, EXPLAINS, FAVOURS, Opinion, Pattern

Floats = NDArray[np.float64]

MOST_AT_ONCE = 3
MEMORY = 48_000_000  # bytes of remembered factors
# The chance that the best-supported source of a pattern would show it; fixes the pattern's leak probability.
SHOWS = 0.95


def noisy_or(ratios: Sequence[float]) -> tuple[float, tuple[float, ...]]:
    """The leak probability of a pattern and each cause's own probability, from likelihood ratios above one.

    In a noisy-OR with leak l, a cause of probability q alone has the likelihood ratio
    (1 - (1-l)(1-q)) / l against no cause at all. The largest ratio is given q = SHOWS, which fixes l; the others
    follow. (Noisy-OR with leak: Henrion 1989, from memory; the algebra is checked by enumeration in the tests.)
    """
    largest = max(ratios)
    leak = SHOWS / (largest - 1 + SHOWS)
    return leak, tuple(leak * (ratio - 1) / (1 - leak) for ratio in ratios)


class SourceSets:
    """All sets of one to three of a layout's sources, with their prior.

    The prior takes sources as independent, each leaking with its own chance, given that at least one and at
    most three do. `members[h]` holds the positions of hypothesis h's sources, padded with len(sources).
    """

    def __init__(self, chances: Mapping[str, float], most: int = MOST_AT_ONCE) -> None:
        self.sources = tuple(chances)
        count = len(self.sources)
        self.position = {source: at for at, source in enumerate(self.sources)}
        picks = [pick for size in range(1, min(most, count) + 1) for pick in itertools.combinations(range(count), size)]
        width = min(most, count)
        self.members = np.array([(*pick, *[count] * (width - len(pick))) for pick in picks], dtype=np.intp)
        self._columns = [np.ascontiguousarray(column) for column in self.members.T]
        # Most patterns come back at every turn of a conversation; remembering their factors is bounded in bytes.
        self.log_factor = lru_cache(maxsize=max(64, MEMORY // (8 * len(picks))))(self._log_factor)
        self.log_prior = self.total({s: math.log(p / (1 - p)) for s, p in chances.items()})

    def __len__(self) -> int:
        return len(self.members)

    def total(self, per_source: Mapping[str, float]) -> Floats:
        """For each set, the sum of its sources' numbers (zero for a source not named)."""
        values = np.zeros(len(self.sources) + 1)
        for source, number in per_source.items():
            values[self.position[source]] = number
        summed: Floats = values[self._columns[0]]
        for column in self._columns[1:]:
            summed += values[column]
        return summed

    def _log_factor(self, opinions: tuple[Opinion, ...]) -> Floats:
        """`log_factor(opinions)`: log likelihood of a pattern with these opinions under each set.

        Relative to a set that has nothing to do with the pattern.
        """
        pattern = Pattern("", "", "", opinions)
        weights = {o.source: math.log(o.ratio) for o in pattern.of_kind(FAVOURS)}
        weights |= {o.source: -math.log(o.ratio) for o in pattern.of_kind(AGAINST)}
        factor = self.total(weights) if weights else np.zeros(len(self))
        causes = pattern.of_kind(EXPLAINS)
        if causes:
            leak, shows = noisy_or([o.ratio for o in causes])
            misses = self.total({o.source: math.log1p(-q) for o, q in zip(causes, shows, strict=True)})
            factor = factor + np.log((1 - (1 - leak) * np.exp(misses)) / leak)
        factor.setflags(write=False)  # it is remembered: changing it in place would spoil later beliefs
        return factor

    def names(self, hypothesis: int) -> tuple[str, ...]:
        """The sources of one set, in the layout's order."""
        return tuple(self.sources[at] for at in self.members[hypothesis] if at < len(self.sources))


@dataclass(frozen=True, eq=False)
class Belief:
    """A posterior over sets of sources. `log_weight` is unnormalised; `chances` sums to one."""

    sets: SourceSets
    log_weight: Floats

    @cached_property
    def chances(self) -> Floats:
        """The posterior probability of each set."""
        weight = np.exp(self.log_weight - self.log_weight.max())
        return np.asarray(weight / weight.sum())

    @cached_property
    def marginals(self) -> Mapping[str, float]:
        """The posterior probability that each source leaks (alone or with others)."""
        flat = self.sets.members.ravel()
        weights = np.repeat(self.chances, self.sets.members.shape[1])
        found = np.bincount(flat, weights=weights, minlength=len(self.sets.sources) + 1)
        return {source: float(min(found[at], 1.0)) for at, source in enumerate(self.sets.sources)}

    @cached_property
    def ranking(self) -> tuple[tuple[str, float], ...]:
        """Sources by marginal, highest first; equal to nine digits goes by name."""
        return tuple(sorted(self.marginals.items(), key=lambda item: (-round(item[1], 9), item[0])))

    @cached_property
    def best(self) -> tuple[tuple[str, ...], float]:
        """The most probable set and its posterior; of sets equal to nine digits the first in layout order."""
        at = int(np.argmax(np.round(self.log_weight, 9)))
        return self.sets.names(at), float(self.chances[at])

    def top(self, most: int) -> tuple[tuple[tuple[str, ...], float], ...]:
        """The most probable sets with their posteriors, highest first."""
        order = np.lexsort((np.arange(len(self.sets)), -np.round(self.log_weight, 9)))[:most]
        return tuple((self.sets.names(int(at)), float(self.chances[at])) for at in order)

    @cached_property
    def entropy(self) -> float:
        """Shannon entropy of the posterior over sets, in bits."""
        chances = self.chances[self.chances > 0]
        return float(-(chances * np.log2(chances)).sum())


def believe(
    sets: SourceSets, patterns: Iterable[Pattern], excluded: Iterable[str] = (), excluded_odds: float = 1e-6
) -> Belief:
    """The posterior after all patterns; their order does not matter (they are added in canonical order)."""
    weight = sets.log_prior.copy()
    for pattern in sorted(patterns, key=lambda p: (p.finding, p.stage, p.value)):
        weight += sets.log_factor(pattern.opinions)
    gone = dict.fromkeys(sorted(excluded), math.log(excluded_odds))
    if gone:
        weight += sets.total(gone)
    return Belief(sets, weight)


def minimal_explanations(
    sights: Sequence[frozenset[str]], sources: Iterable[str], most: int = MOST_AT_ONCE
) -> tuple[frozenset[str], ...]:
    """All irredundant covers: sets of at most `most` sources that explain every sight, no part of which does.

    `sights` gives for each thing seen the sources that explain it. Peng and Reggia, Abductive Inference Models for
    Diagnostic Problem-Solving (1990), call these the irredundant covers (citation from memory).
    """
    useful = [s for s in sources if any(s in sight for sight in sights)]
    found: list[frozenset[str]] = []
    for size in range(0, most + 1):
        for pick in itertools.combinations(useful, size):
            cover = frozenset(pick)
            if any(smaller <= cover for smaller in found):
                continue
            if all(sight & cover for sight in sights):
                found.append(cover)
    return tuple(found)
