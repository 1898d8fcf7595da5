"""The rules that travel with the program: sound, complete, sourced, safe, and each doing what its examples say."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml

from expert.diagnosis import Expert
from expert.facts import Fact
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.load import load, packaged_rules
from expert.knowledge.model import ExampleFacts, Rule
from expert.knowledge.problems import KnowledgeError
from expert.lint import example_facts, fits, plainly, survey
from expert.reference import chain as chain_plainly

COMMON_PRACTICE = "common practice, no source"
# Public works that were read; a basis begins with one of them or is common practice.
PUBLIC_SOURCES = (
    "US Army TM 9-",
    "US Navy training course 14050",
    "29 CFR ",
    "40 CFR ",
    "Scald-prevention table in the line of Moritz and Henriques 1947",
)

# Words that begin with a capital inside a sentence and are no maker's, vehicle's or product's name.
CAPITALS = {
    "O-ring": "a shape", "O-rings": "a shape", "I": "a class of leakage", "II": "a class of leakage",
    "III": "a class of leakage", "Park": "a lever position", "Neutral": "a lever position",
    "Used": "on a container's label", "Oil": "on a container's label", "I'm": "the first person", "kPa": "a unit",
    "kJ": "a unit", "L": "a unit", "mL": "a unit", "C": "degrees", "F": "degrees, or an author's initial",
    "UV": "light", "RTV": "a kind of sealant", "ATF": "a fluid", "Z": "a zone variable", "U": "a zone variable",
    "US": "public sources", "Army": "public sources", "Navy": "public sources", "TM": "public sources",
    "WP": "public sources", "P": "public sources", "CFR": "public sources", "WAC": "public sources",
    "Washington": "public sources", "ASTM": "public sources", "C1055": "public sources", "ISO": "public sources",
    "AS": "public sources", "AS568": "public sources", "SAE": "public sources", "J1701M": "public sources",
    "API": "public sources", "MPMS": "public sources", "D1250": "public sources", "D": "a table, or an initial",
    "USP": "public sources", "CRC": "public sources", "Handbook": "public sources", "Chemistry": "public sources",
    "Physics": "public sources", "Engineers'": "public sources", "Encyclopaedia": "public sources",
    "Britannica": "public sources", "ACS": "public sources", "Rubber": "public sources", "Division": "public sources",
    "Lord": "a title", "Rayleigh": "authors", "Rayleigh's": "authors", "Harkins": "authors", "W": "an author's initial",
    "E": "an author's initial", "Pazur": "authors", "Cormier": "authors", "Korhan-Tayma": "authors",
    "Jaeschke": "authors", "Guyatt": "authors", "Sackett": "authors", "Kass": "authors", "Raftery": "authors",
    "Moritz": "authors", "Henriques": "authors", "JAMA": "journals", "JASA": "journals",
}  # fmt: skip
# Words that stand only at the beginnings of sentences here; plain English, no names.
BEGINNINGS = {
    "Adjust", "Counters", "Disconnect", "Dyes", "Fix", "High-pressure", "Hook", "Joints", "Judge", "Keeping", "Letting",
    "People", "Pick", "Pour", "Prove", "Reckon", "Said", "Scald-prevention", "Treat", "Unscrew", "Wedges",
}  # fmt: skip
# Letters and digits in one word could be a maker's code for a vehicle or a unit.
MIXED = {
    "4-speed", "4wd", "2wd", "4x4", "4-wheel",  # kinds of drive
    "9-2510-247-13&P", "11th", "54D", "AS568", "C1055", "D1250", "J1701M",  # public sources: numbers, tables, editions
    "m3",  # a unit
}  # fmt: skip


def rule_names() -> list[str]:
    """The ids of all rules, for one test each; none where the knowledge does not load (a test of its own says so)."""
    try:
        return list(load(packaged_rules()).rules)
    except KnowledgeError:
        return []


def texts(rules: Path) -> Iterator[tuple[str, str]]:
    """Every text of every file, keys included, with the file's name."""

    def inside(value: object) -> Iterator[str]:
        if isinstance(value, dict):
            for key, part in value.items():
                yield key
                yield from inside(part)
        elif isinstance(value, list):
            for part in value:
                yield from inside(part)
        elif isinstance(value, str):
            yield value

    for path in sorted(rules.rglob("*.yaml")):
        for text in inside(yaml.load(path.read_text(encoding="utf-8"), yaml.BaseLoader)):
            yield path.relative_to(rules).as_posix(), text


# --- as a whole ------------------------------------------------------------------------------------------


def test_nothing_is_wrong(rules: Path) -> None:
    found = survey(rules, plainly)
    assert found.base is not None
    assert [str(problem) for problem in found.problems] == []


def test_enough_sources_and_rules(kb: KnowledgeBase) -> None:
    assert len(kb.machine(kb.default_layout).sources) >= 24
    assert len(kb.rules) >= 60


def test_every_rule_grounds_on_each_layout_it_names_or_on_some(kb: KnowledgeBase, experts: dict[str, Expert]) -> None:
    grounded = {name: {made.rule.rule for made in expert.ruleset.rules} for name, expert in experts.items()}
    assert set().union(*grounded.values()) == set(kb.rules)
    named = {(layout, name) for name, rule in kb.rules.items() for layout in rule.layouts}
    assert {(layout, name) for layout, name in named if name not in grounded[layout]} == set()
    assert {(layout, name) for layout, names in grounded.items() for name in names if kb.rules[name].layouts} == named


# --- each rule -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", rule_names())
def test_rule_does_what_its_examples_say(name: str, kb: KnowledgeBase, experts: dict[str, Expert]) -> None:
    """On every layout that has the rule and all that the example names; on the first of them with both engines."""
    rule = kb.rules[name]
    unlike: list[str] = []
    for should_fire, examples in ((True, rule.examples.fires), (False, rule.examples.not_fires)):
        for example in examples:
            done = []
            for layout, expert in experts.items():
                mine = expert.ruleset.by_rule.get(name, frozenset())
                if not mine or not fits(expert.machine, example):
                    continue
                facts = example_facts(expert.machine, rule, example)
                plain = chain_plainly(expert.ruleset, facts)
                if not done:
                    assert expert.chain(facts) == plain
                done.append(bool(plain.fired & mine) is should_fire)
                unlike += [] if done[-1] else [f"{layout}: {example}"]
            assert any(done), example
    # On another layout's map the same places may lie otherwise.
    assert unlike == [] or rule.for_each or "every zone" in str(rule.when)


def test_examples_that_must_not_fire_are_near_misses(kb: KnowledgeBase) -> None:
    """A counter-example shares a finding or a place with an example, or it would prove nothing."""

    def words(example: ExampleFacts) -> set[str]:
        return {*example, *(value for value in example.values() if value in kb.zones)}

    far = [
        (name, example)
        for name, rule in kb.rules.items()
        for example in rule.examples.not_fires
        if not any(words(example) & words(firing) for firing in rule.examples.fires)
        # Where any value of the one finding fires the rule, only another finding can be the counter-example.
        and rule.when.all != ({next(iter(rule.examples.fires[0])): next(iter(rule.for_each), "")},)
    ]
    assert far == []


def test_without_its_facts_no_rule_fires(expert: Expert) -> None:
    assert expert.chain([]).fired == frozenset()
    assert chain_plainly(expert.ruleset, []).fired == frozenset()


def test_a_dry_vehicle_is_blamed_for_nothing(expert: Expert) -> None:
    stages = [entry.stage for entry in expert.scale.stages]
    zones = [zone.zone for zone in expert.machine.zones.values() if zone.visible]
    for stage in stages:
        trace = expert.chain([Fact(zone, "dry", stage) for zone in zones])
        assert not [
            expert.ruleset.rules[index].rule.rule for index in trace.fired if expert.ruleset.rules[index].explains
        ]


# --- words -----------------------------------------------------------------------------------------------


def test_every_rule_has_a_reason_in_sentences(kb: KnowledgeBase) -> None:
    bad = [
        name
        for name, rule in kb.rules.items()
        if not (rule.because[0].isupper() and rule.because.rstrip().endswith(".") and len(rule.because.split()) >= 4)
    ]
    assert bad == []


@pytest.mark.parametrize("kind", ["rules", "sources", "repairs", "cautions"])
def test_every_basis_is_a_public_source_or_common_practice(kb: KnowledgeBase, kind: str) -> None:
    entries: dict[str, Rule] = getattr(kb, kind)
    bad = {
        name: entry.basis
        for name, entry in entries.items()
        if entry.basis != COMMON_PRACTICE and not entry.basis.startswith(PUBLIC_SOURCES)
    }
    assert bad == {}


def test_a_citation_says_what_it_was_read_for(kb: KnowledgeBase) -> None:
    """A public source carries its place and, in brackets, what stands there."""
    bad = [rule.basis for rule in kb.rules.values() if rule.basis != COMMON_PRACTICE and not rule.basis.endswith(")")]
    assert bad == []


def test_no_names_of_makers_vehicles_or_products(rules: Path) -> None:
    """A capital inside a sentence marks a name, and the few that are meant are listed with what they are."""
    found = {
        (file, word)
        for file, text in texts(rules)
        for sentence in re.split(r"(?<=[.!?:;(])\s*", text)
        for word in re.findall(r"[A-Za-z][\w'’-]*", sentence)[1:]
        if word != word.lower() and word not in CAPITALS
    }
    assert found == set(), "if it is no name, add it to CAPITALS with what it is"


def test_no_names_at_the_beginnings_of_sentences(rules: Path) -> None:
    """A word that begins a sentence stands, in some form, in lower case elsewhere, unless it is a name."""
    everything = list(texts(rules))
    lower = {word for _, text in everything for word in re.findall(r"[a-z][\w'’-]*", text)}
    found = {
        (file, first[0])
        for file, text in everything
        for sentence in re.split(r"(?<=[.!?:;(])\s*", text)
        if (first := re.search(r"[A-Za-z][\w'’-]*", sentence)) and first[0] != first[0].lower()
        if first[0].lower() not in lower and first[0] not in CAPITALS.keys() | BEGINNINGS
    }
    assert found == set(), "if it is no name, add it to BEGINNINGS"


def test_no_codes_of_units(rules: Path) -> None:
    found = {
        (file, word)
        for file, text in texts(rules)
        for word in re.findall(r"[A-Za-z0-9][\w&-]*", text)
        if re.search(r"\d", word) and re.search(r"[A-Za-z]", word) and word not in MIXED
    }
    assert found == set(), "if it is no maker's code, add it to MIXED"


def test_questions_are_plain_questions(kb: KnowledgeBase) -> None:
    asked = {name: finding.ask for name, finding in kb.findings.items() if finding.ask}
    assert {name: ask for name, ask in asked.items() if "?" not in ask} == {}
    assert {name: ask for name, ask in asked.items() if len(ask.split()) > 40} == {}


# --- safety ----------------------------------------------------------------------------------------------


def test_what_is_done_below_the_vehicle_warns_of_it(kb: KnowledgeBase) -> None:
    """A place that is looked at from below is repaired from below, and so is whatever needs parts taken off there."""
    below = {name for name, zone in kb.zones.items() if "under-vehicle" in zone.cautions}
    assert below
    machine = kb.machine(kb.default_layout)
    bad = [
        name
        for name, repair in kb.repairs.items()
        if "under-vehicle" not in repair.cautions
        and (
            any(zone in below for source in repair.sources for zone in kb.sources[source].zones)
            or any(zone in below for source in repair.sources for zone in machine.first_seen.get(source, ()))
            or repair.access != next(iter(kb.access))
        )
    ]
    assert bad == []


def test_what_opens_the_fluid_side_warns_of_hot_fluid(kb: KnowledgeBase) -> None:
    opens = re.compile(r"\b(drain|catch|let\b.*\b(oil|fluid|coolant)\b.*\b(down|out|run))", re.IGNORECASE)
    fluid = next(iter(kb.scale.fluids))
    bad = [
        name
        for name, repair in kb.repairs.items()
        if "hot-fluid" not in repair.cautions
        and (
            any(kb.sources[source].holds == fluid for source in repair.sources)
            or any(opens.search(step) for step in repair.steps)
        )
    ]
    assert bad == []


def test_every_repair_defers_to_the_service_data_and_disposal(kb: KnowledgeBase) -> None:
    for caution in ("service-data", "used-fluid", "eye-protection"):
        assert [name for name, repair in kb.repairs.items() if caution not in repair.cautions] == [], caution


def test_the_cautions_say_what_they_must(kb: KnowledgeBase) -> None:
    said = {name: " ".join(caution.text.lower().split()) for name, caution in kb.cautions.items()}
    assert "jack alone" in said["under-vehicle"]
    assert "stands" in said["under-vehicle"]
    assert "level" in said["under-vehicle"]
    assert "cool" in said["hot-fluid"]
    assert "goggles" in said["eye-protection"]
    assert "drain" in said["used-fluid"]
    assert "local codes" in said["service-data"]
    orders = [caution.order for caution in kb.cautions.values()]
    assert len(set(orders)) == len(orders)
    assert kb.cautions["under-vehicle"].order == min(orders)


def test_steps_that_look_from_below_warn_first(kb: KnowledgeBase) -> None:
    """Whoever is told to go, crawl or look beneath the vehicle is warned with the same question."""
    beneath = re.compile(
        r"\b(from below|crawl|under the vehicle|beneath the vehicle|go under|lie under)\b", re.IGNORECASE
    )
    entries = [*kb.findings.values(), *kb.zones.values()]
    bad = [
        entry.name
        for entry in entries
        if any(beneath.search(text or "") for text in (entry.ask, entry.how)) and "under-vehicle" not in entry.cautions
    ]
    assert bad == []
