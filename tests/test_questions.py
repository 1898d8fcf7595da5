"""Which question comes next: what it is expected to tell, in which order, and when there is no further one."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from strategies import base, calm, facts_of, finding, keys_of, knowledge_bases, machine_of, rule, source, zone

from expert import reference
from expert.belief import Belief
from expert.diagnosis import Chain, Diagnosis, Expert
from expert.facts import Fact
from expert.inspection import (
    NOTHING_WORTH,
    PUT_OFF,
    STANDS_OUT,
    asked_in,
    enters_stage,
    most_trusted,
    next_step,
    stage_of,
    stands_out,
)
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.ground import Ruleset
from expert.knowledge.model import Finding, Rule
from expert.questions import Question, askable, key_of, look_ahead, possible_answers, ranked

CLOSE = 1e-9


def plainly(ruleset: Ruleset) -> Chain:
    """The reference chainer: the random bases here are many, and hosts of the engine leak."""
    return lambda facts: reference.chain(ruleset, facts)


def expert_of(kb: KnowledgeBase) -> Expert:
    """An expert on the base's only layout."""
    return Expert(machine_of(kb), plainly)


def stages_of(expert: Expert) -> list[str]:
    """The ids of the stages."""
    return [entry.stage for entry in expert.scale.stages]


@st.composite
def moments(draw: st.DrawFn, expert: Expert, most: int = 10) -> tuple[Diagnosis, str, frozenset[tuple[str, str]]]:
    """Some facts' diagnosis, any stage, and a few questions that are closed."""
    facts = draw(facts_of(expert.ruleset, most=most))
    keys = [(observable.id, stage) for observable, stage in keys_of(expert.machine)]
    closed = frozenset(draw(st.lists(st.sampled_from(keys), max_size=5)))
    return expert.diagnose(facts), draw(st.sampled_from(stages_of(expert))), closed


# --- what a question tells ---------------------------------------------------------------------------------


def assert_is_sound(question: Question) -> None:
    """It tells nothing or something, never less; its answers are all there are, and one of them is true."""
    assert question.gain >= 0
    assert math.isfinite(question.gain)
    assert question.rate == question.gain / question.observable.minutes
    assert math.isclose(sum(outlook.chance for outlook in question.outlooks), 1.0, abs_tol=CLOSE)
    for outlook in question.outlooks:
        assert 0 <= outlook.chance <= 1 + CLOSE
        assert math.isclose(outlook.belief.chances.sum(), 1.0, abs_tol=CLOSE)
    answers = [fact for fact, _ in possible_answers(question.observable, question.stage)]
    assert [outlook.fact for outlook in question.outlooks] == answers
    assert len(set(answers)) == len(answers) >= 1


def assert_tells_nothing_unwatched(expert: Expert, question: Question) -> None:
    """What no rule looks at tells exactly nothing, and leaves the belief as it is."""
    if key_of(question.observable, question.stage) not in expert.ruleset.watchers:
        assert question.gain == 0


@calm(8)
@given(data=st.data())
def test_the_real_questions_are_sound(expert: Expert, data: st.DataObject) -> None:
    now, stage, closed = data.draw(moments(expert))
    for question in ranked(expert, now, expert.machine.observables.values(), stage, closed):
        assert_is_sound(question)
        if question.observable.id not in expert.ruleset.derivable:
            assert_tells_nothing_unwatched(expert, question)


@calm(30)
@given(data=st.data())
def test_the_questions_of_any_rules_are_sound(data: st.DataObject) -> None:
    expert = expert_of(data.draw(knowledge_bases()))
    now, stage, closed = data.draw(moments(expert))
    for question in ranked(expert, now, expert.machine.observables.values(), stage, closed):
        assert_is_sound(question)
        if question.observable.id not in expert.ruleset.derivable:
            assert_tells_nothing_unwatched(expert, question)


@calm(30)
@given(data=st.data())
def test_the_gain_is_the_expected_change_of_belief(data: st.DataObject) -> None:
    """Computed anew, one set at a time, from what each answer would lead to."""
    expert = expert_of(data.draw(knowledge_bases()))
    now, stage, closed = data.draw(moments(expert))
    for question in ranked(expert, now, expert.machine.observables.values(), stage, closed):
        answers = possible_answers(question.observable, stage)
        after = [expert.diagnose([*now.trace.stated, fact]).belief for fact, _ in answers]
        says = np.array([belief.log_weight - now.belief.log_weight for belief in after])
        likelihood = np.array([[usual] for _, usual in answers]) * np.exp(says)
        likelihood = likelihood / likelihood.sum(axis=0)
        gain = 0.0
        for row, belief, outlook in zip(likelihood, after, question.outlooks, strict=True):
            chance = math.fsum(p * q for p, q in zip(now.belief.chances, row, strict=True))
            assert math.isclose(outlook.chance, chance, rel_tol=1e-7, abs_tol=CLOSE)
            moved = [p * math.log2(p / q) for p, q in zip(belief.chances, now.belief.chances, strict=True) if p > 0]
            gain += chance * math.fsum(moved)
        assert math.isclose(question.gain, gain, rel_tol=1e-6, abs_tol=1e-7)


def small(findings: list[Finding], rules: list[Rule]) -> Expert:
    """One place, two sources, the given findings and rules."""
    return expert_of(base([zone("low")], [source("seal", "low"), source("plug", "low")], findings, rules))


YES_NO = ["yes", "no"]


def telling(name: str, strength: str = "strong") -> Rule:
    """A rule by which `yes` to a finding favours the seal."""
    return rule(f"r-{name}", {"all": [{name: "yes"}]}, favours={"seal": strength})


def rank(
    expert: Expert, facts: list[Fact], stage: str = "found", closed: tuple[tuple[str, str], ...] = ()
) -> list[str]:
    """The ids of the questions in order."""
    now = expert.diagnose(facts)
    return [q.observable.id for q in ranked(expert, now, expert.machine.observables.values(), stage, closed)]


def test_a_question_that_a_rule_looks_at_tells_something_and_no_other_does() -> None:
    expert = small([finding("told", YES_NO), finding("idle", YES_NO)], [telling("told")])
    now = expert.diagnose([])
    gains = {q.observable.id: q.gain for q in ranked(expert, now, expert.machine.observables.values(), "found", ())}
    assert gains["told"] > 0.01
    assert gains["idle"] == 0
    assert gains["low"] == 0


def test_a_question_also_tells_what_its_answer_leads_to() -> None:
    """Its own value is looked at by a rule that only concludes; the conclusion is what speaks of the sources."""
    rules = [
        rule("leads", {"all": [{"smell": "sweet"}]}, derive={"fluid": "coolant"}),
        rule("speaks", {"all": [{"fluid": "coolant"}]}, favours={"seal": "strong"}),
    ]
    fluid = finding("fluid", ["coolant", "oil"], phase=None, ask=None)
    expert = small([finding("smell", ["sweet", "none"]), fluid], rules)
    question = look_ahead(expert, expert.diagnose([]), expert.machine.observables["smell"], "found")
    assert question.gain > 0.01
    known = look_ahead(expert, expert.diagnose([Fact("fluid", "oil")]), expert.machine.observables["smell"], "found")
    assert known.gain == 0


def test_what_is_usual_makes_an_answer_likely() -> None:
    expert = small([finding("told", {"yes": {"usual": 3}, "no": {"usual": 1}})], [])
    question = look_ahead(expert, expert.diagnose([]), expert.machine.observables["told"], "found")
    assert [(o.fact.value, round(o.chance, 9)) for o in question.outlooks] == [("yes", 0.75), ("no", 0.25)]


def test_a_number_is_tried_at_its_bands() -> None:
    age = finding("age", kind="number", unit="year", least=0, most=99, bands=[2, 10, 40])
    expert = small([age], [rule("old", {"all": [{"age": "> 5"}]}, favours={"seal": "moderate"})])
    question = look_ahead(expert, expert.diagnose([]), expert.machine.observables["age"], "found")
    assert [outlook.fact for outlook in question.outlooks] == [Fact("age", 2.0), Fact("age", 10.0), Fact("age", 40.0)]
    assert question.gain > 0
    marginals = [round(outlook.belief.marginals["seal"], 9) for outlook in question.outlooks]
    assert marginals[0] < marginals[1] == marginals[2]


# --- the order ---------------------------------------------------------------------------------------------


@calm(8)
@given(data=st.data())
def test_the_order_is_the_same_however_the_questions_come(expert: Expert, data: st.DataObject) -> None:
    now, stage, closed = data.draw(moments(expert))
    observables = list(expert.machine.observables.values())
    found = ranked(expert, now, observables, stage, closed)
    again = ranked(expert, expert.diagnose(list(now.trace.stated)), reversed(observables), stage, closed)
    assert [(q.observable.id, q.gain) for q in found] == [(q.observable.id, q.gain) for q in again]
    order = [(-round(q.rate, 9), q.observable.id) for q in found]
    assert order == sorted(order)
    assert len({q.observable.id for q in found}) == len(found)


def test_ties_go_by_name() -> None:
    names = ["zeta", "alpha", "mid"]
    expert = small([finding(n, YES_NO) for n in names], [telling(n) for n in names])
    assert rank(expert, []) == ["alpha", "mid", "zeta", "low", "washing"]


def test_the_most_told_a_minute_comes_first() -> None:
    """Twice the minutes halve the rate: the stronger question of four minutes stands behind the weaker of one."""
    findings = [finding("slow", YES_NO, minutes=30), finding("quick", YES_NO, minutes=1)]
    expert = small(findings, [telling("slow", "strong"), telling("quick", "moderate")])
    now = expert.diagnose([])
    quick, slow = ranked(expert, now, (expert.machine.observables[n] for n in ("slow", "quick")), "found", ())
    assert (quick.observable.id, slow.observable.id) == ("quick", "slow")
    assert quick.gain < slow.gain
    assert quick.rate > slow.rate


# --- what may be asked -------------------------------------------------------------------------------------


@calm(25)
@given(data=st.data())
def test_only_what_may_be_asked_is_asked(expert: Expert, data: st.DataObject) -> None:
    now, stage, closed = data.draw(moments(expert))
    seen = expert.machine.observables
    # What rules concluded is known too, but for values that are not fully trusted, which want a closer look.
    trusted = {f for f in now.trace.derived if seen[f.finding].trust.get(str(f.value), 1.0) >= 1}
    known_keys = {(fact.finding, fact.stage) for fact in now.trace.stated | trusted}
    for observable in expert.machine.observables.values():
        key = key_of(observable, stage)
        needed = True
        for name, values in observable.needs.items():
            when = stage if expert.machine.observables[name].staged else ""
            known = {fact.value for fact in now.trace.facts if (fact.finding, fact.stage) == (name, when)}
            needed = needed and bool(known & set(values))
        may = bool(observable.phase) and key not in known_keys and key not in closed and needed
        may = may and observable.only_stage in ("", stage)
        assert askable(expert, now.trace, observable, stage, closed) == may


def test_needs_are_respected_stated_or_derived() -> None:
    findings = [
        finding("opened", YES_NO),
        finding("inside", YES_NO, needs={"opened": ["yes"], "low": ["wet", "damp"]}),
    ]
    opening = rule("opening", {"all": [{"hammer": "used"}]}, derive={"opened": "yes"})
    expert = small([*findings, finding("hammer", ["used", "unused"])], [opening, telling("inside")])
    opened, wet = Fact("opened", "yes"), Fact("low", "wet", "found")
    assert "inside" not in rank(expert, [])
    assert "inside" not in rank(expert, [opened])
    assert "inside" not in rank(expert, [wet])
    assert "inside" not in rank(expert, [wet, Fact("opened", "no")])
    assert "inside" not in rank(expert, [opened, Fact("low", "dry", "found")])
    assert rank(expert, [opened, wet])[0] == "inside"
    assert rank(expert, [opened, Fact("low", "damp", "found")])[0] == "inside"
    # What was seen in another stage does not count, and what a rule concludes does.
    assert "inside" not in rank(expert, [opened, wet], stage="washed")
    assert rank(expert, [Fact("hammer", "used"), wet])[0] == "inside"


def test_a_need_that_the_layout_lacks_is_never_met() -> None:
    zones = [zone("low"), zone("elsewhere")]
    asked = finding("inside", YES_NO, needs={"elsewhere": ["wet"]})
    expert = expert_of(base(zones, [source("seal", "low")], [asked], [telling("inside")], ["low"]))
    assert "inside" not in rank(expert, [Fact("low", "wet", "found")])


def test_a_question_of_one_stage_is_asked_in_no_other() -> None:
    expert = small([finding("late", YES_NO, stage="washed", staged=True)], [telling("late")])
    assert "late" not in rank(expert, [], "found")
    assert rank(expert, [], "washed")[0] == "late"
    assert "late" not in rank(expert, [], "driven")


def test_a_closed_or_answered_question_is_not_asked_again_in_that_stage() -> None:
    expert = small([finding("told", YES_NO)], [telling("told")])
    assert "told" not in rank(expert, [], closed=(("told", ""),))
    assert "told" not in rank(expert, [Fact("told", "no")])
    assert "low" not in rank(expert, [], "found", closed=(("low", "found"),))
    assert "low" in rank(expert, [], "washed", closed=(("low", "found"),))
    assert "low" not in rank(expert, [Fact("low", "dry", "found")], "found")
    assert "low" in rank(expert, [Fact("low", "dry", "found")], "washed")


def test_what_has_no_phase_is_not_asked() -> None:
    expert = small([finding("silent", YES_NO, phase=None, ask=None)], [telling("silent")])
    assert "silent" not in rank(expert, [])


# --- the next step -----------------------------------------------------------------------------------------


def made_clear(draw: st.DataObject, expert: Expert, now: Diagnosis) -> Diagnosis:
    """The same facts with another belief: one set has 0.85 and all others share the rest.

    So it stands out, and very many questions would still tell something.
    """
    sure = np.zeros(len(expert.sets))
    sure[draw.draw(st.integers(0, len(sure) - 1))] = math.log(0.85 / 0.15 * (len(sure) - 1))
    return dataclasses.replace(now, belief=Belief(expert.sets, sure))


@calm(25)
@given(data=st.data())
def test_the_next_step_asks_what_may_be_asked_or_stops_with_reason(expert: Expert, data: st.DataObject) -> None:
    facts = [fact for fact in data.draw(facts_of(expert.ruleset, most=15)) if not _enters(expert, fact.finding)]
    (step,) = {name for entry in expert.scale.stages for name in entry.entered_by}
    done = data.draw(st.sampled_from([None, *expert.machine.observables[step].values]))
    facts += [Fact(step, done)] if done else []
    now, stage = expert.diagnose(facts), stage_of(expert, facts)
    if data.draw(st.booleans()):
        now = made_clear(data, expert, now)
    phases = expert.scale.phases
    counts = {phase.phase: data.draw(st.integers(0, phase.most)) for phase in phases}
    keys = [(observable.id, when) for observable, when in keys_of(expert.machine)]
    closed = frozenset(data.draw(st.lists(st.sampled_from(keys), max_size=30)))
    clear = stands_out(now.belief, expert.scale)
    coming = next_step(expert, now, stage, closed, counts)

    # An earlier part of the inspection comes before a later one. What must be asked comes in the order written,
    # whatever it promises; all else by what it tells, if that is worth its minutes.
    wanted = None
    for phase in phases:
        if stage not in phase.stages or counts[phase.phase] >= phase.most or (clear and not phase.must):
            continue
        # A step said not to be done yet (not cleaned, say) is waited for.
        entering = [item for entry in expert.scale.stages for item in entry.entered_by.items()]
        steps = {name for name, _ in entering} & {o.id for o in asked_in(expert, phase)}
        undone = {f for f in now.trace.facts if f.finding in steps and (f.finding, f.value) not in entering}
        if phase.must and undone:
            assert (coming.phase, coming.question, coming.reason) == (phase, None, PUT_OFF)
            return
        may = [o for o in asked_in(expert, phase) if askable(expert, now.trace, o, stage, closed)]
        telling = [] if phase.must else ranked(expert, now, may, stage, closed)
        if phase.must and may:
            wanted = (phase, may[0])
        elif telling and round(telling[0].rate, 9) >= phase.worth:
            wanted = (phase, telling[0].observable)
        if wanted:
            break

    if wanted is None:
        assert (coming.phase, coming.question) == (None, None)
        assert coming.reason == (STANDS_OUT if clear else NOTHING_WORTH)
    else:
        assert coming.question is not None
        assert (coming.phase, coming.question.observable) == wanted
        assert (coming.question.stage, coming.reason) == (stage, "")


@calm(20)
@given(data=st.data())
def test_a_clear_explanation_as_found_leads_to_the_cleaning_not_to_the_end(expert: Expert, data: st.DataObject) -> None:
    """What drips is rarely what leaks: however clear it looks, first it is cleaned, driven and looked at again."""
    facts = [fact for fact in data.draw(facts_of(expert.ruleset)) if not _enters(expert, fact.finding)]
    now = made_clear(data, expert, expert.diagnose(facts))
    assert stands_out(now.belief, expert.scale)
    coming = next_step(expert, now, stage_of(expert, facts), frozenset(), {})
    assert coming.question is not None
    assert enters_stage(expert, coming.question.observable.id)


def _enters(expert: Expert, name: str) -> bool:
    return any(name in stage.entered_by for stage in expert.scale.stages)


def clear_expert() -> Expert:
    """Two proofs make the seal stand out, even as found; the question `other` could still point to the plug too."""
    other = rule("r-other", {"all": [{"other": "yes"}]}, favours={"plug": "strong"})
    told = [finding(name, YES_NO, phase=None, ask=None) for name in ("proof1", "proof2")]
    return small([*told, finding("other", YES_NO)], [telling("proof1"), telling("proof2"), other])


PROOF = [Fact("proof1", "yes"), Fact("proof2", "yes")]


def test_a_clear_explanation_is_cleaned_first_then_ends() -> None:
    expert = clear_expert()
    now = expert.diagnose(PROOF)
    assert stands_out(now.belief, expert.scale)
    worth = next(phase.worth for phase in expert.scale.phases if phase.phase == "talk")
    best = ranked(expert, now, expert.machine.observables.values(), "found", ())[0]
    assert best.observable.id == "other"
    assert best.rate > 10 * worth  # it would be asked, were it not clear already
    coming = next_step(expert, now, "found", (), {})
    assert coming.question is not None
    assert coming.question.observable.id == "washing"

    # Washed and driven: nothing else must be gone through, and the explanation still stands out.
    washed = [*PROOF, Fact("washing", "yes")]
    assert stage_of(expert, washed) == "washed" == most_trusted(expert.scale)
    after = next_step(expert, expert.diagnose(washed), "washed", (), {})
    assert (after.question, after.phase, after.reason) == (None, None, STANDS_OUT)

    # It cannot be washed, or was asked about often enough: it is not asked for ever.
    for closed, counts, facts in (
        ([("washing", "")], {}, PROOF),
        ([], {"wash": 2}, PROOF),
    ):
        ended = next_step(expert, expert.diagnose(facts), "found", closed, counts)
        assert (ended.question, ended.reason) == (None, STANDS_OUT)

    # Not washed yet: the case waits for it, and neither asks again nor calls it settled.
    waiting = next_step(expert, expert.diagnose([*PROOF, Fact("washing", "no")]), "found", (), {})
    assert (waiting.question, waiting.reason) == (None, PUT_OFF)


def test_an_unclear_case_goes_on_with_the_phases_in_order_and_then_gives_up() -> None:
    expert = small(
        [finding("early", YES_NO), finding("later", YES_NO, phase="look")], [telling("early"), telling("later")]
    )
    now = expert.diagnose([])
    assert not stands_out(now.belief, expert.scale)

    def then(closed: list[tuple[str, str]], counts: dict[str, int]) -> str | None:
        coming = next_step(expert, now, "found", closed, counts)
        assert coming.reason in ("", NOTHING_WORTH)
        return coming.question.observable.id if coming.question else None

    assert then([], {}) == "early"
    assert then([], {"talk": 9}) == "washing"
    assert then([("early", "")], {}) == "washing"
    assert then([("early", "")], {"wash": 2}) == "later"
    assert then([("early", ""), ("washing", ""), ("later", "")], {}) is None
    assert then([("early", ""), ("washing", "")], {"look": 99}) is None


@pytest.mark.parametrize(("facts", "stage"), [([], "found"), ([("washing", "yes")], "washed")])
def test_the_stage_follows_from_what_was_said(facts: list[tuple[str, str]], stage: str) -> None:
    expert = clear_expert()
    assert stage_of(expert, [Fact(*fact) for fact in facts]) == stage


def test_a_later_stage_is_not_entered_by_an_answer_that_enters_none() -> None:
    expert = clear_expert()
    assert stage_of(expert, [Fact("washing", "no")]) == "found"
    assert stage_of(expert, [Fact("washing", "long ago"), Fact("low", "wet", "washed")]) == "driven"
