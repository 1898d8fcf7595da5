"""Sources that no look can part: they count together, and the conclusion says so. Against plain enumeration."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from strategies import base, calm, finding, machine_of, rule, source, zone

from expert.belief import Belief, SourceSets
from expert.conclusion import Conclusion, conclude
from expert.diagnosis import Diagnosis, Expert
from expert.facts import Fact
from expert.inseparable import POSSIBLE, standing
from expert.jsonform import conclusion_object
from expert.knowledge.model import Rule, Source
from expert.reference import chain as chain_plainly
from expert.report import conclusion_text

NAMES = ("a", "b", "c", "d", "e")


@given(
    st.lists(st.floats(-3, 3), min_size=25, max_size=25),
    st.sets(st.tuples(st.sampled_from(NAMES), st.sampled_from(NAMES)), max_size=6),
)
@calm(200)
def test_what_stands_for_the_best_set_against_enumeration(weights: list[float], pairs: set[tuple[str, str]]) -> None:
    sets = SourceSets(dict.fromkeys(NAMES, 0.1))
    assert len(sets) == 25
    belief = Belief(sets, np.array(weights))
    partners = {a: tuple(b for b in NAMES if b != a and ((a, b) in pairs or (b, a) in pairs)) for a in NAMES}
    found = standing(belief, partners)
    best, chance = belief.best
    assert found.sources == best

    groups = {a: {a, *(b for b in partners[a] if belief.marginals[b] >= POSSIBLE and b not in best)} for a in best}
    total = 0.0
    for at, each in enumerate(belief.chances):
        names = set(sets.names(at))
        if all(names & group for group in groups.values()) and names <= set().union(*groups.values()):
            total += float(each)
    assert found.chance == pytest.approx(total)
    assert found.chance >= chance - 1e-12
    assert {one.source: {one.source, *one.others} for one in found.either} == {
        a: group for a, group in groups.items() if len(group) > 1
    }
    for one in found.either:
        group = {one.source, *one.others}
        any_of = sum(float(c) for at, c in enumerate(belief.chances) if group & set(sets.names(at)))
        assert one.chance == pytest.approx(any_of)


# --- the conclusion --------------------------------------------------------------------------------------

WET = rule("wet", {"all": [{"Z": "wet"}]}, for_each={"Z": "zone"}, explains={"sources first seen at Z": "strong"})
DRY = rule("dry", {"all": [{"Z": "dry"}]}, for_each={"Z": "zone"}, speaks_against={"sources first seen at Z": "strong"})
SEEN = [Fact("foot", "wet", "washed"), Fact("top", "dry", "washed")]


def concluded(
    said: bool, facts: list[Fact] = SEEN, *more: Rule, cap: str = "rare"
) -> tuple[Expert, Diagnosis, Conclusion]:
    """Two rings at the foot, which may be said to be inseparable, and a cap and a lid at the top."""
    sources: list[Source] = [
        source("cap", "top", commonness=cap),
        source("lid", "top", commonness=cap),
        source("ring", "foot", inseparable_from=["seal"] if said else []),
        source("seal", "foot"),
    ]
    kb = base([zone("top"), zone("foot")], sources, [finding("noise", ["yes", "no"])], [WET, DRY, *more])
    expert = Expert(machine_of(kb), lambda ruleset: partial(chain_plainly, ruleset))
    now = expert.diagnose(facts)
    return expert, now, conclude(expert, now, "washed")


@pytest.fixture(autouse=True)
def _without_repairs(monkeypatch: pytest.MonkeyPatch) -> None:
    """The knowledge made here has no repairs, and they are not what is tested."""
    monkeypatch.setattr("expert.conclusion.jobs", lambda machine, sources, marginals: ())


def text_of(expert: Expert, now: Diagnosis, end: Conclusion) -> str:
    return " ".join(conclusion_text(expert, now, end, "washed").split())


def test_two_that_no_look_parts_stand_out_together() -> None:
    expert, now, end = concluded(said=True)
    assert end.chance < expert.scale.stands_out < end.together
    assert end.alone
    (either,) = end.either
    assert (either.source, either.others) == ("ring", ("seal",))
    text = text_of(expert, now, end)
    assert text.startswith("CONCLUSION: the leak is source ring or source seal (together ")
    assert "No look can tell source ring and source seal apart before they are taken apart" in text
    assert "What would part them: - source ring: look - source seal: look" in text
    shown = conclusion_object(expert, now, end, "washed")
    assert shown["stands_out"] is True
    assert shown["inseparable"] == [{"source": "ring", "from": ["seal"], "chance": round(either.chance, 6)}]
    assert shown["chance_with_inseparable"] == round(end.together, 6)


def test_without_the_word_neither_stands_out() -> None:
    expert, now, end = concluded(said=False)
    assert (end.alone, end.either, end.together) == (False, (), end.chance)
    text = text_of(expert, now, end)
    assert text.startswith("NO SINGLE EXPLANATION STANDS OUT.")
    assert "No look can tell" not in text
    shown = conclusion_object(expert, now, end, "washed")
    assert (shown["stands_out"], shown["inseparable"]) == (False, [])


def test_a_partner_that_something_speaks_against_is_not_named() -> None:
    """Named inseparable or not: where an answer does part them, the other is no longer a contender."""
    against = rule("hiss", {"all": [{"noise": "yes"}]}, explains={"ring": "strong"}, speaks_against={"seal": "strong"})
    expert, now, end = concluded(True, [*SEEN, Fact("noise", "yes", "")], against)
    assert now.belief.marginals["seal"] < POSSIBLE
    assert (end.alone, end.either, end.together) == (True, (), end.chance)
    assert "No look can tell" not in text_of(expert, now, end)


def test_that_they_cannot_be_parted_is_said_where_nothing_stands_out() -> None:
    hint = rule("hint", {"all": [{"noise": "yes"}]}, favours={"ring": "weak", "seal": "weak"})
    expert, now, end = concluded(True, [Fact("noise", "yes", "")], hint, cap="common")
    assert not end.alone
    assert end.either
    text = text_of(expert, now, end)
    assert text.startswith("NO SINGLE EXPLANATION STANDS OUT.")
    assert "No look can tell source ring and source seal apart before they are taken apart" in text


def test_either_of_the_two_may_say_it() -> None:
    expert, _, _ = concluded(said=True)
    assert expert.machine.inseparable == {"cap": (), "lid": (), "ring": ("seal",), "seal": ("ring",)}
