"""Which repairs are worth putting into an order, and what each would mend, under a belief over sets of sources."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from expert.belief import Belief, SourceSets
from expert.knowledge.model import Repair
from expert.plan.order import MOST, Floats, Ints, by_ratio, still_wet

# A repair whose sources leak with less than this chance is left out of the order: what nobody has looked at keeps some
# per cent, and wants a look and no repair. Ours, no source.
NEGLIGIBLE = 0.05
_MOST_CHOSEN = 62  # bits of a mask


@dataclass(frozen=True)
class Candidate:
    """A repair, the sources of the layout that it mends, and the chance that any of them leaks."""

    repair: Repair
    sources: tuple[str, ...]
    chance: float


@dataclass(frozen=True, eq=False)
class Candidates:
    """The repairs of an order, the likeliest first, and those left out.

    Every order of the first `weighed` is weighed; what is beyond them is put in by rule of thumb. `masks` holds for
    each set of sources which repairs it needs, a bit for each. What the repairs left out would mend is reckoned with as
    if it did not leak, and a set that needs none of the order as if it were impossible; `missed` is the chance that
    anything that is left out leaks.
    """

    chosen: tuple[Candidate, ...]
    left_out: tuple[Candidate, ...]
    weighed: int
    masks: Ints
    missed: float

    @property
    def names(self) -> tuple[str, ...]:
        """The ids of the repairs whose every order is weighed."""
        return tuple(one.repair.repair for one in self.chosen[: self.weighed])

    def first(self, most: int) -> Candidates:
        """The same with the orders of fewer repairs weighed, and the others left out."""
        weighed = min(self.weighed, most)
        return replace(self, chosen=self.chosen[:weighed], weighed=weighed, masks=self.masks & ((1 << weighed) - 1))

    def share(self, chances: Floats) -> float:
        """The chance that any repair of the order is needed."""
        return float(chances[self.masks != 0].sum())

    def wet(self, beliefs: Sequence[Floats]) -> Floats:
        """The chance of still being wet after each set of the repairs weighed (row), under each belief (column)."""
        size = 1 << self.weighed
        inside = np.flatnonzero((self.masks != 0) & (self.masks < size))
        masks = self.masks[inside]
        needed = [
            np.bincount(masks, weights=one[inside] / self.share(one), minlength=size).astype(np.float64)
            for one in beliefs
        ]
        return np.column_stack([still_wet(one) for one in needed])

    def wet_after(self, done: int, chances: Floats) -> float:
        """The chance of still being wet after these repairs, of whichever of the order."""
        return float(chances[(self.masks & ~np.int64(done)) != 0].sum()) / self.share(chances)


def candidates(
    belief: Belief, mends: Mapping[str, Repair], least: float = NEGLIGIBLE, weighed: int = MOST
) -> Candidates:
    """The repairs that the belief leaves worth doing, at least one; `mends` gives each source its repair."""
    by_repair: dict[str, list[str]] = {}
    for source in belief.sets.sources:
        if source in mends:
            by_repair.setdefault(mends[source].repair, []).append(source)
    known = {repair.repair: repair for repair in mends.values()}
    found = [Candidate(known[name], tuple(sources), _any_of(belief, sources)) for name, sources in by_repair.items()]
    found.sort(key=lambda one: (-round(one.chance, 9), one.repair.repair))
    chosen = [one for at, one in enumerate(found) if one.chance >= least or at == 0][:_MOST_CHOSEN]
    bits = {source: 1 << at for at, one in enumerate(chosen) for source in one.sources}
    others = [source for source in belief.sets.sources if source not in bits]
    return Candidates(
        tuple(chosen),
        tuple(found[len(chosen) :]),
        min(weighed, len(chosen)),
        _masks(belief.sets, bits),
        _any_of(belief, others),
    )


def _any_of(belief: Belief, sources: Sequence[str]) -> float:
    return float(belief.chances[_masks(belief.sets, dict.fromkeys(sources, 1)) & 1 == 1].sum())


def _masks(sets: SourceSets, bits: Mapping[str, int]) -> Ints:
    """For each set of sources the union of its sources' bits."""
    values = np.array([*(bits.get(source, 0) for source in sets.sources), 0], dtype=np.int64)
    found: Ints = np.bitwise_or.reduce(values[sets.members], axis=1)
    return found


def tail(found: Candidates, chances: Floats, costs: Sequence[float]) -> tuple[int, ...]:
    """The repairs beyond those weighed, as masks, by the chance that each dries the vehicle next per what it costs.

    `costs` are those of each repair alone. A rule of thumb: the chances depend on what was done before.
    """
    done = (1 << found.weighed) - 1
    left = list(range(found.weighed, len(found.chosen)))
    order = []
    while left:
        wet = found.wet_after(done, chances)
        drying = [max(0.0, wet - found.wet_after(done | 1 << at, chances)) for at in left]
        at = left.pop(by_ratio(drying, [costs[at] for at in left])[0])
        order.append(1 << at)
        done |= order[-1]
    return tuple(order)
