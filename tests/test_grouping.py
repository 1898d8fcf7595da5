"""Sets of sources taken together: the same information as reckoned over every set by itself."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from strategies import calm, facts_of, knowledge_bases, machine_of

from expert import reference
from expert.belief import Belief, Floats, SourceSets
from expert.diagnosis import Diagnosis, Expert, Learnt
from expert.evidence import AGAINST, EXPLAINS, FAVOURS, Opinion, Pattern
from expert.grouping import COUNTED, MANY, SPARED, Groups, grouped
from expert.questions import TIE, Question, askable, look_ahead, possible_answers

CLOSE = 1e-9
ODDS = 1e-6  # of an excluded source

# ---- groups against every set -----------------------------------------------------------------------------------


@st.composite
def learnt_of(draw: st.DrawFn, sources: Sequence[str]) -> Learnt:
    """What an answer might tell: opinions of few strengths, so that several sources are spoken of alike."""

    def patterns(name: str) -> tuple[Pattern, ...]:
        found = []
        for number in range(draw(st.integers(0, 3))):
            about = draw(st.lists(st.sampled_from(sources), unique=True, max_size=len(sources)))
            kinds = st.sampled_from([EXPLAINS, EXPLAINS, FAVOURS, AGAINST])
            opinions = [Opinion(s, draw(kinds), draw(st.sampled_from([2.0, 5.0, 13.0])), 0) for s in sorted(about)]
            found.append(Pattern(f"{name}{number}", "", "", tuple(opinions)))
        return tuple(found)

    gone = draw(st.sets(st.sampled_from(sources), max_size=2))
    back = draw(st.sets(st.sampled_from(sources), max_size=1)) - gone
    return Learnt(patterns("old"), patterns("new"), frozenset(back), frozenset(gone))


@st.composite
def situations(draw: st.DrawFn, most: int = 9) -> tuple[Belief, list[Learnt]]:
    """A belief with many ties (few different chances and weights), and what each of a few answers tells."""
    sources = [f"s{number}" for number in range(draw(st.integers(1, most)))]
    chances = {s: draw(st.sampled_from([0.02, 0.1])) for s in sources}
    sets = SourceSets(chances)
    moved = draw(st.lists(st.sampled_from([0.0, 0.0, 1.5, -3.0]), min_size=len(sources), max_size=len(sources)))
    belief = Belief(sets, sets.log_prior + sets.total(dict(zip(sources, moved, strict=True))))
    return belief, draw(st.lists(learnt_of(sources), min_size=1, max_size=3))


def shifts_of(sets: SourceSets, evidence: Sequence[Learnt]) -> Floats:
    """What each answer does to the log weight of every single set."""
    rows = []
    for learnt in evidence:
        row = np.zeros(len(sets))
        for at in range(len(sets)):
            column = sets.columns(np.array([at]))
            row[at] += sum(float(sets.log_factor_of(p.opinions, column)[0]) for p in learnt.new)
            row[at] -= sum(float(sets.log_factor_of(p.opinions, column)[0]) for p in learnt.old)
            names = set(sets.names(at))
            row[at] += math.log(ODDS) * (len(names & learnt.excluded) - len(names & learnt.restored))
        rows.append(row)
    return np.array(rows)


def assert_groups_are_right(belief: Belief, shifts: Floats, groups: Groups) -> None:
    """No group holds sets that an answer shifts apart; together they hold all sets, each led by its likeliest."""
    assert math.isclose(groups.chance.sum(), 1.0, abs_tol=CLOSE)
    assert len(set(groups.foremost.tolist())) == len(groups.foremost)
    alike: dict[tuple[float, ...], list[int]] = defaultdict(list)  # sets that all answers shift alike
    for at in range(len(belief.sets)):
        alike[tuple(np.round(shifts[:, at], 7).tolist())].append(at)
    mine: dict[tuple[float, ...], list[int]] = defaultdict(list)
    for group, at in enumerate(groups.foremost):
        mine[tuple(np.round(shifts[:, at], 7).tolist())].append(group)
    assert mine.keys() == alike.keys()

    def rank(at: int) -> tuple[float, int]:
        return (-round(float(belief.log_weight[at]), 9), at)  # of tied sets the first in the layout's order

    for key, members in alike.items():
        whole = float(belief.chances[members].sum())
        assert math.isclose(groups.chance[mine[key]].sum(), whole, abs_tol=CLOSE)
        assert min((int(groups.foremost[g]) for g in mine[key]), key=rank) == min(members, key=rank)


@calm(120)
@given(situation=situations())
def test_groups_hold_all_sets_and_are_led_by_their_likeliest(situation: tuple[Belief, list[Learnt]]) -> None:
    belief, evidence = situation
    assert_groups_are_right(belief, shifts_of(belief.sets, evidence), grouped(belief, evidence))


@pytest.mark.parametrize("kinds", [1, COUNTED - 1, COUNTED, COUNTED + 1, 12])
def test_any_number_of_kinds(kinds: int) -> None:
    """Up to more kinds of source than a number can count: the other way of numbering the groups.

    A source that nothing is said of comes first, and two that are spoken of as others before them are come last, so
    that groups which a wrong number would mix up are there.
    """
    ratios = [2.0 + number for number in range(kinds)]
    spoken = [*ratios, *ratios[:2]]
    sources = [f"s{number:02}" for number in range(len(spoken) + 1)]
    sets = SourceSets(dict.fromkeys(sources, 0.1))
    opinions = tuple(Opinion(s, FAVOURS, ratio, 0) for s, ratio in zip(sources[1:], spoken, strict=True))
    learnt = [Learnt((), (Pattern("f", "", "", opinions),), frozenset(), frozenset())]
    belief = Belief(sets, sets.log_prior)
    groups = grouped(belief, learnt)
    assert_groups_are_right(belief, shifts_of(sets, learnt), groups)
    assert len(groups.chance) < len(sets)  # taken together, they are fewer


def test_what_nothing_tells_apart_is_one_group() -> None:
    sets = SourceSets({"a": 0.2, "b": 0.1, "c": 0.1})
    groups = grouped(Belief(sets, sets.log_prior), [Learnt((), (), frozenset(), frozenset())])
    assert groups.chance == pytest.approx([1.0])
    assert [sets.names(int(at)) for at in groups.foremost] == [("a",)]


def test_of_very_many_groups_only_the_least_likely_are_left_out() -> None:
    sources = [f"s{number:02}" for number in range(24)]
    sets = SourceSets(dict.fromkeys(sources, 0.1))
    opinions = tuple(Opinion(s, FAVOURS, 2.0 + number, 0) for number, s in enumerate(sources))
    learnt = [Learnt((), (Pattern("f", "", "", opinions),), frozenset(), frozenset())]
    for steep in (0.0, 0.8):  # all about as likely, and most of them next to impossible
        slope = sets.total({s: -steep * number for number, s in enumerate(sources)})
        belief = Belief(sets, sets.log_prior + slope)
        groups = grouped(belief, learnt)
        assert len(sets) > MANY
        assert (len(groups.chance) < len(sets)) == bool(steep)
        assert math.isclose(groups.chance.sum(), 1.0, abs_tol=CLOSE)
        kept = set(groups.foremost.tolist())
        assert all(chance <= SPARED for at, chance in enumerate(belief.chances) if at not in kept)
        assert int(belief.rising[-1]) in kept


# ---- what a question is worth, over every set ---------------------------------------------------------------------


def plainly(expert: Expert, question: Question, now: Diagnosis) -> tuple[float, float, bool]:
    """Gain (bits), value, and whether it decides, from really answering and from every single set.

    The value is the expected value of this information under a loss of nought for naming the true set and one for any
    other (Raiffa and Schlaifer 1961, from memory): what the best choice after each answer is expected to be right in,
    less what the best choice now is.
    """
    answers = possible_answers(question.observable, question.stage)
    really = [expert.weigh(reference.chain(expert.ruleset, (*now.trace.stated, fact))).belief for fact, _ in answers]
    here = now.belief.chances
    says = np.array([belief.log_weight - now.belief.log_weight for belief in really])
    likelihood = np.array([[usual] for _, usual in answers]) * np.exp(says)
    likelihood = likelihood / likelihood.sum(axis=0)
    gain = 0.0
    for row, belief, outlook in zip(likelihood, really, question.outlooks, strict=True):
        chance = float(row @ here)
        assert math.isclose(outlook.chance, chance, rel_tol=1e-6, abs_tol=2 * SPARED)
        assert np.allclose(outlook.belief.chances, belief.chances, rtol=0, atol=CLOSE)
        seen = belief.chances > 0
        gain += chance * float((belief.chances[seen] * np.log2(belief.chances[seen] / here[seen])).sum())
    value = float((likelihood * here).max(axis=1).sum() - here.max())
    best = int(now.belief.rising[-1])
    decides = any(belief.log_weight.max() > belief.log_weight[best] + TIE for belief in really)
    return gain, value, decides


def assert_worth_as_enumerated(expert: Expert, now: Diagnosis, stage: str, some: slice = slice(None)) -> list[Question]:
    """Every question that may be asked is worth what enumeration says; returns them."""
    found = []
    for observable in list(expert.machine.observables.values())[some]:
        if not askable(expert, now.trace, observable, stage, ()):
            continue
        question = look_ahead(expert, now, observable, stage)
        gain, value, decides = plainly(expert, question, now)
        # Where the groups are so many that some are left out, what they may add is no more than a few times SPARED.
        exact = len(expert.sets) <= MANY
        assert math.isclose(question.gain, gain, rel_tol=0, abs_tol=CLOSE if exact else 1e-4)
        assert math.isclose(question.value, value, rel_tol=0, abs_tol=CLOSE if exact else 2 * SPARED)
        assert question.value >= 0
        if exact:
            assert question.decides == decides
        else:
            assert decides or not question.decides
        found.append(question)
    return found


@calm(40)
@given(data=st.data())
def test_questions_of_any_rules_are_worth_what_enumeration_says(data: st.DataObject) -> None:
    machine = machine_of(data.draw(knowledge_bases()))
    expert = Expert(machine, lambda ruleset: lambda facts: reference.chain(ruleset, facts))
    now = expert.weigh(reference.chain(expert.ruleset, data.draw(facts_of(expert.ruleset))))
    stage = data.draw(st.sampled_from([entry.stage for entry in expert.scale.stages]))
    for question in assert_worth_as_enumerated(expert, now, stage):
        # Where one set is the best guess whatever is answered, an answer is worth nothing.
        raised = np.exp([belief.log_weight - now.belief.log_weight for belief in (o.belief for o in question.outlooks)])
        usual = np.array([[weight] for _, weight in possible_answers(question.observable, stage)])
        joint = usual * raised / (usual * raised).sum(axis=0) * now.belief.chances
        if (joint[:, [int(now.belief.rising[-1])]] >= joint - CLOSE).all():
            assert math.isclose(question.value, 0.0, abs_tol=1e-8)


@calm(5)
@given(data=st.data())
def test_the_real_questions_are_worth_what_enumeration_says(expert: Expert, data: st.DataObject) -> None:
    now = expert.weigh(reference.chain(expert.ruleset, data.draw(facts_of(expert.ruleset))))
    stage = data.draw(st.sampled_from([entry.stage for entry in expert.scale.stages]))
    some = slice(data.draw(st.integers(0, 6)), None, 7)  # a seventh of them: all would be seconds a state
    assert assert_worth_as_enumerated(expert, now, stage, some)
