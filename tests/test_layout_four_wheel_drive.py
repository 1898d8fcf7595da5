"""Four-wheel drive with a transfer case: two fluids, two levels, and the part that lets them out or into each other."""

from __future__ import annotations

import pytest
from technician import Technician

from expert.facts import Fact
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.load import load, packaged_rules

LAYOUT = "four-wheel-drive"

CASES = [
    ("adapter-output-seal", "transmission low, transfer case overfull, no drips on the floor"),
    ("adapter-output-seal", "24 years old, transfer case level rising, transmission fluid level low, red fluid"),
    ("adapter-output-seal", "transfer case takes gear oil, adapter weep hole wet, atf at the weep hole, "
     "adapter joint dry, rear edge of the pan dry"),
    ("transfer-input-seal", "transfer case low and transmission overfull"),
    ("transfer-input-seal", "gear oil in the transfer case, bottom of the adapter wet, gear oil at the weep hole, "
     "adapter joint dry, rear of the pan dry"),
    ("adapter-gasket", "transfer case was out, cleaned and short drive, top of the case dry, "
     "joint between transmission and transfer case wet"),
    ("transfer-rear-output-seal", "cleaned and short drive, rear output of the transfer case wet, propshaft joint wet, "
     "speedo dry"),
    ("transfer-front-output-seal", "cleaned, drove 5 miles, front output of the transfer case wet, "
     "front propshaft wet, left side of the case dry"),
    ("selector-shaft-seal", "selector shaft wet, front output of the transfer case wet, front propshaft dry"),
    ("transfer-vent-overflow", "transfer case fluid was changed, top of the transfer case wet, transfer case overfull, "
     "transmission level correct"),
    ("transfer-shift-shaft-seal", "transfer case shift motor wet, oil in the shift motor"),
    ("transfer-switch-seal", "4wd switch wet, oil in the 4wd switch, top of the transfer case dry"),
    ("transfer-case-joint-sealant", "transfer case was rebuilt, chain case seam wet, top of the transfer case dry, "
     "shift motor dry"),
    ("transfer-case-pinhole", "chain slap, transfer case low, only leaks when driving, "
     "upper rear half of the transfer case wet"),
    ("transfer-drain-plug-seal", "transfer case fluid changed, cleaned and short drive, transfer case drain plug wet, "
     "transfer case fill plug dry"),
    ("speedo-drive-seal", "speedo drive wet, rear output housing joint dry, propshaft joint dry"),
    ("front-axle-pinion-seal", "drips under the engine, rotten egg smell, thick and oily, front diff pinion wet"),
    ("pan-gasket", "rear edge of the pan wet, left and right edges of the pan dry, bottom of the adapter wet"),
    ("fill-tube-o-ring", "cleaned and short drive, foot of the fill tube wet, top of the case dry, "
     "right side of the case wet"),
    ("front-pump-seal", "atf, bellhousing hole wet, fresh wet line from the hub, converter wet on the pump side"),
]  # fmt: skip


@pytest.mark.parametrize(("source", "said"), CASES)
def test_what_is_stated_leads_to_the_part(technician: Technician, source: str, said: str) -> None:
    assert technician.first(said) == source


def own_sources() -> list[str]:
    return list(load(packaged_rules()).layouts[LAYOUT].sources)


@pytest.mark.parametrize("source", own_sources())
def test_a_part_leads_where_it_alone_is_wet(technician: Technician, source: str) -> None:
    """Its chance rises, and what comes first leaks there; which of several at one place it is, a closer look tells."""
    places = technician.machine.first_seen[source]
    for zone in places:
        facts = technician.only_wet(zone)
        assert technician.chances(facts)[source] > technician.chances()[source]
        assert zone in technician.machine.first_seen[technician.ranking(facts)[0]]
    assert places


@pytest.mark.parametrize(
    ("transfer", "transmission", "way", "leader"),
    [
        ("runs out", "low", "into the transfer case", "adapter-output-seal"),
        ("below the edge", "overfull", "into the transmission", "transfer-input-seal"),
    ],
)
def test_the_two_levels_tell_which_hidden_seal_leaks(
    technician: Technician, transfer: str, transmission: str, way: str, leader: str
) -> None:
    facts = (
        Fact("transfer-level", transfer, ""),
        Fact("transmission-level", transmission, ""),
        Fact("level-check-way", "hot and running", ""),
    )
    seen = technician.expert.diagnose(facts)
    assert Fact("level-migration", way, "") in seen.trace.derived
    assert seen.belief.ranking[0][0] == leader


def test_the_filling_of_the_transfer_case_says_whose_red_fluid_it_is(technician: Technician) -> None:
    """Red fluid accuses the transfer case where it holds red fluid, and clears it where it holds gear oil."""
    where = Fact("drip-place", "under the tail", "")
    red = Fact("fluid", "transmission fluid", "")

    def chance(filling: str) -> float:
        facts = (where, red, Fact("transfer-case-fluid", filling, ""))
        return technician.expert.diagnose(facts).belief.marginals["transfer-rear-output-seal"]

    assert chance("red automatic fluid") > 3 * chance("gear oil")


def test_gear_oil_behind_the_transmission_is_the_transfer_cases_if_it_holds_any(technician: Technician) -> None:
    facts = (
        Fact("drip-place", "under the tail", ""),
        Fact("fluid", "gear oil", ""),
        Fact("transfer-case-fluid", "gear oil", ""),
    )
    first = technician.ranking(facts)[0]
    assert technician.machine.sources[first].holds == "transfer fluid"


def test_a_caution_warns_that_park_does_not_hold_it(kb: KnowledgeBase) -> None:
    """In neutral the transfer case parts the parking lock from the wheels."""
    assert "Park does not hold" in kb.cautions["transfer-neutral"].text
    own = set(kb.layouts[LAYOUT].sources)
    repairs = [repair for repair in kb.repairs.values() if own & set(repair.sources)]
    assert repairs
    assert [repair.repair for repair in repairs if "transfer-neutral" not in repair.cautions] == []


def test_it_shares_and_does_not_copy(kb: KnowledgeBase) -> None:
    mine, base = kb.machine(LAYOUT), kb.machine("rear-drive-four-speed")
    assert mine.sources.keys() & base.sources.keys() >= {"front-pump-seal", "pan-gasket", "fill-tube-o-ring"}
    assert not mine.sources.keys() & {"output-seal", "tail-housing-gasket", "modulator-o-ring"}
    assert len(mine.sources) <= 42
