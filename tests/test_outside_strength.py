"""The strength words against the published scales they name, and the noisy-OR that carries them.

The bands of Jaeschke, Guyatt and Sackett, JAMA 271 (1994) 703-707, were read in tables of two later papers; those
of Kass and Raftery, JASA 90 (1995) 773-795, in the manual of an R package; volume and pages are from memory.
"""

from __future__ import annotations

import itertools
import math
import re
import shutil
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from expert.belief import SHOWS, SourceSets, believe, noisy_or
from expert.chaining import chainer
from expert.diagnosis import Expert
from expert.evidence import AGAINST, EXPLAINS, FAVOURS, Opinion, Pattern
from expert.facts import Fact
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.load import load

# Likelihood ratios that make a change that rarely matters, a small, a moderate and a large one, for and (as
# reciprocals) against.
JAESCHKE = {"rarely important": (1, 2), "small": (2, 5), "moderate": (5, 10), "large": (10, math.inf)}
JAESCHKE_AGAINST = {"rarely important": (0.5, 1), "small": (0.2, 0.5), "moderate": (0.1, 0.2), "large": (0, 0.1)}
# Bayes factors. (The column 2 ln B is rounded apart from it: 2 ln 20 is 5.99, not 6. The factors count here.)
KASS_RAFTERY = {"bare mention": (1, 3), "positive": (3, 20), "strong": (20, 150), "very strong": (150, math.inf)}

# word: the band it claims on either scale, in rules/scale.yaml's `strengths-basis`
CLAIMS = {
    "slight": ("rarely important", "bare mention"),
    "weak": ("small", "bare mention"),
    "moderate": ("moderate", "positive"),
    "strong": ("large", "positive"),
    "decisive": ("large", "strong"),
}


def ratio_of(kb: KnowledgeBase, word: str) -> float:
    return next(entry.ratio for entry in kb.scale.strengths if entry.strength == word)


def in_band(ratio: float, band: tuple[float, float]) -> bool:
    """A ratio on the border of two bands belongs to the stronger one."""
    return band[0] <= ratio < band[1]


def in_band_against(ratio: float, band: tuple[float, float]) -> bool:
    """The mirror of it, for ratios below one (leaving out what the last digit of a quotient may be)."""
    return band[0] < ratio * (1 - 1e-12) and ratio * (1 - 1e-12) <= band[1]


def chance_of_this(kind: str, ratio: float) -> float:
    """The posterior of one of two equally likely single sources after one opinion on it."""
    opinions = (Opinion("this", kind, ratio, 0),)
    pattern = Pattern(finding="look", stage="", value="", opinions=opinions)
    return believe(SourceSets({"this": 0.5, "other": 0.5}, most=1), [pattern]).marginals["this"]


# ---- words ----------------------------------------------------------------------------------------------------


def test_the_words_are_those_that_claim_a_band(kb: KnowledgeBase) -> None:
    assert [entry.strength for entry in kb.scale.strengths] == list(CLAIMS)


@pytest.mark.parametrize("word", CLAIMS)
def test_word_lies_in_the_published_bands(kb: KnowledgeBase, word: str) -> None:
    ratio = ratio_of(kb, word)
    jaeschke, kass_raftery = CLAIMS[word]
    assert in_band(ratio, JAESCHKE[jaeschke])
    assert in_band(ratio, KASS_RAFTERY[kass_raftery])


def test_words_grow_and_each_is_a_clear_step(kb: KnowledgeBase) -> None:
    ratios = [entry.ratio for entry in kb.scale.strengths]
    # Half as much again at least: `slight` lies just below `weak`, which begins the band of a small change.
    assert all(after / before >= 1.5 for before, after in itertools.pairwise(ratios))
    # The evidence of one look never is "very strong": that would need a reason of its own.
    assert max(ratios) < KASS_RAFTERY["very strong"][0]


def test_basis_names_the_scales_and_their_bands(kb: KnowledgeBase) -> None:
    said = kb.scale.strengths_basis
    for name in ("Jaeschke", "Kass and Raftery", "(1994)", "(1995)"):
        assert name in said
    spans = {(int(a), int(b)) for a, b in re.findall(r"(?<!\d)(\d{1,3})-(\d{1,3})(?!\d)", said)}
    assert {JAESCHKE["rarely important"], JAESCHKE["small"], JAESCHKE["moderate"], KASS_RAFTERY["strong"]} <= spans
    assert re.search(r"above 10\b", said)


@pytest.mark.parametrize("word", CLAIMS)
def test_word_moves_even_odds_by_its_band_for_and_against(kb: KnowledgeBase, word: str) -> None:
    """Through the belief itself: from 1:1 the odds after one opinion are its likelihood ratio."""
    ratio = ratio_of(kb, word)
    for kind in (EXPLAINS, FAVOURS):
        found = chance_of_this(kind, ratio)
        assert found == pytest.approx(ratio / (1 + ratio), abs=1e-9)
        assert in_band(found / (1 - found) * (1 + 1e-12), JAESCHKE[CLAIMS[word][0]])
    found = chance_of_this(AGAINST, ratio)
    assert found == pytest.approx(1 / (1 + ratio), abs=1e-9)
    assert in_band_against(found / (1 - found), JAESCHKE_AGAINST[CLAIMS[word][0]])


def test_no_rule_of_any_stage_is_stronger_than_its_scale(expert: Expert) -> None:
    words = {entry.ratio for entry in expert.scale.strengths}
    used = [
        ratio
        for rule in expert.ruleset.rules
        for table in (rule.explains, rule.favours, rule.against)
        for ratio in table.values()
    ]
    assert used
    assert all(1 < ratio <= max(words) for ratio in used)
    assert max(used) in words


# ---- noisy-OR -------------------------------------------------------------------------------------------------

RATIO = st.floats(1, 1000, exclude_min=True)
# Below this the leak is within rounding of one; no word with any trust comes near it.
PLAIN = st.floats(1.001, 1000)


@settings(max_examples=500, deadline=None)
@given(st.lists(RATIO, min_size=1, max_size=8))
def test_ratios_come_back_from_leak_and_causes(ratios: list[float]) -> None:
    # A cause alone against none, by the definition of a noisy-OR with leak: (1 - (1-l)(1-q)) / l.
    leak, shows = noisy_or(ratios)
    assert len(shows) == len(ratios)
    assert 0 < leak < 1
    for ratio, q in zip(ratios, shows, strict=True):
        assert 0 <= q <= 1
        assert (1 - (1 - leak) * (1 - q)) / leak == pytest.approx(ratio, rel=1e-9)


@settings(max_examples=300, deadline=None)
@given(st.lists(PLAIN, min_size=1, max_size=8))
def test_the_best_cause_shows_it_nearly_always_and_the_others_follow(ratios: list[float]) -> None:
    _, shows = noisy_or(ratios)
    assert max(shows) == pytest.approx(SHOWS, rel=1e-9)
    assert max(shows) <= 1
    order = sorted(range(len(ratios)), key=ratios.__getitem__)
    assert all(shows[low] <= shows[high] for low, high in itertools.pairwise(order))


@settings(max_examples=300, deadline=None)
@given(st.floats(0.001, 0.95), st.lists(st.floats(0.001, SHOWS), max_size=6))
def test_leak_and_causes_come_back_from_ratios(leak: float, others: list[float]) -> None:
    # The other way round: any noisy-OR whose best cause shows it at SHOWS is recovered from its ratios alone.
    causes = [SHOWS, *others]
    found, shows = noisy_or([(leak + q - leak * q) / leak for q in causes])
    assert found == pytest.approx(leak, rel=1e-9)
    assert shows == pytest.approx(causes, abs=1e-9)


@settings(max_examples=200, deadline=None)
@given(PLAIN, PLAIN)
def test_two_causes_together_count_no_less_than_the_better_and_no_more_than_both(one: float, two: float) -> None:
    opinions = (Opinion("a", EXPLAINS, one, 0), Opinion("b", EXPLAINS, two, 1))
    sets = SourceSets({"a": 0.5, "b": 0.5})
    belief = believe(sets, [Pattern(finding="look", stage="", value="", opinions=opinions)])
    raised = dict(zip((sets.names(at) for at in range(3)), belief.log_weight - sets.log_prior, strict=True))
    assert raised["a",] == pytest.approx(math.log(one), abs=1e-9)
    assert raised["b",] == pytest.approx(math.log(two), abs=1e-9)
    both = raised["a", "b"]
    assert max(math.log(one), math.log(two)) - 1e-12 <= both <= math.log(one) + math.log(two) + 1e-12


def test_a_stage_of_no_trust_says_nothing(rules: Path, tmp_path: Path) -> None:
    """A likelihood ratio of one is no evidence; an author may give a stage that trust, and nothing breaks."""
    folder = shutil.copytree(rules, tmp_path / "rules")
    scale = folder / "scale.yaml"
    text = scale.read_text(encoding="utf-8")
    changed = re.sub(r"(stage: as-found\n(?:.*\n)*?\s+trust: )[\d.]+", r"\g<1>0", text, count=1)
    assert changed != text
    scale.write_text(changed, encoding="utf-8")
    kb = load(folder)
    machine = kb.machine(kb.default_layout)
    sceptic = Expert(machine, chainer)
    nothing = sceptic.diagnose([]).belief
    looks = [o.id for o in machine.observables.values() if o.kind == "wetness"]
    by_stage = {
        stage: sceptic.diagnose([Fact(look, "wet", stage) for look in looks]) for stage in ("as-found", "after-clean")
    }
    assert by_stage["after-clean"].belief.best != nothing.best
    trusted_in_full = {f.rule.rule.rule for f in by_stage["as-found"].trace.firings if f.rule.rule.trust == "full"}
    told = {o.rule for p in by_stage["as-found"].patterns for o in p.opinions}
    assert {sceptic.ruleset.rules[at].rule.rule for at in told} <= trusted_in_full
