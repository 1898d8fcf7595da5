"""The rear-drive manual gearbox: three fluids in one bellhousing, and what a technician states leads to the part."""

from __future__ import annotations

import pytest
from technician import Technician

from expert.facts import Fact
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.load import load, packaged_rules

LAYOUT = "manual-gearbox"

CASES = [
    ("gearbox-input-seal", "gear oil out of the bellhousing hole, clutch judders when pulling away, "
     "back of engine dry"),
    ("gearbox-input-seal", "bellhousing hole wet, smells like gear oil, rear main done twice"),
    ("gearbox-input-seal", "cable clutch, bell housing hole wet, amber, smells like gear oil, new clutch fitted"),
    ("guide-tube-gasket", "bellhousing hole wet, stinks of rotten eggs, oil from the retainer flange"),
    ("layshaft-plug", "cleaned and short drive, wet below the guide tube, gear oil at the bellhousing hole"),
    ("inside-release-cylinder", "brake fluid at the bellhousing hole, clutch reservoir keeps dropping, "
     "slave is inside"),
    ("inside-release-cylinder", "bellhousing hole wet, drop mixes with water, clutch pedal soft, concentric slave"),
    ("outside-release-cylinder", "clutch fluid low, slave cylinder wet, fluid under the slave boot"),
    ("clutch-line-leak", "cleaned and short drive, clutch hose wet, brake fluid, master cylinder dry, "
     "slave cylinder wet"),
    ("clutch-master-cylinder", "clutch fluid low, clutch pedal soft, master cylinder wet, clutch line dry"),
    ("engine-rear-main-seal", "black oil at the bellhousing hole, smells sooty, back of engine dry, clutch slips"),
    ("selector-rod-seal", "cleaned and short drive, output seal wet, selector rod wet, tunnel dry, gear oil"),
    ("gearbox-output-seal", "output seal wet, flex disc wet, gear oil, flung in a ring, selector rod dry"),
    ("reverse-switch-washer", "reverse light switch wet, oil in the reverse light switch connector, drain plug wet"),
    ("gearbox-fill-plug", "cleaned and short drive, fluid was changed, filler plug wet, top cover dry, "
     "reverse switch dry"),
    ("gearbox-drain-plug", "cleaned and short drive, fluid was changed, drain plug wet, left side of the case dry, "
     "right side of the case dry, bellhousing dry"),
    ("gearbox-speedo-seal", "cleaned and short drive, speedo drive wet, tail joint dry, gear oil"),
    ("extension-housing-gasket", "cleaned and short drive, tail housing joint wet, speedo dry, output seal dry, "
     "gear lever boot dry"),
    ("case-joint-seal", "cleaned and short drive, split line of the gearbox wet, top cover dry, gear lever boot dry, "
     "top of the gearbox dry"),
    ("gearbox-vent-overflow", "cleaned and short drive, top of the gearbox wet, overfilled, gear oil, breather clear"),
    ("gear-lever-seal", "cleaned and short drive, gear lever boot wet, gear oil, level ok"),
    ("selector-rail-plugs", "cleaned and short drive, left side of the case wet, detent plugs wet, top cover dry"),
    ("spilled-gear-oil", "cleaned and short drive, nothing wet anywhere, spilled when filling"),
    ("pinion-seal", "cleaned and short drive, diff nose wet, gear oil, back of the gearbox dry, flex disc dry"),
]  # fmt: skip


MACHINE = load(packaged_rules()).machine(LAYOUT)
ZONES = [zone for zone in MACHINE.zones if any(zone in seen for seen in MACHINE.first_seen.values())]


@pytest.mark.parametrize(("source", "said"), CASES)
def test_what_is_stated_leads_to_the_part(technician: Technician, source: str, said: str) -> None:
    assert technician.first(said) == source


@pytest.mark.parametrize("zone", ZONES)
def test_the_only_wet_place_accuses_its_own_parts(technician: Technician, zone: str) -> None:
    """With everything dry that could have run or blown onto it, a wet place accuses what escapes there."""
    here = {name for name, seen in technician.machine.first_seen.items() if zone in seen}
    before = technician.expert.diagnose(()).belief.marginals
    after = technician.expert.diagnose(technician.only_wet(zone)).belief
    assert after.ranking[0][0] in here
    assert {name for name in here if after.marginals[name] <= before[name]} == set()


@pytest.mark.parametrize(
    ("fluid", "leaders"),
    [
        ("gear oil", {"gearbox-input-seal", "guide-tube-gasket"}),
        ("brake fluid", {"inside-release-cylinder"}),
        ("engine oil", {"engine-rear-main-seal"}),
    ],
)
def test_the_fluid_names_the_seal_in_the_bellhousing(technician: Technician, fluid: str, leaders: set[str]) -> None:
    """Gearbox, clutch and engine drip from one hole, each with a fluid of its own."""
    facts = (*technician.only_wet("bellhousing-hole"), Fact("fluid", fluid, ""))
    ranking = technician.ranking(facts)
    assert set(ranking[: len(leaders)]) == leaders


@pytest.mark.parametrize(
    ("kind", "gone"),
    [
        (
            "cable",
            {"inside-release-cylinder", "outside-release-cylinder", "clutch-line-leak", "clutch-master-cylinder"},
        ),
        ("cylinder outside", {"inside-release-cylinder"}),
        ("cylinder inside", {"outside-release-cylinder"}),
    ],
)
def test_a_clutch_leaks_only_what_it_has(technician: Technician, kind: str, gone: set[str]) -> None:
    facts = (Fact("fluid", "brake fluid", ""), Fact("clutch-actuation", kind, ""))
    chances = technician.expert.diagnose(facts).belief.marginals
    hydraulic = {name for name, source in technician.machine.sources.items() if source.holds == "brake fluid"}
    assert {name for name in hydraulic if chances[name] < 0.001} == gone


def test_brake_fluid_warns_before_driving(technician: Technician) -> None:
    fired = technician.expert.diagnose((Fact("fluid", "brake fluid", ""),)).trace.fired
    cautions = {caution for index in fired for caution in technician.expert.ruleset.rules[index].rule.caution}
    assert "brakes-first" in cautions


def test_nothing_of_an_automatic_is_asked(technician: Technician) -> None:
    """A novice with a clutch pedal must not be sent to look for a torque converter, a pan or a dipstick."""
    for stated in ((), (Fact("cleaned-and-driven", "short drive", ""),), technician.only_wet("bellhousing-hole")):
        asked = set(technician.asked(*stated))
        assert asked
        assert not asked & {"transmission-level", "fluid-condition", "hub-trail", "bellhousing-endoscope", "pan-bolts",
                            "vacuum-hose", "fill-tube-play", "fill-tube-sealant", "fluid-in-coolant"}  # fmt: skip


def test_it_shares_and_does_not_copy(kb: KnowledgeBase) -> None:
    mine, base = kb.machine(LAYOUT), kb.machine("rear-drive-four-speed")
    assert mine.zones.keys() & base.zones.keys() >= {"bellhousing-hole", "speedo-drive", "output-seal-area"}
    assert all(source.holds != "transmission fluid" for source in mine.sources.values())
    assert len(mine.sources) <= 42
