"""The conversation: every command, contradictions, stages, cautions, and what no input at all may break."""

from __future__ import annotations

import dataclasses
import json
import random
import re
from pathlib import Path
from typing import Any

import pytest
from driving import (
    TABLE,
    Run,
    Turn,
    asked,
    firstwet,
    from_table,
    from_vehicle,
    text_of,
    typed,
    until,
    walk,
)
from hypothesis import given
from hypothesis import strategies as st
from strategies import calm

from expert import store
from expert.case import ELSE, WHERE, Case
from expert.commands import COMMANDS, parse
from expert.dialogue import Talk, begin, event, find_source, follow, meaning, step, waiting
from expert.facts import Fact
from expert.inspection import enters_stage, stage_of
from expert.knowledge.base import WETNESS_KIND, Machine, Observable
from expert.naming import Named, Unclear, sources_named
from expert.phrases import understand
from expert.questions import look_ahead
from expert.remainder import else_text, places
from expert.terminal import completions
from expert.vehicle import World
from expert.wording import fact_words, percent, source_name

UNKNOWN = from_table({})
SEVERAL = "red fluid, pan wet, bellhousing hole dry"
DONE = "cleaned everything and took a short drive"


def told(talk: Talk, case: Case, line: str) -> str:
    """What a line is answered with."""
    return text_of(step(talk, case, line)[1])


def after(talk: Talk, *lines: str) -> Case:
    """The case after some lines."""
    case, _ = begin(talk)
    for line in lines:
        case, _ = step(talk, case, line)
    return case


@pytest.fixture(scope="session")
def choice(talk: Talk) -> Case:
    """A pending question with a handful of answers."""
    return until(talk, lambda o, stage: o.kind == "choice" and len(o.values) > 2 and not o.many, UNKNOWN)


@pytest.fixture(scope="session")
def place(talk: Talk) -> Case:
    """A pending question whose answer is one of many places."""
    return until(talk, lambda o, stage: o.kind == "zone", from_table(TABLE | {"wet-places": "one"}))


@pytest.fixture(scope="session")
def wetness(talk: Talk) -> Case:
    """A pending question about the wetness of a place."""
    return until(talk, lambda o, stage: o.kind == WETNESS_KIND, UNKNOWN)


@pytest.fixture(scope="session")
def whole(talk: Talk) -> list[Turn]:
    """A case from the first question to the conclusion."""
    return list(walk(talk, from_table()))


# --- commands ----------------------------------------------------------------------------------------------


def test_it_begins_with_a_question(talk: Talk) -> None:
    case, messages = begin(talk)
    assert [m.kind for m in messages].count("question") == 1
    assert messages[-1].kind == "question"
    assert case.asked is not None
    assert case.facts == ()


def test_help_lists_every_command(talk: Talk, choice: Case) -> None:
    same, messages = step(talk, choice, "help")
    assert same == choice
    lines = messages[0].text.splitlines()
    for command in COMMANDS:
        line = next(line for line in lines if line.startswith(f"  {command.name} "))
        assert command.does.split()[0] in line
    assert max(map(len, lines)) <= talk.width


def test_every_way_to_say_a_command_is_that_command() -> None:
    said = [phrase for command in COMMANDS for phrase in (command.name, *command.also)]
    assert len(said) == len(set(said))
    for command in COMMANDS:
        for phrase in (command.name, *command.also):
            assert parse(f" {phrase.upper()}? ") == (command, "")
            if command.takes:
                assert parse(f"{phrase} the pan") == (command, "the pan")


def test_no_phrase_of_the_knowledge_is_taken_for_a_command(talk: Talk) -> None:
    """`correct level` states a level; it once was read as `forget level`."""
    for observable in talk.expert.machine.observables.values():
        phrases = {*observable.words, observable.name, *observable.values}
        phrases |= {word for words in observable.value_words.values() for word in words}
        assert {phrase for phrase in phrases if parse(phrase)} == set(), observable.id


def test_why_shows_what_each_answer_would_do(talk: Talk, choice: Case) -> None:
    """And really answering does just that."""
    expert, pending = talk.expert, asked(talk, choice)
    assert pending is not None
    shown = told(talk, choice, "why")
    question = look_ahead(expert, expert.diagnose(choice.facts), pending, choice.stage)
    assert f"tell {question.gain:.2f} bit" in shown
    rows = re.findall(r"(\S[^:;]*?) \(chance ([^)]*)\): ", shown)
    assert len(rows) == min(6, len(pending.values))
    for value, chance in rows:
        value = next(v for v in pending.values if value.endswith(v))
        outlook = next(o for o in question.outlooks if o.fact.value == value)
        assert percent(outlook.chance) == chance
        leader, likely = expert.diagnose(step(talk, choice, value)[0].facts).belief.ranking[0]
        assert f"{value} (chance {chance}): {source_name(expert.machine, leader)} {percent(likely)}" in shown


def test_why_of_a_source_gives_reasons_for_and_against(talk: Talk) -> None:
    case = after(talk, "red fluid", "bellhousing hole wet", "rear of engine dry")
    machine = talk.expert.machine
    shown = {source: told(talk, case, f"why {source}") for source in machine.sources}
    marginals = talk.expert.diagnose(case.facts).belief.marginals
    for source, text in shown.items():
        assert text.startswith(f"{source_name(machine, source)}: {percent(marginals[source])}.")
        assert "for: - " in text or "against: - " in text or machine.sources[source].commonness in text
    assert any(" for: - " in text for text in shown.values())
    assert any(" against: - " in text for text in shown.values())
    assert all(" to 1)" in text for text in shown.values() if " - " in text)


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        ("the front pump seal", "front-pump-seal"),
        ("PAN GASKET", "pan-gasket"),
        ("output-seal", "output-seal"),
        ("modulater diafragm", "modulator-diaphragm"),
        ("banana", None),
        ("xyzzy", None),
        ("", None),
    ],
)
def test_a_source_is_found_by_its_name_or_nearly(talk: Talk, said: str, meant: str | None) -> None:
    assert find_source(talk, said) == meant


def test_why_of_nothing_known(talk: Talk, choice: Case) -> None:
    assert "No source is called 'banana'" in told(talk, choice, "why banana")


def test_how_and_where_tell_what_the_knowledge_says(talk: Talk, choice: Case) -> None:
    pending = asked(talk, choice)
    assert pending is not None
    for line in ("how", "how do I check?", "How do I check that?"):
        assert told(talk, choice, line).startswith(" ".join(pending.how.split()))
    for line in ("where", "where is that?", "where do I look"):
        assert told(talk, choice, line).startswith(" ".join(pending.where.split()))


def test_how_names_the_tools(talk: Talk) -> None:
    case = until(talk, lambda o, stage: bool(o.tools), UNKNOWN)
    pending = asked(talk, case)
    assert pending is not None
    assert all(tool in told(talk, case, "how") for tool in pending.tools)


def test_where_shows_a_place_on_the_map(talk: Talk, wetness: Case) -> None:
    pending = asked(talk, wetness)
    assert pending is not None
    _, (message,) = step(talk, wetness, "where")
    assert "LEFT SIDE" in message.text
    assert "* look here: 1" in message.text
    assert message.text.rstrip().endswith(f"* {pending.name}")


def test_unknown_is_no_evidence_and_closes_the_question(talk: Talk, choice: Case) -> None:
    belief = talk.expert.diagnose(choice.facts).belief.ranking
    for line in ("unknown", "skip", "don't know", "Not sure.", "?", "I don't know", "dunno"):
        case, messages = step(talk, choice, line)
        assert case.facts == choice.facts
        assert choice.asked in case.closed
        assert case.asked != choice.asked
        assert talk.expert.diagnose(case.facts).belief.ranking == belief
        assert "eft open" in text_of(messages, "note"), line


def test_a_finding_not_known_is_acknowledged_and_can_be_taken_back(talk: Talk) -> None:
    before = after(talk, "pan wet")
    case, messages = step(talk, before, "I don't know the smell")
    assert ("smell", "") in case.closed
    assert "Left open: smell of the fluid" in text_of(messages, "note")
    assert step(talk, case, "back")[0].closed == before.closed


def test_one_who_knows_nothing_gets_to_a_conclusion(talk: Talk) -> None:
    turns = list(walk(talk, UNKNOWN))
    case, messages = turns[-1]
    assert case.facts == ()
    assert [m.kind for m in messages].count("conclusion") == 1
    assert "NO SINGLE EXPLANATION STANDS OUT" in text_of(messages)


def test_back_goes_all_the_way_to_the_beginning(talk: Talk, whole: list[Turn]) -> None:
    states = [case for case, _ in whole]
    case = states[-1]
    for before in reversed(states[:-1]):
        case, messages = step(talk, case, "back")
        assert (case.facts, case.asked, case.closed) == (before.facts, before.asked, before.closed)
        assert (case.stage, case.choices, case.counts) == (before.stage, before.choices, before.counts)
        assert "Taken back: " in text_of(messages, "note")
        assert messages[-1].kind == "question"
    assert "nothing to take back" in told(talk, case, "back")
    assert step(talk, case, "undo")[0] == case


def test_back_says_what_it_takes_back(talk: Talk) -> None:
    case = after(talk, "red fluid", "pan wet")
    assert "pan and its drain plug: wet" in told(talk, case, "back")
    case, _ = step(talk, case, "back")
    assert case.facts == (Fact("colour", "red"),)
    assert "colour of the fluid: red" in told(talk, case, "back")


def test_back_leaves_commands_that_changed_nothing_alone(talk: Talk) -> None:
    case = after(talk, "pan wet", "why", "so far", "help", "nonsense and gibberish", "")
    assert step(talk, case, "back")[0].facts == ()


def test_forget_takes_back_one_finding_whenever_it_was_said(talk: Talk) -> None:
    case = after(talk, "red fluid", "pan wet", "bellhousing hole dry")
    for words in ("colour", "colour of the fluid", "COLOUR"):
        left, messages = step(talk, case, f"forget {words}")
        assert [fact.finding for fact in left.facts] == ["pan-bottom", "bellhousing-hole"]
        assert "Forgotten: colour of the fluid: red" in text_of(messages, "note")
        never = after(talk, "pan wet", "bellhousing hole dry")
        assert talk.expert.diagnose(left.facts).belief.ranking == talk.expert.diagnose(never.facts).belief.ranking
    assert step(talk, left, "back")[0].facts == case.facts


def test_forget_of_a_place_means_this_stage(talk: Talk) -> None:
    case = after(talk, "pan wet", DONE, "pan dry")
    assert [f.value for f in case.facts if f.finding == "pan-bottom"] == ["wet", "dry"]
    left, _ = step(talk, case, "forget pan")
    assert [(f.value, f.stage) for f in left.facts if f.finding == "pan-bottom"] == [("wet", "as-found")]
    left, _ = step(talk, left, "forget pan")
    assert [f for f in left.facts if f.finding == "pan-bottom"] == []


def test_forget_of_what_was_not_said(talk: Talk) -> None:
    case = after(talk, "red fluid")
    for line in ("forget", "forget xyzzy"):
        same, messages = step(talk, case, line)
        assert same == case
        assert "colour of the fluid: red" in text_of(messages)
    assert "nothing yet" in told(talk, begin(talk)[0], "forget")


def test_so_far_is_the_ranking_with_bars(talk: Talk) -> None:
    case = after(talk, "red fluid", "bellhousing hole wet")
    _, (message,) = step(talk, case, "so far")
    rows = re.findall(r"^ +(\d+%|under 1%|over 99%) +(#*) {2,}(\S.*)$", message.text, re.MULTILINE)
    ranking = talk.expert.diagnose(case.facts).belief.ranking
    assert [row[0] for row in rows] == [percent(chance) for _, chance in ranking[: len(rows)]]
    assert len(rows) == 8
    bars = [len(bar) for _, bar, _ in rows]
    assert bars == sorted(bars, reverse=True)
    assert bars[0] > bars[-1] or ranking[0][1] - ranking[7][1] < 0.05


def test_facts_lists_all_that_was_said(talk: Talk) -> None:
    case = after(talk, "red fluid", "pan wet", "25 years old")
    shown = told(talk, case, "facts")
    assert len(case.facts) == 3
    assert all(fact_words(talk.expert.machine, fact) in shown for fact in case.facts)


def test_map_shows_the_stage_in_force(talk: Talk) -> None:
    case = after(talk, "pan wet", "bellhousing hole damp")
    assert "As found:" in told(talk, case, "map")
    assert "# wet: 1 + damp: 1 - dry: 0" in told(talk, case, "map")
    case, _ = step(talk, case, DONE)
    assert "After clean and short drive:" in told(talk, case, "map")
    assert "# wet: 0 + damp: 0 - dry: 0" in told(talk, case, "map")


def test_conclude_at_any_time_and_go_on(talk: Talk) -> None:
    case = after(talk, "red fluid", "bellhousing hole wet")
    ended, messages = step(talk, case, "conclude")
    assert [m.kind for m in messages] == ["conclusion", "info"]
    assert "asked for before the questions were over" in text_of(messages)
    assert (ended.facts, ended.asked) == (case.facts, case.asked)
    assert len(step(talk, ended, "pan dry")[0].facts) == 3


def test_plan_has_cautions_before_steps(talk: Talk, choice: Case) -> None:
    shown = told(talk, choice, "plan")
    assert shown.index("CAUTION") < shown.rindex("CAUTION") < shown.index(" 1 ")
    assert "service data come first" in shown


@pytest.mark.parametrize(
    ("line", "means"),
    [
        ("what is modulator", "vacuum"),
        ("what is the modulator?", "vacuum"),
        ("What's a bellhousing", "bell"),
        ("what is pan-gasket", "gasket"),
        ("explain dipstik", "dipstick"),
        ("where is the fill tube", "pipe"),
        ("what is", "No word near ''"),
        ("what is xyzzy", "No word near 'xyzzy'"),
    ],
)
def test_what_is_explains_terms_places_and_parts(talk: Talk, choice: Case, line: str, means: str) -> None:
    same, (message,) = step(talk, choice, line)
    assert same == choice
    assert means in message.text.casefold() or means in message.text


def test_every_term_place_and_source_can_be_asked_for(talk: Talk) -> None:
    machine = talk.expert.machine
    for term, entry in machine.base.terms.items():
        assert meaning(talk, term).split() == entry.means.split()
    for source in machine.sources.values():
        assert "No word near" not in meaning(talk, source.name)
    for zone in machine.zones.values():
        assert "No word near" not in meaning(talk, zone.name)


def test_quit_ends_and_says_so(talk: Talk, choice: Case) -> None:
    for line in ("quit", "exit", "q", "bye"):
        case, messages = step(talk, choice, line)
        assert [m.kind for m in messages] == ["bye"]
        assert case == choice


def test_commands_need_no_question(talk: Talk, whole: list[Turn]) -> None:
    case = whole[-1][0]
    assert case.asked is None
    for command in COMMANDS:
        if command.name not in ("back", "forget", "quit"):
            assert step(talk, case, command.name)[0].facts == case.facts
    assert "No question is waiting" in told(talk, case, "how")
    assert "No question is waiting" in told(talk, case, "why")
    assert "No question is waiting" in told(talk, case, "unknown")


# --- answers -----------------------------------------------------------------------------------------------


def test_an_empty_line_changes_nothing(talk: Talk, choice: Case) -> None:
    for line in ("", "   ", "\t\n", "\x00\x1b"):
        same, messages = step(talk, choice, line)
        assert same == choice
        assert "Nothing was typed" in text_of(messages, "error")
        assert "unknown" in text_of(messages)


@pytest.mark.parametrize("line", ["0", "99", "99999999999999999999", "number 42", "#0", "1 and 77", "00"])
def test_a_number_that_was_not_offered(talk: Talk, choice: Case, place: Case, line: str) -> None:
    for case in (choice, place):
        same, messages = step(talk, case, line)
        assert same == case
        assert f"Choose a number from 1 to {len(case.choices)}" in text_of(messages, "error")


def test_numbers_words_and_beginnings_answer(talk: Talk, choice: Case) -> None:
    pending = asked(talk, choice)
    assert pending is not None
    for at, value in enumerate(pending.values, start=1):
        answers = {step(talk, choice, line)[0].facts for line in (str(at), f"{at}.", f"{at})", value, value.upper())}
        assert answers == {(*choice.facts, Fact(pending.id, value, choice.asked[1] if choice.asked else ""))}


def test_a_number_means_the_place_shown_with_it(talk: Talk, place: Case) -> None:
    """The list is the eight likeliest places, not the layout's order."""
    assert place.asked is not None
    for at, zone in enumerate(place.choices, start=1):
        for line in (str(at), f"number {at}", f"#{at}", f"option {at}"):
            assert Fact(place.asked[0], zone, place.asked[1]) in step(talk, place, line)[0].facts, line


def test_several_numbers_mean_the_places_shown_with_them(talk: Talk) -> None:
    def many(pending: Observable, stage: str) -> bool:
        return pending.kind == "zone" and pending.many

    if not any(many(o, "") and o.phase for o in talk.expert.machine.observables.values()):
        pytest.skip("no question of this layout has several places for an answer")
    case = until(talk, many, from_table(TABLE | {"wet-places": "several"}))
    assert case.asked is not None
    expected = {Fact(case.asked[0], case.choices[at], case.asked[1]) for at in (0, 2)}
    for line in ("1 and 3", "1, 3", "1 3"):
        assert expected <= set(step(talk, case, line)[0].facts), line


def test_a_place_can_be_named(talk: Talk, place: Case) -> None:
    machine = talk.expert.machine
    assert place.asked is not None
    for zone in ("output-seal-area", "pan-rear", "engine-rear"):
        case, _ = step(talk, place, machine.zones[zone].name)
        assert Fact(place.asked[0], zone, place.asked[1]) in case.facts, zone


def test_a_free_sentence_while_a_question_waits(talk: Talk, choice: Case) -> None:
    case, messages = step(talk, choice, SEVERAL)
    new = [fact for fact in case.facts if fact not in choice.facts]
    assert [(f.finding, f.value) for f in new] == [
        ("colour", "red"),
        ("pan-bottom", "wet"),
        ("bellhousing-hole", "dry"),
    ]
    assert "Noted: colour of the fluid: red" in text_of(messages, "note")
    assert messages[-1].kind in ("question", "info")


def test_what_is_half_understood_is_half_taken_and_said(talk: Talk, choice: Case) -> None:
    case, messages = step(talk, choice, "pan wet, flurbs are glorping")
    assert ("pan-bottom", "wet") in [(f.finding, f.value) for f in case.facts]
    assert "glorping" in text_of(messages, "error")


def test_what_is_known_already_is_said_to_be(talk: Talk) -> None:
    case, messages = step(talk, after(talk, "pan wet"), "pan wet")
    assert len(case.facts) == 1
    assert "known already" in text_of(messages, "note")


def test_every_completion_is_understood(talk: Talk, place: Case, choice: Case) -> None:
    """What Tab offers is an answer, a command or `name: value`, and is taken for just that."""
    machine = talk.expert.machine
    named = {f"{o.name}: {value}": Fact(o.id, value) for o in machine.observables.values() for value in o.values}
    commands = {command.name for command in COMMANDS}
    for case in (place, choice):
        words = completions(talk, case)
        assert words[: len(case.choices)] == list(case.choices)
        for word in words:
            if word in commands:
                assert parse(word) is not None
            elif word not in named:
                reading = understand(talk.lexicon, word, case.stage, asked(talk, case))
                assert [f.finding for f in reading.facts] == [case.asked[0] if case.asked else ""], word
    offered = [word for word in words if word in named]
    # A turn takes a while, so not all: some of which the words alone would mean something else, and any.
    odd = [word for word in offered if [f[:2] for f in understand(talk.lexicon, word, "").facts] != [named[word][:2]]]
    for word in (*odd[:5], *random.Random(1).sample(offered, 8)):
        staged = machine.observables[named[word].finding].staged
        case = step(talk, begin(talk)[0], word)[0]
        assert case.facts == (named[word]._replace(stage=case.stage if staged else ""),), word


# --- contradictions ----------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def torn(talk: Talk) -> Case:
    """The pan was said to be wet, and now to be dry."""
    return after(talk, "red fluid", "pan wet", "pan dry")


def test_a_contradiction_is_asked(talk: Talk, torn: Case) -> None:
    assert len(torn.conflicts) == 1
    _, messages = step(talk, after(talk, "pan wet"), "pan dry")
    shown = text_of(messages, "question")
    assert "Which is right? 1 wet (said before) 2 dry (said now)" in shown
    assert "(as found)" in shown


@pytest.mark.parametrize(
    ("line", "left"),
    [
        *((line, "wet") for line in ("1", "1.", "before", "old", "keep", "wet", "WET")),
        *((line, "dry") for line in ("2", "2)", "now", "new", "change", "dry", "Dry.")),
        *((line, None) for line in ("unknown", "skip", "don't know", "not sure")),
    ],
)
def test_a_contradiction_is_settled_any_way(talk: Talk, torn: Case, line: str, left: str | None) -> None:
    case, messages = step(talk, torn, line)
    assert [f.value for f in case.facts if f.finding == "pan-bottom"] == ([left] if left else [])
    assert Fact("colour", "red") in case.facts
    assert case.conflicts == ()
    assert ("Kept: " if left else "Left open") in text_of(messages, "note")
    assert (("pan-bottom", "as-found") in case.closed) == (left is None)
    never = after(talk, "red fluid", f"pan {left}") if left else after(talk, "red fluid")
    assert talk.expert.diagnose(case.facts).belief.ranking == talk.expert.diagnose(never.facts).belief.ranking


@pytest.mark.parametrize("line", ["3", "0", "perhaps", "both", "bellhousing hole wet", "conclude", "forget pan", ""])
def test_a_contradiction_is_not_settled_by_anything_else(talk: Talk, torn: Case, line: str) -> None:
    same, messages = step(talk, torn, line)
    assert same == torn
    assert any(m.kind == "error" for m in messages)
    assert line == "" or messages[-1].kind == "question"


@pytest.mark.parametrize("line", ["help", "why", "how", "facts", "so far", "map", "plan", "what is pan"])
def test_help_is_given_in_the_middle_of_a_contradiction(talk: Talk, torn: Case, line: str) -> None:
    same, messages = step(talk, torn, line)
    assert same == torn
    assert [m.kind for m in messages] == ["info", "question"]
    assert "Which is right?" in messages[1].text


def test_back_over_a_contradiction(talk: Talk, torn: Case) -> None:
    case, messages = step(talk, torn, "back")
    assert case.conflicts == ()
    assert [f.value for f in case.facts] == ["red", "wet"]
    assert messages[-1].kind == "question"
    settled, _ = step(talk, torn, "2")
    again, messages = step(talk, settled, "back")
    assert again.conflicts == torn.conflicts
    assert "Which is right?" in text_of(messages)
    assert step(talk, again, "back")[0].facts == case.facts


def test_quit_in_the_middle_of_a_contradiction(talk: Talk, torn: Case) -> None:
    case, messages = step(talk, torn, "quit")
    assert [m.kind for m in messages] == ["bye"]
    assert case.facts == torn.facts


def test_several_contradictions_are_asked_one_by_one(talk: Talk) -> None:
    case = after(talk, "red fluid, pan wet, bellhousing hole wet", "pan dry, bellhousing hole dry, engine rear dry")
    assert len(case.conflicts) == 2
    assert Fact("engine-rear", "dry", "as-found") in case.facts
    case, messages = step(talk, case, "2")
    assert len(case.conflicts) == 1
    assert "Which is right?" in text_of(messages)
    case, _ = step(talk, case, "1")
    found = {f.finding: f.value for f in case.facts}
    assert (found["pan-bottom"], found["bellhousing-hole"]) == ("dry", "wet")


def test_a_contradiction_within_one_line(talk: Talk) -> None:
    case = after(talk, "pan wet, pan dry")
    assert [(c.old.value, c.new.value) for c in case.conflicts] == [("wet", "dry")]
    assert [f.value for f in step(talk, case, "2")[0].facts] == ["dry"]


def test_another_stage_is_no_contradiction(talk: Talk) -> None:
    case = after(talk, "pan wet", DONE, "pan dry")
    assert case.conflicts == ()
    assert {(f.value, f.stage) for f in case.facts if f.finding == "pan-bottom"} == {
        ("wet", "as-found"),
        ("dry", "after-clean"),
    }


# --- stages ------------------------------------------------------------------------------------------------


def test_the_stage_follows_the_drive(talk: Talk) -> None:
    case = after(talk, "pan wet")
    seen = [case.stage]
    for line in (DONE, "cleaned it again and took a long drive", DONE):
        case, _ = step(talk, case, line)
        assert case.conflicts == ()
        assert len([f for f in case.facts if f.finding == "cleaned-and-driven"]) == 1
        seen.append(case.stage)
        case, _ = step(talk, case, "bellhousing hole wet")
        assert Fact("bellhousing-hole", "wet", case.stage) in case.facts
    assert seen == ["as-found", "after-clean", "after-long-drive", "after-clean"]
    for _ in range(2):
        case, _ = step(talk, case, "back")  # the hole was known; then the drive
    assert case.stage == "after-long-drive"


def test_naming_a_stage_enters_it(talk: Talk) -> None:
    case = after(talk, "after cleaning the pan is wet")
    assert case.stage == "after-clean"
    assert Fact("pan-bottom", "wet", "after-clean") in case.facts
    _, messages = step(talk, begin(talk)[0], "after cleaning")
    assert "Not understood" not in text_of(messages)


def test_as_found_can_still_be_said_after_cleaning(talk: Talk) -> None:
    case = after(talk, DONE, "as found the pan was wet")
    assert Fact("pan-bottom", "wet", "as-found") in case.facts
    assert case.stage == "after-clean"


# --- cautions, and the order of questions ------------------------------------------------------------------


@pytest.mark.parametrize("answers", [UNKNOWN, from_table()], ids=["unknown", "table"])
def test_cautions_come_before_the_question_that_needs_them_and_once(talk: Talk, answers: object) -> None:
    known = talk.expert.machine.base.cautions
    names = {" ".join(f"CAUTION: {entry.text}".split()): name for name, entry in known.items()}
    shown: list[str] = []
    for case, messages in walk(talk, answers):  # type: ignore[arg-type]
        for message in messages:
            if message.kind == "caution":
                shown.append(names[" ".join(message.text.replace("! ", " ").split())])
            elif message.kind == "question":
                pending = asked(talk, case)
                assert pending is not None
                assert set(pending.cautions) <= set(shown), pending.id
    assert len(shown) == len(set(shown))
    assert "under-vehicle" in shown


def test_what_was_read_once_is_not_read_again_after_back(talk: Talk) -> None:
    case = until(talk, lambda o, stage: "under-vehicle" in o.cautions, UNKNOWN)
    assert "under-vehicle" in case.cautioned
    case, _ = step(talk, case, "back")
    _, messages = step(talk, case, "unknown")
    assert not [m for m in messages if m.kind == "caution"]


def test_a_technician_is_cautioned_too(talk: Talk) -> None:
    """Who states facts and asks for the conclusion reads the cautions before what it sends them to do."""
    case, _ = begin(talk)
    _, messages = step(talk, case, "conclude")
    shown = " ".join(text_of(messages).replace("! ", " ").split())
    assert shown.index("Never go under a vehicle held up by a jack alone") < shown.index("Clean everything")
    _, messages = step(talk, step(talk, case, "conclude")[0], "conclude")
    assert "CAUTION" not in text_of(messages)


def test_no_question_comes_twice(talk: Talk, whole: list[Turn]) -> None:
    for turns in (whole, list(walk(talk, UNKNOWN))):
        keys = [case.asked for case, _ in turns if case.asked]
        assert len(keys) == len(set(keys))


def test_a_question_waits_while_other_things_are_said(talk: Talk) -> None:
    """Chatter neither loses nor answers what is asked, and what was answered is not asked again."""
    rng = random.Random(5)
    answered: set[tuple[str, str]] = set()
    case, _ = begin(talk)
    for _ in range(40):
        pending = asked(talk, case)
        if pending is None or case.asked is None:
            break
        assert case.asked not in answered
        for line in rng.sample(["why", "so far", "how", "", "gibberish here", "map", "facts", "99999"], 2):
            if pending.kind != "number" or not line.isdecimal():
                same, _ = step(talk, case, line)
                assert (same.asked, same.facts) == (case.asked, case.facts)
        answered.add(case.asked)
        case, _ = step(talk, case, from_table()(pending, case.stage))
    assert len(answered) > 8


# --- is anything else wet? ---------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def found(talk: Talk) -> list[Turn]:
    """A case that ends with one source that stands out, and the question whether it explains all that is wet."""
    turns = list(walk(talk, from_table(TABLE | {"wet-places": "one"})))
    assert turns[-1][0].doubt == ELSE
    return turns


def elsewhere(talk: Talk, case: Case) -> str:
    """A place that fluid from what was found cannot get to, and that was not looked at."""
    machine = talk.expert.machine
    blamed = places(machine, talk.expert.diagnose(case.facts).belief.best[0])
    reached = {zone for place in blamed for zone in machine.reach[place]}
    said = {fact.finding for fact in case.facts}
    return next(o.id for o in machine.observables.values() if o.kind == WETNESS_KIND and o.id not in reached | said)


def test_a_found_source_is_asked_whether_it_explains_everything(talk: Talk, found: list[Turn]) -> None:
    assert [case.doubt for case, _ in found[:-1]] == [""] * (len(found) - 1)
    case, messages = found[-1]
    assert [m.kind for m in messages][-2:] == ["conclusion", "question"]
    shown = text_of(messages, "question")
    machine = talk.expert.machine
    (source,) = talk.expert.diagnose(case.facts).belief.best[0]
    assert shown.startswith(f"Does {source_name(machine, source)} explain all that is wet?")
    assert all(machine.zones[zone].name in shown for zone in machine.first_seen[source])
    assert "1 yes - another place is wet as well 2 no - nothing else is wet" in shown
    assert case.asked is None


def test_nobody_is_asked_before_cleaning_nor_who_asks_for_the_conclusion(talk: Talk, found: list[Turn]) -> None:
    early = after(talk, "red fluid", "pan wet")
    for case in (early, found[-2][0]):
        ended, messages = step(talk, case, "conclude")
        assert ended.doubt == ""
        assert [m.kind for m in messages] == ["conclusion", "info"]
    assert step(talk, found[-1][0], "conclude")[0].doubt == ELSE, "it still waits"


@pytest.mark.parametrize("line", ["no", "2", "2.", "No.", "n", "nothing else", "nope", "that is all"])
def test_no_leaves_it_at_the_conclusion(talk: Talk, found: list[Turn], line: str) -> None:
    before = found[-1][0]
    case, messages = step(talk, before, line)
    assert (case.doubt, case.choices, case.facts) == ("", (), before.facts)
    assert "nothing else is wet" in text_of(messages, "note")
    assert "`confirmed SOURCE`" in text_of(messages, "info")
    assert step(talk, case, "back")[0].doubt == ELSE


@pytest.mark.parametrize("line", ["unknown", "skip", "don't know", "Not sure.", "?", "I do not know"])
def test_not_known_leaves_it_open(talk: Talk, found: list[Turn], line: str) -> None:
    before = found[-1][0]
    for pending in (before, step(talk, before, "yes")[0]):
        case, messages = step(talk, pending, line)
        assert (case.doubt, case.choices, case.facts) == ("", (), before.facts)
        assert "Left open" in text_of(messages, "note")


@pytest.mark.parametrize("line", ["yes", "1", "Yes!", "y", "yeah"])
def test_yes_asks_where_and_the_inspection_goes_on(talk: Talk, found: list[Turn], line: str) -> None:
    before, machine = found[-1][0], talk.expert.machine
    where, messages = step(talk, before, line)
    assert (where.doubt, where.facts) == (WHERE, before.facts)
    assert [m.kind for m in messages] == ["question"]
    shown = text_of(messages)
    assert shown.startswith("Where is it wet?")
    blamed = places(machine, talk.expert.diagnose(before.facts).belief.best[0])
    wet = {f.finding for f in before.facts if f.value in ("wet", "damp") and f.stage == before.stage}
    assert where.choices
    assert set(where.choices) <= {o.id for o in machine.observables.values() if o.kind == WETNESS_KIND} - wet
    for zone in where.choices:
        assert not any(zone in machine.reach[place] for place in blamed), zone
        assert machine.zones[zone].name in shown
    zone = elsewhere(talk, before)
    for said in (machine.zones[zone].name, f"{machine.zones[zone].name} wet"):
        case, messages = step(talk, where, said)
        assert [f for f in case.facts if f not in before.facts] == [Fact(zone, "wet", before.stage)]
        assert case.doubt != WHERE
        assert "Noted: " in text_of(messages, "note")
        assert messages[-1].kind in ("question", "info")
    belief = talk.expert.diagnose(case.facts).belief
    assert belief.best[0] != talk.expert.diagnose(before.facts).belief.best[0], "the second leak is sought"


def test_places_are_taken_by_number_and_several_at_once(talk: Talk, found: list[Turn]) -> None:
    where, _ = step(talk, found[-1][0], "yes")
    for line, meant in (("1", (0,)), ("number 2", (1,)), ("1 and 3", (0, 2)), ("1, 2", (0, 1))):
        case, _ = step(talk, where, line)
        named = {Fact(where.choices[at], "wet", where.stage) for at in meant}
        assert set(case.facts) - set(where.facts) == named, line
    first, second = (talk.expert.machine.zones[zone].name for zone in where.choices[:2])
    case, _ = step(talk, where, f"{first} and {second}")
    assert {f.finding for f in case.facts if f not in where.facts} == set(where.choices[:2])
    damp, _ = step(talk, where, f"{first} damp")
    assert Fact(where.choices[0], "damp", where.stage) in damp.facts
    same, messages = step(talk, where, "99")
    assert same == where
    assert f"from 1 to {len(where.choices)}" in text_of(messages, "error")


def test_a_place_named_at_once_is_taken_for_yes(talk: Talk, found: list[Turn]) -> None:
    before = found[-1][0]
    zone = elsewhere(talk, before)
    name = talk.expert.machine.zones[zone].name
    for line in (name, f"yes, {name}", f"the {name} is wet too"):
        case, _ = step(talk, before, line)
        assert Fact(zone, "wet", before.stage) in case.facts, line


def test_a_place_said_to_be_dry_before_contradicts(talk: Talk, found: list[Turn]) -> None:
    before = found[-1][0]
    zone = elsewhere(talk, before)
    name = talk.expert.machine.zones[zone].name
    dry, _ = step(talk, before, f"{name}: dry")
    assert dry.doubt == ELSE, "the conclusion is the same, so it is asked again"
    torn, messages = step(talk, step(talk, dry, "yes")[0], name)
    assert "Which is right?" in text_of(messages)
    settled, _ = step(talk, torn, "2")
    assert Fact(zone, "wet", before.stage) in settled.facts
    assert settled.doubt != WHERE


def test_it_is_asked_once_of_the_same_sources(talk: Talk, found: list[Turn]) -> None:
    before = found[-1][0]
    case, _ = step(talk, before, "no")
    more = "26 years old" if not any(f.finding == "vehicle-age" for f in case.facts) else "no smoke"
    later, messages = step(talk, case, more)
    assert len(later.facts) == len(case.facts) + 1
    assert talk.expert.diagnose(later.facts).belief.best[0] in later.vouched
    assert later.doubt == ""
    assert "explain all that is wet" not in text_of(messages)


def test_what_is_left_unexplained_is_named(talk: Talk, found: list[Turn]) -> None:
    machine = talk.expert.machine
    left = Fact(elsewhere(talk, found[-1][0]), "wet", found[-1][0].stage)
    one, *_, other = machine.sources
    shown = " ".join(else_text(machine, (one,), (left,)).split())
    assert f"It does not explain {fact_words(machine, left)}. Is that, or any other place, freshly wet" in shown
    both = " ".join(else_text(machine, (one, other), (left,)).split())
    assert both.startswith("Do ")
    assert "They do not explain" in both
    hidden = [source for source in machine.sources if not machine.first_seen[source]]
    for source in hidden:
        assert "below or behind it," in " ".join(else_text(machine, (source,), ()).split())


def test_help_while_it_is_asked(talk: Talk, found: list[Turn]) -> None:
    for case in (found[-1][0], step(talk, found[-1][0], "yes")[0]):
        for line in ("why", "how", "where", "help", "map", "so far", "facts", "plan"):
            same, messages = step(talk, case, line)
            assert same == case
            assert "No question is waiting" not in text_of(messages)
        assert "leak of its own" in told(talk, case, "why")
        assert "top down" in told(talk, case, "how")
        assert "look here: 1" in told(talk, case, "where")
        same, messages = step(talk, case, "flurbs are glorping")
        assert same == case
        assert "`unknown`" in text_of(messages, "info")
        assert text_of(waiting(talk, case)) == text_of(waiting(talk, same))
        assert waiting(talk, case)[0].kind == "question"


def test_whether_anything_else_is_wet_prints_again_byte_for_byte(
    talk: Talk, found: list[Turn], run: Run, tmp_path: Path
) -> None:
    """In a pipe; cut off while it is asked, the question is shown again."""
    said = []
    case, _ = begin(talk)
    while (pending := asked(talk, case)) is not None:
        said.append(from_table(TABLE | {"wet-places": "one"})(pending, case.stage))
        case, _ = step(talk, case, said[-1])
    place = talk.expert.machine.zones[elsewhere(talk, case)].name
    done = run("ask", "--case-dir", str(tmp_path), "--case", "one", stdin="\n".join([*said, "yes", place, "quit"]))
    assert done.code == 0
    assert "Where is it wet?" in done.out
    replayed = run("replay", str(tmp_path / "one.jsonl"))
    assert (replayed.out, replayed.err, replayed.code) == (done.out, "", 0)
    for name, last in (("two", "why"), ("three", "yes")):
        run("ask", "--case-dir", str(tmp_path), "--case", name, stdin="\n".join([*said, last]))
        again = run("ask", "--case-dir", str(tmp_path), "--resume", name, stdin="no\n" if last == "why" else place)
        assert ("explain all that is wet?" if last == "why" else "Where is it wet?") in again.out
        assert again.code == 0


# --- what the repair proved --------------------------------------------------------------------------------


def called(machine: Machine, name: str) -> tuple[str, ...]:
    """The sources that the knowledge calls so, an article left out."""
    word = name.casefold().removeprefix("the ")
    return tuple(
        source
        for source, entry in machine.sources.items()
        if word in {text.casefold() for text in (source, source.replace("-", " "), entry.name, *entry.words)}
    )


def test_every_source_can_be_confirmed_by_any_of_its_names(talk: Talk) -> None:
    """And a letter left out makes none of them another source's."""
    machine, wrong, unclear, tried = talk.expert.machine, [], 0, 0
    for source, entry in machine.sources.items():
        for name in (source, entry.name, entry.name.upper(), f"the {entry.name}", *entry.words):
            named = sources_named(machine, name)
            if len(owners := called(machine, name)) == 1:
                assert named == Named((source,)), name
            else:  # the knowledge calls several so; they are not told apart in silence
                assert named == Named((), (Unclear(name.casefold(), owners, True),)), name
        for at in range(len(entry.name)):
            tried += 1
            named = sources_named(machine, entry.name[:at] + entry.name[at + 1 :])
            unclear += named.sources == ()
            wrong += [(at, source, named.sources)] if named.sources not in ((), (source,)) else []
    assert wrong == []
    assert unclear < tried / 20


def test_a_list_is_taken_apart_but_no_name(talk: Talk) -> None:
    """Some names hold a comma or an `and`."""
    machine = talk.expert.machine
    names = {source: entry.name for source, entry in machine.sources.items()}
    assert any("," in name or " and " in name for name in names.values())
    order = list(names)
    for first, second in zip(order, [*order[1:], order[0]], strict=True):
        for between in (", ", " and ", "; ", " & ", ", and "):
            named = sources_named(machine, f"the {names[first]}{between}{names[second]}")
            assert (set(named.sources), named.unclear) == ({first, second}, ()), (first, second, between)
    assert sources_named(machine, f"{names[order[1]]}, {names[order[0]]}").sources == tuple(order[:2])


@pytest.fixture
def two(talk: Talk) -> tuple[str, str]:
    """Two sources with plain names."""
    plain = [s for s, entry in talk.expert.machine.sources.items() if not {",", "and"} & set(entry.name.split())]
    return plain[0], plain[-1]


def test_confirmed_closes_the_case_and_says_so(talk: Talk, choice: Case, two: tuple[str, str]) -> None:
    names = [source_name(talk.expert.machine, source) for source in two]
    case, messages = step(talk, choice, f"confirmed {names[1]} and {names[0]}")
    assert (case.confirmed, case.asked, case.facts) == (two, None, choice.facts)
    assert event(choice, case, "x") == {"said": "x", "facts": [], "confirmed": list(two)}
    shown = text_of(messages, "note")
    assert shown.startswith(f"Confirmed: {names[0]} and {names[1]}.")
    marginals = talk.expert.diagnose(choice.facts).belief.marginals
    assert all(f"at {percent(marginals[source])}" in shown for source in two)
    assert "closes the case" in text_of(messages, "info")
    assert f"CONFIRMED BY THE REPAIR: {names[0]} and {names[1]}." in told(talk, case, "conclude")
    assert f"confirmed by the repair: {names[0]}" in told(talk, case, "facts")
    assert "CONFIRMED" not in told(talk, choice, "conclude")
    assert f"confirmed by the repair: {names[0]}" in text_of(waiting(talk, case))
    assert step(talk, case, "confirmed")[0] == case
    assert names[0] in told(talk, case, "confirmed")
    assert "Name what the repair proved" in told(talk, choice, "confirmed")


def test_a_closed_case_takes_facts_and_asks_nothing(talk: Talk, choice: Case, two: tuple[str, str]) -> None:
    closed, _ = step(talk, choice, f"confirmed {two[0]}")
    case, messages = step(talk, closed, "pan wet, red fluid")
    assert len(case.facts) == len(choice.facts) + 2
    assert (case.asked, case.confirmed) == (None, two[:1])
    assert [m.kind for m in messages] == ["note", "info"]
    assert "The case is closed" in text_of(messages)


def test_a_later_confirmed_corrects_forget_and_back_take_back(talk: Talk, choice: Case, two: tuple[str, str]) -> None:
    first, _ = step(talk, choice, f"confirmed {two[0]}")
    again, messages = step(talk, first, f"proved {two[0].replace('-', ' ')}")
    assert again == first
    assert "already" in text_of(messages)
    second, _ = step(talk, first, f"confirmed {two[1]}")
    assert second.confirmed == two[1:]
    assert event(first, second, "")["confirmed"] == [two[1]]
    back, messages = step(talk, second, "back")
    assert back.confirmed == two[:1]
    assert f"Taken back: confirmed: {source_name(talk.expert.machine, two[1])}" in text_of(messages)
    opened, messages = step(talk, second, "forget confirmed")
    assert (opened.confirmed, opened.facts) == ((), choice.facts)
    assert event(second, opened, "")["confirmed"] == []
    assert "open again" in text_of(messages)
    assert messages[-1].kind == "question"
    assert opened.asked == choice.asked
    assert step(talk, opened, "back")[0].confirmed == two[1:]
    more, _ = step(talk, step(talk, second, "red fluid")[0], "forget confirmed")
    assert (more.confirmed, more.facts) == ((), step(talk, choice, "red fluid")[0].facts)
    assert more.asked is not None
    assert step(talk, opened, "forget confirmed")[0] == opened
    assert "confirmed" not in event(choice, step(talk, choice, "unknown")[0], "")


@pytest.mark.parametrize("line", ["confirmed banana", "confirmed nothing", "confirmed none", "confirmed 1"])
def test_what_is_no_source_confirms_nothing(talk: Talk, choice: Case, two: tuple[str, str], line: str) -> None:
    for said in (line, f"{line} and {two[0]}"):
        same, messages = step(talk, choice, said)
        assert same == choice
        assert "no source is called" in text_of(messages, "error")
        assert "only proved cases are counted" in text_of(messages, "error")


def test_what_may_be_several_sources_is_asked_back(talk: Talk, choice: Case) -> None:
    machine = talk.expert.machine
    same, messages = step(talk, choice, "confirmed modulator")
    alike = [s.name for s in machine.sources.values() if any("modulator" in w.split() for w in (s.name, *s.words))]
    assert len(alike) > 1
    assert same == choice
    assert all(name in text_of(messages, "error") for name in alike)
    assert "Say which" in text_of(messages, "error")


def test_a_sight_that_was_confirmed_is_a_fact(talk: Talk, choice: Case) -> None:
    case, _ = step(talk, choice, "confirmed bellhousing hole wet")
    assert case.confirmed == ()
    assert Fact("bellhousing-hole", "wet", choice.stage) in case.facts


def test_it_is_taken_at_any_time(talk: Talk, torn: Case, whole: list[Turn], found: list[Turn]) -> None:
    (source, *_) = talk.expert.machine.sources
    doubted = found[-1][0]
    for case in (begin(talk)[0], torn, whole[-1][0], doubted, step(talk, doubted, "yes")[0]):
        after, messages = step(talk, case, f"confirmed {source}")
        assert (after.confirmed, after.facts, after.asked, after.doubt) == ((source,), case.facts, None, "")
        assert after.conflicts == case.conflicts
        assert not any(m.kind == "error" for m in messages)
    after, _ = step(talk, torn, f"confirmed {source}")
    settled, messages = step(talk, after, "2")
    assert (settled.conflicts, settled.confirmed, settled.asked) == ((), (source,), None)
    same, messages = step(talk, torn, "confirmed banana")
    assert same == torn
    assert [m.kind for m in messages] == ["error", "question"]


def test_what_was_confirmed_is_kept_listed_and_printed_again(run: Run, tmp_path: Path, two: tuple[str, str]) -> None:
    folder = ["--case-dir", str(tmp_path)]
    first = ["red fluid", f"confirmed {two[0]}", "quit"]
    said = run("ask", *folder, "--case", "one", stdin="\n".join(first)).out
    assert store.read(tmp_path / "one.jsonl").events[1]["confirmed"] == [two[0]]
    assert run("cases", *folder).out == f"one  3 inputs, confirmed: {two[0]}\n"
    assert run("cases", "show", "one", *folder).out == said
    later = run("ask", *folder, "--resume", "one", stdin=f"confirmed {two[1]}, {two[0]}\nback\nforget confirmed\n")
    assert later.code == 0
    assert "The case is closed" in later.out
    kept = [event.get("confirmed") for event in store.read(tmp_path / "one.jsonl").events]
    assert kept == [None, [two[0]], None, list(two), [two[0]], []]
    assert run("cases", *folder).out == "one  6 inputs\n"
    replayed = run("replay", str(tmp_path / "one.jsonl"))
    assert (replayed.code, replayed.err) == (0, "")
    assert replayed.out.startswith(said)


def test_a_recorded_confirmation_stands_whatever_is_read_today(talk: Talk, choice: Case, two: tuple[str, str]) -> None:
    recorded: dict[str, Any] = {"said": "it was the thing", "facts": [], "confirmed": [two[0]]}
    case, _, same = follow(talk, choice, recorded)
    assert (case.confirmed, case.facts, same) == (two[:1], choice.facts, False)
    case, messages, same = follow(talk, choice, {**recorded, "confirmed": ["no-such-part", two[1]]})
    assert (case.confirmed, same) == (two[1:], False)
    assert "Left out, for the knowledge no longer has it: confirmed: no-such-part." in text_of(messages)
    # Words that older versions did not know closed nothing then, and so do not now.
    case, _, same = follow(talk, choice, {"said": f"confirmed {two[0]}", "facts": []})
    assert (case.confirmed, same) == ((), False)
    case, _, same = follow(talk, choice, {"said": f"confirmed {two[0]}", "facts": [], "confirmed": [two[0]]})
    assert (case.confirmed, same) == (two[:1], True)


# --- any input at all --------------------------------------------------------------------------------------

PIECES = (
    "red fluid", "pan wet", "pan dry", "bellhousing hole", "damp", "wet", "dry", "unknown", "back", "forget", "so far",
    "1", "2", "3", "9", "0", "and", ",", "not", "after cleaning", "long drive", "short drive", "25 years",
    "pan gasket", "what is", "quit", "plan", "map", "where", "forget pan", "colour: red", "colour of the fluid: red",
    "why", "conclude", "yes", "no", "none",
    "confirmed pan gasket", "confirmed", "forget confirmed", "confirmed output seal and", "one wet place",
    "?", "back", "don't know", "correct", "transmission fluid low", "no drips", "highest wet point pan",
)  # fmt: skip
lines = st.one_of(
    st.lists(st.sampled_from(PIECES), min_size=1, max_size=4).map(" ".join),
    st.lists(st.sampled_from(PIECES), min_size=1, max_size=4).map(", ".join),
    st.sampled_from(PIECES),
    st.text(st.characters(exclude_categories=()), max_size=30),
)


@calm(30)
@given(said=st.lists(lines, min_size=1, max_size=9))
def test_no_input_breaks_it_or_loses_a_fact(talk: Talk, said: list[str]) -> None:
    expert, talk = talk.expert, dataclasses.replace(talk, width=40)
    case, _ = begin(talk)
    for line in said:
        before = case
        case, messages = step(talk, before, line)
        assert messages
        assert all(m.text.strip() for m in messages)
        assert all(len(row) <= talk.width and row.isprintable() for m in messages for row in m.text.split("\n"))
        command = parse(line)
        named = command[0].name if command else ""
        lost = [fact for fact in before.facts if fact not in case.facts]
        if named not in ("back", "forget") and not before.conflicts:
            assert all(enters_stage(expert, f.finding) for f in lost), (line, lost)
        assert before.conflicts or named in ("back", "forget") or len(lost) <= 1
        kept = {}
        for fact in case.facts:
            if not expert.machine.observables[fact.finding].many:
                assert kept.setdefault((fact.finding, fact.stage), fact.value) == fact.value
        assert case.asked is None or case.asked[0] in expert.machine.observables
        assert case.conflicts or case.stage == stage_of(expert, case.facts)
        assert json.loads(json.dumps(event(before, case, line)))["facts"] == [
            list(f) for f in case.facts if f not in before.facts
        ]
        assert step(talk, before, line) == (case, messages)


# --- whole cases -------------------------------------------------------------------------------------------

# Sources with a place of their own; the others share theirs with neighbours and need luck.
FOUND = ("cooler-hoses", "output-seal", "power-steering-leak", "engine-oil-pan-gasket", "fill-tube-o-ring")


def test_a_novice_gets_to_the_leak(talk: Talk) -> None:
    """On simulated vehicles, through the words a person types, with the errors a person makes."""
    world = World(talk.expert.machine)
    first = 0
    for source in FOUND:
        vehicle = world.with_leaks([source], random.Random(1))
        turns = list(walk(talk, from_vehicle(vehicle)))
        case, messages = turns[-1]
        assert case.stage != "as-found", "no conclusion without the cleaned look"
        (conclusion,) = [m for m in messages if m.kind == "conclusion"]
        for state, _ in turns:
            pending = asked(talk, state)
            if pending is not None and vehicle.observe(pending, state.stage) is not None:
                said = {f.finding for f in case.facts}
                assert pending.id in said, f"{typed(vehicle.observe(pending, state.stage))!r} was not understood"
        ranking = [name for name, _ in talk.expert.diagnose(case.facts).belief.ranking]
        assert source in ranking[:4], (source, ranking[:4])
        assert source_name(talk.expert.machine, source) in " ".join(conclusion.text.split())
        first += ranking[0] == source
    assert first >= len(FOUND) - 1


def test_the_same_input_gives_the_same_bytes(tmp_path: Path) -> None:
    """Whatever order sets and dictionaries of words happen to have in a process."""
    said = [
        "25",
        SEVERAL,
        "why",
        "unknown",
        "pan dry",
        "2",
        "back",
        "so far",
        DONE,
        "engine rear wet",
        "conclude",
        "plan",
    ]
    runs = []
    for seed in ("1", "2024"):
        folder = tmp_path / seed
        done = firstwet(
            "ask", "--case-dir", str(folder), "--case", "one", stdin="\n".join(said), env={"PYTHONHASHSEED": seed}
        )
        events = [json.loads(line) for line in (folder / "one.jsonl").read_text().splitlines()[1:]]
        runs.append((done.stdout, [{k: v for k, v in e.items() if k != "check"} for e in events]))
    assert runs[0] == runs[1]
    assert len(runs[0][1]) == len(said)
    assert "Which is right?" in runs[0][0]
