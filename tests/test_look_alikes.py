"""What is taken for a leak of the transmission: whole cases as a technician states them, and how bad a leak is."""

from __future__ import annotations

import pytest

from expert.conclusion import conclude
from expert.diagnosis import Diagnosis, Expert
from expert.facts import Fact
from expert.phrases import Lexicon, understand

FOUND, CLEAN = "as-found", "after-clean"

# Stage, what is stated, and the source that comes first. Common practice, no source, as the rules they try are.
CASES = [
    # engine oil
    (CLEAN, "engine oil, oil filter area wet, wet from the joint of the housing, bellhousing dry", "oil-filter-seal"),
    (FOUND, "started right after the oil change, oil filter changed, drips under the engine, black", "oil-filter-seal"),
    (FOUND, "oil pan gasket replaced, engine oil, drips under the engine, leaks on cold start", "oil-filter-seal"),
    (CLEAN, "engine oil, back of the engine wet, oil pressure switch wet, valve cover dry", "oil-pressure-switch"),
    (CLEAN, "bellhousing hole wet, engine oil, oil in the oil pressure switch plug", "oil-pressure-switch"),
    (CLEAN, "turbo engine, engine oil, turbo drain wet, oil pan wet, oil filter dry", "turbo-oil-drain"),
    (CLEAN, "engine oil, back of the engine wet, oil pressure switch dry, valve cover dry", "engine-rear-plugs"),
    # coolant, and water that is none
    (CLEAN, "coolant, heater hoses wet, back of the engine wet", "heater-hose"),
    (FOUND, "heater smells sweet, green, smells sweet, condensate drain wet", "heater-hose"),
    (CLEAN, "coolant, heater hoses dry, back of the engine wet", "coolant-leak"),
    (CLEAN, "radiator wet, green, sticky, crust along the radiator tank", "radiator-tank"),
    (FOUND, "fluid is milky, oil in the coolant, losing coolant", "cooler"),
    (FOUND, "only drips with the a/c on, clear liquid, drips under the pan", "condensate-or-rain"),
    (FOUND, "clear liquid, no smell, feels like plain water, spot dried up", "condensate-or-rain"),
    # brakes, steering, axle, fuel
    (FOUND, "inside of the tyre wet, thin and slippery, dissolves in water", "brake-hydraulics"),
    (FOUND, "pedal sinks, brake fluid is low, drips under the engine", "brake-hydraulics"),
    (FOUND, "red, drips when turning the wheel, drips under the engine", "power-steering-leak"),
    (CLEAN, "front of the diff wet, smells of sulphur, thick and slippery, output seal dry", "pinion-seal"),
    (FOUND, "smells of petrol, back of the engine wet, spot is gone", "fuel-line"),
    (FOUND, "was rust-proofed, waxy, flexible coupling damp", "wax-or-grease"),
    # what looks like a neighbour's and is the transmission's own
    (CLEAN, "front of the diff wet, transmission fluid, flexible coupling wet, output seal wet", "output-seal"),
    (FOUND, "towed on a rope, drips under the tail, red, output shaft has play", "output-seal"),
    (CLEAN, "transmission fluid, bellhousing hole wet, wet at the pump edge", "pump-housing-o-ring"),
]  # fmt: skip


@pytest.fixture(scope="module")
def lexicon(expert: Expert) -> Lexicon:
    return Lexicon.of(expert.machine)


@pytest.mark.parametrize(("stage", "text", "first"), CASES, ids=[f"{first}: {text[:40]}" for _, text, first in CASES])
def test_a_stated_case_ends_at_its_source(expert: Expert, lexicon: Lexicon, stage: str, text: str, first: str) -> None:
    reading = understand(lexicon, text, stage, None)
    assert reading.facts, text
    assert not reading.contradictions, text
    now = expert.diagnose(reading.facts)
    assert now.belief.ranking[0][0] == first, [(f.finding, f.value) for f in reading.facts]


def test_water_on_the_case_is_no_leak_but_transmission_fluid_there_is(expert: Expert) -> None:
    """The same place with another fluid: what is not a leak takes the case only where the fluid is water."""
    where = [Fact("case-right", "wet", CLEAN), Fact("condensate-drain", "damp", CLEAN)]
    water = expert.diagnose([*where, Fact("fluid", "water")]).belief.marginals["condensate-or-rain"]
    fluid = expert.diagnose([*where, Fact("fluid", "transmission fluid")]).belief.marginals["condensate-or-rain"]
    assert water > 0.9 > fluid


def test_an_engine_without_a_turbocharger_has_no_drain_of_one(expert: Expert) -> None:
    wet = [Fact("turbo-drain", "wet", CLEAN), Fact("fluid", "engine oil")]
    assert expert.diagnose(wet).belief.ranking[0][0] == "turbo-oil-drain"
    assert expert.diagnose([*wet, Fact("turbocharger", "no")]).belief.marginals["turbo-oil-drain"] < 0.05


@pytest.mark.parametrize(
    ("finding", "value"),
    [("fluid", "brake fluid"), ("brake-pedal", "sinks"), ("leak-under", "braking"), ("fuel-smell", "yes")],
)
def test_brakes_and_fuel_come_before_the_leak(expert: Expert, finding: str, value: str) -> None:
    """Whatever else was found, one is told not to drive or start it, and warned."""
    now = expert.diagnose([Fact(finding, value), Fact("pan-bottom", "wet", FOUND)])
    fired = [expert.ruleset.rules[index].rule for index in now.trace.fired]
    said = " ".join(rule.first_do or "" for rule in fired)
    assert "Do not drive" in said or "Do not start" in said
    assert {"brakes-first", "fuel-fire"} & {caution for rule in fired for caution in rule.caution}


# --- how bad it is --------------------------------------------------------------------------------------


def classes(now: Diagnosis) -> set[str | float]:
    return {fact.value for fact in now.trace.facts if fact.finding == "leak-class"}


# Leakage classes I, II and III: US Army TM 9-2510-247-13&P, WP 0031; TM 5-3895-369-14, paragraph 4-10. Of fuel none
# is allowed: TM 5-3805-290-23-2 and TM 5-3895-383-24.
@pytest.mark.parametrize(
    ("facts", "meant"),
    [
        ([Fact("drop-state", "no drops")], {"class I seepage"}),
        ([Fact("drop-state", "drops hang")], {"class II hanging drops"}),
        ([Fact("drop-state", "drops fall")], {"class III falling drops"}),
        ([Fact("drop-state", "steady stream")], {"class III falling drops"}),
        ([Fact("puddle", "few drops")], {"class III falling drops"}),
        ([Fact("drips-per-minute", 0.1)], {"class III falling drops"}),
        ([Fact("drips-per-minute", 0.0)], set()),
        ([Fact("puddle", "none")], set()),
        ([Fact("drop-state", "no drops"), Fact("fluid", "fuel")], {"class I seepage", "none allowed"}),
    ],
)
def test_the_class_of_a_leak(expert: Expert, facts: list[Fact], meant: set[str]) -> None:
    assert classes(expert.diagnose(facts)) == meant


# The same manuals: classes I and II may run with levels checked more often; III may finish while the level is in range
# and it drips; a stream or a level below minimum: do not run.
@pytest.mark.parametrize(
    ("facts", "says", "not_said"),
    [
        ([Fact("drop-state", "no drops")], "It may be driven", "Do not run"),
        ([Fact("drop-state", "drops hang")], "It may be driven", "Do not run"),
        ([Fact("drop-state", "drops fall"), Fact("own-level", "between the marks")], "may be driven as", "Do not run"),
        ([Fact("drop-state", "drops fall"), Fact("own-level", "below the mark")], "Do not run it", "may be driven"),
        (
            [Fact("drop-state", "drops fall"), Fact("transmission-level", "correct"), Fact("fluid", "engine oil")],
            "it may run only while",
            "may be driven",
        ),
        ([Fact("puddle", "saucer"), Fact("transmission-level", "low")], "Do not run it", "may be driven"),
        ([Fact("drop-state", "steady stream")], "Switch the engine off at once", "may be driven"),
        ([Fact("drop-state", "no drops"), Fact("fluid", "brake fluid")], "Do not drive it, whatever", "Do not run"),
        ([Fact("drop-state", "no drops"), Fact("fluid", "fuel")], "Do not start the engine", "Do not run"),
    ],
)  # fmt: skip
def test_what_the_class_means_for_driving_on(expert: Expert, facts: list[Fact], says: str, not_said: str) -> None:
    end = conclude(expert, expert.diagnose(facts), FOUND)
    said = " ".join(" ".join(text.split()) for _, text in end.advice)
    assert says in said
    assert not_said not in said
