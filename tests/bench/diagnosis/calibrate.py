"""What figures the strength words would best have on simulated vehicles: a fit, which writes nothing.

Each vehicle gives a random part of all that could be seen of it. From those facts the rules say the same whatever the
words are worth; so the opinions are kept with their words, and the figures behind the words are moved, one at a time,
as long as the mean log loss of exactly the set that leaks falls (coordinate descent). Vehicles are drawn apart from the
benchmark's, and the loss is told on others again.

A layout's knowledge is grounded twice: as it is, which decides what speaks where several rules do; and with figures
that no two words share in any power (`COPY`), from which each opinion's word is read.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import cast

import numpy as np
from numpy.typing import NDArray

from expert import reference
from expert.belief import SHOWS
from expert.evidence import AGAINST, EXPLAINS, FAVOURS, excluded, patterns
from expert.facts import Fact
from expert.inspection import asked_in, most_trusted, stage_of
from expert.knowledge.base import WETNESS_KIND, Observable
from expert.knowledge.ground import GroundRule, ground
from expert.knowledge.model import WETNESS, Scale, Stage
from expert.questions import askable, key_of
from expert.trace import Trace
from expert.vehicle import Vehicle

from .bench import Bench, Setting

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

OUTCOMES = (EXPLAINS, FAVOURS, AGAINST)
KIND = {"explains": 0, "favours": 1, "against": 2}  # as a ground rule names its outcomes
MOST_PLACES = 12  # a source may first show at so many places, by whose number a ratio's root is taken
COPY = MOST_PLACES + 1  # log ratios of the copy grow by this factor a word: no root of one is a root of another
LEAST_LOG, STEP, STEP_OF_POWER = 0.05, 0.3, 0.15
LEAST_POWER, MOST_POWER = 0.02, 1.5
GROW, SHRINK = 1.2, 0.6
LESS = 1e-6  # nat: a smaller gain is none
KEPT = 1e-5  # sets less likely than this share of the likeliest, tempered, are left out of the sums
TEMPER = 0.6
WORST = 12.0  # nats: no vehicle counts for more
ROUNDS = 4
PULL = 0.002  # how strongly each figure is held where it is: without evidence it stays


# ---- what is seen of a vehicle --------------------------------------------------------------------------------


def seen(bench: Bench, vehicle: Vehicle, rng: random.Random) -> Trace:
    """The trace of a random part of what could be seen: some look everywhere, some hardly; a few never clean."""
    expert = bench.expert
    trace = reference.chain(expert.ruleset, ())
    looks, asks, cleans = rng.choice((0.1, 0.25, 0.5, 1.0)), rng.choice((0.15, 0.35, 0.7)), rng.random() > 0.15
    entered = next(s.entered_by for s in expert.scale.stages if s.stage == most_trusted(expert.scale))
    every = [o for phase in expert.scale.phases for o in asked_in(expert, phase)]
    for cleaned in (False, True) if cleans else (False,):
        if cleaned:
            for name, value in entered.items():
                trace = reference.extend(trace, Fact(name, value))
        stage = stage_of(expert, trace.stated)
        must = {o.id for p in expert.scale.phases if p.must and stage in p.stages for o in asked_in(expert, p)}
        for observable in dict.fromkeys(o.id for o in every):
            of = expert.machine.observables[observable]
            part = 1.0 if observable in must and cleaned else looks if of.kind == WETNESS_KIND else asks
            if observable not in entered and rng.random() < part and askable(expert, trace, of, stage, ()):
                for fact in _said(vehicle, of, stage):
                    trace = reference.extend(trace, fact)
    return trace


def _said(vehicle: Vehicle, observable: Observable, stage: str) -> Iterator[Fact]:
    name, when = key_of(observable, stage)
    said = vehicle.observe(observable, stage)
    for value in said if isinstance(said, tuple) else (said,):
        if value is not None:
            yield Fact(name, value, when)


# ---- the opinions, with their words ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Row:
    """One vehicle: what the rules say of it in words, and the sets that could come into question.

    The arrays run over opinions: whose (position of the source), which outcome, which word, by how many places its
    root is taken, whether the stage's and the damp place's powers apply, and the number of the pattern among those that
    name causes (-1: a factor of its own). `sets` are rows of positions, `prior` their log weights before any figure of
    the fit (exclusions applied), `truth` the row of the set that leaks.
    """

    source: Ints
    outcome: Ints
    word: Ints
    places: Ints
    early: NDArray[np.bool_]
    damp: NDArray[np.bool_]
    pattern: Ints
    sets: Ints
    prior: Floats
    truth: int


class Words:
    """Reads the words behind a layout's opinions: the rules grounded again with figures that tell them apart."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        scale = bench.expert.scale
        strengths = tuple(
            entry.model_copy(update={"ratio": math.exp(1e-3 * COPY**at)}) for at, entry in enumerate(scale.strengths)
        )
        stages = tuple(stage.model_copy(update={"trust": 1.0}) for stage in scale.stages)
        copied = scale.model_copy(update={"strengths": strengths, "stages": stages})
        machine = bench.machine.base
        self._rules = ground(replace(machine, scale=copied).machine(bench.setting.layout)).rules
        plain = bench.expert.ruleset.rules
        if [rule.key for rule in self._rules] != [rule.key for rule in plain]:
            raise ValueError("a stage of no trust: its rules say nothing whose word could be read")

    def of(self, rule: int, source: str, outcome: str) -> tuple[int, int, int]:
        """What a ground rule says of a source: the outcome (its place in `OUTCOMES`), the word, the root taken."""
        at = OUTCOMES.index(outcome)
        log = next(log for kind, who, _, log in self._rules[rule].weights if (KIND[kind], who) == (at, source))
        for word in range(len(self._bench.expert.scale.strengths)):
            places = 1e-3 * COPY**word / log
            if 0.5 < places < MOST_PLACES + 0.5 and abs(places - round(places)) < 1e-6:
                return at, word, round(places)
        raise ValueError(f"{self._rules[rule].key}: no word gives what it says of {source}")

    def early(self, rule: GroundRule) -> bool:
        """Does the power of the first stage apply? (Later stages of less trust are not asked in.)"""
        return rule.rule.trust != "full" and rule.stage == _first_stage(self._bench.expert.scale).stage


def _first_stage(scale: Scale) -> Stage:
    return next(stage for stage in scale.stages if not stage.entered_by)


def row_of(bench: Bench, words: Words, vehicle: Vehicle, trace: Trace) -> Row:
    """What the rules say of a vehicle, the figures behind the words left open."""
    expert, sets = bench.expert, bench.expert.sets
    said: list[tuple[int, int, int, int, bool, bool, int]] = []
    causing = 0
    for pattern in patterns(trace):
        observable = expert.machine.observables[pattern.finding]
        values = trace.memory.get((pattern.finding, pattern.stage), frozenset())
        # A value of less trust takes part of the ratio away, unless one of full trust holds as well.
        damp = bool(values) and max(observable.trust.get(str(v), 1.0) for v in values) < 1
        explained = bool(pattern.of_kind(EXPLAINS))
        for opinion in pattern.opinions:
            rule = trace.ruleset.rules[opinion.rule]
            outcome, word, places = words.of(opinion.rule, opinion.source, opinion.kind)
            number = causing if outcome == 0 else -1
            said.append((sets.position[opinion.source], outcome, word, places, words.early(rule), damp, number))
        causing += explained
    prior = sets.log_prior + sets.total(dict.fromkeys(excluded(trace), math.log(expert.scale.excluded_odds)))
    columns = np.array(said, dtype=np.int64).reshape(len(said), 7).T
    source, outcomes, which, roots, early, low, number_of = columns
    truth = _truth(bench, vehicle)
    row = Row(
        source, outcomes, which, roots, early.astype(bool), low.astype(bool), number_of, sets.members, prior, truth
    )
    return _kept(row, start_of(expert.scale))


def _truth(bench: Bench, vehicle: Vehicle) -> int:
    sets = bench.expert.sets
    at = sorted(sets.position[s] for s in vehicle.truth)
    padded = np.array([*at, *[len(sets.sources)] * (sets.members.shape[1] - len(at))])
    return int(np.flatnonzero((sets.members == padded).all(axis=1))[0])


def _kept(row: Row, figures: Figures) -> Row:
    """The row with only those sets that any figures near these may find likely, and the one that is true."""
    tempered = TEMPER * (row.prior + weight(row, figures))
    keep = tempered > tempered.max() + math.log(KEPT)
    keep[row.truth] = True
    at = np.flatnonzero(keep)
    return replace(row, sets=row.sets[at], prior=row.prior[at], truth=int(np.searchsorted(at, row.truth)))


# ---- figures and their loss -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Figures:
    """What is fitted: the log ratio of each word (columns) by outcome (rows), and two powers."""

    logs: Floats
    found: float
    damp: float

    @property
    def values(self) -> list[float]:
        """All of them in a row."""
        return [*self.logs.ravel().tolist(), self.found, self.damp]

    def moved(self, which: Sequence[int], by: float) -> Figures | None:
        """Some of the values moved together; None where that leaves what they may be."""
        values = self.values
        for at in which:
            values[at] += by
            power = at >= self.logs.size
            if not (LEAST_POWER <= values[at] <= MOST_POWER if power else values[at] >= LEAST_LOG):
                return None
        return Figures(np.array(values[:-2]).reshape(self.logs.shape), values[-2], values[-1])


def start_of(scale: Scale) -> Figures:
    """The figures of the scale as it is."""
    logs = np.array([[math.log(entry.ratio) for entry in scale.strengths]] * len(OUTCOMES))
    untrusted = min(scale.wetness_trust[value] for value in WETNESS)
    return Figures(logs, _first_stage(scale).trust, untrusted)


def weight(row: Row, figures: Figures) -> Floats:
    """The log weight of each of the row's sets by these figures; as `expert.belief`, but for many figures quickly."""
    log = figures.logs[row.outcome, row.word] / row.places
    log = log * np.where(row.early, figures.found, 1.0) * np.where(row.damp, figures.damp, 1.0)
    count = int(row.sets.max()) + 1
    for_or_against = np.where(row.outcome == 0, 0.0, np.where(row.outcome == 1, log, -log))
    own = np.zeros(max(count, int(row.source.max(initial=0)) + 1))
    np.add.at(own, row.source, for_or_against)
    total = cast(Floats, own[row.sets].sum(axis=1))
    causing = row.outcome == 0
    if not causing.any():
        return total
    number = row.pattern[causing]
    largest = np.zeros(int(number.max()) + 1)
    np.maximum.at(largest, number, log[causing])
    leak = SHOWS / (np.expm1(largest) + SHOWS)
    shows = leak[number] * np.expm1(log[causing]) / (1 - leak[number])
    misses = np.zeros((len(largest), len(own)))
    misses[number, row.source[causing]] = np.log1p(-shows)
    none = np.exp(misses[:, row.sets].sum(axis=2))
    heard = largest > 0  # numbers of patterns whose causes are all of no weight, or that name none
    explained = np.log((1 - (1 - leak[heard, None]) * none[heard]) / leak[heard, None]).sum(axis=0)
    return cast(Floats, total + explained)


def loss(rows: Sequence[Row], figures: Figures) -> float:
    """Mean of minus the log (natural) of the chance that exactly the true set is given, none counted above `WORST`."""
    found = []
    for row in rows:
        logs = row.prior + weight(row, figures)
        top = float(logs.max())
        found.append(min(WORST, top + math.log(float(np.exp(logs - top).sum())) - float(logs[row.truth])))
    return math.fsum(found) / len(found)


def descend(
    rows: Sequence[Row], start: Figures, groups: Sequence[Sequence[int]], tell: Callable[[str], None]
) -> Figures:
    """The figures with which the loss on these rows is least, each group of them moved together.

    What no row speaks of stays where it is: leaving the start costs a little (`PULL` a squared nat of log ratio).
    """
    begun = np.array(start.values)

    def cost(figures: Figures) -> float:
        return loss(rows, figures) + PULL * float(((np.array(figures.values) - begun) ** 2).sum())

    best, least = start, cost(start)
    steps = [STEP_OF_POWER if group[0] >= start.logs.size else STEP for group in groups]
    for turn in range(ROUNDS):
        for which, group in enumerate(groups):
            moved = False
            for sign in (1, -1):
                while (tried := best.moved(group, sign * steps[which])) is not None:
                    costs = cost(tried)
                    if costs > least - LESS:
                        break
                    best, least, moved = tried, costs, True
                if moved:
                    break
            steps[which] *= GROW if moved else SHRINK
        tell(f"round {turn + 1} of {ROUNDS}: {least:.4f} nat")
    return best


# ---- the whole fit --------------------------------------------------------------------------------------------

_made: dict[Setting, tuple[Bench, Words]] = {}  # of this process


def one(settings: tuple[Setting, ...], number: int) -> Row:
    """The row of the vehicle with that number; layouts take turns."""
    setting = settings[number % len(settings)]
    if setting not in _made:
        bench = setting.bench(lambda ruleset: lambda facts: reference.chain(ruleset, facts))
        _made[setting] = bench, Words(bench)
    bench, words = _made[setting]
    rng = bench.chance(number, "calibrate")  # another stream than the benchmark's vehicles come from
    vehicle = bench.world.imagine(rng)
    return row_of(bench, words, vehicle, seen(bench, vehicle, rng))


@dataclass(frozen=True)
class Fit:
    """A fit: its figures, and the loss (nats) on the vehicles fitted to and on the others."""

    figures: Figures
    fitted: float
    held_out: float


@dataclass(frozen=True)
class Calibration:
    """The figures as they are, with one figure a word moved, and with each word's moved by outcome.

    `heard` counts the opinions behind each figure, outcomes by words, on the vehicles fitted to.
    """

    words: tuple[str, ...]
    fitted: int
    held_out: int
    heard: NDArray[np.int64]
    now: Fit
    by_word: Fit
    by_outcome: Fit


def split(vehicles: int) -> int:
    """Of so many vehicles, how many are fitted to: two in three, the others judge."""
    return max(1, vehicles * 2 // 3)


def calibrate(
    settings: tuple[Setting, ...],
    scale: Scale,
    vehicles: int,
    mapped: Callable[..., Iterator[Row]],
    jobs: int,
    tell: Callable[[str], None] = lambda line: None,
) -> Calibration:
    """Fit the scale's figures to so many vehicles of these layouts. ValueError for fewer than two."""
    if vehicles < 2:
        raise ValueError("calibrating takes at least two vehicles: one to fit to, one to judge by")
    rows = []
    for row in mapped(partial(one, settings), vehicles, jobs):
        rows.append(row)
        if len(rows) % 50 == 0:
            tell(f"{len(rows)} of {vehicles} vehicles seen")
    count = split(vehicles)
    fit, judge = rows[:count], rows[count:]
    start, many = start_of(scale), len(scale.strengths)
    powers = [[start.logs.size], [start.logs.size + 1]]
    together = [[many * outcome + word for outcome in range(len(OUTCOMES))] for word in range(many)]

    def ended(figures: Figures) -> Fit:
        return Fit(figures, loss(fit, figures), loss(judge, figures))

    by_word = descend(fit, start, [*together, *powers], tell)
    by_outcome = descend(fit, by_word, [*([at] for at in range(start.logs.size)), *powers], tell)
    heard = np.zeros(start.logs.shape, dtype=np.int64)
    for row in fit:
        np.add.at(heard, (row.outcome, row.word), 1)
    words = tuple(entry.strength for entry in scale.strengths)
    return Calibration(words, len(fit), len(judge), heard, ended(start), ended(by_word), ended(by_outcome))
