"""Exact belief over sets of sources: several leaks at once are normal, so a hypothesis is a set, not a source."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from expert.evidence import EXPLAINS, FAVOURS, Opinion, Pattern

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


def _summed(values: Floats, columns: Sequence[NDArray[np.intp]]) -> Floats:
    summed: Floats = values[columns[0]]
    for column in columns[1:]:
        summed += values[column]
    return summed


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
        self.every = [np.ascontiguousarray(column) for column in self.members.T]  # the columns of all sets
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
        return _summed(values, self.every)

    def columns(self, sets: NDArray[np.intp]) -> list[NDArray[np.intp]]:
        """The columns of some sets' rows of `members`, for `log_factor_of` (those of all sets are `every`)."""
        return [column[sets] for column in self.every]

    def _log_factor(self, opinions: tuple[Opinion, ...]) -> Floats:
        """`log_factor(opinions)`: log likelihood of a pattern with these opinions under each set.

        Relative to a set that has nothing to do with the pattern.
        """
        factor = self.log_factor_of(opinions, self.every)
        factor.setflags(write=False)  # it is remembered: changing it in place would spoil later beliefs
        return factor

    def log_factor_of(self, opinions: tuple[Opinion, ...], columns: Sequence[NDArray[np.intp]]) -> Floats:
        """The same for some sets only, given as the columns of their rows of `members`."""
        sure = np.zeros(len(self.sources) + 1)
        misses = np.zeros(len(self.sources) + 1)
        causes = [o for o in opinions if o.kind == EXPLAINS]
        for opinion in opinions:
            if opinion.kind != EXPLAINS:
                sure[self.position[opinion.source]] = math.log(opinion.ratio) * (1 if opinion.kind == FAVOURS else -1)
        factor = _summed(sure, columns)
        if causes:
            leak, shows = noisy_or([o.ratio for o in causes])
            for cause, q in zip(causes, shows, strict=True):
                misses[self.position[cause.source]] = math.log1p(-q)
            factor += np.log((1 - (1 - leak) * np.exp(_summed(misses, columns))) / leak)
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
    def rising(self) -> NDArray[np.intp]:
        """All sets by weight, the most probable last; of sets equal to nine digits the first in layout order last."""
        return np.lexsort((-np.arange(len(self.sets)), np.round(self.log_weight, 9)))

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
