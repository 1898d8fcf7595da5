"""How long it takes: from an answer to the next question, as sources grow, and beside a general-purpose library.

Times are of this machine at this moment; only ratios taken in one run say something of the program.
"""

from __future__ import annotations

import itertools
import math
import random
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from expert import reference
from expert.belief import believe, noisy_or
from expert.diagnosis import Diagnosis, Expert
from expert.evidence import AGAINST, EXPLAINS, FAVOURS, Pattern, excluded, patterns
from expert.questions import ranked
from expert.vehicle import World, load_tables

from .bench import SIMULATION, Bench, Setting
from .growth import grown
from .measure import centile
from .policies import EXPERT, Inspection, by_expert, inspect

SIZES = (10, 20, 40, 80)
STARTS = 5
CASES = 8  # vehicles inspected for the time to the next question
STEPS = 25  # questions timed of each vehicle of a grown layout
WIDEST = 22  # binary variables in the largest table that the library is asked to handle (32 MB)
REPEATS = 5
EVERY = 5  # at every so many questions of a grown layout all that may be asked are weighed


def milliseconds(job: Callable[[], object]) -> float:
    """How long it takes, once."""
    begun = time.perf_counter()
    job()
    return (time.perf_counter() - begun) * 1000


def bare_start() -> float:
    """Milliseconds in which the bare interpreter starts: the yardstick for this machine at this moment."""
    bare = [sys.executable, "-c", "pass"]
    return statistics.median(milliseconds(lambda: subprocess.run(bare, check=True)) for _ in range(STARTS))


# ---- from an answer to the next question ----------------------------------------------------------------------


@dataclass(frozen=True)
class Answering:
    """Milliseconds from an answer to the next question, the engine chaining all facts afresh, as the chat does.

    `first` are those of the first case after the program starts, while nothing is remembered yet.
    """

    questions: int
    median: float
    p95: float
    worst: float
    first_p95: float
    bare: float


def answering(setting: Setting, cases: int = CASES) -> Answering:
    """Inspect a few vehicles with the engine itself."""
    bench = setting.bench()
    took: list[list[float]] = []
    for number in range(cases):
        case = Inspection(bench.expert, bench.vehicle(number))
        took.append([])
        coming = by_expert(bench.expert.diagnose(()), case)
        while coming.question is not None and coming.phase is not None:
            case.ask(coming.question.observable, coming.phase.phase)
            begun = time.perf_counter()
            coming = by_expert(bench.expert.diagnose(case.trace.stated), case)
            took[-1].append((time.perf_counter() - begun) * 1000)
    every = list(itertools.chain.from_iterable(took))
    return Answering(
        len(every), centile(every, 0.5), centile(every, 0.95), max(every), centile(took[0], 0.95), bare_start()
    )


# ---- as sources grow ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Size:
    """What one question costs on a layout of so many sources, in milliseconds.

    `median` and `p95` are of the questions as they come, many of them in phases that weigh few. `all_weighed` is the
    time to weigh every question that may be asked at that moment, `answers` how many answers they have together.
    `belief` is one posterior from nothing.
    """

    sources: int
    sets: int
    zones: int
    rules: int
    questions: int
    median: float
    p95: float
    answers: float
    all_weighed: float
    belief: float

    @property
    def an_answer(self) -> float:
        """Looking ahead to one answer."""
        return self.all_weighed / self.answers


def growth(setting: Setting, sizes: Sequence[int] = SIZES, cases: int = 2, steps: int = STEPS) -> list[Size]:
    """Inspect vehicles of ever larger layouts. The same knowledge serves all, copied as often as need be."""
    bench = setting.bench()
    tables = load_tables(setting.rules / SIMULATION)
    found = []
    for size in sizes:
        machine, more = grown(bench, tables, size)
        expert = Expert(machine, lambda ruleset: lambda facts: reference.chain(ruleset, facts))
        world = World(machine, more)
        took: list[float] = []
        every: list[tuple[int, float]] = []
        for number in range(cases):
            case = Inspection(expert, world.imagine(random.Random(f"{setting.seed} {size} {number}")))
            coming = by_expert(expert.weigh(case.trace), case)
            while coming.question is not None and coming.phase is not None and len(case.asked) < steps:
                case.ask(coming.question.observable, coming.phase.phase)
                begun = time.perf_counter()
                now = expert.weigh(case.trace)
                coming = by_expert(now, case)
                took.append((time.perf_counter() - begun) * 1000)
                if len(case.asked) % EVERY == 0:
                    every.append(_weigh_all(expert, now, case))
        seen = patterns(case.trace)
        expert.sets.log_factor.cache_clear()
        alone = milliseconds(lambda seen=seen, sets=expert.sets: believe(sets, seen).marginals)  # type: ignore[misc]
        found.append(
            Size(
                sources=len(machine.sources),
                sets=len(expert.sets),
                zones=len(machine.zones),
                rules=len(expert.ruleset.rules),
                questions=len(took),
                median=centile(took, 0.5),
                p95=centile(took, 0.95),
                answers=statistics.mean(answers for answers, _ in every),
                all_weighed=statistics.mean(ms for _, ms in every),
                belief=alone,
            )
        )
    return found


def _weigh_all(expert: Expert, now: Diagnosis, case: Inspection) -> tuple[int, float]:
    """The answers to all questions that may be asked now, of whatever phase, and milliseconds to look ahead to them."""
    open_now = [o for o in expert.machine.observables.values() if o.ask and case.may_ask(o)]
    took = milliseconds(lambda: ranked(expert, now, open_now, case.stage, case.closed))
    return sum(len(o.values) or len(o.bands) for o in open_now), took


# ---- beside a general-purpose library -------------------------------------------------------------------------


@dataclass(frozen=True)
class Beside:
    """One posterior by this project and by pyagrum from the same sources and patterns.

    `clique` is the binary variables in the largest table that exact inference needs; where that is too large to try,
    `library` and what follows are None. `library` excludes building the network, which `building` gives. `apart` is the
    largest difference of a marginal without a limit on how many leak; `apart_limited` with the same limit as here.
    """

    sources: int
    patterns: int
    clique: float
    ours: float
    library: float | None
    building: float | None
    apart: float | None
    apart_limited: float | None


def beside(setting: Setting, sizes: Sequence[int] = (10, 20, 32), cases: int = 3) -> list[Beside] | None:
    """Posteriors of a few cases, early and late, by both; None where pyagrum is not installed."""
    try:
        import pyagrum
    except ImportError:
        return None
    bench = setting.bench()
    tables = load_tables(setting.rules / SIMULATION)
    found = []
    for size in sizes:
        machine, more = grown(bench, tables, size)
        expert = Expert(machine, lambda ruleset: lambda facts: reference.chain(ruleset, facts))
        small = Bench(setting, expert, World(machine, more))
        for number in range(cases):
            case, _ = inspect(small, small.vehicle(number), EXPERT, by_expert)
            seen, gone = patterns(case.trace), excluded(case.trace)
            explaining = [p for p in seen if p.of_kind(EXPLAINS)]
            for part in (0.34, 0.67, 1.0):
                some = [p for p in seen if p not in explaining[max(1, round(part * len(explaining))) :]]
                found.append(posterior_by_both(pyagrum, small, some, gone))
    return found


def posterior_by_both(gum: Any, bench: Bench, seen: Sequence[Pattern], gone: frozenset[str]) -> Beside:
    """One posterior by both, timed, with the same sources and patterns."""
    chances, odds = bench.commonness, bench.expert.scale.excluded_odds
    sets = bench.expert.sets

    def ours() -> Mapping[str, float]:
        sets.log_factor.cache_clear()
        return believe(sets, seen, gone, odds).marginals

    wanted = ours()
    mine = min(milliseconds(ours) for _ in range(REPEATS))
    begun = time.perf_counter()
    network, known = noisy_or_network(gum, chances, seen, gone, odds, limit=False)
    building = (time.perf_counter() - begun) * 1000
    clique = widest(gum, network)
    count = sum(bool(p.of_kind(EXPLAINS)) for p in seen)
    if clique > WIDEST:
        return Beside(len(chances), count, clique, mine, None, None, None, None)
    theirs = infer(gum, network, known, chances)
    library = min(milliseconds(lambda: infer(gum, network, known, chances)) for _ in range(2))
    limited, told = noisy_or_network(gum, chances, seen, gone, odds, limit=True)
    same = infer(gum, limited, told, chances) if widest(gum, limited) <= WIDEST else None
    return Beside(
        sources=len(chances),
        patterns=count,
        clique=clique,
        ours=mine,
        library=library,
        building=building,
        apart=max(abs(theirs[s] - wanted[s]) for s in chances),
        apart_limited=max(abs(same[s] - wanted[s]) for s in chances) if same else None,
    )


def noisy_or_network(
    gum: Any, chances: Mapping[str, float], seen: Sequence[Pattern], gone: frozenset[str], odds: float, limit: bool
) -> tuple[Any, dict[str, Any]]:
    """The same factors as a Bayesian network, and its evidence.

    Each noisy-OR is a chain of ORs over its causes, which is the same distribution: written as one table it would have
    two to the power of its causes entries. With `limit` a chain of counters adds that one to three sources leak, as the
    project takes it; without, none or any number may.
    """
    net = gum.BayesNet()
    soft = dict.fromkeys(chances, 1.0)
    known: dict[str, Any] = {}
    for source, chance in chances.items():
        net.add(gum.LabelizedVariable(source, source, 2))
        net.cpt(source).fillWith([1 - chance, chance])
    for number, pattern in enumerate(seen):
        for opinion in pattern.opinions:
            if opinion.kind in (FAVOURS, AGAINST):
                soft[opinion.source] *= opinion.ratio if opinion.kind == FAVOURS else 1 / opinion.ratio
        causes = sorted(pattern.of_kind(EXPLAINS), key=lambda o: list(chances).index(o.source))
        if causes:
            leak, shows = noisy_or([o.ratio for o in causes])
            before = ""
            for step, (opinion, q) in enumerate(zip(causes, shows, strict=True)):
                name = f"p{number}.{step}"
                net.add(gum.LabelizedVariable(name, name, 2))
                net.addArc(opinion.source, name)
                if before:
                    net.addArc(before, name)
                for state in (0, 1):
                    for shown in (0, 1) if before else (0,):
                        off = (1 - q if state else 1) * ((1 - shown) if before else 1 - leak)
                        at = {opinion.source: state} | ({before: shown} if before else {})
                        net.cpt(name)[at] = [off, 1 - off]
                before = name
            known[before] = 1
    for source in gone:
        soft[source] *= odds
    known |= {s: [1 / max(1.0, ratio), ratio / max(1.0, ratio)] for s, ratio in soft.items() if ratio != 1}
    if limit:
        _count(gum, net, tuple(chances), known)
    return net, known


def _count(gum: Any, net: Any, sources: tuple[str, ...], known: dict[str, Any]) -> None:
    """Counters of the sources that leak so far (4 stands for more), the last seen to be 1 to 3."""
    before = ""
    for at, source in enumerate(sources):
        name = f"count{at}"
        net.add(gum.LabelizedVariable(name, name, 5))
        net.addArc(source, name)
        if before:
            net.addArc(before, name)
        for state in (0, 1):
            for so_far in range(5) if before else (0,):
                row = [0.0] * 5
                row[min(4, so_far + state)] = 1.0
                net.cpt(name)[{source: state} | ({before: so_far} if before else {})] = row
        before = name
    known[before] = [0, 1, 1, 1, 0]


def widest(gum: Any, net: Any) -> float:
    """The binary logarithm of the largest table in the library's own junction tree."""
    tree = gum.JunctionTreeGenerator().junctionTree(net)
    return max(math.fsum(math.log2(net.variable(v).domainSize()) for v in tree.clique(c)) for c in tree.nodes())


def infer(gum: Any, net: Any, known: Mapping[str, Any], sources: Mapping[str, float]) -> dict[str, float]:
    """Every source's posterior by exact inference."""
    inference = gum.LazyPropagation(net)
    inference.setEvidence(dict(known))
    inference.makeInference()
    return {source: float(inference.posterior(source)[1]) for source in sources}
