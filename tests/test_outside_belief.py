"""The belief over sets of sources against enumeration, Quickscore, a Bayesian-network library and the odds form.

Three oracles that share no code with the project: plain-Python enumeration of every set, Heckerman's
inclusion-exclusion formula, and pyagrum's exact inference (skipped where that is not installed).
Titles and pages are from memory unless the comment says otherwise.
"""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from expert.belief import SHOWS, Belief, SourceSets, believe
from expert.diagnosis import Expert
from expert.evidence import AGAINST, EXPLAINS, FAVOURS, Opinion, Pattern
from expert.facts import Fact

MOST = 3
Chances = Mapping[str, float]


# ---- a noisy-OR network in its own words, and the oracles -----------------------------------------------------


@dataclass(frozen=True)
class Seen:
    """A finding that is present: its noisy-OR (leak, and each cause's probability), and soft evidence on sources."""

    leak: float = 0.5
    causes: Chances = field(default_factory=dict)
    favours: Chances = field(default_factory=dict)
    against: Chances = field(default_factory=dict)


def present(seen: Seen, faults: Collection[str]) -> float:
    """P(finding | exactly these faults) times the soft evidence, up to a factor common to all sets."""
    absent = 1 - seen.leak
    for cause, q in seen.causes.items():
        if cause in faults:
            absent *= 1 - q
    result = 1 - absent if seen.causes else 1.0
    for source in faults:
        result *= seen.favours.get(source, 1.0) / seen.against.get(source, 1.0)
    return result


def prior(chances: Chances, faults: Collection[str]) -> float:
    """Independent sources: P(exactly these leak)."""
    return math.prod(p if source in faults else 1 - p for source, p in chances.items())


def enumerated(
    chances: Chances, evidence: Sequence[Seen], most: int = MOST, odds: Chances | None = None
) -> dict[frozenset[str], float]:
    """The posterior of every set of one to `most` sources, by adding up."""
    weights = {
        frozenset(faults): prior(chances, faults)
        * math.prod(present(seen, faults) for seen in evidence)
        * math.prod((odds or {}).get(source, 1.0) for source in faults)
        for size in range(1, min(most, len(chances)) + 1)
        for faults in itertools.combinations(chances, size)
    }
    total = math.fsum(weights.values())
    return {faults: weight / total for faults, weight in weights.items()}


def marginal(posterior: Mapping[frozenset[str], float], source: str) -> float:
    return math.fsum(chance for faults, chance in posterior.items() if source in faults)


def pattern(seen: Seen, number: int = 0) -> Pattern:
    """The same finding as the project states it: likelihood ratios of each source alone against none."""
    opinions = [
        *(Opinion(s, EXPLAINS, (seen.leak + q - seen.leak * q) / seen.leak, 0) for s, q in seen.causes.items()),
        *(Opinion(s, FAVOURS, ratio, 0) for s, ratio in seen.favours.items()),
        *(Opinion(s, AGAINST, ratio, 0) for s, ratio in seen.against.items()),
    ]
    return Pattern(f"finding-{number}", "", value="", opinions=tuple(sorted(opinions, key=lambda o: o.source)))


def project(chances: Chances, evidence: Sequence[Seen], most: int = MOST, excluded: Collection[str] = ()) -> Belief:
    found = [pattern(seen, number) for number, seen in enumerate(evidence)]
    return believe(SourceSets(chances, most), found, excluded)


def by_set(belief: Belief) -> dict[frozenset[str], float]:
    return {frozenset(belief.sets.names(at)): float(chance) for at, chance in enumerate(belief.chances)}


@st.composite
def networks(draw: st.DrawFn, most: int = 6) -> tuple[dict[str, float], list[Seen]]:
    """A few sources, and findings of which each has its best cause at SHOWS, as the project takes it."""
    sources = [f"s{at}" for at in range(draw(st.integers(1, most)))]
    chances = {source: draw(st.floats(0.002, 0.7)) for source in sources}
    ratio, q = st.floats(1.01, 150), st.floats(0.001, SHOWS)
    evidence = []
    for _ in range(draw(st.integers(0, 4))):
        role = {s: draw(st.sampled_from(("", "", "causes", "causes", "favours", "against"))) for s in sources}
        causes = {s: draw(q) for s in sources if role[s] == "causes"}
        if causes:
            causes[draw(st.sampled_from(sorted(causes)))] = SHOWS
        soft = {kind: {s: draw(ratio) for s in sources if role[s] == kind} for kind in ("favours", "against")}
        evidence.append(Seen(draw(st.floats(0.001, 0.9)), causes, soft["favours"], soft["against"]))
    return chances, evidence


# ---- enumeration ----------------------------------------------------------------------------------------------


@settings(max_examples=300, deadline=None)
@given(networks(), st.integers(1, 4))
def test_belief_is_the_enumerated_posterior(network: tuple[dict[str, float], list[Seen]], most: int) -> None:
    # Noisy-OR with leak, independent causes (Pearl 1988; Henrion 1989), conditioned on one to `most` sources.
    chances, evidence = network
    wanted = enumerated(chances, evidence, most)
    found = project(chances, evidence, most)
    assert by_set(found) == pytest.approx(wanted, abs=1e-9)
    for source in chances:
        assert found.marginals[source] == pytest.approx(marginal(wanted, source), abs=1e-9)
    assert found.best[1] == pytest.approx(max(wanted.values()), abs=1e-9)
    assert wanted[frozenset(found.best[0])] == pytest.approx(max(wanted.values()), abs=1e-8)
    bits = -math.fsum(c * math.log2(c) for c in wanted.values() if c > 0)
    assert found.entropy == pytest.approx(bits, abs=1e-8)


@settings(max_examples=100, deadline=None)
@given(networks(), st.data())
def test_belief_with_sources_excluded(network: tuple[dict[str, float], list[Seen]], data: st.DataObject) -> None:
    chances, evidence = network
    gone = data.draw(st.sets(st.sampled_from(sorted(chances))))
    wanted = enumerated(chances, evidence, odds=dict.fromkeys(gone, 1e-6))
    assert by_set(project(chances, evidence, excluded=gone)) == pytest.approx(wanted, abs=1e-9)


@settings(max_examples=100, deadline=None)
@given(networks(), st.randoms(use_true_random=False))
def test_belief_does_not_depend_on_the_order_of_the_evidence(
    network: tuple[dict[str, float], list[Seen]], shuffler: random.Random
) -> None:
    chances, evidence = network
    found = [pattern(seen, number) for number, seen in enumerate(evidence)]
    sets = SourceSets(chances)
    first = believe(sets, found).log_weight.tolist()
    shuffler.shuffle(found)
    assert believe(sets, found).log_weight.tolist() == first


def test_every_set_of_one_to_three_is_there_once() -> None:
    sets = SourceSets({f"s{at}": 0.1 for at in range(9)})
    names = [sets.names(at) for at in range(len(sets))]
    assert len(names) == len(set(names)) == math.comb(9, 1) + math.comb(9, 2) + math.comb(9, 3)
    assert all(tuple(sorted(set(n))) == n and 1 <= len(n) <= MOST for n in names)


def test_the_whole_expert_believes_what_enumeration_says(expert: Expert) -> None:
    """The packaged rules, random facts, all sources: the belief is the enumerated posterior of the pooled evidence."""
    rng = random.Random(1986)
    choices = [o for o in expert.machine.observables.values() if o.values]
    stages = [stage.stage for stage in expert.scale.stages]
    chance = {entry.commonness: entry.chance for entry in expert.scale.commonness}
    chances = {name: chance[source.commonness] for name, source in expert.machine.sources.items()}
    told = 0
    for _ in range(12):
        facts = [
            Fact(o.id, rng.choice(o.values), rng.choice(stages) if o.staged else "") for o in rng.sample(choices, 8)
        ]
        now = expert.diagnose(facts)
        evidence = []
        for pooled in now.patterns:
            by_kind = {k: {o.source: o.ratio for o in pooled.of_kind(k)} for k in (EXPLAINS, FAVOURS, AGAINST)}
            # q = SHOWS for the best cause, and ratio = 1 + q (1 - leak) / leak for each, solved for leak and q.
            odds = SHOWS / (max(by_kind[EXPLAINS].values(), default=2) - 1)
            causes = {source: odds * (ratio - 1) for source, ratio in by_kind[EXPLAINS].items()}
            evidence.append(Seen(odds / (1 + odds), causes, by_kind[FAVOURS], by_kind[AGAINST]))
        gone = {s for firing in now.trace.firings for s in firing.rule.excludes}
        wanted = enumerated(chances, evidence, odds=dict.fromkeys(gone, expert.scale.excluded_odds))
        assert by_set(now.belief) == pytest.approx(wanted, abs=1e-9)
        for source in chances:
            assert now.belief.marginals[source] == pytest.approx(marginal(wanted, source), abs=1e-9)
        told += len(evidence)
    assert told > 30


# ---- explaining away ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("common", "lowered"), [(True, True), (False, False)])
def test_a_common_effect_makes_causes_compete(common: bool, lowered: bool) -> None:
    # Explaining away (Pearl 1988): evidence for one cause lowers another only where both explain something seen.
    # A third, certain source keeps "at least one leaks" from coupling them, and three sources fill no set of three.
    chances = {"a": 0.1, "b": 0.2, "certain": 1 - 1e-12}
    sight = Seen(0.05, {"a": SHOWS, "b": 0.8}) if common else Seen(0.05, {"a": SHOWS})
    before = project(chances, [sight]).marginals
    after = project(chances, [sight, Seen(favours={"a": 20})]).marginals
    assert after["a"] > before["a"] + 0.2
    if lowered:
        assert before["b"] > 0.5
        assert after["b"] < before["b"] - 0.2
        assert after["b"] > 0.2  # never below its prior: a explains the sight, which leaves b where it was
    else:
        assert before["b"] == pytest.approx(0.2, abs=1e-9)
        assert after["b"] == pytest.approx(0.2, abs=1e-9)


def test_two_causes_of_one_sight_do_not_multiply() -> None:
    # Of independent causes the second adds little: P(seen | a, b) = 1 - (1 - leak)(1 - qa)(1 - qb).
    chances = {"a": 0.1, "b": 0.1}
    belief = project(chances, [Seen(0.05, {"a": SHOWS, "b": SHOWS})])
    raised = belief.log_weight - project(chances, []).log_weight
    factor = {belief.sets.names(at): math.exp(log) for at, log in enumerate(raised)}
    alone, both = 0.9525 / 0.05, (1 - 0.95 * 0.05 * 0.05) / 0.05
    assert factor == pytest.approx({("a",): alone, ("b",): alone, ("a", "b"): both}, rel=1e-9)


# ---- Quickscore -----------------------------------------------------------------------------------------------

# D. Heckerman, "A tractable inference algorithm for diagnosing multiple diseases", UAI 1989: the formula is from
# memory and is checked here against the figures below, which were computed by enumeration. The case is constructed;
# the paper's tables are not public. Rows: q of each disease for findings f0 to f3.
DISEASES = {"d0": 0.01, "d1": 0.05, "d2": 0.2}
LEAKS = (0.01, 0.02, 0.05, 0.001)
LINKS = {"d0": (0.8, 0.3, 0.0, 0.5), "d1": (0.0, 0.6, 0.7, 0.2), "d2": (0.4, 0.0, 0.9, 0.1)}
CASES = [
    ("+0", 0.0964864, (0.08476220, 0.05, 0.85141947)),
    ("+0 +2", 0.07581273408, (0.02816102, 0.05939593, 0.98425763)),
    ("+1 -2", 0.02409496856, (0.09996043, 0.29542357, 0.02439024)),
    ("+0 +1 +2 -3", 0.0034461077457, (0.10171846, 0.56124315, 0.92472555)),
    ("+0 +1 +2 +3", 0.0012900087675, (0.34844099, 0.65173331, 0.85860856)),
]


@dataclass(frozen=True)
class Qmr:
    """A two-layer network: priors, leaks, and links[disease][finding]."""

    priors: Chances
    leaks: Sequence[float]
    links: Mapping[str, Sequence[float]]

    def quickscore(self, plus: Sequence[int], minus: Sequence[int], certain: Collection[str] = ()) -> float:
        """P(F+, F-), with the diseases in `certain` present for sure, by inclusion-exclusion over F+."""
        total = 0.0
        for size in range(len(plus) + 1):
            for some in itertools.combinations(plus, size):
                gone = (*some, *minus)
                term = math.prod(1 - self.leaks[f] for f in gone)
                for disease, chance in self.priors.items():
                    silent = math.prod(1 - self.links[disease][f] for f in gone)
                    term *= silent if disease in certain else chance * silent + 1 - chance
                total += (-1) ** size * term
        return total

    def posterior(self, plus: Sequence[int], minus: Sequence[int]) -> dict[str, float]:
        whole = self.quickscore(plus, minus)
        return {d: p * self.quickscore(plus, minus, {d}) / whole for d, p in self.priors.items()}

    def none_at_all(self, plus: Sequence[int], minus: Sequence[int]) -> float:
        """P(no disease | findings), the one hypothesis that the project leaves out."""
        seen = math.prod(self.leaks[f] for f in plus) * math.prod(1 - self.leaks[f] for f in minus)
        return math.prod(1 - p for p in self.priors.values()) * seen / self.quickscore(plus, minus)

    def seen(self, finding: int, plus: bool) -> Seen:
        """A finding as the project takes it; an absent one divides by 1 / (1 - q) for each of its causes."""
        q = {d: links[finding] for d, links in self.links.items() if links[finding] > 0}
        return Seen(self.leaks[finding], q) if plus else Seen(against={d: 1 / (1 - x) for d, x in q.items()})


def read_case(words: str) -> tuple[tuple[int, ...], tuple[int, ...]]:
    plus = tuple(int(word[1]) for word in words.split() if word[0] == "+")
    minus = tuple(int(word[1]) for word in words.split() if word[0] == "-")
    return plus, minus


QMR = Qmr(DISEASES, LEAKS, LINKS)


def believed_with_own_shows(monkeypatch: pytest.MonkeyPatch, plus: Sequence[int], minus: Sequence[int]) -> Belief:
    """The belief where the best cause of each finding has the case's own q, in place of the project's one SHOWS."""
    whole = project(DISEASES, [])
    weight = whole.log_weight.copy()
    for finding in (*plus, *minus):
        with monkeypatch.context() as patch:
            patch.setattr("expert.belief.SHOWS", max(links[finding] for links in LINKS.values()))
            alone = project(DISEASES, [QMR.seen(finding, finding in plus)])
        weight += alone.log_weight - whole.log_weight
    return Belief(whole.sets, weight)


@pytest.mark.parametrize(("words", "chance", "posterior"), CASES)
def test_quickscore_case(
    monkeypatch: pytest.MonkeyPatch, words: str, chance: float, posterior: tuple[float, ...]
) -> None:
    plus, minus = read_case(words)
    wanted = dict(zip(DISEASES, posterior, strict=True))
    assert QMR.quickscore(plus, minus) == pytest.approx(chance, rel=1e-9)
    assert QMR.posterior(plus, minus) == pytest.approx(wanted, abs=1e-8)
    # The project holds that at least one source leaks. Given back the chance of none, its figures are the case's.
    some = 1 - QMR.none_at_all(plus, minus)
    found = believed_with_own_shows(monkeypatch, plus, minus).marginals
    assert {d: some * found[d] for d in DISEASES} == pytest.approx(wanted, abs=1e-7)


def test_quickscore_case_best_joint_explanation(monkeypatch: pytest.MonkeyPatch) -> None:
    plus, minus = read_case("+0 +1 +2 -3")
    some = 1 - QMR.none_at_all(plus, minus)
    belief = believed_with_own_shows(monkeypatch, plus, minus)
    wanted = [(("d1", "d2"), 0.495538), (("d2",), 0.360639), (("d0", "d2"), 0.062066), (("d1",), 0.039924)]
    found = [(names, some * chance) for names, chance in belief.top(4)]
    assert [names for names, _ in found] == [names for names, _ in wanted]
    assert [chance for _, chance in found] == pytest.approx([chance for _, chance in wanted], abs=1e-6)
    assert belief.best[0] == ("d1", "d2")


def scaled(case: Qmr) -> Qmr:
    """The same case with each finding's links scaled so that its best cause shows it at SHOWS."""
    best = [max(links[f] for links in case.links.values()) or 1 for f in range(len(case.leaks))]
    links = {d: [q * SHOWS / top for q, top in zip(row, best, strict=True)] for d, row in case.links.items()}
    return Qmr(case.priors, case.leaks, links)


@pytest.mark.parametrize("words", [words for words, _, _ in CASES])
def test_quickscore_case_as_the_project_takes_it(words: str) -> None:
    case, (plus, minus) = scaled(QMR), read_case(words)
    evidence = [case.seen(f, f in plus) for f in (*plus, *minus)]
    found = project(case.priors, evidence).marginals
    some = 1 - case.none_at_all(plus, minus)
    assert {d: some * found[d] for d in DISEASES} == pytest.approx(case.posterior(plus, minus), abs=1e-9)


@pytest.mark.parametrize("words", [words for words, _, _ in CASES])
def test_quickscore_case_with_a_single_fault(words: str) -> None:
    # For one fault alone the ratios say all there is to say, whatever q the best cause is given.
    plus, minus = read_case(words)
    alone = {}
    for disease in DISEASES:
        others = math.prod(1 - p for d, p in DISEASES.items() if d != disease)
        shown = [1 - (1 - LEAKS[f]) * (1 - LINKS[disease][f]) for f in range(4)]
        likelihood = math.prod(shown[f] for f in plus) * math.prod(1 - shown[f] for f in minus)
        alone[disease] = DISEASES[disease] * others * likelihood
    wanted = {d: weight / sum(alone.values()) for d, weight in alone.items()}
    found = project(DISEASES, [QMR.seen(f, f in plus) for f in (*plus, *minus)], most=1)
    assert found.marginals == pytest.approx(wanted, abs=1e-9)


@st.composite
def qmr_cases(draw: st.DrawFn) -> tuple[Qmr, tuple[int, ...], tuple[int, ...]]:
    """At most three diseases, so that no set is left out but the empty one."""
    diseases = [f"d{at}" for at in range(draw(st.integers(1, 3)))]
    signs = draw(st.lists(st.booleans(), min_size=1, max_size=5))
    link = st.one_of(st.just(0.0), st.floats(0.01, 1))
    case = Qmr(
        {d: draw(st.floats(0.01, 0.6)) for d in diseases},
        draw(st.lists(st.floats(0.01, 0.5), min_size=len(signs), max_size=len(signs))),
        {d: draw(st.lists(link, min_size=len(signs), max_size=len(signs))) for d in diseases},
    )
    plus = tuple(at for at, sign in enumerate(signs) if sign)
    return scaled(case), plus, tuple(at for at, sign in enumerate(signs) if not sign)


@settings(max_examples=200, deadline=None)
@given(qmr_cases())
def test_belief_is_quickscore_on_random_networks(drawn: tuple[Qmr, tuple[int, ...], tuple[int, ...]]) -> None:
    case, plus, minus = drawn
    found = project(case.priors, [case.seen(f, f in plus) for f in (*plus, *minus)]).marginals
    some = 1 - case.none_at_all(plus, minus)
    # Inclusion-exclusion cancels where all findings are unlikely, hence the wider tolerance.
    assert {d: some * found[d] for d in case.priors} == pytest.approx(case.posterior(plus, minus), abs=1e-6)


# ---- pyagrum --------------------------------------------------------------------------------------------------


def agrum_marginals(chances: Chances, evidence: Sequence[Seen], most: int = MOST) -> dict[str, float]:
    """Exact inference in a QMR network: addNoisyORNet is the form in which a cause alone shows 1-(1-leak)(1-q).

    (addNoisyOR is not: it stands for addNoisyORCompound, where the arc's weight already contains the leak.)
    """
    gum = pytest.importorskip("pyagrum")
    bn = gum.BayesNet("qmr")
    for source, chance in chances.items():
        bn.add(gum.LabelizedVariable(source, source, 2))
        bn.cpt(source).fillWith([1 - chance, chance])
    soft = dict.fromkeys(chances, 1.0)
    known: dict[str, int | list[float]] = {}
    for number, seen in enumerate(evidence):
        for source in chances:
            soft[source] *= seen.favours.get(source, 1.0) / seen.against.get(source, 1.0)
        if seen.causes:
            name = f"f{number}"
            bn.addNoisyORNet(gum.LabelizedVariable(name, name, 2), seen.leak)
            for source, q in seen.causes.items():
                bn.addWeightedArc(source, name, q)
            known[name] = 1
    # A node that is certain where one to `most` sources leak, so that observing it conditions on that.
    bn.add(gum.LabelizedVariable("some", "some", 2))
    for source in chances:
        bn.addArc(source, "some")
    for states in itertools.product((0, 1), repeat=len(chances)):
        right = float(1 <= sum(states) <= most)
        bn.cpt("some")[dict(zip(chances, states, strict=True))] = [1 - right, right]
    known["some"] = 1
    known |= {source: [1 / max(1, ratio), ratio / max(1, ratio)] for source, ratio in soft.items()}
    inference = gum.LazyPropagation(bn)
    inference.setEvidence(known)
    inference.makeInference()
    return {source: float(inference.posterior(source)[1]) for source in chances}


@settings(max_examples=120, deadline=None)
@given(networks())
def test_belief_is_what_pyagrum_infers(network: tuple[dict[str, float], list[Seen]]) -> None:
    chances, evidence = network
    wanted = agrum_marginals(chances, evidence)
    assert project(chances, evidence).marginals == pytest.approx(wanted, abs=1e-6)


def test_pyagrum_gives_the_quickscore_case() -> None:
    """Two oracles agree with each other, so the network built above is the QMR form."""
    plus, minus = read_case("+0 +1 +2 -3")
    evidence = [QMR.seen(f, f in plus) for f in (*plus, *minus)]
    some = 1 - QMR.none_at_all(plus, minus)
    found = agrum_marginals(DISEASES, evidence)
    assert {d: some * found[d] for d in DISEASES} == pytest.approx(
        {"d0": 0.10171846, "d1": 0.56124315, "d2": 0.92472555}, abs=1e-7
    )


# ---- the odds form --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "ratio", "after"),
    # Posterior odds are prior odds times likelihood ratio; the figures follow by hand (1:1 x 2 = 2:1 = 2/3 ...).
    [(0.5, 2, 0.666667), (0.5, 10, 0.909091), (0.1, 10, 0.526316), (0.3, 5, 0.681818), (0.3, 0.2, 0.078947)],
)
def test_odds_form(before: float, ratio: float, after: float) -> None:
    # With single sources, and one other of even odds, the first has the prior `before`.
    chances = {"this": before, "other": 0.5}
    assert project(chances, [], most=1).marginals["this"] == pytest.approx(before, abs=1e-12)
    ways = [Seen(favours={"this": ratio})] if ratio > 1 else [Seen(against={"this": 1 / ratio})]
    if ratio > 1:
        leak = SHOWS / (ratio - 1 + SHOWS)
        ways.append(Seen(leak, {"this": SHOWS}))
    for seen in ways:
        assert project(chances, [seen], most=1).marginals["this"] == pytest.approx(after, abs=1e-6)
    # Evidence for the other, equally strong, is evidence against this one.
    mirrored = Seen(against={"other": ratio}) if ratio > 1 else Seen(favours={"other": 1 / ratio})
    assert project(chances, [mirrored], most=1).marginals["this"] == pytest.approx(after, abs=1e-6)


@settings(max_examples=150, deadline=None)
@given(st.floats(0.01, 0.99), st.lists(st.floats(0.01, 100), max_size=6))
def test_odds_form_repeated(before: float, ratios: list[float]) -> None:
    evidence = [Seen(favours={"this": r}) if r >= 1 else Seen(against={"this": 1 / r}) for r in ratios]
    odds = before / (1 - before) * math.prod(ratios)
    found = project({"this": before, "other": 0.5}, evidence, most=1)
    assert found.marginals["this"] == pytest.approx(odds / (1 + odds), abs=1e-9)
