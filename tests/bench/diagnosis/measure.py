"""Figures from outcomes: how often right, at what cost, how honest the stated chances are. Pure functions."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from .outcome import Outcome

BINS = 10
LEAST_CHANCE = 1e-9  # stated chances nearer to 0 or 1 are taken as this for the log loss, which would else be infinite
LEFT_OUT = "(left out)"


@dataclass(frozen=True)
class Share:
    """So many out of so many."""

    of: int
    hits: int

    @property
    def value(self) -> float:
        """The share, not a number for none out of none."""
        return self.hits / self.of if self.of else math.nan

    @property
    def error(self) -> float:
        """Its standard error, were the vehicles drawn again."""
        return math.sqrt(self.value * (1 - self.value) / self.of) if self.of else math.nan


def share(hits: Iterable[bool]) -> Share:
    """How many are true."""
    every = list(hits)
    return Share(len(every), sum(every))


def mean(numbers: Iterable[float]) -> float:
    """The mean, not a number for none."""
    every = list(numbers)
    return math.fsum(every) / len(every) if every else math.nan


def centile(numbers: Iterable[float], part: float) -> float:
    """The number that this part of them do not exceed; not a number for none."""
    every = sorted(numbers)
    return every[min(len(every) - 1, int(len(every) * part))] if every else math.nan


@dataclass(frozen=True)
class Score:
    """One policy's figures. Shares are by how many leaks a vehicle has; `believes` is false for blind replacing."""

    policy: str
    believes: bool
    top_one: Share
    top_three: Share
    all_found: dict[int, Share]
    all_ranked: dict[int, Share]
    exact: dict[int, Share]
    stands_out: Share
    questions: float
    minutes: float
    minutes_median: float
    wrong: float
    none_wrong: Share
    hours: float
    wasted: float


def score(policy: str, outcomes: Sequence[Outcome]) -> Score:
    """One policy's outcomes, summed up.

    Top one and top three are for single leaks. `all_found`: all that leak are in the concluded set; `all_ranked`: they
    are the first of the ranking, however many they are; `exact`: the concluded set is right and no larger.
    """
    by_leaks = {leaks: [o for o in outcomes if len(o.truth) == leaks] for leaks in (1, 2, 3)}
    singles = by_leaks[1]
    return Score(
        policy=policy,
        believes=any(o.marginals for o in outcomes),
        top_one=share(o.ranking[0] in o.truth for o in singles),
        top_three=share(not set(o.truth).isdisjoint(o.ranking[:3]) for o in singles),
        all_found={n: share(set(o.truth) <= set(o.concluded) for o in some) for n, some in by_leaks.items()},
        all_ranked={n: share(set(o.truth) == set(o.ranking[:n]) for o in some) for n, some in by_leaks.items()},
        exact={n: share(set(o.truth) == set(o.concluded) for o in some) for n, some in by_leaks.items()},
        stands_out=share(o.reason.startswith("one explanation") for o in outcomes),
        questions=mean(len(o.asked) for o in outcomes),
        minutes=mean(o.minutes for o in outcomes),
        minutes_median=centile((o.minutes for o in outcomes), 0.5),
        wrong=mean(len(o.wrong) for o in outcomes),
        none_wrong=share(not o.wrong for o in outcomes),
        hours=mean(o.hours for o in outcomes),
        wasted=mean(o.wasted for o in outcomes),
    )


@dataclass(frozen=True)
class JobScore:
    """How one policy's jobs end. `mended` is by how many leaks a vehicle had: all of them mended by the end.

    `proved` are the jobs that ended because nothing seemed to leak any more; `rightly` those of them where nothing did.
    """

    policy: str
    mended: dict[int, Share]
    visits: float
    first_minutes: float
    minutes: float
    wrong: float
    proved: Share
    rightly: Share


def of_jobs(policy: str, outcomes: Sequence[Outcome]) -> JobScore:
    """One policy's whole jobs, summed up. ValueError where one has none."""
    done = [(len(o.truth), o.job) for o in outcomes if o.job is not None]
    if len(done) < len(outcomes):
        raise ValueError(f"{policy}: of {len(outcomes)} outcomes only {len(done)} have a whole job")
    every = [job for _, job in done]
    return JobScore(
        policy=policy,
        mended={n: share(not job.left for leaks, job in done if leaks == n) for n in (1, 2, 3)},
        visits=mean(job.visits for job in every),
        first_minutes=mean(job.first_minutes for job in every),
        minutes=mean(job.minutes for job in every),
        wrong=mean(len(job.wrong) for job in every),
        proved=share(job.proved for job in every),
        rightly=share(not job.left for job in every if job.proved),
    )


@dataclass(frozen=True)
class Difference:
    """The mean of what one policy spends more than another on the same vehicles, and its standard error."""

    mean: float
    error: float


def difference(ones: Sequence[float], others: Sequence[float]) -> Difference:
    """Vehicle by vehicle, so that how hard a vehicle is cancels out. ValueError for lists of unequal length."""
    gaps = [one - other for one, other in zip(ones, others, strict=True)]
    middle = mean(gaps)
    spread = math.fsum((gap - middle) ** 2 for gap in gaps)
    return Difference(middle, math.sqrt(spread / (len(gaps) - 1) / len(gaps)) if len(gaps) > 1 else math.nan)


@dataclass(frozen=True)
class Paired:
    """What the expert spends more than another policy, vehicle by vehicle."""

    than: str
    wrong: Difference
    wasted: Difference
    minutes: Difference


def paired(expert: Sequence[Outcome], other: Sequence[Outcome]) -> Paired:
    """The expert's outcomes against another policy's on the same vehicles."""
    return Paired(
        than=other[0].policy,
        wrong=difference([len(o.wrong) for o in expert], [len(o.wrong) for o in other]),
        wasted=difference([o.wasted for o in expert], [o.wasted for o in other]),
        minutes=difference([o.minutes for o in expert], [o.minutes for o in other]),
    )


def by_phase(outcomes: Sequence[Outcome]) -> dict[str, tuple[float, float]]:
    """Questions and minutes a vehicle spent in each phase, in the order in which phases come up."""
    questions: Counter[str] = Counter()
    minutes: dict[str, float] = {}
    for outcome in outcomes:
        for phase, _, took in outcome.asked:
            questions[phase] += 1
            minutes[phase] = minutes.get(phase, 0.0) + took
    return {phase: (questions[phase] / len(outcomes), minutes[phase] / len(outcomes)) for phase in questions}


# ---- honesty of chances ---------------------------------------------------------------------------------------

Forecasts = Sequence[tuple[float, bool]]


@dataclass(frozen=True)
class Bin:
    """Forecasts between two chances: how many, their mean, how often what they foretold was so."""

    low: float
    high: float
    count: int
    stated: float
    happened: float

    @property
    def error(self) -> float:
        """The standard error of `happened`."""
        return math.sqrt(self.happened * (1 - self.happened) / self.count) if self.count else math.nan


def bins(forecasts: Forecasts, count: int = BINS) -> tuple[Bin, ...]:
    """The forecasts in bins of equal width, empty ones included; 1 goes to the last."""
    groups: list[list[tuple[float, bool]]] = [[] for _ in range(count)]
    for chance, happened in forecasts:
        groups[min(count - 1, int(chance * count))].append((chance, happened))
    return tuple(
        Bin(at / count, (at + 1) / count, len(group), mean(p for p, _ in group), mean(float(y) for _, y in group))
        for at, group in enumerate(groups)
    )


@dataclass(frozen=True)
class Murphy:
    """The Brier score and its parts: brier = reliability - resolution + uncertainty + within.

    `within` is what differs inside bins, nothing where all forecasts of a bin are equal.
    (Score: Brier, Monthly Weather Review 78, 1950; parts: Murphy, J. Appl. Meteorol. 12, 1973; both from memory.)
    """

    brier: float
    reliability: float
    resolution: float
    uncertainty: float

    @property
    def within(self) -> float:
        """The remainder that comes of binning."""
        return self.brier - (self.reliability - self.resolution + self.uncertainty)


def murphy(forecasts: Forecasts, count: int = BINS) -> Murphy:
    """The mean of (chance - 0 or 1) squared over forecasts of yes or no (range 0 to 1), decomposed over bins."""
    of = len(forecasts)
    base = mean(float(y) for _, y in forecasts)
    filled = [b for b in bins(forecasts, count) if b.count]
    return Murphy(
        brier=mean((p - y) ** 2 for p, y in forecasts),
        reliability=math.fsum(b.count * (b.stated - b.happened) ** 2 for b in filled) / of,
        resolution=math.fsum(b.count * (b.happened - base) ** 2 for b in filled) / of,
        uncertainty=base * (1 - base),
    )


def log_loss(forecasts: Forecasts) -> float:
    """Mean of minus the logarithm (natural) of the chance given to what was so (Good 1952, from memory)."""
    return mean(-math.log(max(LEAST_CHANCE, p if y else 1 - p)) for p, y in forecasts)


def of_sources(outcomes: Sequence[Outcome], sources: Sequence[str]) -> Forecasts:
    """Each source's marginal on each vehicle, and whether it leaks."""
    return [(p, s in o.truth) for o in outcomes for s, p in zip(sources, o.marginals, strict=True)]


def of_conclusions(outcomes: Sequence[Outcome]) -> Forecasts:
    """Each vehicle's concluded set's chance, and whether exactly that set leaks."""
    return [(o.chance, set(o.concluded) == set(o.truth)) for o in outcomes]


def loss_of_truth(outcomes: Sequence[Outcome]) -> float:
    """Mean of minus the logarithm of the chance given to exactly the sources that leak."""
    return mean(-math.log(max(LEAST_CHANCE, o.chance_of_truth)) for o in outcomes)


# ---- mistakes -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Missed:
    """A source, how often it leaked and was not concluded, and what was concluded wrongly in its place."""

    source: str
    leaked: int
    missed: int
    taken_for: tuple[tuple[str, int], ...]


def missed(outcomes: Sequence[Outcome]) -> tuple[Missed, ...]:
    """Sources by how often they were missed, most often first; only those that were."""
    leaked, lost = Counter[str](), Counter[str]()
    taken: dict[str, Counter[str]] = {}
    for outcome in outcomes:
        leaked.update(outcome.truth)
        for source in set(outcome.truth) - set(outcome.concluded):
            lost[source] += 1
            taken.setdefault(source, Counter()).update(outcome.wrong or (LEFT_OUT,))
    return tuple(
        Missed(source, leaked[source], count, tuple(sorted(taken[source].items(), key=lambda i: (-i[1], i[0]))))
        for source, count in sorted(lost.items(), key=lambda i: (-i[1], i[0]))
    )


def false_alarms(outcomes: Sequence[Outcome]) -> tuple[tuple[str, int], ...]:
    """Sources by how often they were concluded without leaking."""
    wrong = Counter(source for outcome in outcomes for source in outcome.wrong)
    return tuple(sorted(wrong.items(), key=lambda i: (-i[1], i[0])))
