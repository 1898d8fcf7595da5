"""The double-clutch gearbox with clutches in oil: what drips off the mechatronic's cover mostly came from above."""

from __future__ import annotations

import pytest
from technician import Technician

from expert.facts import Fact
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.load import load, packaged_rules

LAYOUT = "double-clutch"

CASES = [
    ("mechatronic-cover-gasket", "cleaned and short drive, mechatronic cover lower edge wet, "
     "mechatronic connector dry, filter housing dry, heat exchanger dry"),
    ("wiring-plug-seal", "cleaned and short drive, bottom edge of the mechatronic cover wet, "
     "mechatronic connector wet, oil inside the connector"),
    ("wiring-plug-seal", "new mechatronic cover gasket still leaks, filter housing dry, heat exchanger dry, "
     "mechatronic connector wet, mechatronic cover wet"),
    ("bolt-on-cooler-o-rings", "cleaned and short drive, mechatronic cover wet, heat exchanger wet, gearbox fluid"),
    ("coolant-leak", "cleaned and short drive, heat exchanger wet, green, smells sweet, coolant low"),
    ("cooler", "coolant keeps going down, gearbox fluid is milky, level too high"),
    ("filter-housing-o-ring", "fluid and filter changed, filter housing wet, heat exchanger dry, "
     "drips under the gearbox"),
    ("engine-rear-main-seal", "cleaned and short drive, bellhousing hole wet, black, smells sooty, valve cover dry, "
     "back of the engine dry, oil filter dry, oil pan dry"),
    ("axle-seal-left", "cleaned and short drive, left axle seal wet, top of the end cover dry, left drive shaft wet"),
    ("engine-oil-pan-gasket", "cleaned and short drive, right axle wet, engine oil, oil pan wet"),
    ("angle-drive-leak", "smells of sulphur, bevel box wet, awd, right axle dry"),
    ("overflow-plug-washer", "cleaned and short drive, bottom of the gearbox wet, drain plug seal reused, "
     "bellhousing dry, mechatronic cover bottom dry, front of the case dry, bottom of the end cover dry"),
    ("vent-overflow", "cleaned and short drive, top of the case wet, overfilled"),
    ("end-cover-seal", "cleaned and short drive, end cover upper edge wet, left axle wet"),
    ("cv-boot", "split cv boot, grease flung all over, left drive shaft wet"),
    ("shift-shaft-seal", "cleaned and short drive, shift shaft wet, vent clear, level ok, heat exchanger dry"),
    ("spilled-fluid", "cleaned and short drive, nothing wet anywhere, spilled some when filling"),
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


def test_the_two_seals_of_the_clutch_cover_stay_together(technician: Technician) -> None:
    """Both lie behind the flywheel, and hold the same fluid; no look from outside parts them."""
    facts = (*technician.only_wet("bellhousing-hole"), Fact("fluid", "transmission fluid", ""))
    chances = technician.expert.diagnose(facts).belief.marginals
    assert set(technician.ranking(facts)[:2]) == {"clutch-hub-seal", "clutch-cover-ring"}
    assert chances["clutch-hub-seal"] == pytest.approx(chances["clutch-cover-ring"], rel=0.2)
    assert technician.machine.sources["clutch-hub-seal"].inseparable_from == ("clutch-cover-ring",)
    assert technician.machine.sources["clutch-cover-ring"].inseparable_from == ("clutch-hub-seal",)


@pytest.mark.parametrize(
    ("fluid", "leader"), [("coolant", "coolant-leak"), ("transmission fluid", "bolt-on-cooler-o-rings")]
)
def test_the_fluid_tells_which_side_of_the_heat_exchanger_leaks(
    technician: Technician, fluid: str, leader: str
) -> None:
    facts = (*technician.only_wet("bolt-on-cooler"), Fact("fluid", fluid, ""))
    assert technician.ranking(facts)[0] == leader


def test_a_vehicle_without_an_angle_drive_does_not_leak_from_one(technician: Technician) -> None:
    gear_oil = Fact("fluid", "gear oil", "")
    assert technician.ranking((gear_oil,))[0] == "angle-drive-leak"
    front_only = technician.expert.diagnose((gear_oil, Fact("wheels-driven", "front only", ""))).belief.marginals
    assert front_only["angle-drive-leak"] < 0.001


def test_nothing_of_a_torque_converter_is_asked(technician: Technician) -> None:
    for stated in ((), (Fact("cleaned-and-driven", "short drive", ""),), technician.only_wet("bellhousing-hole")):
        asked = set(technician.asked(*stated))
        assert asked
        assert not asked & {"hub-trail", "bellhousing-endoscope", "pan-bolts", "vacuum-hose", "fill-tube-play"}


def test_it_shares_and_does_not_copy(kb: KnowledgeBase) -> None:
    mine, base = kb.machine(LAYOUT), kb.machine("front-drive-transaxle")
    assert mine.sources.keys() & base.sources.keys() >= {"axle-seal-left", "bolt-on-cooler-o-rings", "wiring-plug-seal"}
    assert not mine.sources.keys() & {"front-pump-seal", "pan-gasket", "converter-weld"}
    assert len(mine.sources) <= 42
