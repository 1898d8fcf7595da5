"""The belt-and-pulley unit: fluid that is not red, a level set by temperature, a filter and a cooler outside."""

from __future__ import annotations

import pytest
from technician import Technician

from expert.facts import Fact
from expert.knowledge.load import load, packaged_rules

LAYOUT = "continuously-variable"

CASES = [
    ("bolt-on-cooler-o-rings", "green fluid, thin and slippery, cleaned and short drive, bolt-on cooler wet, "
     "foot of the cooler is wet"),
    ("coolant-leak", "green fluid, sweet smell, watery and sticky, bolt-on cooler wet"),
    ("coolant-leak", "bolt-on cooler wet, green fluid, wet at the coolant hose of the cooler, coolant is low"),
    ("filter-housing-o-ring", "cleaned and short drive, filter housing wet, reused the filter o-ring, "
     "bolt-on cooler dry, amber fluid"),
    ("power-steering-leak", "red fluid, power steering keeps going down, drips by the left wheel"),
    ("power-steering-leak", "red fluid, light oily smell, hydraulic steering, bottom of the differential wet, "
     "fluid in the rack boot"),
    ("vent-overflow", "fluid changed, level set cold, leaks only when hot, breather wet"),
    ("overflow-plug-washer", "fluid changed, cleaned and short drive, pan bottom wet, overflow plug drips, "
     "all pan edges dry"),
    ("pan-drain-plug", "fluid changed, pan bottom wet, drain plug drips, all pan edges dry"),
    ("front-pump-seal", "cleaned and short drive, bellhousing wet, green fluid, thin and slippery, "
     "back of the engine dry"),
    ("wiring-plug-seal", "cleaned and short drive, electrical connector wet, connector full of oil, "
     "bolt-on cooler dry"),
    ("axle-seal-right", "cleaned and short drive, right axle wet, green fluid, light oily smell, oil pan dry, "
     "bellhousing dry"),
    ("axle-seal-left", "new left driveshaft, left axle wet, begins round the shaft, amber fluid, thin and slippery"),
    ("side-cover-gasket", "pulley cover was off, cleaned and short drive, lower edge of the pulley cover wet, "
     "upper edge of the pulley cover dry"),
    ("pulley-cap-o-rings", "cleaned and short drive, pulley cap wet, pulley cover dry"),
    ("spilled-fluid", "fluid changed, fill plug wet, spilled some"),
    ("fill-plug-seal", "fluid changed, cleaned and short drive, fill plug wet, vent dry, level set by temperature"),
    ("engine-rear-main-seal", "cleaned and short drive, bellhousing wet, black, smells sooty, back of the engine dry, "
     "oil pan dry"),
    ("cv-boot", "torn cv boot, thick grease, left driveshaft wet"),
    ("cooler", "coolant is oily, milky on the dipstick, coolant is low"),
    ("condensate-or-rain", "clear liquid, no smell, feels like water"),
]  # fmt: skip


@pytest.mark.parametrize(("source", "said"), CASES)
def test_what_is_stated_leads_to_the_part(technician: Technician, source: str, said: str) -> None:
    assert technician.first(said) == source


def test_the_only_wet_place_accuses_its_own_parts(technician: Technician) -> None:
    """With everything dry that could have run or blown onto it, a wet place accuses what escapes there."""
    assert technician.wrongly_accused() == {}


def derived(technician: Technician, text: str) -> set[str]:
    """The fluids that the rules conclude from a text."""
    trace = technician.expert.diagnose(technician.facts(text)).trace
    return {str(fact.value) for fact in trace.derived if fact.finding == "fluid"}


@pytest.mark.parametrize(
    ("text", "fluid"),
    [
        ("green fluid, thin and slippery", "transmission fluid"),
        ("green fluid, light oily smell", "transmission fluid"),
        ("green fluid, transmission fluid keeps going down", "transmission fluid"),
        ("green fluid, sweet smell", "coolant"),
        ("green fluid, watery and sticky", "coolant"),
    ],
)
def test_green_is_settled_by_fingers_nose_or_level(technician: Technician, text: str, fluid: str) -> None:
    """Green alone leaves the unit's own fluid and coolant open; a second sign names one of them."""
    assert derived(technician, "green fluid") == set()
    assert derived(technician, text) == {fluid}


def test_red_accuses_the_steering_until_red_was_filled(technician: Technician) -> None:
    """The unit's own fluid is not red; told that red was filled, or that no steering fluid is there, it may be."""

    def odds(text: str) -> float:
        chances = technician.expert.diagnose(technician.facts(text)).belief.marginals
        return chances["power-steering-leak"] / chances["axle-seal-left"]

    assert odds("red fluid") > 2 * odds("red fluid, filled with atf")
    assert odds("red fluid") > 100 * odds("red fluid, electric power steering")
    assert derived(technician, "red fluid, light oily smell") == set()


def test_red_is_still_transmission_fluid_elsewhere() -> None:
    other = Technician(load(packaged_rules()), "front-drive-transaxle")
    assert derived(other, "red fluid, light oily smell") == {"transmission fluid"}


def test_level_set_cold_is_looked_into_before_seals(technician: Technician) -> None:
    before = technician.expert.diagnose(()).belief.marginals["vent-overflow"]
    cold = technician.expert.diagnose((Fact("set-temperature", "too cold or unmeasured", ""),)).belief.marginals
    right = technician.expert.diagnose((Fact("set-temperature", "right temperature", ""),)).belief.marginals
    assert cold["vent-overflow"] > 2 * before > 4 * right["vent-overflow"]


def test_nobody_is_asked_of_a_dipstick_tube_or_of_cooler_lines(technician: Technician) -> None:
    asked = {*technician.asked(), *technician.asked(Fact("cleaned-and-driven", "short drive", ""))}
    assert "wet-places" in asked
    lacking = {"fill-tube-sealant", "fill-tube-play", "fitting-washers", "cooler-kind", "cooler-lines", "vacuum-hose"}
    assert not asked & lacking
