"""Arguing with the expert: what if, why not, this against that, and "it's the pan gasket"; nothing of it is a fact."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise

import pytest
from driving import Run, text_of
from hypothesis import given
from hypothesis import strategies as st
from strategies import calm, facts_of

from expert import argument, parting
from expert.case import Case
from expert.conclusion import conclude
from expert.diagnosis import Expert
from expert.dialogue import Talk, begin, event, follow, step
from expert.facts import Fact
from expert.information import entropy
from expert.inspection import stage_of
from expert.naming import two_named
from expert.report import at_once_text, rivals
from expert.wording import percent, source_name

FOOLED = "cleaned it, drove 5 miles, right pan rim wet, right side of case wet, fill tube wet, red fluid"


def told(talk: Talk, *lines: str) -> tuple[Case, str]:
    """The case after these lines, and what the last of them was answered with."""
    case, messages = begin(talk)
    for line in lines:
        case, messages = step(talk, case, line)
    return case, text_of(messages)


def two_of(data: st.DataObject, expert: Expert) -> tuple[str, str]:
    """Two sources."""
    one, other = data.draw(st.lists(st.sampled_from(list(expert.machine.sources)), min_size=2, max_size=2, unique=True))
    return one, other


# --- the question that parts two sources ---------------------------------------------------------------------


@calm(10)
@given(data=st.data())
def test_what_parts_two_sources_is_what_answering_does(expert: Expert, data: st.DataObject) -> None:
    facts = data.draw(facts_of(expert.ruleset, most=6))
    one, other = two_of(data, expert)
    now = expert.diagnose(facts)
    found = parting.between(expert, now, one, other, stage_of(expert, facts))
    if found is None:
        return
    assert found.gain >= parting.LEAST
    for answer in found.answers:
        really = expert.diagnose([*facts, *found.first, answer.fact]).belief
        for source in (one, other):
            assert answer.belief.marginals[source] == pytest.approx(really.marginals[source], abs=1e-9)


@calm(10)
@given(data=st.data())
def test_which_of_the_two_is_named_first_makes_no_difference(expert: Expert, data: st.DataObject) -> None:
    facts = data.draw(facts_of(expert.ruleset, most=4))
    one, other = two_of(data, expert)
    now, stage = expert.diagnose(facts), stage_of(expert, facts)
    ways = [parting.between(expert, now, *two, stage) for two in ((one, other), (other, one))]
    assert len({w and w.observable.id for w in ways}) == 1
    gains = [w.gain if w else 0.0 for w in ways]
    assert gains[0] == pytest.approx(gains[1])


def test_what_parts_is_the_best_of_all_that_may_be_asked(expert: Expert) -> None:
    """Against the mutual information reckoned in the plainest way: over every set, for every question."""
    import numpy as np

    from expert.questions import askable, possible_answers

    facts = (Fact("colour", "red"), Fact("bellhousing-hole", "wet", "after-clean"),
             Fact("cleaned-and-driven", "short drive"))  # fmt: skip
    now, stage = expert.diagnose(facts), "after-clean"
    one, other = (s for s, _ in now.belief.ranking[:2])
    found = parting.between(expert, now, one, other, stage)
    assert found is not None
    assert found.first == ()
    chances = now.belief.chances
    has, had = parting.leaking(now.belief, one), parting.leaking(now.belief, other)
    prior = np.array([chances[has & ~had].sum(), chances[had & ~has].sum()])
    best: dict[str, float] = {}
    for observable in expert.machine.observables.values():
        asked = any(stage in p.stages and (p.phase == observable.phase) for p in expert.scale.phases)
        if not asked or not askable(expert, now.trace, observable, stage, ()):
            continue
        weights = {}
        for fact, usual in possible_answers(observable, stage):
            then = expert.diagnose([*facts, fact]).belief
            weights[fact] = usual * np.exp(then.log_weight - now.belief.log_weight)
        total = sum(weights.values())
        joint = [
            np.array([(w / total * chances)[side].sum() for side in (has & ~had, had & ~has)]) for w in weights.values()
        ]
        after = [j.sum() * entropy(j / j.sum()) for j in joint]
        best[observable.id] = (entropy(prior / prior.sum()) - sum(after) / prior.sum()) / observable.minutes
    ranked = sorted(best, key=lambda name: -best[name])
    assert found.observable.id in ranked[:3], ranked[:6]


def test_after_cleaning_is_offered_where_looking_now_tells_little(expert: Expert) -> None:
    """What is to be done first is counted in its minutes, and its cautions are given."""
    facts = (Fact("colour", "red"),)
    now = expert.diagnose(facts)
    sources = list(expert.machine.sources)
    later = [
        p
        for one, other in pairwise(sources)
        if (p := parting.between(expert, now, one, other, "as-found")) is not None and p.first
    ]
    for found in later:
        lead = sum(expert.machine.observables[f.finding].minutes for f in found.first)
        assert found.minutes == lead + found.observable.minutes
        needed = {c for f in found.first for c in expert.machine.observables[f.finding].cautions}
        assert needed <= set(parting.cautions(expert, found))


# --- what is answered ----------------------------------------------------------------------------------------


def test_a_part_that_is_blamed_is_answered_and_not_noted(talk: Talk) -> None:
    before, _ = told(talk, FOOLED)
    after, said = told(talk, FOOLED, "I say it is the pan gasket")
    assert after.facts == before.facts
    assert after.asked == before.asked
    assert "You take it to be: transmission pan gasket" in said
    assert "For it:" in said
    assert "Against it:" in said
    assert "Likelier: fill-tube O-ring" in said
    assert re.search(r"before the part is bought \(.*about \d+ minutes?", said)
    assert talk.expert.machine.base.sources["pan-gasket"].confirm.split(".")[0] in said
    assert "Not taken" not in said


def test_a_claim_beside_facts_is_judged_with_them(talk: Talk) -> None:
    after, said = told(talk, FOOLED, "pan rim left dry, I say it is the pan gasket")
    new = Fact("pan-rim-left", "dry", "after-clean")
    assert new in after.facts
    now = talk.expert.diagnose(after.facts)
    assert "You take it to be: transmission pan gasket. So far it is" in said
    assert f"({percent(now.belief.marginals['pan-gasket'])}, number" in said
    against = said.split("Against it:")[1].split("Likelier:")[0]
    assert "left edge of the transmission pan: dry" in against.lower()


def test_a_claim_is_no_answer_to_what_was_renewed(talk: Talk) -> None:
    """The question which parts were renewed in vain has parts for answers; blaming one is not saying that."""
    case, _ = begin(talk)
    renewed = next(
        o.id for o in talk.expert.machine.observables.values() if o.kind == "choice" and "front pump seal" in o.values
    )
    asking = replace(case, asked=(renewed, ""), choices=talk.expert.machine.observables[renewed].values)
    after, messages = step(talk, asking, "it must be the front pump seal")
    assert after.facts == ()
    assert after.asked == asking.asked
    assert "You take it to be: front pump seal" in text_of(messages)
    answered, _ = step(talk, asking, "front pump seal")
    assert answered.facts == (Fact(renewed, "front pump seal"),)


def test_why_not_says_both_sides_what_is_likelier_and_what_would_tell(talk: Talk) -> None:
    after, said = told(talk, FOOLED, "why not the pan gasket?")
    assert after.facts == told(talk, FOOLED)[0].facts
    for part in ("transmission pan gasket: ", "Against it:", "For it:", "Likelier:", "What would tell most of it"):
        assert part in said
    assert "they prove no second leak: right edge of the transmission pan: wet" in said
    leader = told(talk, FOOLED, "why not the fill tube o-ring")[1]
    assert "It is not ruled out" in leader
    assert "No source is called 'flux capacitor'" in told(talk, "why not flux capacitor")[1]
    assert "Name a source" in told(talk, "why not")[1]


@pytest.mark.parametrize(
    "words",
    ["pan gasket and fill tube o-ring", "the pan gasket with the fill tube o-ring", "pan gasket vs. fill tube o-ring",
     "pan gasket fill-tube o-ring", "pan gasket, fill tube o-ring", "pan-gasket fill-tube-o-ring"],
)  # fmt: skip
def test_two_sources_are_named_in_many_ways(expert: Expert, words: str) -> None:
    assert two_named(expert.machine, words) == ("pan-gasket", "fill-tube-o-ring")


@pytest.mark.parametrize("words", ["", "pan gasket", "pan gasket and pan gasket", "pan gasket and xyzzy", "a b c d"])
def test_what_names_no_two_sources_is_said_to_do_so(talk: Talk, words: str) -> None:
    assert two_named(talk.expert.machine, words) is None
    assert "Name two sources" in told(talk, f"compare {words}")[1]


def test_a_comparison_stands_side_by_side(talk: Talk) -> None:
    _, said = told(talk, FOOLED, "compare pan gasket and fill tube o-ring")
    now = talk.expert.diagnose(told(talk, FOOLED)[0].facts)
    for source in ("pan-gasket", "fill-tube-o-ring"):
        assert source_name(talk.expert.machine, source) in said
    chances = [percent(now.belief.marginals[s]) for s in ("pan-gasket", "fill-tube-o-ring")]
    assert f"now {chances[0]} {chances[1]}" in said
    assert re.search(r"foot of the fill tube: wet - x \d+", said)
    assert "What would part transmission pan gasket and fill-tube O-ring best" in said


def test_supposing_is_what_saying_would_be_and_leaves_no_trace(talk: Talk) -> None:
    before, _ = told(talk, FOOLED)
    after, said = told(talk, FOOLED, "what if the fill tube is dry")
    assert after.facts == before.facts
    assert "If foot of the fill tube: dry (after clean and short drive), and not foot of the fill tube: wet" in said
    wet = Fact("fill-tube-base", "wet", "after-clean")
    really = talk.expert.diagnose([f for f in before.facts if f != wet] + [wet._replace(value="dry")])
    for source, chance in really.belief.ranking[:3]:
        assert re.search(rf"{percent(chance)} {re.escape(source_name(talk.expert.machine, source))}", said)
    assert "nothing was noted" in said
    assert "nothing would change" in told(talk, FOOLED, "what if the fill tube is wet")[1]
    assert "Say what to suppose" in told(talk, "what if")[1]
    assert "Suppose something that can be seen" in told(talk, "what if blorb")[1]
    assert "You take it to be" in told(talk, FOOLED, "what if it's the pan gasket")[1]


@pytest.mark.parametrize(
    "line",
    [
        "what if the fill tube is dry",
        "why not pan gasket",
        "compare pan gasket and output seal",
        "I say it is the pan gasket",
    ],
)
def test_arguing_replays_to_the_same_words(talk: Talk, line: str) -> None:
    before, _ = told(talk, FOOLED)
    after, messages = step(talk, before, line)
    recorded = event(before, after, line)
    assert recorded["facts"] == []
    again, same, agrees = follow(talk, before, recorded)
    assert agrees
    assert (again.facts, same) == (after.facts, messages)


def test_cautions_of_a_look_come_before_it_and_once(talk: Talk) -> None:
    case, _ = begin(talk)
    after, messages = step(talk, case, "why not output seal")
    kinds = [message.kind for message in messages]
    assert kinds == [*["caution"] * (len(kinds) - 1), "info"]
    _, again = step(talk, after, "why not output seal")
    assert [message.kind for message in again] == ["info"]


def test_arguing_while_a_contradiction_waits_leaves_it_waiting(talk: Talk) -> None:
    after, said = told(talk, "red fluid", "brown fluid", "why not pan gasket")
    assert after.conflicts
    assert "transmission pan gasket:" in said
    assert said.endswith("2 brown (said now)")


@calm(6)
@given(data=st.data())
def test_every_argument_fits_its_width(expert: Expert, data: st.DataObject) -> None:
    facts = data.draw(facts_of(expert.ruleset, most=8))
    one, other = two_of(data, expert)
    now, stage = expert.diagnose(facts), stage_of(expert, facts)
    end = conclude(expert, now, stage)
    two = rivals(end)
    found = parting.between(expert, now, two[0], two[1], stage)
    supposed = data.draw(facts_of(expert.ruleset, most=2).filter(bool))
    for width in (60, 76):
        for text in (
            argument.why_not(expert, now, one, stage, width=width).text,
            argument.claimed(expert, now, one, stage, width=width).text,
            argument.compare(expert, now, one, other, stage, width=width).text,
            argument.what_if(expert, now, supposed, (), width).text,
            at_once_text(expert, now, end, stage, found, width),
        ):
            assert max(len(line) for line in text.split("\n")) <= width
            assert all(
                line == line.rstrip() for line in text.split("\n") if not line.startswith(("!", "#", "|", " ", "<"))
            )


# --- on the command line -------------------------------------------------------------------------------------


def test_facts_shows_what_is_needed_on_top(run: Run) -> None:
    done = run("facts", FOOLED)
    assert done.code == 0
    places = [
        done.out.index(part)
        for part in (
            "Understood: ",
            "In short (",
            " -> ",
            "How likely each source is",
            "What would part ",
            "Repair: ",
            "Why:\n",
        )
    ]
    assert places == sorted(places)
    assert re.search(r"What would part .* best \(about \d+ minutes?\)", " ".join(done.out.split()))


def test_the_options_argue_as_the_chat_does(run: Run) -> None:
    not_it = run("facts", FOOLED, "--why-not", "pan gasket")
    assert (not_it.code, not_it.err) == (0, "")
    assert "Likelier: fill-tube O-ring" in not_it.out
    assert "CONCLUSION" not in not_it.out
    both = run("facts", "--compare", "pan gasket", "fill tube o-ring", "--", FOOLED)
    assert both.code == 0
    assert "A: transmission pan gasket" in both.out
    dry = run("facts", FOOLED, "--what-if", "fill tube dry")
    assert dry.code == 0
    assert "If foot of the fill tube: dry" in dry.out
    claim = run("facts", f"{FOOLED}, I say it is the pan gasket")
    assert claim.code == 0
    assert "You take it to be: transmission pan gasket" in claim.out


@pytest.mark.parametrize(
    ("options", "wrong"),
    [
        (("--why-not", "xyzzy"), "No source is called 'xyzzy'. Allowed: "),
        (("--compare", "pan gasket", "pan gasket"), "Both names mean transmission pan gasket"),
        (("--what-if", "blorb"), "Nothing in what is supposed was understood"),
        (("--json", "--plan"), "--json and --plan ask for different things"),
        (("--schema",), "--schema takes no facts beside it"),
        (("--batch", "x"), "--batch takes no facts beside it"),
    ],
)
def test_what_cannot_be_argued_is_refused(run: Run, options: tuple[str, ...], wrong: str) -> None:
    done = run("facts", FOOLED, *options)
    assert (done.code, done.out.count("If ")) == (2, 0)
    assert wrong in " ".join(done.err.split())
