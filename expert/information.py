"""How much an answer is expected to tell: entropy and expected information, as plain functions of numbers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def entropy(chances: Floats) -> float:
    """Shannon entropy in bits of a distribution (sums to one)."""
    positive = chances[chances > 0]
    return float(-(positive * np.log2(positive)).sum())


def answer_likelihood(usual: Sequence[float], shifts: Floats) -> Floats:
    """How likely each answer is under each hypothesis: its usual weight times its likelihood ratio there, scaled so
    that the answers sum to one.

    `usual` has length answers, `shifts` (answers, hypotheses) holds the logarithms of the ratios.
    """
    likelihood = np.array([[weight] for weight in usual]) * np.exp(shifts)
    likelihood /= likelihood.sum(axis=0)
    return np.asarray(likelihood)


def answer_chances(now: Floats, likelihood: Floats) -> Floats:
    """The predicted probability of each answer: sum over hypotheses of P(h) P(answer | h).

    `now` has shape (hypotheses,), `likelihood` (answers, hypotheses) with columns that sum to one.
    """
    return np.asarray((likelihood * now).sum(axis=1))


def information_gain(now: Floats, likelihood: Floats) -> float:
    """Expected reduction of entropy in bits by learning the answer (mutual information; Lindley 1956, from memory).

    The published measure, which `expected_shift` (what the questions are chosen by) is checked against.
    """
    chances = answer_chances(now, likelihood)
    after = [
        chance * entropy(now * row / chance) for chance, row in zip(chances, likelihood, strict=True) if chance > 0
    ]
    return max(0.0, entropy(now) - float(sum(after)))


def expected_shift(now: Floats, after: Floats, chances: Floats) -> float:
    """Expected Kullback-Leibler divergence, in bits, of the belief after each answer from the belief now.

    `after` has shape (answers, hypotheses), rows summing to one. Where the answers' likelihoods are coherent
    (the mean of the beliefs after is the belief now) this equals `information_gain`; where strength words
    are not perfectly balanced it still is never negative and is zero exactly when no answer changes anything.
    """
    total = 0.0
    for chance, row in zip(chances, after, strict=True):
        if chance <= 0:
            continue
        seen = row > 0
        total += float(chance * (row[seen] * np.log2(row[seen] / now[seen])).sum())
    return max(0.0, total)
