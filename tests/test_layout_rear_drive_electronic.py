"""The electronically controlled rear-drive automatic: what a technician states leads to the right part."""

from __future__ import annotations

import pytest
from technician import Technician

from expert.facts import Fact
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.load import load, packaged_rules

LAYOUT = "rear-drive-electronic"

CASES = [
    ("connector-sleeve-o-rings", "cleaned and short drive, connector in the case wet, top of the case dry, "
     "front and rear cooler line connections dry, pins dry and collar wet"),
    ("connector-sleeve-o-rings", "new plastic pan and still leaks, right edge of the pan wet, case connector wet"),
    ("connector-pins", "limp mode, fluid in the connector, connector dry, fluid has climbed the harness"),
    ("connector-pins", "connector sleeve replaced and still leaks, pins are oily, oil in the control module"),
    ("plastic-pan-seal", "cleaned it and took a short drive, left edge of the pan wet, left side of the case dry, "
     "pan is warped"),
    ("plastic-pan-seal", "fluid was changed, reused the pan screws, front edge of the pan wet, bellhousing hole dry"),
    ("plastic-pan-crack", "jacked up on the pan, pan wet, crack in the plastic"),
    ("pan-drain-plug", "fluid change, pan wet, drop hanging on the drain plug, left and right edges of the pan dry"),
    ("cooler-line-o-rings", "radiator was replaced, rear cooler-line connection wet, case connector wet, "
     "cooler line clip missing"),
    ("cooler-thermostat-seals", "transmission fluid, engine oil pan wet, thermostat block wet, cooler lines dry"),
    ("vent-overflow", "fluid was changed, level too high, top of the case wet, foamy"),
    ("level-plug-seal", "after cleaning and a short drive: level plug wet, right side of the case dry, connector dry"),
    ("output-speed-sensor-o-ring", "cleaned, drove 5 miles, rear speed sensor wet, tail housing joint dry, "
     "left side of the case wet, selector shaft dry"),
    ("input-speed-sensor-o-ring", "cleaned and short drive, highest wet point front speed sensor, selector shaft damp, "
     "left pan rail wet"),
    ("case-solenoid-o-rings", "cleaned and short drive, lock-up solenoid wet, rear cooler-line connection dry, "
     "right side of the case wet"),
    ("pressure-port-plug", "line pressure was tested, pressure port wet, front speed sensor dry, top of the case dry"),
    ("selector-shaft-seal", "selector shaft damp, fluid in the range switch, front speed sensor dry"),
    ("output-flange-spline", "output seal replaced, flexible coupling wet, output flange wet, flange nut is wet"),
    ("front-pump-seal", "red fluid, bellhousing hole wet, converter wet on the pump side, fresh wet line from the hub"),
    ("engine-rear-main-seal", "black oil, smells sooty, bellhousing hole wet, back of the engine dry"),
]  # fmt: skip

# What this vehicle does not have; nobody is to be asked about it.
ABSENT = {
    "vacuum-hose",
    "vacuum-test",
    "smoke",
    "solenoid-wire",
    "fill-tube-play",
    "fill-tube-sealant",
    "fitting-washers",
}


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
    assert places or source == "connector-pins"  # what goes up the wires wets nothing outside


def test_a_look_into_the_connector_parts_sleeve_and_pins(technician: Technician) -> None:
    wet = technician.only_wet("case-connector")
    assert technician.ranking((*wet, Fact("connector-look", "fluid among the pins", "")))[0] == "connector-pins"
    assert technician.ranking((*wet, Fact("connector-look", "wet outside only", "")))[0] == "connector-sleeve-o-rings"


def test_nobody_is_asked_of_what_the_vehicle_lacks(technician: Technician) -> None:
    asked = technician.asked()
    assert len(asked) > 5
    assert not ABSENT & set(asked)
    assert not any(zone in asked for zone in ("modulator", "fill-tube-base", "cable-entry", "speedo-drive"))


def test_it_shares_and_does_not_copy(kb: KnowledgeBase) -> None:
    mine, base = kb.machine(LAYOUT), kb.machine("rear-drive-four-speed")
    assert mine.sources.keys() & base.sources.keys() >= {"front-pump-seal", "selector-shaft-seal", "output-seal"}
    assert not mine.sources.keys() & {"modulator-o-ring", "cable-o-ring", "fill-tube-o-ring", "pan-gasket"}
    assert len(mine.sources) <= 42
