"""The benchmark of the diagnosis: is what it prints right? A few dozen vehicles of a small layout."""

from __future__ import annotations

import dataclasses
import itertools
import json
import math
import random
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bench.diagnosis import calibrate, command, job, measure, optimal, policies, speed, text
from bench.diagnosis.bench import Bench, Setting
from bench.diagnosis.command import figures, line
from bench.diagnosis.growth import grown
from bench.diagnosis.outcome import Job, Outcome
from bench.diagnosis.run import Outcomes, mapped, outcomes
from driving import ROOT, Say

from expert.belief import Belief, SourceSets
from expert.evidence import excluded, patterns
from expert.inspection import next_step
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.ground import ground
from expert.vehicle import packaged_tables

VEHICLES = 30
SOURCES = 9  # of a small layout, so that many vehicles take little time


@pytest.fixture(scope="module")
def setting(rules: Path, kb: KnowledgeBase) -> Setting:
    """The commonest sources of the default layout."""
    machine = kb.machine(kb.default_layout)
    chance = {entry.commonness: entry.chance for entry in kb.scale.commonness}
    most = sorted(machine.sources, key=lambda s: (-chance[machine.sources[s].commonness], s))
    return Setting(rules, kb.default_layout, seed=3, sources=tuple(most[:SOURCES]))


@pytest.fixture(scope="module")
def bench(setting: Setting) -> Bench:
    return setting.bench()


@pytest.fixture(scope="module")
def ran(setting: Setting) -> Outcomes:
    return outcomes(setting, VEHICLES, jobs=1)


def of(ran: Outcomes, policy: str) -> list[Outcome]:
    return [outcome for vehicle in ran for outcome in vehicle if outcome.policy == policy]


# ---- the vehicles and the policies ----------------------------------------------------------------------------


def test_the_number_of_processes_makes_no_difference(setting: Setting, ran: Outcomes) -> None:
    some = outcomes(setting, 12, jobs=2)
    assert some == ran[:12]
    sources = setting.sources
    assert json.dumps(figures(some, sources), default=str) == json.dumps(figures(ran[:12], sources), default=str)


def test_another_seed_is_another_set_of_vehicles(setting: Setting, bench: Bench) -> None:
    other = Setting(setting.rules, setting.layout, setting.seed + 1, setting.sources).bench()
    here, there = ([b.vehicle(number).truth for number in range(20)] for b in (bench, other))
    assert here != there
    assert here == [bench.vehicle(number).truth for number in range(20)]


# Against questions drawn blindly no such difference can be shown yet: the benchmark prints it, no test claims it.
@pytest.mark.parametrize("other", [policies.COMMONNESS])
def test_the_expert_buys_fewer_wrong_parts(ran: Outcomes, say: Say, other: str) -> None:
    ours, theirs = of(ran, policies.EXPERT), of(ran, other)
    for score in (measure.score(policies.EXPERT, ours), measure.score(other, theirs)):
        say(
            f"{score.policy}: {score.wrong:.2f} wrong parts, {score.minutes:.0f} minutes, "
            f"{score.questions:.1f} questions, {score.wasted:.2f} hours on what did not leak"
        )
    gap = measure.paired(ours, theirs)
    say(f"expert more than {other}: {gap.wrong.mean:+.2f} ±{gap.wrong.error:.2f} wrong parts a vehicle")
    assert gap.wrong.mean < 0


def test_differences_are_taken_vehicle_by_vehicle() -> None:
    gap = measure.difference([1.0, 2.0, 6.0], [0.0, 2.0, 4.0])  # 1, 0, 2: mean 1, variance 1
    assert (gap.mean, gap.error) == pytest.approx((1.0, math.sqrt(1 / 3)))
    with pytest.raises(ValueError, match="argument 2 is shorter"):
        measure.difference([1.0, 2.0], [1.0])


def test_blind_replacing_goes_on_until_it_is_dry(bench: Bench, ran: Outcomes) -> None:
    for outcome in of(ran, policies.COMMONNESS):
        leaking = [bench.repairs[source] for source in outcome.truth]
        right = sum(repair.hours for repair in {repair.repair: repair for repair in leaking}.values())
        assert outcome.hours == pytest.approx(right + outcome.wasted)
        assert not set(outcome.wrong) & set(outcome.truth)
        assert outcome.wasted == pytest.approx(sum(bench.repairs[source].hours for source in outcome.wrong))
        # What is not bought is rarer than, or as rare as, the last leak mended.
        last = min(bench.commonness[source] for source in outcome.truth)
        assert all(bench.commonness[source] >= last for source in outcome.wrong)


def test_a_repair_mends_all_its_sources_at_once(rules: Path, kb: KnowledgeBase) -> None:
    whole = Setting(rules, kb.default_layout).bench()
    shared = next(r for r in kb.repairs.values() if len(set(r.sources) & set(whole.commonness)) > 1)
    first, *others = sorted(shared.sources, key=lambda s: (-whole.commonness[s], s))
    vehicle = whole.world.with_leaks(others, random.Random(1))
    both = whole.world.with_leaks([first, *others], random.Random(1))
    one, two = (policies.run_commonness(whole, v) for v in (vehicle, both))
    assert (one.hours, one.wrong) == (two.hours, two.wrong)
    assert not set(one.wrong) & set(shared.sources)
    assert one.hours == pytest.approx(one.wasted + shared.hours)
    assert all(whole.commonness[source] >= whole.commonness[first] for source in one.wrong)


def test_the_checklist_looks_everywhere_once_from_the_top_down(bench: Bench, ran: Outcomes) -> None:
    zones = bench.machine.zones
    for outcome in of(ran, policies.CHECKLIST):
        asked = [name for _, name, _ in outcome.asked]
        looks = [zones[name].height for name in asked if name in zones]
        assert len(set(asked)) == len(asked)
        assert looks == sorted(looks)
        assert {name for name in asked if name in zones} == {name for name, zone in zones.items() if zone.visible}


def test_random_questions_are_other_questions_under_the_same_rules(bench: Bench, ran: Outcomes) -> None:
    most = {phase.phase: phase.most for phase in bench.expert.scale.phases}
    differ = 0
    for expert, blind in zip(of(ran, policies.EXPERT), of(ran, policies.RANDOM), strict=True):
        assert expert.truth == blind.truth
        differ += [name for _, name, _ in expert.asked] != [name for _, name, _ in blind.asked]
        for outcome in (expert, blind):
            phases = [phase for phase, _, _ in outcome.asked]
            assert all(phases.count(phase) <= most[phase] for phase in phases)
            assert len({name for _, name, _ in outcome.asked}) <= len(outcome.asked)
    assert differ > VEHICLES / 2


def test_random_questions_stop_where_the_expert_would(bench: Bench) -> None:
    """Whatever was drawn, they go on while the expert would ask something of that phase, and stop where it stops."""
    asked = 0
    for number in range(6):
        case = policies.Inspection(bench.expert, bench.vehicle(number))
        choose = policies.at_random(bench.chance(number, policies.RANDOM))
        while True:
            now = case.now()
            expert = next_step(bench.expert, now, case.stage, case.closed, case.counts)
            coming = choose(now, case)
            assert (coming.phase, coming.reason) == (expert.phase, expert.reason)
            assert (coming.question is None) == (expert.question is None)
            if coming.question is None or coming.phase is None:
                break
            assert case.may_ask(coming.question.observable)
            asked += coming.question.observable.id != getattr(expert.question, "observable").id  # noqa: B009
            case.ask(coming.question.observable, coming.phase.phase)
    assert asked > 6


# ---- the whole job --------------------------------------------------------------------------------------------


def test_jobs_end_with_what_is_left_and_what_they_took(bench: Bench, ran: Outcomes) -> None:
    for policy in (policies.EXPERT, policies.CHECKLIST):
        for outcome in of(ran, policy):
            done = outcome.job
            assert done is not None
            assert 2 <= done.visits <= job.MOST_VISITS
            assert done.first_minutes == outcome.minutes < done.minutes
            assert set(done.left) <= set(outcome.truth) - job.repaired(bench, outcome.concluded)
            assert set(outcome.wrong) <= set(done.wrong)
            assert done.proved or done.visits == job.MOST_VISITS
        with pytest.raises(ValueError, match="only 0 have a whole job"):
            measure.of_jobs("random", of(ran, policies.RANDOM))


def test_repairs_take_away_their_own_leaks_and_no_others(bench: Bench) -> None:
    first, second, *_ = (s for s in bench.machine.sources)
    vehicle = bench.world.with_leaks([first, second], random.Random(5))
    next_time = job.after_repairs(vehicle, {first}, 2)
    assert next_time.leaks == vehicle.leaks[1:]  # the same leak, as bad and in the same place
    assert job.after_repairs(vehicle, {first}, 2).seed == next_time.seed != job.after_repairs(vehicle, {first}, 3).seed
    gone = job.after_repairs(vehicle, {first, second}, 2)
    assert gone.truth == ()
    stage = max(bench.expert.scale.stages, key=lambda s: s.trust).stage
    clean = job.Vehicle(gone.world, gone.seed, (), None)  # without what an earlier leak left behind
    assert clean.scene(stage).total == [0] * len(bench.world.terrain.names)


def test_the_chance_that_anything_leaks_is_that_of_independent_sources() -> None:
    chances = {"a": 0.1, "b": 0.2, "c": 0.3}
    sets = SourceSets(chances)
    none = math.prod(1 - p for p in chances.values())
    assert job.still_leaks(Belief(sets, sets.log_prior)) == pytest.approx(1 - none)
    doubled = sets.log_prior + sets.total({"a": math.log(2)})  # twice the odds of a: 2/9 to 1
    assert job.still_leaks(Belief(sets, doubled)) == pytest.approx(1 - 0.8 * 0.7 / (1 + 2 / 9))
    assert job.still_leaks(Belief(sets, sets.log_prior + 1000)) == pytest.approx(1)
    assert job.still_leaks(Belief(sets, sets.log_prior - 1000)) == pytest.approx(0)


def test_what_was_repaired_is_next_to_never_believed_in_again(bench: Bench) -> None:
    vehicle = bench.vehicle(0)
    first, *others = bench.machine.sources
    before, after = (policies.Inspection(bench.expert, vehicle, mended).now().belief for mended in ((), (first,)))
    lowered = SourceSets({**bench.commonness, first: policies.AGAIN})
    assert after.chances == pytest.approx(Belief(lowered, lowered.log_prior).chances)
    assert after.marginals[first] < before.marginals[first] / 5
    assert all(after.marginals[s] > before.marginals[s] for s in others)


def test_a_dry_proof_ends_the_job_and_a_wet_one_goes_on(rules: Path, kb: KnowledgeBase) -> None:
    """Of two leaks only one is concluded at first: the proof finds the other, if it does not pass it over."""
    whole = Setting(rules, kb.default_layout).bench()
    outside = [s for s in whole.machine.sources if whole.world.leak(s, random.Random(1)).seen]
    mended = 0
    for number in range(4):
        pair = random.Random(number).sample(outside, 2)
        vehicle = whole.world.with_leaks(pair, random.Random(number))
        one_only = dataclasses.replace(outcome("", "", "x"), truth=tuple(pair), concluded=(pair[0],))
        done = job.whole_job(whole, vehicle, one_only).job
        assert done is not None
        assert done.left == tuple(s for s in pair[1:] if s in done.left)
        assert done.proved or done.visits == job.MOST_VISITS
        mended += not done.left
        both = dataclasses.replace(one_only, concluded=tuple(pair))
        ended = job.whole_job(whole, vehicle, both).job
        assert ended is not None
        assert ended.left == ()
    assert mended >= 2


def test_scores_of_jobs_by_hand() -> None:
    def done(left: str, visits: int, minutes: float, proved: bool, wrong: str = "") -> Job:
        return Job(tuple(left), tuple(wrong), visits, 5.0, minutes, proved)

    some = [
        outcome("a", "a", job=done("", 2, 50, True)),
        outcome("ab", "a", job=done("b", 2, 60, True, "x")),
        outcome("ab", "a", job=done("", 3, 90, False, "xy")),
        outcome("abc", "a", job=done("c", 3, 100, False)),
    ]
    found = measure.of_jobs("expert", some)
    assert found.mended == {1: measure.Share(1, 1), 2: measure.Share(2, 1), 3: measure.Share(1, 0)}
    assert (found.visits, found.first_minutes, found.minutes, found.wrong) == (2.5, 5.0, 75.0, 0.75)
    assert (found.proved, found.rightly) == (measure.Share(4, 2), measure.Share(2, 1))


def test_targets_say_of_which_figure_they_are(ran: Outcomes) -> None:
    scores = [measure.score(policy, of(ran, policy)) for policy in policies.POLICIES]
    ended = [measure.of_jobs(policy, of(ran, policy)) for policy in job.LOOKS]
    shown = text.targets(scores, ended).splitlines()
    doubles = [row for row in shown if "all leaks of doubles" in row]
    assert [row.rsplit("the ", 1)[1] for row in doubles] == ["first inspection", "whole job"]
    expert = next(s for s in ended if s.policy == policies.EXPERT)
    assert text.percent(expert.mended[2]) in doubles[1]
    assert all(row.endswith(("the first inspection", "the whole job")) for row in shown[1:])


def test_the_summary_has_a_line_for_each_layout_and_one_for_all(ran: Outcomes) -> None:
    half = VEHICLES // 2
    lines = [line("one", ran[:half]), line("two", ran[half:]), line("all", ran)]
    rows = text.summary(lines).splitlines()[2:5]
    assert [row.split()[0] for row in rows] == ["one", "two", "all"]
    pooled = lines[2].scores[policies.EXPERT].exact
    parts = [one.scores[policies.EXPERT].exact for one in lines[:2]]
    assert all(pooled[n].hits == sum(part[n].hits for part in parts) for n in (1, 2, 3))
    assert lines[2].right.of == VEHICLES


# ---- calibration ----------------------------------------------------------------------------------------------


def test_opinions_in_words_weigh_what_the_expert_makes_of_them(setting: Setting, bench: Bench) -> None:
    """With the scale's own figures the rows give exactly the expert's belief: no word, root or power is misread."""
    words, figures = calibrate.Words(bench), calibrate.start_of(bench.expert.scale)
    heard = 0
    for number in range(12):
        vehicle = bench.vehicle(number)
        trace = calibrate.seen(bench, vehicle, random.Random(number))
        row = calibrate.row_of(bench, words, vehicle, trace)
        belief = bench.expert.weigh(trace).belief
        mine = row.prior + calibrate.weight(row, figures)
        theirs = {tuple(m): w for m, w in zip(belief.sets.members.tolist(), belief.log_weight, strict=True)}
        assert mine == pytest.approx([theirs[tuple(members)] for members in row.sets.tolist()], abs=1e-9)
        assert set(belief.sets.names(0)) <= set(bench.machine.sources)
        true = {belief.sets.sources[at] for at in row.sets[row.truth] if at < len(belief.sets.sources)}
        assert true == set(vehicle.truth)
        heard += len(row.source)
        if len(row.sets) == len(belief.sets):  # nothing was left out: the loss is that of the true set's chance
            chance = policies.chance_of(belief, vehicle.truth)
            assert calibrate.loss([row], figures) == pytest.approx(min(calibrate.WORST, -math.log(chance)))
    assert heard > 300


def test_the_fit_moves_towards_what_made_the_data() -> None:
    """Rows made from a known ratio: of two sources alike one is spoken for, rightly nine times in ten."""
    sets = SourceSets({"a": 0.5, "b": 0.5}, most=1)

    def row(truth: int) -> calibrate.Row:
        one, yes = np.array([1]), np.array([False])
        zero = np.array([0])
        return calibrate.Row(zero, one, zero, one, yes, yes, -one, sets.members, sets.log_prior, truth)

    rows = [row(0)] * 90 + [row(1)] * 10
    start = calibrate.Figures(np.full((3, 1), math.log(2.0)), 1.0, 1.0)
    told: list[str] = []
    best = calibrate.descend(rows, start, [[at] for at in range(5)], told.append)
    assert len(told) == calibrate.ROUNDS
    assert calibrate.loss(rows, best) < calibrate.loss(rows, start)
    # The likelihood ratio behind nine in ten is 9; a little less, for leaving the start is held back by `PULL`.
    assert 7.5 < math.exp(best.logs[1, 0]) < 9.5
    assert best.values[0] == best.values[2] == start.values[0]  # nothing spoke of these
    assert (best.found, best.damp) == (1.0, 1.0)


def test_calibration_is_the_same_for_any_number_of_processes_and_not_of_the_benchmark(setting: Setting) -> None:
    bench = setting.bench()
    drawn = [bench.world.imagine(bench.chance(number, "calibrate")).seed for number in range(20)]
    assert not set(drawn) & {bench.vehicle(number).seed for number in range(200)}
    ones, twos = (calibrate.calibrate((setting,), bench.expert.scale, 6, mapped, jobs) for jobs in (1, 2))
    assert (ones.fitted, ones.held_out) == (4, 2)
    assert text.calibration(ones) == text.calibration(twos)
    assert ones.by_outcome.fitted <= ones.by_word.fitted + 1e-9 <= ones.now.fitted + 2e-9
    assert ones.now.figures.values == calibrate.start_of(bench.expert.scale).values
    with pytest.raises(ValueError, match="at least two vehicles"):
        calibrate.calibrate((setting,), bench.expert.scale, 1, mapped, 1)


def test_the_engine_is_compared_and_a_difference_is_noticed(bench: Bench) -> None:
    case, _ = policies.inspect(bench, bench.vehicle(0), policies.EXPERT, policies.by_expert)
    policies.assert_engine_agrees(bench.expert, case)
    fewer = frozenset(sorted(case.trace.fired)[1:])
    case.trace = type(case.trace)(case.trace.ruleset, case.trace.stated, case.trace.facts, fewer)
    with pytest.raises(AssertionError, match="differs from the engine"):
        policies.assert_engine_agrees(bench.expert, case)


def test_the_chance_of_exactly_the_truth() -> None:
    sets = SourceSets({"a": 0.1, "b": 0.2, "c": 0.3, "d": 0.4})
    belief = Belief(sets, sets.log_prior)
    shown = {sets.names(at): float(chance) for at, chance in enumerate(belief.chances)}
    assert {names: policies.chance_of(belief, names[::-1]) for names in shown} == shown
    assert policies.chance_of(belief, ("a", "b", "c", "d")) == 0.0


# ---- the figures ----------------------------------------------------------------------------------------------


def test_bins_add_up(ran: Outcomes, bench: Bench) -> None:
    sources = tuple(bench.machine.sources)
    forecasts = measure.of_sources(of(ran, policies.EXPERT), sources)
    bins = measure.bins(forecasts)
    assert len(forecasts) == VEHICLES * len(sources) == sum(b.count for b in bins)
    filled = [b for b in bins if b.count]
    leaks = sum(len(o.truth) for o in of(ran, policies.EXPERT))
    assert sum(b.count * b.happened for b in filled) == pytest.approx(leaks)
    assert sum(b.count * b.stated for b in filled) == pytest.approx(sum(p for p, _ in forecasts))
    assert all(b.low <= b.stated <= b.high for b in filled)
    shown = text.diagram(bins).splitlines()
    assert len(shown) == 1 + len(bins)


def test_certainties_go_to_the_end_bins() -> None:
    bins = measure.bins([(0.0, False), (1.0, True), (0.1, False), (0.999, True)])
    assert [b.count for b in bins] == [1, 1, 0, 0, 0, 0, 0, 0, 0, 2]


def test_murphy_of_the_worked_example() -> None:
    # Ten forecasts of 0.8 with 7 hits and ten of 0.2 with 1: 0.16 = 0.01 - 0.09 + 0.24, worked out exactly beforehand.
    forecasts = [(0.8, at < 7) for at in range(10)] + [(0.2, at < 1) for at in range(10)]
    parts = measure.murphy(forecasts)
    assert (parts.brier, parts.reliability) == pytest.approx((0.16, 0.01))
    assert (parts.resolution, parts.uncertainty) == pytest.approx((0.09, 0.24))
    assert parts.within == pytest.approx(0, abs=1e-12)


def test_brier_and_log_loss_of_the_worked_example() -> None:
    # scikit-learn 1.9.1: brier_score_loss and log_loss of these four.
    forecasts = [(0.1, False), (0.9, True), (0.8, True), (0.3, False)]
    assert measure.murphy(forecasts).brier == pytest.approx(0.0375, abs=1e-12)
    assert measure.log_loss(forecasts) == pytest.approx(0.197634881642, abs=1e-11)


def test_murphy_is_an_identity_within_what_binning_loses(ran: Outcomes, bench: Bench) -> None:
    """The remainder is the variance of the forecasts within bins less twice their covariance with what happened."""
    for forecasts in (
        measure.of_sources(of(ran, policies.EXPERT), tuple(bench.machine.sources)),
        measure.of_conclusions(of(ran, policies.CHECKLIST)),
        [(chance, random.Random(at).random() < chance) for at, chance in enumerate([0.03 * k for k in range(33)] * 5)],
    ):
        groups: dict[int, list[tuple[float, bool]]] = {}
        for p, y in forecasts:
            groups.setdefault(min(9, int(p * 10)), []).append((p, y))
        lost = 0.0
        for group in groups.values():
            p_mean = sum(p for p, _ in group) / len(group)
            y_mean = sum(y for _, y in group) / len(group)
            lost += sum((p - p_mean) ** 2 - 2 * (p - p_mean) * (y - y_mean) for p, y in group)
        assert measure.murphy(forecasts).within == pytest.approx(lost / len(forecasts), abs=1e-12)
        fine = [(round(p, 1), y) for p, y in forecasts]  # one value a bin
        assert measure.murphy(fine, 1000).within == pytest.approx(0, abs=1e-12)


def outcome(truth: str, concluded: str, ranking: str = "", **more: Any) -> Outcome:
    """An outcome of sources named by one letter each."""
    found: dict[str, Any] = {
        "policy": "expert",
        "ranking": tuple(ranking or concluded),
        "marginals": (0.5,),
        "chance": 0.5,
        "chance_of_truth": 0.5,
        "asked": (("look", "x", 2.0), ("look", "y", 3.0)),
        "reason": "",
        "wrong": tuple(s for s in concluded if s not in truth),
        "hours": 1.0,
        "wasted": 0.0,
    }
    return Outcome(truth=tuple(truth), concluded=tuple(concluded), **(found | more))


def test_scores_of_a_few_by_hand() -> None:
    some = [
        outcome("a", "a", "abc"),
        outcome("a", "b", "bca"),
        outcome("a", "cd", "cdea"),
        outcome("ab", "ba", "bac"),
        outcome("ab", "abc", "acb"),
        outcome("abc", "ab", "abc"),
    ]
    score = measure.score("expert", some)
    assert (score.top_one, score.top_three) == (measure.Share(3, 1), measure.Share(3, 2))
    assert score.all_found == {1: measure.Share(3, 1), 2: measure.Share(2, 2), 3: measure.Share(1, 0)}
    assert score.all_ranked == {1: measure.Share(3, 1), 2: measure.Share(2, 1), 3: measure.Share(1, 1)}
    assert score.exact == {1: measure.Share(3, 1), 2: measure.Share(2, 1), 3: measure.Share(1, 0)}
    assert (score.wrong, score.questions, score.minutes) == (pytest.approx(4 / 6), 2, 5)
    assert measure.by_phase(some) == {"look": (2.0, 5.0)}


def test_what_is_missed_and_what_for() -> None:
    some = [outcome("a", "b"), outcome("a", "bc"), outcome("ab", "b"), outcome("c", "c")]
    assert measure.missed(some) == (measure.Missed("a", 3, 3, (("b", 2), ("(left out)", 1), ("c", 1))),)
    assert measure.false_alarms(some) == (("b", 2), ("c", 1))


# ---- the best policy ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Toy:
    """States are tuples of the sources still possible, equally likely; a test tells one source from the others."""

    tests: Mapping[str, tuple[float, str]]

    def risk(self, state: tuple[str, ...]) -> float:
        return 1 - 1 / len(state)

    def asks(self, state: tuple[str, ...]) -> dict[str, optimal.Ask[tuple[str, ...]]]:
        found = {}
        for name, (minutes, source) in self.tests.items():
            if source in state and len(state) > 1:
                rest = tuple(s for s in state if s != source)
                share = 1 / len(state)
                found[name] = optimal.Ask(minutes, ((share, (source,)), (1 - share, rest)))
        return found


@pytest.mark.parametrize(("penalty", "cost"), [(60, 10), (15, 7.5), (20, 10)])
def test_two_sources_and_one_perfect_test(penalty: float, cost: float) -> None:
    # Guessing is wrong half the time; the test costs ten minutes and leaves nothing to be wrong about.
    toy = Toy({"test": (10, "a")})
    assert optimal.least_cost(toy, ("a", "b"), penalty) == pytest.approx(cost)
    assert optimal.cost_of(toy, ("a", "b"), penalty, lambda state: None) == pytest.approx(penalty / 2)
    always = lambda state: "test" if len(state) > 1 else None  # noqa: E731
    assert optimal.cost_of(toy, ("a", "b"), penalty, always) == pytest.approx(10)
    assert optimal.cost_of(toy, ("a", "b"), penalty, always, may_stop=True) == pytest.approx(min(10, penalty / 2))
    wrong = optimal.cost_of(toy, ("a", "b"), penalty, always, risk=lambda state: 1.0)
    assert wrong == pytest.approx(10 + penalty)


def test_three_sources_tested_in_the_best_order() -> None:
    # Test the cheap one, then (2 in 3) the next: 3 + 2/3 * 6; the dear one is never needed.
    toy = Toy({"cheap": (3, "a"), "middling": (6, "b"), "dear": (9, "c")})
    assert optimal.least_cost(toy, ("a", "b", "c"), 1000) == pytest.approx(3 + 2 / 3 * 6)
    in_turn = ["middling", "cheap", "dear"]
    choose = lambda state: next((t for t in in_turn if t in toy.asks(state)), None)  # noqa: E731
    assert optimal.cost_of(toy, ("a", "b", "c"), 1000, choose) == pytest.approx(6 + 2 / 3 * 3)


def test_a_real_family_priced_by_both_kinds(setting: Setting, kb: KnowledgeBase) -> None:
    whole = Setting(setting.rules, setting.layout).bench()
    groups = optimal.families(whole)
    assert groups
    assert len(set(itertools.chain.from_iterable(groups))) == sum(map(len, groups))
    for compared in optimal.compare(setting, groups[0], questions=2):
        assert 0 < compared.best <= compared.ordered + 1e-6
        assert compared.best <= compared.concluding + 1e-6 <= compared.expert + 2e-6
        assert compared.best <= compared.guess + 1e-6


def test_the_model_prices_as_enumeration_of_its_answers_does(setting: Setting) -> None:
    """One question: stop, or ask it and conclude; worked out here from the likelihoods alone."""
    small = optimal.small(setting, optimal.families(Setting(setting.rules, setting.layout).bench())[0])
    model = optimal.model_of(small, 1, optimal.BAYES)
    (ask,) = model.asks(model.start).values()
    now = model.start.posterior
    assert sum(chance for chance, _ in ask.leads) == pytest.approx(1)
    for at, before in enumerate(now):  # what is expected to be believed is what is believed
        assert sum(c * node.posterior[at] for c, node in ask.leads) == pytest.approx(before, abs=1e-8)
    asked = ask.minutes + 100 * sum(c * (1 - max(node.posterior)) for c, node in ask.leads)
    assert optimal.least_cost(model, model.start, 100) == pytest.approx(min(100 * (1 - max(now)), asked))


# ---- speed ----------------------------------------------------------------------------------------------------


def test_a_grown_layout_is_the_same_knowledge_again(kb: KnowledgeBase, rules: Path) -> None:
    whole = Setting(rules, kb.default_layout).bench()
    count = len(whole.machine.sources)
    machine, _ = grown(whole, packaged_tables(), 2 * count)
    assert len(machine.sources) == 2 * count
    assert len(machine.zones) == 2 * len(whole.machine.zones)
    made = ground(machine).rules

    def said(mark: str) -> list[tuple[str, str, float]]:
        """What rules that name no variable zone say of sources, the copies' names taken back."""
        plain = [r for r in made if not r.rule.for_each]
        every = [(r, s, ratio) for r in plain for s, ratio in (r.explains | r.favours | r.against).items()]
        own = [(r, s, ratio) for r, s, ratio in every if ("-copy-2" in s) == bool(mark)]
        strip = "-copy-2"
        return sorted(
            (r.observed[0].replace(strip, ""), s.replace(strip, ""), round(ratio, 9))
            for r, s, ratio in own
            if "other sources" not in r.rule.speaks_against and "other sources" not in r.rule.explains
        )

    first, second = said(""), said("-copy-2")
    assert len(first) > 100
    assert first == second


def test_the_library_infers_what_we_do_where_both_limit_the_leaks(bench: Bench, say: Say) -> None:
    gum = pytest.importorskip("pyagrum")
    case, _ = policies.inspect(bench, bench.vehicle(1), policies.EXPERT, policies.by_expert)
    one = speed.posterior_by_both(gum, bench, patterns(case.trace), excluded(case.trace))
    assert one.library is not None and one.apart_limited is not None
    say(f"one posterior of {one.sources} sources: pyagrum {one.library / one.ours:.1f} times ours")
    assert one.apart_limited < 1e-9
    assert one.apart is not None and one.apart > one.apart_limited  # without the limit it is another question


def test_it_runs_and_writes_what_it_found(tmp_path: Path, kb: KnowledgeBase) -> None:
    # Of all layouts the two with the fewest sources, for the sake of time.
    to, names = tmp_path / "found.json", sorted(kb.layouts, key=lambda name: len(kb.machine(name).sources))[:2]
    asked = [sys.executable, "-m", "tests.bench.diagnosis", "--vehicles", "1", "--jobs", "1", "--parts", "outcomes"]
    asked += [word for name in names for word in ("--layout", name)]
    done = subprocess.run(
        [*asked, "--json", str(to)], cwd=ROOT, capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(to.read_text(encoding="utf-8"))
    assert list(found["layouts"]) == names
    assert "All layouts" in done.stdout
    assert "1 of 1 vehicles" in done.stderr
    assert "minutes of inspection" in done.stdout
    score = found["layouts"][names[0]]["outcomes"]["scores"]["expert"]
    assert set(score) == {field.name for field in fields(measure.Score)}
    assert set(found["layouts"][names[0]]["outcomes"]["jobs"]) == set(job.LOOKS)


def test_all_layouts_are_measured_unless_told_otherwise(kb: KnowledgeBase, rules: Path) -> None:
    every = command._settings(command._parser().parse_args([]), kb.layouts)
    assert list(every) == list(kb.layouts)
    assert all(setting.rules == rules and setting.seed == 1 for setting in every.values())
    twice = ["--layout", kb.default_layout, "--layout", kb.default_layout]
    assert list(command._settings(command._parser().parse_args(twice), kb.layouts)) == [kb.default_layout]
    assert command._parser().parse_args([]).vehicles == 2000


def test_calibrating_prints_before_and_after_and_writes_nothing(rules: Path, kb: KnowledgeBase) -> None:
    scale = (rules / "scale.yaml").read_bytes()
    asked = [sys.executable, "-m", "tests.bench.diagnosis", "--calibrate", "3", "--jobs", "1"]
    done = subprocess.run(
        [*asked, "--layout", kb.default_layout], cwd=ROOT, capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "on the 2 vehicles fitted to" in done.stdout
    assert "on 1 others" in done.stdout
    assert all(entry.strength in done.stdout for entry in kb.scale.strengths)
    assert (rules / "scale.yaml").read_bytes() == scale


def test_a_layout_that_does_not_exist() -> None:
    """Started by the folder's name, which must be found from there as well."""
    asked = [sys.executable, "tests/bench/diagnosis", "--layout", "boat"]
    done = subprocess.run(asked, cwd=ROOT, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 2
    assert "there is no layout 'boat'" in done.stderr


def test_numbers_that_are_none_are_dashes() -> None:
    assert text.number(math.nan) == "-"
    assert text.percent(measure.Share(0, 0)) == "-"
    assert text.percent(measure.Share(4, 2)) == "50.0 ±25.0"
