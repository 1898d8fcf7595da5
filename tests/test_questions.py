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
    PAIRED,
    PUT_OFF,
    STANDS_OUT,
    asked_in,
    enters_stage,
    most_trusted,
    next_step,
    stage_of,
    stands_out,
    worth_asking,
)
from expert.knowledge.base import KnowledgeBase, Observable
from expert.knowledge.ground import Ruleset
from expert.knowledge.model import Finding, Phase, Rule
from expert.questions import Question, askable, in_two_steps, key_of, look_ahead, possible_answers, ranked

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


def telling(name: str, strength: str = "strong", of: str = "seal") -> Rule:
    """A rule by which `yes` to a finding favours a source."""
    return rule(f"r-{name}", {"all": [{name: "yes"}]}, favours={of: strength})


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
    """The same facts with another belief: one set has a little more than is asked for, all others share the rest.

    So it stands out, and very many questions would still tell something.
    """
    chance = (1 + 3 * expert.scale.stands_out) / 4
    sure = np.zeros(len(expert.sets))
    sure[draw.draw(st.integers(0, len(sure) - 1))] = math.log(chance / (1 - chance) * (len(sure) - 1))
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
    clear = stands_out(expert, now.belief)
    coming = next_step(expert, now, stage, closed, counts)

    # An earlier part of the inspection comes before a later one. What must be asked comes in the order written,
    # whatever it promises; all else by what it tells, if that is worth its minutes and the decision may hang on it.
    wanted: tuple[Phase, Observable] | None = None
    weighed: list[tuple[Phase, Question]] = []
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
        if phase.must:
            wanted = (phase, may[0]) if may else None
        else:
            here = ranked(expert, now, may, stage, closed)
            wanted = next(((phase, q.observable) for q in here if is_worth_it(expert, now, phase, q)), None)
            weighed += [(phase, question) for question in here]
        if wanted:
            break

    if wanted is not None:
        assert coming.question is not None
        assert (coming.phase, coming.question.observable) == wanted
        assert (coming.question.stage, coming.reason) == (stage, "")
        return
    # Nothing by itself: the best few are tried as the first of two.
    alone = {question.observable.id: question for _, question in weighed}
    few = sorted(alone.values(), key=lambda q: (-round(q.rate, 9), q.observable.id))[:PAIRED]
    others = [question.observable for question in few]
    pairs = {q.observable.id: in_two_steps(expert, now, q, stage, closed, others) for q in few}
    worth = {i for i, p in pairs.items() if p.decides and round(p.value * expert.scale.wrong_costs, 9) >= p.minutes}
    if coming.question is None:
        assert not worth
        assert (coming.phase, coming.reason) == (None, STANDS_OUT if clear else NOTHING_WORTH)
    else:
        mine = pairs[coming.question.observable.id]
        assert coming.question.observable.id in worth
        assert all(mine.value / mine.minutes >= pairs[i].value / pairs[i].minutes - CLOSE for i in worth)


def is_worth_it(expert: Expert, now: Diagnosis, phase: Phase, question: Question) -> bool:
    """By the definition: bits a minute, a decision that may change, and minutes saved that pay for those spent."""
    changes = any(o.belief.best[0] != now.belief.best[0] for o in question.outlooks)
    saved = question.value * expert.scale.wrong_costs
    return changes and round(question.rate, 9) >= phase.worth and round(saved, 9) >= question.observable.minutes


@calm(25)
@given(data=st.data())
def test_what_can_change_no_decision_is_asked_only_for_the_sake_of_the_next(data: st.DataObject) -> None:
    expert = expert_of(data.draw(knowledge_bases()))
    now, stage, closed = data.draw(moments(expert))
    coming = next_step(expert, now, stage, closed, {})
    if coming.question is None or coming.phase is None or coming.phase.must:
        return
    first, best = coming.question, now.belief.best[0]
    if any(outlook.belief.best[0] != best for outlook in first.outlooks):
        return
    assert not worth_asking(expert.scale, coming.phase, first)
    seconds = 0
    for outlook in first.outlooks:
        then = expert.diagnose([*now.trace.stated, outlook.fact])
        for second in ranked(expert, then, expert.machine.observables.values(), stage, closed):
            seconds += any(after.belief.best[0] != best for after in second.outlooks)
    assert seconds


BOTH = {"all": [{"one": "yes"}, {"two": "yes"}]}


SELDOM_YES = {"yes": {"usual": 1}, "no": {"usual": 19}}


def only_together() -> Expert:
    """Two questions: only if both are answered with yes is it the rarer plug and not seal or nut."""
    findings = [finding(name, SELDOM_YES, minutes=5) for name in ("one", "two")]
    sources = [source("seal", "low"), source("nut", "low"), source("plug", "low", commonness="uncommon")]
    return expert_of(base([zone("low")], sources, findings, [rule("both", BOTH, favours={"plug": "strong"})]))


def test_two_questions_that_decide_only_together_are_asked_one_after_the_other() -> None:
    expert = only_together()
    expert.scale = expert.scale.model_copy(update={"wrong_costs": 1e4})  # what they may save pays for both
    washed = [Fact("washing", "yes")]
    now = expert.diagnose(washed)
    assert now.belief.best[0] == ("seal",)
    one, two = (look_ahead(expert, now, expert.machine.observables[n], "washed") for n in ("one", "two"))
    for question in (one, two):  # by itself neither tells anything
        assert (question.gain, question.value, question.decides) == (0, 0, False)
    others = [one.observable, two.observable]
    pair = in_two_steps(expert, now, one, "washed", (), others)
    assert pair.decides
    # Worked out here: the second is asked in any case, but is worth something only after a yes.
    (yes,) = (o for o in one.outlooks if o.fact.value == "yes")
    then = expert.diagnose([*washed, yes.fact])
    second = look_ahead(expert, then, two.observable, "washed")
    assert second.decides
    assert pair.value == pytest.approx(yes.chance * second.value)
    assert pair.minutes == pytest.approx(5 + yes.chance * 5)

    # The first of two that are alike goes by its name; the second follows only where it still decides.
    def asks(*facts: Fact, closed: tuple[tuple[str, str], ...] = ()) -> str | None:
        coming = next_step(expert, expert.diagnose([*washed, *facts]), "washed", closed, {})
        return coming.question.observable.id if coming.question else None

    assert asks() == "one"
    assert asks(Fact("one", "yes")) == "two"
    assert asks(Fact("one", "no")) is None
    assert asks(closed=(("two", ""),)) is None  # the second cannot be answered: the first is worth nothing
    assert asks(closed=(("one", ""),)) is None


def test_two_questions_together_must_be_worth_both_their_minutes() -> None:
    expert = only_together()
    now = expert.diagnose([Fact("washing", "yes")])
    one, two = (look_ahead(expert, now, expert.machine.observables[n], "washed") for n in ("one", "two"))
    pair = in_two_steps(expert, now, one, "washed", (), [two.observable])
    for costs, asked in ((pair.minutes / pair.value * 1.01, True), (pair.minutes / pair.value * 0.99, False)):
        expert.scale = expert.scale.model_copy(update={"wrong_costs": costs})
        coming = next_step(expert, now, "washed", (), {})
        assert (coming.question is not None) == asked
        assert coming.reason == ("" if asked else NOTHING_WORTH)


def test_a_question_is_asked_only_if_it_may_save_its_own_minutes() -> None:
    """One question that decides: asked while a wrong conclusion costs more than its minutes are worth."""
    telltale = rule("telltale", {"all": [{"told": "yes"}]}, favours={"plug": "strong"})
    sources = [source("seal", "low"), source("plug", "low", commonness="uncommon")]
    expert = expert_of(base([zone("low")], sources, [finding("told", SELDOM_YES, minutes=6)], [telltale]))
    now = expert.diagnose([Fact("washing", "yes")])
    question = look_ahead(expert, now, expert.machine.observables["told"], "washed")
    assert question.decides
    phase = next(p for p in expert.scale.phases if p.phase == "talk")
    for costs, asked in ((6 / question.value * 1.001, True), (6 / question.value * 0.999, False)):
        scale = expert.scale.model_copy(update={"wrong_costs": costs})
        assert worth_asking(scale, phase, question) == asked
    # Nor if it tells less than the phase asks for, or if nothing hangs on it.
    dear = phase.model_copy(update={"worth": question.rate * 1.01})
    assert not worth_asking(expert.scale, dear, question)
    assert not worth_asking(expert.scale, phase, dataclasses.replace(question, decides=False))


def test_where_one_set_is_best_whatever_is_answered_nothing_is_worth_asking() -> None:
    expert = small([finding("told", YES_NO)], [telling("told")])
    known = [Fact("washing", "yes")]
    question = look_ahead(expert, expert.diagnose(known), expert.machine.observables["told"], "washed")
    assert question.gain > 0.1  # it would tell much of a source that is the best guess anyhow (first of two alike)
    assert not question.decides
    coming = next_step(expert, expert.diagnose(known), "washed", (), {})
    assert (coming.question, coming.reason) == (None, NOTHING_WORTH)


@calm(20)
@given(data=st.data())
def test_a_clear_explanation_as_found_leads_to_the_cleaning_not_to_the_end(expert: Expert, data: st.DataObject) -> None:
    """What drips is rarely what leaks: however clear it looks, first it is cleaned, driven and looked at again."""
    facts = [fact for fact in data.draw(facts_of(expert.ruleset)) if not _enters(expert, fact.finding)]
    now = made_clear(data, expert, expert.diagnose(facts))
    assert stands_out(expert, now.belief)
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
    assert stands_out(expert, now.belief)
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
    # They speak of the plug, which is not the best guess (of two alike the first is): else nothing would hang on them.
    rules = [telling("early", of="plug"), telling("later", of="plug")]
    expert = small([finding("early", YES_NO), finding("later", YES_NO, phase="look")], rules)
    now = expert.diagnose([])
    assert not stands_out(expert, now.belief)

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
