"""Makes the demo cases in transcripts_demo/ anew: `python tests/demos.py` after the rules have changed.

Each demo is a conversation in an invented workshop, driven through the real chat code. What is said is
given by what is asked, so that a demo survives a change in the order of the questions.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from expert import store  # noqa: E402
from expert.case import Case  # noqa: E402
from expert.chaining import chainer  # noqa: E402
from expert.diagnosis import Expert  # noqa: E402
from expert.dialogue import Talk, begin  # noqa: E402
from expert.facts import Scalar  # noqa: E402
from expert.knowledge.load import load, packaged_rules  # noqa: E402
from expert.phrases import Lexicon  # noqa: E402
from expert.session import converse  # noqa: E402
from expert.vehicle import World  # noqa: E402

FOLDER = ROOT / "transcripts_demo"


@dataclass(frozen=True)
class Demo:
    """What a person says: first, then by the finding asked (by stage where they differ), then at the end.

    `asides` are said once, before the answer to the finding they are kept under. With `leaks` the vehicle is a
    simulated one on which just these sources leak, and whatever `answers` do not give is answered as it would be there.
    """

    first: tuple[str, ...]
    answers: Mapping[str, str]
    after_clean: Mapping[str, str]
    asides: Mapping[str, tuple[str, ...]]
    last: tuple[str, ...]
    layout: str | None = None
    leaks: tuple[str, ...] = ()
    seed: int = 0


def on_a(
    layout: str, *leaks: str, seed: int, first: str, asides: Mapping[str, tuple[str, ...]], last: tuple[str, ...]
) -> Demo:
    """A whole chat about a simulated vehicle of some other layout; `seed` picks the vehicle and its owner's eyes."""
    answers = {"cleaned-and-driven": "short drive"}
    return Demo((first,), answers, {}, asides, (*last, "quit"), layout, leaks, seed)


DEMOS = {
    # The bay next to the gate, an ageing rear-drive saloon with a four-speed automatic: the owner has had the pan
    # gasket renewed twice, and it still drips from the pan. The O-ring of the fill tube has hardened, higher up.
    "fooled-by-the-pan": Demo(
        first=("it drips from the pan, red oil",),
        answers={
            "vehicle-age": "27",
            "replaced-in-vain": "pan gasket",
            "recent-work": "fluid change",
            "spill-history": "no",
            "heat-history": "unknown",
            "towel-ring": "red ring",
            "smell": "light oily",
            "feel": "thin and slippery",
            "falling-level": "transmission fluid",
            "drop-matches": "transmission dipstick",
            "transmission-level": "low",
            "fill-tube-sealant": "yes",
            "pan-bolts": "tight",
            "fluid-condition": "clean",
            "fluid-in-coolant": "no",
            "leak-when": "parked for days",
            "drip-place": "under the pan",
            "smoke": "no",
            "case-right": "wet",
            "pan-rim-right": "wet",
            "pan-bottom": "wet",
            "pan-rim-left": "dry",
            "cleaned-and-driven": "short drive",
        },
        after_clean={
            "wet-places": "one",
            "highest-wet": "foot of the fill tube",
            "fill-tube-base": "wet",
            "case-right": "damp",
            "pan-rim-right": "damp",
            "streak": "down from above",
            "wipe-and-run": "foot of the fill tube",
            "powder-at": "foot of the fill tube",
            "dye-at": "foot of the fill tube",
        },
        asides={
            "cleaned-and-driven": ("why", "how"),
            "highest-wet": ("where",),
            "fill-tube-sealant": ("what is a fill tube?",),
        },
        last=("why pan gasket", "plan", "quit"),
    ),
    # A technician at the second lift says everything at once and wants the conclusion.
    "technician-states-facts": Demo(
        first=(
            "cleaned it, drove 5 miles, red at the lowest bellhousing hole, back of engine bone dry, "
            "cooler lines dry, engine oil pan dry",
            "one wet place, highest wet point is the lowest hole of the bellhousing",
            "converter look: wet on the transmission side, hub trail: fresh wet line from the hub",
        ),
        answers={
            "vehicle-age": "24",
            "converter-look": "wet on the transmission side",
            "hub-trail": "fresh wet line from the hub",
            "drop-matches": "transmission dipstick",
            "leak-when": "only driving",
            "falling-level": "transmission fluid",
            "cleaned-and-driven": "short drive",
        },
        after_clean={"bellhousing-hole": "wet", "bellhousing-seam": "dry"},
        asides={},
        last=("why front pump seal", "why engine rear main seal", "plan", "quit"),
    ),
    # An old estate car with two leaks: engine oil from the valve cover runs down the back, and the modulator weeps.
    "two-leaks-at-once": Demo(
        first=("wet at the back of the engine and round the modulator",),
        answers={
            "vehicle-age": "31",
            "recent-work": "none",
            "replaced-in-vain": "engine rear main seal",
            "spill-history": "no",
            "towel-ring": "dark centre",
            "colour": "black",
            "smell": "sooty",
            "falling-level": "engine oil and transmission fluid",
            "drop-matches": "unknown",
            "fluid-condition": "clean",
            "transmission-level": "low",
            "smoke": "no",
            "vacuum-hose": "dry",
            "cleaned-and-driven": "short drive",
            "valve-cover-rear": "wet",
        },
        after_clean={
            "wet-places": "several",
            "highest-wet": "rear edge of the valve cover",
            "other-wet": "vacuum modulator",
            "valve-cover-rear": "wet",
            "engine-rear": "wet",
            "modulator": "wet",
            "case-left": "damp",
            "pan-rim-left": "damp",
            "pan-bottom": "damp",
            "bellhousing-seam": "damp",
            "streak": "down from above",
            "vacuum-hose": "dry",
        },
        asides={"wet-places": ("so far",)},
        last=("map", "why modulator o-ring", "quit"),
    ),
    # Newer rear-drive vehicles at the third lift: fluid creeps out at the sleeve where the wiring enters the case.
    "fluid-at-the-connector": on_a(
        "rear-drive-electronic",
        "connector-sleeve-o-rings",
        seed=0,
        first="it drips from the pan on the right, red fluid",
        asides={"cleaned-and-driven": ("how",), "highest-wet": ("where",)},
        last=("map", "plan"),
    ),
    # An off-roader from the quarry: what lies between the two units is wet.
    "between-the-two-units": on_a(
        "four-wheel-drive",
        "transfer-front-output-seal",
        seed=0,
        first="oil on the floor under the middle of the vehicle",
        asides={"highest-wet": ("where",)},
        last=("map", "plan"),
    ),
    # A small front-drive saloon: the axle seal, which gets the blame of the pan.
    "wet-at-the-axle": on_a(
        "front-drive-transaxle",
        "axle-seal-left",
        seed=0,
        first="red fluid on the inside of the left front wheel",
        asides={"highest-wet": ("why",)},
        last=("map", "plan"),
    ),
    # A town car with a belt and pulleys.
    "belt-and-pulley": on_a(
        "continuously-variable",
        "pan-gasket",
        seed=0,
        first="it drips in front, the fluid is green",
        asides={"cleaned-and-driven": ("why",)},
        last=("map", "plan"),
    ),
    # A van with a manual gearbox; the clutch is dry still.
    "gear-oil-by-its-smell": on_a(
        "manual-gearbox",
        "gearbox-output-seal",
        seed=0,
        first="it smells of sulphur and drips at the back of the gearbox",
        asides={"highest-wet": ("where",)},
        last=("map", "plan"),
    ),
    # A double-clutch gearbox whose mechatronic cover was off last year.
    "cover-that-was-off": on_a(
        "double-clutch",
        "mechatronic-cover-gasket",
        seed=0,
        first="something drips under the gearbox since it was repaired",
        asides={"highest-wet": ("how",)},
        last=("map", "plan"),
    ),
}
DRY_BY_DEFAULT = "dry"


class Speaker:
    """Reads as a terminal would be read, saying what the demo says."""

    def __init__(self, demo: Demo, talk: Talk) -> None:
        self._waiting = list(demo.first)
        self._demo, self._talk = demo, talk
        self._aside: set[str] = set()
        self._vehicle = (
            World(talk.expert.machine).with_leaks(demo.leaks, random.Random(demo.seed)) if demo.leaks else None
        )
        self._last = list(demo.last)

    def read(self, case: Case) -> str | None:
        """The next line."""
        if self._waiting:
            return self._waiting.pop(0)
        if case.asked is None:
            return self._last.pop(0) if self._last else None
        finding = case.asked[0]
        if finding in self._demo.asides and finding not in self._aside:
            self._aside.add(finding)
            first, *rest = (*self._demo.asides[finding], self._answer(case, finding))
            self._waiting = rest
            return first
        return self._answer(case, finding)

    def _answer(self, case: Case, finding: str) -> str:
        table = {**self._demo.answers, **(self._demo.after_clean if case.stage == "after-clean" else {})}
        if finding not in table and self._vehicle is not None:
            return self._seen(self._vehicle.observe(self._talk.expert.machine.observables[finding], case.stage))
        looked = self._talk.expert.machine.observables[finding].kind == "wetness"
        dry = DRY_BY_DEFAULT if looked else "unknown"
        return table.get(finding, dry)

    def _seen(self, values: Scalar | tuple[Scalar, ...] | None) -> str:
        """What is said of what is there: places by their names."""
        every = values if isinstance(values, tuple) else () if values is None else (values,)
        zones = self._talk.expert.machine.zones
        words = [zones[v].name if v in zones else f"{v:g}" if isinstance(v, float) else v for v in every]
        return " and ".join(words) or "unknown"


def make(name: str, folder: Path = FOLDER) -> None:
    """Write one demo's case file."""
    base = load(packaged_rules())
    machine = base.machine(DEMOS[name].layout or base.default_layout)
    talk = Talk(Expert(machine, chainer), Lexicon.of(machine))
    store.path_of(folder, name).unlink(missing_ok=True)
    header = {"layout": machine.layout.layout, "knowledge": base.digest}
    with store.create(folder, name, header) as keep:
        case, messages = begin(talk)
        converse(talk, case, messages, Speaker(DEMOS[name], talk), lambda message: None, keep)


if __name__ == "__main__":
    for each in DEMOS:
        make(each)
        print(f"made {each}")
