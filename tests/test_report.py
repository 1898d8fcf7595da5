"""What is printed: no line wider than asked, everything in its order, and a caution before whatever needs one."""

from __future__ import annotations

import dataclasses
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from strategies import calm, facts_of

from expert import report
from expert.commands import help_text
from expert.conclusion import Conclusion, conclude
from expert.diagnosis import Diagnosis, Expert
from expert.facts import Fact
from expert.inspection import stage_of
from expert.knowledge.base import Machine, Observable
from expert.knowledge.model import Repair, Rule
from expert.phrases import Lexicon, understand
from expert.questions import look_ahead
from expert.repair import jobs
from expert.wording import fact_words, joined, percent, source_name, sure, wrap

WIDTHS = (40, 60, 76, 100)
SUPPORT = "Never go under a vehicle held up by a jack alone"
BURN = "burns skin"
DEFERS = "service data come first"


def flat(text: str) -> str:
    """The words of a folded text in one line, without the marks at its edge."""
    return " ".join(re.sub(r"^! ", "", text, flags=re.MULTILINE).split())


def assert_fits(text: str, width: int) -> None:
    """Lines no wider than asked, which any screen can show, and none that is blank at its end only."""
    for line in text.split("\n"):
        assert len(line) <= width, f"{len(line)} columns, not {width}: {line!r}"
        assert line.isprintable(), ascii(line)


def ending(expert: Expert, *facts: Fact) -> tuple[Diagnosis, Conclusion, str]:
    """A diagnosis, its conclusion and its stage."""
    now = expert.diagnose(facts)
    stage = stage_of(expert, facts)
    return now, conclude(expert, now, stage), stage


def said(machine: Machine, text: str) -> tuple[Fact, ...]:
    """The facts of a text."""
    reading = understand(Lexicon.of(machine), text, "as-found")
    assert not reading.not_understood
    return reading.facts


# --- widths ------------------------------------------------------------------------------------------------


@calm(8)
@given(data=st.data())
def test_any_conclusion_fits_any_width(expert: Expert, data: st.DataObject) -> None:
    machine = expert.machine
    facts = data.draw(facts_of(expert.ruleset, most=12))
    now, end, stage = ending(expert, *facts)
    for width in WIDTHS:
        assert_fits(report.conclusion_text(expert, now, end, stage, "one explanation stands out", width), width)
        assert_fits(report.plan_text(expert, end, width), width)
        assert_fits(report.ranking_text(machine, now.belief.ranking, width, most=99), width)
        assert_fits(report.facts_text(machine, facts, width), width)
        assert_fits(report.map_text(machine, facts, stage, (), width), width)
        for reason in (*end.reasons, *end.against):
            assert_fits(report.reason_text(machine, reason, width, named=False), width)


@pytest.mark.parametrize("width", WIDTHS)
def test_every_question_fits_any_width(expert: Expert, width: int) -> None:
    machine = expert.machine
    for observable in machine.observables.values():
        for entry in expert.scale.stages:
            assert_fits(report.question_text(machine, observable, entry.stage, observable.values, width), width)
    assert_fits(help_text(width), width)


@pytest.mark.parametrize("width", WIDTHS)
def test_what_answers_would_do_fits_any_width(expert: Expert, width: int) -> None:
    now = expert.diagnose(())
    for observable in list(expert.machine.observables.values())[::7]:
        question = look_ahead(expert, now, observable, "as-found")
        assert_fits(report.outlook_text(expert.machine, question, now.belief.ranking, width), width)


@pytest.mark.parametrize("width", WIDTHS)
def test_every_plan_fits_any_width(expert: Expert, width: int) -> None:
    for _, text in plans(expert, width):
        assert_fits(text, width)


# --- questions and rankings --------------------------------------------------------------------------------


def test_a_question_shows_what_is_asked_and_every_answer(expert: Expert) -> None:
    machine = expert.machine
    for observable in machine.observables.values():
        choices = observable.values[:8] if observable.kind == "zone" else observable.values
        text = report.question_text(machine, observable, "as-found", choices)
        assert flat(text).startswith(flat(observable.ask))
        numbers = [int(found) for found in re.findall(r"^ {2,3}(\d+) {2}\S", text, re.MULTILINE)]
        assert numbers == list(range(1, len(choices) + 1))
        assert ("as found" in text.split("(about")[0].rsplit("(", 1)[-1]) == observable.staged
        assert f"about {observable.minutes:g} minute" in flat(text)
        if observable.kind == "number":
            assert observable.unit in text
        elif observable.kind == "zone":
            assert "name another place in your own words" in flat(text)
            assert all(machine.zones[zone].name in flat(text) for zone in choices)
        else:
            assert all(value in flat(text) for value in choices)


@pytest.mark.parametrize("width", WIDTHS)
def test_bars_are_as_long_as_chances_are_high(machine: Machine, width: int) -> None:
    ranking = [(source, 1 - at / 20) for at, source in enumerate(list(machine.sources)[:21])]
    text = report.ranking_text(machine, ranking, width, most=21)
    bars = [len(bar) for bar in re.findall(r"^ +(?:\d+%|under 1%|over 99%) +(#*)", text, re.MULTILINE)]
    assert len(bars) == 21
    assert bars == sorted(bars, reverse=True)
    assert bars[-1] == 0
    assert bars[0] >= 8
    assert all(abs(bar / bars[0] - chance) <= 0.51 / bars[0] for bar, (_, chance) in zip(bars, ranking, strict=True))
    assert flat(text).startswith("over 99%")


@given(st.floats(0, 1))
def test_no_chance_is_shown_as_certain(chance: float) -> None:
    assert percent(chance) != "100%"
    assert percent(chance) != "0%" or chance == 0
    assert sure(chance)


def test_words_for_chances_are_in_their_order() -> None:
    words = list(dict.fromkeys(sure(at / 1000) for at in range(1001)))
    assert words == ["very unlikely", "unlikely", "possible", "likely", "very likely", "almost certain"]


@given(st.lists(st.sampled_from(["a", "b", "c"]), min_size=1, max_size=4))
def test_joined_names(names: list[str]) -> None:
    assert re.split(", | and ", joined(names)) == names


@given(st.text("ab -", max_size=200).filter(str.strip), st.integers(20, 90))
def test_folding_keeps_the_words(text: str, width: int) -> None:
    folded = wrap(text, width, "  - ")
    assert all(len(line) <= width for line in folded.split("\n"))
    if all(len(word) <= width - 4 for word in text.split()):
        assert f"- {text}".split() == folded.split()


# --- conclusions -------------------------------------------------------------------------------------------

FRONT = "red fluid, bellhousing hole wet, back of engine dry"


@calm(12)
@given(data=st.data())
def test_a_conclusion_says_all_it_holds(expert: Expert, data: st.DataObject) -> None:
    machine = expert.machine
    now, end, stage = ending(expert, *data.draw(facts_of(expert.ruleset, most=12)))
    text = flat(report.conclusion_text(expert, now, end, stage))
    marginals = dict(end.ranking)
    sure_of = [source for source in end.sources if marginals[source] >= expert.scale.stands_out]
    found = sure_of if end.looked and not end.alone else []
    assert text.startswith("CONCLUSION: " if end.alone else "FOUND: " if found else "NO SINGLE EXPLANATION STANDS OUT.")
    likely = [source for source, chance in end.ranking[:4] if chance >= 0.1]
    shown = end.sources if end.alone else [*found, *likely]
    headline = text.split("How likely each source is")[0]
    for source in shown:
        assert source_name(machine, source) in headline
    assert ("What else may leak beside it is not settled" in headline) == (
        not end.alone and not found and len(likely) == 1
    )
    assert ("Whether anything else leaks too is not settled" in headline) == bool(found)
    for reason in (*end.reasons, *end.against):
        assert f"[{reason.rule}]" in text
        assert flat(reason.because) in text
    assert ("What speaks against it:" in text) == bool(end.against)
    for fact in end.unexplained:
        assert flat(fact_words(machine, fact)) in text
    for question in end.changers:
        assert flat(question.observable.ask) in text
    for zone in end.not_looked:
        assert machine.zones[zone].name in text
    for _, advice in end.advice:
        assert flat(advice) in text
    for job in end.jobs:
        assert f"Repair: {flat(job.repair.name)}" in text
    assert ("buy no part on the strength of it" in text) == (not end.looked)
    unsettled = [job for job in end.jobs if not end.alone and not set(job.sources) <= set(found)]
    assert text.count("Do not buy parts yet") == len(unsettled)
    for name in end.cautions:
        assert flat(machine.base.cautions[name].text) in text


@calm(12)
@given(data=st.data())
def test_cautions_stand_before_whatever_a_conclusion_sends_one_to_do(expert: Expert, data: st.DataObject) -> None:
    machine = expert.machine
    now, end, stage = ending(expert, *data.draw(facts_of(expert.ruleset, most=8)))
    text = flat(report.conclusion_text(expert, now, end, stage))
    order = [machine.base.cautions[name].order for name in end.cautions]
    assert order == sorted(order)
    last = text.rfind("CAUTION: ")
    for what in (
        "Clean everything, drive",
        "What would change its mind",
        "What would part them",
        "First: - ",
        "Repair: ",
    ):
        assert what not in text or last < text.index(what), what
    needed = {caution for question in end.changers for caution in question.observable.cautions}
    needed |= {c for f in now.trace.firings for c in f.rule.rule.caution}
    assert needed <= set(end.cautions)
    if not end.looked:
        assert SUPPORT in text
    again = report.conclusion_text(expert, now, end, stage, cautioned=end.cautions)
    assert "CAUTION" not in again


def test_a_conclusion_of_nothing(expert: Expert) -> None:
    now, end, stage = ending(expert)
    text = flat(report.conclusion_text(expert, now, end, stage))
    assert text.startswith("NO SINGLE EXPLANATION STANDS OUT.")
    assert "Why:" not in text


@pytest.mark.parametrize("looked", [True, False])
@pytest.mark.parametrize("other", ["believed too", "possible"])
def test_what_is_found_is_said_although_more_may_leak(expert: Expert, looked: bool, other: str) -> None:
    """One source stands out by itself after the cleaned look and a second does not: only the first may be mended."""
    machine, limit = expert.machine, expert.scale.stands_out
    first, second = (repair for repair, _ in plans(expert)[:2])
    sure_one, possible = (next(s for s in repair.sources if s in machine.sources) for repair in (first, second))
    chances = {sure_one: (1 + limit) / 2, possible: 0.4}
    ranking = (*chances.items(), *((source, 0.01) for source in machine.sources if source not in chances))
    believed = (sure_one, possible) if other == "believed too" else (sure_one,)
    made = jobs(machine, believed, dict(ranking))
    now, end, stage = ending(expert)
    end = dataclasses.replace(end, alone=False, looked=looked, sources=believed, ranking=ranking, either=(), jobs=made)
    text = flat(report.conclusion_text(expert, now, end, stage))
    plan = flat(report.plan_text(expert, end))
    headline = text.split("How likely each source is")[0]
    assert f"{source_name(machine, possible)} ({percent(0.4)})" in headline
    if looked:
        assert headline.startswith(f"FOUND: a leak at {source_name(machine, sure_one)} (")
        assert "Mend it, then clean, drive and look again." in headline
    else:
        assert headline.startswith("NO SINGLE EXPLANATION STANDS OUT.")
    # Each repair whose own source is not sure enough says so, and no other.
    waiting = len(made) - looked
    assert text.count("Do not buy parts yet") == waiting
    assert plan.count("Do not buy parts yet") == waiting


def test_the_reason_it_stopped_is_told(expert: Expert) -> None:
    now, end, stage = ending(expert, *said(expert.machine, FRONT))
    assert "(no further question is worth its minutes)" in report.conclusion_text(
        expert, now, end, stage, "no further question is worth its minutes"
    )


def test_the_map_marks_what_is_blamed(expert: Expert) -> None:
    now, end, stage = ending(expert, *said(expert.machine, FRONT))
    text = report.conclusion_text(expert, now, end, stage)
    assert "* look here: " in text
    assert "# wet: 1 " in text


# --- plans -------------------------------------------------------------------------------------------------


def plans(expert: Expert, width: int = 76) -> list[tuple[Repair, str]]:
    """Every repair of the layout with its plan, as the conclusion that its sources leak would print it."""
    base = expert.diagnose(())
    end = conclude(expert, base, stage_of(expert, ()))
    found = []
    for repair in expert.machine.base.repairs.values():
        sources = tuple(source for source in repair.sources if source in expert.machine.sources)
        if sources:
            made = jobs(expert.machine, sources, base.belief.marginals)
            assert [job.repair for job in made] == [repair]
            text = report.plan_text(expert, dataclasses.replace(end, alone=True, sources=sources, jobs=made), width)
            found.append((repair, text))
    return found


def test_every_source_has_a_plan(expert: Expert) -> None:
    mended = {source for repair, _ in plans(expert) for source in repair.sources}
    assert set(expert.machine.sources) <= mended


def test_a_plan_has_cautions_then_steps_then_parts(expert: Expert) -> None:
    known = expert.machine.base.cautions
    for repair, text in plans(expert):
        words = flat(text.replace("  ! ", "  "))
        assert words.startswith(f"REPAIR: {flat(repair.name)} (access: ")
        at = 0
        wanted = [
            f"CAUTION: {known[name].text}" for name in sorted(repair.cautions, key=lambda name: known[name].order)
        ]
        wanted += [f"{number} {step}" for number, step in enumerate(repair.steps, start=1)]
        wanted += ["Parts: " + "; ".join(repair.parts)] if repair.parts else []
        wanted += ["In the same visit: " + "; ".join(repair.same_visit)] if repair.same_visit else []
        for piece in wanted:
            place = words.find(flat(piece), at)
            assert place >= 0, f"{repair.repair}: {piece!r} is missing or out of its order"
            at = place + 1


def test_every_plan_defers_to_the_service_data(expert: Expert) -> None:
    assert [repair.repair for repair, text in plans(expert) if DEFERS not in flat(text)] == []


def test_every_plan_warns_before_one_goes_under_and_before_hot_fluid(expert: Expert) -> None:
    for repair, text in plans(expert):
        words = flat(text.replace("  ! ", "  "))
        assert words.index(SUPPORT) < words.index(flat(repair.steps[0])), repair.repair
        if OPENS.search(" ".join(repair.steps)) and DEALS_WITH_FLUID.search(" ".join(repair.steps)):
            assert words.index(BURN) < words.index(flat(repair.steps[0])), repair.repair


def test_parts_are_not_to_be_bought_on_a_guess(expert: Expert) -> None:
    _, end, _ = ending(expert, *said(expert.machine, FRONT))
    for alone in (True, False):
        text = report.plan_text(expert, dataclasses.replace(end, alone=alone))
        assert ("Do not buy parts yet" in text) == (not alone)


# --- cautions of everything that is asked or advised -------------------------------------------------------
# What is meant is read off the words themselves, so that a new question or rule is held to it too.

GOES_UNDER = re.compile(
    r"from (?:in front and )?below|(?<!fluid )under(?:neath)? (?:it|the (?:vehicle|car))|look (?:under|again|at once)"
    r"|get (?:out from )?under|jack stands|on stands|ramps|lower cover|pan bolts|the fittings|clear the vent"
    r"|wipe the hole|clean (?:everything|the whole case|engine rear|and dry)",
    re.IGNORECASE,
)
OPENS = re.compile(r"\b(?:drain|draw|undo|pull|take (?:off|out)|loosen|unscrew|disconnect)\b", re.IGNORECASE)
DEALS_WITH_FLUID = re.compile(r"fluid|oil|drain", re.IGNORECASE)
RUNNING = re.compile(r"\b(?:idl(?:e|es|ing)|engine running|warm|hot)\b", re.IGNORECASE)
TOUCHES = re.compile(r"wipe|towel|dipstick|drop on|catch", re.IGNORECASE)


def words_of(observable: Observable) -> str:
    """All that a question tells one to do."""
    return " ".join((observable.ask, observable.how, observable.where, *observable.tools))


def asked_for(expert: Expert) -> list[Observable]:
    """Everything that can be asked."""
    return [observable for observable in expert.machine.observables.values() if observable.ask]


def test_every_question_that_goes_under_the_vehicle_says_how_it_is_held(expert: Expert) -> None:
    assert SUPPORT in expert.machine.base.cautions["under-vehicle"].text
    needing = [o for o in asked_for(expert) if GOES_UNDER.search(words_of(o))]
    assert len(needing) > 15
    assert [o.id for o in needing if "under-vehicle" not in o.cautions] == []


def test_every_question_that_handles_hot_fluid_says_that_it_burns(expert: Expert) -> None:
    assert BURN in expert.machine.base.cautions["hot-fluid"].text
    for observable in asked_for(expert):
        how = observable.how
        if RUNNING.search(how) and TOUCHES.search(how) and not re.search(r"cold|never open|cool\b", how, re.IGNORECASE):
            assert "hot-fluid" in observable.cautions, observable.id
        if OPENS.search(how) and DEALS_WITH_FLUID.search(how):
            assert {"hot-fluid", "engine-off-cool"} & {*observable.cautions} or "Ask " in how, observable.id


def advising(expert: Expert) -> list[tuple[Rule, str]]:
    """Every rule that tells one to do something, with what it says."""
    found = [(rule, f"{rule.first_do or ''} {rule.advise or ''}") for rule in expert.machine.base.rules.values()]
    return [(rule, text) for rule, text in found if text.strip()]


def test_every_rule_that_sends_one_under_the_vehicle_says_how_it_is_held(expert: Expert) -> None:
    sends = [rule for rule, text in advising(expert) if GOES_UNDER.search(text)]
    assert len(sends) > 5
    assert [rule.rule for rule in sends if "under-vehicle" not in rule.caution] == []
