"""Learning from confirmed cases: how common each source is, by what the knowledge says and what a shop has proved.

Each source by itself is a coin: in each confirmed case it was proved to leak or it was not. Before any case the
knowledge's chance p stands as a Beta distribution with mean p and the weight of `weight` cases; k cases of n then
give Beta(p weight + k, (1 - p) weight + n - k) (the Beta distribution is conjugate to the binomial: Gelman et al.,
Bayesian Data Analysis, section 2.4, from memory; the tests integrate it numerically).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

# How many confirmed cases the knowledge's own chances count for, if nothing else is said; common practice, no source.
WEIGHT = 50.0
LEAST_WEIGHT, MOST_WEIGHT = 1.0, 1e6
CREDIBLE = 0.95
_STEPS = 5000  # of the continued fraction, which needs some 5 sqrt(max(a, b)) of them at worst
_TINY = 1e-300
_CLOSE = 1e-15


@dataclass(frozen=True)
class Beta:
    """A Beta distribution of a chance; `a` and `b` are positive."""

    a: float
    b: float

    @property
    def mean(self) -> float:
        """The expected chance."""
        return self.a / (self.a + self.b)

    def below(self, chance: float) -> float:
        """How probable it is that the true chance lies below this one: the regularised incomplete beta function."""
        if chance <= 0 or chance >= 1:
            return 0.0 if chance <= 0 else 1.0
        # The fraction converges fast on this side of the mean; the other side is the mirror image.
        if chance > (self.a + 1) / (self.a + self.b + 2):
            return 1 - Beta(self.b, self.a).below(1 - chance)
        front = math.exp(
            math.lgamma(self.a + self.b)
            - math.lgamma(self.a)
            - math.lgamma(self.b)
            + self.a * math.log(chance)
            + self.b * math.log1p(-chance)
        )
        return front * _fraction(self.a, self.b, chance) / self.a

    def quantile(self, share: float) -> float:
        """The chance below which the true one lies with this probability (from 0 to 1)."""
        least, most = 0.0, 1.0
        while True:
            middle = (least + most) / 2
            if middle in (least, most):  # no number lies between them
                return middle
            least, most = (middle, most) if self.below(middle) < share else (least, middle)

    def interval(self, credible: float = CREDIBLE) -> tuple[float, float]:
        """The equal-tailed credible interval."""
        return self.quantile((1 - credible) / 2), self.quantile((1 + credible) / 2)


def _fraction(a: float, b: float, x: float) -> float:
    """The continued fraction of the incomplete beta function, by Lentz's method.

    Abramowitz and Stegun, Handbook of Mathematical Functions, 26.5.8 (number from memory).
    """
    above, below = 1.0, 1 - (a + b) * x / (a + 1)
    below = 1 / (below if abs(below) > _TINY else _TINY)
    value = below
    for m in range(1, _STEPS + 1):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        for term in (even, odd):
            below = 1 + term * below
            below = 1 / (below if abs(below) > _TINY else _TINY)
            above = 1 + term / above
            above = above if abs(above) > _TINY else _TINY
            value *= below * above
        if abs(below * above - 1) < _CLOSE:
            break
    return value


@dataclass(frozen=True)
class Learnt:
    """One source: in how many cases it was confirmed, and its chance before and after."""

    source: str
    confirmed: int
    before: Beta
    after: Beta


def believed(chance: float, weight: float = WEIGHT) -> Beta:
    """What is believed of a source's chance before any case: the knowledge's chance, worth `weight` cases."""
    return Beta(chance * weight, (1 - chance) * weight)


def after_cases(before: Beta, confirmed: int, cases: int) -> Beta:
    """What is believed after `cases` confirmed cases, in `confirmed` of which it leaked."""
    return Beta(before.a + confirmed, before.b + cases - confirmed)


def learn(chances: Mapping[str, float], cases: Iterable[Collection[str]], weight: float = WEIGHT) -> tuple[Learnt, ...]:
    """For each source what confirmed cases teach; a case is the sources proved to leak. Their order is no matter.

    `chances` are the knowledge's. Sources that it does not name are not counted.
    """
    proved = [frozenset(case) for case in cases]
    counts = Counter(source for case in proved for source in case)
    found = []
    for source, chance in chances.items():
        before = believed(chance, weight)
        found.append(Learnt(source, counts[source], before, after_cases(before, counts[source], len(proved))))
    return tuple(found)
