"""Ways to go about a leaking vehicle: the expert's, and three plainer ones that it is measured against.

The three that inspect share one belief engine and one way of getting answers; they differ in what they ask. Facts are
chained one at a time (`expert.reference.extend`, from the empty trace), which is quicker than starting the engine
afresh after each answer; `assert_engine_agrees` checks on a sample that nothing else comes of it.
"""

from __future__ import annotations

import math
import random
import time
from collections import Counter
from collections.abc import Callable, Collection, Iterator
from dataclasses import replace

import numpy as np

from expert import reference
from expert.belief import Belief
from expert.diagnosis import Diagnosis, Expert, chances_of
from expert.facts import Fact
from expert.inspection import Next, asked_in, enters_stage, next_step, stage_of
from expert.knowledge.base import WETNESS_KIND, Observable
from expert.questions import Question, askable, key_of
from expert.vehicle import Vehicle

from .bench import Bench
from .outcome import Outcome

EXPERT, CHECKLIST, RANDOM, COMMONNESS = "expert", "checklist", "random", "commonness"
POLICIES = (EXPERT, CHECKLIST, RANDOM, COMMONNESS)
MOST = 120  # questions; an inspection that asks more does not end
FLUID = "fluid"  # the phase whose questions are about the fluid itself
WALKED = "the checklist is through"
DRY = "it is dry"
AGAIN = 0.002  # the chance, before any look, that a source leaks again after its repair (ours, no source)

Choose = Callable[[Diagnosis, "Inspection"], Next]


class Inspection:
    """A vehicle being inspected: what is known, what was asked, in which stage it is.

    Sources `mended` before it begins are next to never believed in again.
    """

    def __init__(self, expert: Expert, vehicle: Vehicle, mended: Collection[str] = ()) -> None:
        self.expert = expert
        self.truth = vehicle.truth
        again = math.log(AGAIN / (1 - AGAIN))
        chances = {source: chance for source, chance in chances_of(expert.machine).items() if source in mended}
        self._lowered = expert.sets.total({s: again - math.log(c / (1 - c)) for s, c in chances.items()})
        self._vehicle = vehicle
        # Cleaning is done the way that leads to the stage that counts most.
        self._entered = max(expert.scale.stages, key=lambda stage: stage.trust).entered_by
        self.trace = reference.chain(expert.ruleset, ())
        self.stage = stage_of(expert, ())
        self.closed: set[tuple[str, str]] = set()
        self.counts: Counter[str] = Counter()
        self.asked: list[tuple[str, str, float]] = []

    @property
    def minutes(self) -> float:
        """Minutes spent so far."""
        return sum(minutes for _, _, minutes in self.asked)

    def now(self) -> Diagnosis:
        """What follows from what is known."""
        found = self.expert.weigh(self.trace)
        return replace(found, belief=Belief(found.belief.sets, found.belief.log_weight + self._lowered))

    def may_ask(self, observable: Observable) -> bool:
        """Is it a question that can be asked now?"""
        return askable(self.expert, self.trace, observable, self.stage, self.closed)

    def ask(self, observable: Observable, phase: str) -> None:
        """Ask, and take in the answer; a question that is not answered is not asked again."""
        if len(self.asked) >= MOST:
            raise RuntimeError(f"{MOST} questions and no end; the last: {self.asked[-1]}")
        self.asked.append((phase, observable.id, observable.minutes))
        self.counts[phase] += 1
        name, stage = key_of(observable, self.stage)
        said = self._entered.get(observable.id) or self._vehicle.observe(observable, self.stage)
        if said is None or said == ():
            self.closed.add((name, stage))
            return
        for value in said if isinstance(said, tuple) else (said,):
            self.trace = reference.extend(self.trace, Fact(name, value, stage))
        self.stage = stage_of(self.expert, self.trace.stated)


# ---- what to ask next -----------------------------------------------------------------------------------------


def by_expert(now: Diagnosis, case: Inspection) -> Next:
    """The expert's own next step."""
    return next_step(case.expert, now, case.stage, case.closed, case.counts)


def at_random(rng: random.Random) -> Choose:
    """The expert's phases and stop rule, but within a phase any question that may be asked, chosen blindly.

    It goes on exactly as long as the expert would from what is known: as long as any question is worth its minutes
    (`expert.inspection.worth_asking`), by itself or together with the one after it.
    """

    def choose(now: Diagnosis, case: Inspection) -> Next:
        coming = by_expert(now, case)
        if coming.question is None or coming.phase is None or coming.phase.must:
            return coming
        options = [o for o in asked_in(case.expert, coming.phase) if case.may_ask(o)]
        return Next(coming.phase, Question(rng.choice(options), case.stage, 0.0, ()), "")

    return choose


def walk_round(expert: Expert, case: Inspection) -> Iterator[Observable]:
    """A fixed checklist: clean and drive, every zone once from the top down, then the fluid."""
    every = expert.machine.observables.values()
    zones = expert.machine.zones
    places = [o for o in every if o.kind == WETNESS_KIND]
    yield from (o for o in every if enters_stage(expert, o.id))
    yield from sorted(places, key=lambda o: (zones[o.id].height, zones[o.id].along, o.id))
    yield from (o for o in every if o.kind != WETNESS_KIND and o.phase == FLUID and o.ask)


# ---- whole cases ----------------------------------------------------------------------------------------------


def inspect(bench: Bench, vehicle: Vehicle, policy: str, choose: Choose) -> tuple[Inspection, Outcome]:
    """Ask what `choose` chooses until it stops, then conclude."""
    case = Inspection(bench.expert, vehicle)
    reason, took = go_on(case, choose)
    return case, concluded(bench, vehicle, policy, case, case.now().belief, reason, took)


def go_on(case: Inspection, choose: Choose) -> tuple[str, tuple[float, ...]]:
    """Ask what `choose` chooses until it stops: why it did, and the milliseconds from each answer to the next."""
    took = []
    coming = choose(case.now(), case)
    while coming.question is not None and coming.phase is not None:
        begun = time.perf_counter()
        case.ask(coming.question.observable, coming.phase.phase)
        coming = choose(case.now(), case)
        took.append((time.perf_counter() - begun) * 1000)
    return coming.reason, tuple(took)


def run_checklist(bench: Bench, vehicle: Vehicle) -> Outcome:
    """Go through the checklist, then conclude from what was seen by the expert's own belief."""
    case = Inspection(bench.expert, vehicle)
    for observable in walk_round(bench.expert, case):
        if case.may_ask(observable):
            case.ask(observable, CHECKLIST)
    return concluded(bench, vehicle, CHECKLIST, case, case.now().belief, WALKED)


def run_commonness(bench: Bench, vehicle: Vehicle) -> Outcome:
    """Replace one part after another until it is dry: the commonest first, of those as common the quickest first.

    A repair is done once and mends all its sources. Parts count as wrong once a repair, where it mends no leak: this
    favours the policy, as do no minutes being counted for cleaning and looking again after each repair.
    """
    order = sorted(bench.commonness, key=lambda s: (-bench.commonness[s], bench.repairs[s].hours, s))
    left = set(vehicle.truth)
    done, wrong, hours, wasted = set(), [], 0.0, 0.0
    for source in order:
        repair = bench.repairs[source]
        if not left:
            break
        if repair.repair in done:
            continue
        done.add(repair.repair)
        hours += repair.hours
        if not left & set(repair.sources):
            wrong.append(source)
            wasted += repair.hours
        left -= set(repair.sources)
    return Outcome(
        policy=COMMONNESS,
        truth=vehicle.truth,
        concluded=(),
        ranking=tuple(order[:3]),
        marginals=(),
        chance=0.0,
        chance_of_truth=0.0,
        asked=(),
        reason=DRY,
        wrong=tuple(wrong),
        hours=hours,
        wasted=wasted,
    )


def concluded(
    bench: Bench,
    vehicle: Vehicle,
    policy: str,
    case: Inspection,
    belief: Belief,
    reason: str,
    took: tuple[float, ...] = (),
) -> Outcome:
    """The outcome of acting on a belief: the most probable set's parts are bought and its repairs done."""
    sources, chance = belief.best
    truth = set(vehicle.truth)
    repairs = {bench.repairs[s].repair: bench.repairs[s] for s in sources}.values()
    return Outcome(
        policy=policy,
        truth=vehicle.truth,
        concluded=sources,
        ranking=tuple(s for s, _ in belief.ranking),
        marginals=tuple(belief.marginals.values()),
        chance=chance,
        chance_of_truth=chance_of(belief, vehicle.truth),
        asked=tuple(case.asked),
        reason=reason,
        wrong=tuple(s for s in sources if s not in truth),
        hours=sum(r.hours for r in repairs),
        wasted=sum(r.hours for r in repairs if not truth & set(r.sources)),
        took=took,
    )


def chance_of(belief: Belief, sources: tuple[str, ...]) -> float:
    """The posterior of exactly these sources; 0 for a set that the belief does not consider."""
    sets = belief.sets
    count = len(sets.sources)
    at = sorted(sets.position[s] for s in sources)
    if len(at) > sets.members.shape[1]:
        return 0.0
    row = np.array([*at, *[count] * (sets.members.shape[1] - len(at))])
    (found,) = np.flatnonzero((sets.members == row).all(axis=1))
    return float(belief.chances[found])


def assert_engine_agrees(expert: Expert, case: Inspection) -> None:
    """The stepwise chain must come to what the engine comes to from the same facts, to the last bit."""
    stepwise, afresh = expert.weigh(case.trace), expert.diagnose(case.trace.stated)
    assert stepwise.trace == afresh.trace, f"stepwise chaining differs from the engine on {sorted(case.trace.stated)}"
    assert np.array_equal(stepwise.belief.log_weight, afresh.belief.log_weight)
