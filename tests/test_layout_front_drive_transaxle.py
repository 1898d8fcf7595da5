"""The front-drive transaxle: drive shafts, side cover and cooler, and what is taken for them."""

from __future__ import annotations

import pytest
from technician import Technician

from expert.facts import Fact

LAYOUT = "front-drive-transaxle"

CASES = [
    ("axle-seal-left", "cleaned and short drive, left axle seal wet, side cover dry, red fluid, light oily smell"),
    ("axle-seal-right", "cleaned and short drive, right axle wet, bellhousing dry, engine oil pan dry, "
     "right driveshaft has play, transmission fluid"),
    ("axle-seal-right", "new right axle, drips by the right wheel, boot whole but oily, fluid is red"),
    ("engine-oil-pan-gasket", "cleaned and short drive, right axle wet, oil pan wet, black, smells sooty, "
     "valve cover dry, oil filter dry, oil pressure switch dry"),
    ("cv-boot", "split cv boot, grease flung all over, left driveshaft wet"),
    ("cv-boot", "drips by the right wheel, thick grease, boot is torn"),
    ("diff-cover-o-ring", "cleaned and short drive, diff cover wet, left axle dry"),
    ("diff-cover-o-ring", "replaced the left axle seal, left axle wet, begins at the outer edge of the cover"),
    ("side-cover-gasket", "replaced the pan gasket, cleaned and short drive, lower edge of the side cover wet, "
     "left edge of the pan wet, upper edge of the side cover dry"),
    ("power-steering-leak", "red fluid, power steering keeps going down, drips by the right wheel"),
    ("power-steering-leak", "hydraulic steering, fluid in the rack boot, bottom of the differential wet"),
    ("vent-overflow", "overfilled, foamy fluid, vent wet, shift shaft wet"),
    ("shift-shaft-seal", "cleaned and short drive, shift shaft wet, vent dry, level correct, vent is clear"),
    ("wiring-plug-seal", "cleaned and short drive, front of the case wet, electrical connector wet, "
     "connector full of oil"),
    ("front-pump-seal", "cleaned and short drive, bellhousing wet, red fluid, right axle dry, wet line from the hub"),
    ("engine-rear-main-seal", "cleaned and short drive, bellhousing wet, engine oil, back of the engine dry, "
     "oil pan dry"),
    ("coolant-leak", "bolt-on cooler wet, green fluid, sweet smell, coolant is low"),
    ("bolt-on-cooler-o-rings", "cooler bolted to the case, bolt-on cooler wet, wet at the base of the cooler, "
     "transmission fluid"),
    ("cooler-union-seals", "radiator was replaced, cooler lines to the radiator, cleaned and short drive, "
     "quick connect fitting wet"),
    ("speed-sensor-o-ring", "electric power steering, cleaned and short drive, speed sensor wet, vent dry"),
    ("fill-tube-o-ring", "cleaned and short drive, dipstick tube wet, vent dry, fill tube is loose"),
    ("pan-gasket", "cleaned and short drive, rear edge of the pan wet, back of the case dry, pan bolts are loose"),
    ("condensate-or-rain", "clear liquid, no smell, feels like water"),
    ("brake-hydraulics", "brake fluid, inside of the left wheel wet"),
    ("spilled-fluid", "cleaned and short drive, nothing wet anywhere, spilled some when filling"),
]  # fmt: skip


@pytest.mark.parametrize(("source", "said"), CASES)
def test_what_is_stated_leads_to_the_part(technician: Technician, source: str, said: str) -> None:
    assert technician.first(said) == source


def test_the_only_wet_place_accuses_its_own_parts(technician: Technician) -> None:
    """With everything dry that could have run or blown onto it, a wet place accuses what escapes there."""
    assert technician.wrongly_accused() == {}


@pytest.mark.parametrize("side", ["left", "right"])
def test_seal_and_stub_ring_stay_together(technician: Technician, side: str) -> None:
    """Both let fluid out at one place, and only the drawn shaft shows which; what is seen moves both alike."""
    seal, ring = f"axle-seal-{side}", f"stub-shaft-ring-{side}"
    sources = technician.machine.sources
    assert ring in sources[seal].inseparable_from
    assert seal in sources[ring].inseparable_from
    before = technician.expert.diagnose(()).belief.marginals
    after = technician.expert.diagnose(technician.only_wet(f"axle-{side}")).belief.marginals
    assert after[seal] > 3 * before[seal]
    assert after[ring] > 3 * before[ring]


@pytest.mark.parametrize(
    ("kind", "lacking"),
    [
        ("lines to the radiator", ["bolt-on-cooler-o-rings"]),
        ("bolted to the case", ["cooler-union-seals", "cooler-hoses"]),
    ],
)
def test_a_cooler_that_is_not_there_cannot_leak(technician: Technician, kind: str, lacking: list[str]) -> None:
    chances = technician.expert.diagnose((Fact("cooler-kind", kind, ""),)).belief.marginals
    assert all(chances[name] < 1e-4 for name in lacking)


def test_electric_steering_holds_no_fluid(technician: Technician) -> None:
    stated = (*technician.facts("red fluid, power steering area wet"), Fact("steering-kind", "electric", ""))
    assert technician.expert.diagnose(stated).belief.marginals["power-steering-leak"] < 0.05


def test_nobody_is_asked_of_what_it_lacks(technician: Technician) -> None:
    asked = {*technician.asked(), *technician.asked(Fact("cleaned-and-driven", "short drive", ""))}
    assert "wet-places" in asked
    assert not asked & {"vacuum-hose", "solenoid-wire", "output-play", "smoke", "axle-vent", "axle-oil-level"}


def test_left_and_right_are_told_apart(technician: Technician) -> None:
    """The same words about the other side accuse the other seal."""
    for side in ("left", "right"):
        assert technician.first(f"new {side} axle, {side} axle wet, drips by the {side} wheel") == f"axle-seal-{side}"
