"""Sets of sources that some evidence cannot tell apart, taken together: what makes looking ahead cheap.

A question speaks of few sources, and of most of those alike. Sets with as many sources of each kind shift alike,
whatever the answer; so information is reckoned over a handful of groups, exactly, and not over thousands of sets.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from expert.belief import Belief, Floats
from expert.diagnosis import Learnt

# Of more groups than this only the likeliest are kept, which share all of the belief but this much. That moves a
# question's worth by far less than the answers' chances are known to, and saves most of the time.
MANY = 1500
SPARED = 1e-6
# Up to so many kinds of source, how many of each a set has makes a number small enough to count by.
COUNTED = 7


@dataclass(frozen=True, eq=False)
class Groups:
    """`chance[g]` is the belief in all sets of group g together, `foremost[g]` the position of its likeliest set."""

    chance: Floats
    foremost: NDArray[np.intp]


def grouped(belief: Belief, evidence: Sequence[Learnt]) -> Groups:
    """The groups of sets that none of the evidence tells apart (where they are very many, without the least likely)."""
    kinds = _kinds(belief.sets.sources, evidence)
    number = _numbered(np.array([*kinds, 0]), belief.sets.every)
    chance: Floats = np.bincount(number, weights=belief.chances).astype(np.float64)
    foremost = np.zeros(len(chance), dtype=np.intp)
    foremost[number[belief.rising]] = belief.rising  # of several the last stays: the likeliest
    present = np.flatnonzero(chance)
    if len(present) > MANY:
        falling = present[np.argsort(-chance[present], kind="stable")]
        kept = int(np.searchsorted(np.cumsum(chance[falling]), 1 - SPARED)) + 1
        present = np.sort(falling[:kept])
    return Groups(chance[present] / chance[present].sum(), foremost[present])


def _numbered(kinds: NDArray[np.int64], columns: Sequence[NDArray[np.intp]]) -> NDArray[np.int64]:
    """A number for each set: equal for sets with as many members of each kind."""
    width, most = len(columns), int(kinds.max())
    if most <= COUNTED:  # how many of each kind, as the digits of a number
        codes = [np.where(kinds > 0, (width + 1) ** np.maximum(kinds - 1, 0), 0)] * width
    else:  # the kinds of its members in their order: some groups come twice, which costs time and changes nothing
        codes = [kinds * (most + 1) ** place for place in range(width)]
    number = codes[0][columns[0]]
    for code, column in zip(codes[1:], columns[1:], strict=True):
        number += code[column]
    return np.asarray(number)


def _kinds(sources: Sequence[str], evidence: Sequence[Learnt]) -> list[int]:
    """For each source a number that it shares with those of which all the evidence says the same; 0: nothing."""
    said: dict[str, list[object]] = {source: [] for source in sources}
    for at, learnt in enumerate(evidence):
        for old, patterns in ((True, learnt.old), (False, learnt.new)):
            for which, pattern in enumerate(patterns):
                for opinion in pattern.opinions:
                    said[opinion.source].append((at, old, which, opinion.kind, opinion.ratio))
        for source in learnt.excluded | learnt.restored:
            said[source].append((at, source in learnt.excluded))
    numbers: dict[tuple[object, ...], int] = {(): 0}
    return [numbers.setdefault(tuple(words), len(numbers)) for words in said.values()]
