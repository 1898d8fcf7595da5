"""Sources that no look can part: which of them a belief cannot choose between, and how probable they are together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from expert.belief import Belief

# A partner that is less probable than this is not worth mentioning, nor counted in. Ours, no source.
POSSIBLE = 0.05


@dataclass(frozen=True)
class Either:
    """A source of the most probable set, the `others` that no look parts from it, and the chance that any leaks."""

    source: str
    others: tuple[str, ...]
    chance: float


@dataclass(frozen=True)
class Standing:
    """The most probable set, and what stands for it as well as it does.

    `chance` is the posterior of all sets that are the same as the most probable one but for sources that no look parts:
    each of its sources is there, or a partner of it in its place or beside it, and nothing else is.
    """

    sources: tuple[str, ...]
    either: tuple[Either, ...]
    chance: float


def standing(belief: Belief, inseparable: Mapping[str, tuple[str, ...]]) -> Standing:
    """How well the most probable set stands; `inseparable` gives each source's partners (`Machine.inseparable`)."""
    sources, chance = belief.best
    groups = {
        source: tuple(o for o in inseparable.get(source, ()) if belief.marginals[o] >= POSSIBLE and o not in sources)
        for source in sources
    }
    if not any(groups.values()):
        return Standing(sources, (), chance)
    position, members = belief.sets.position, belief.sets.members
    within = np.ones(len(members), dtype=bool)
    allowed = np.zeros(len(position) + 1, dtype=bool)
    allowed[-1] = True  # what pads the shorter sets
    either = []
    for source, others in groups.items():
        here = [position[name] for name in (source, *others)]
        allowed[here] = True
        has = np.isin(members, here).any(axis=1)
        within &= has
        if others:
            either.append(Either(source, others, float(belief.chances[has].sum())))
    within &= allowed[members].all(axis=1)
    return Standing(sources, tuple(either), float(belief.chances[within].sum()))
