"""How many cases a batch answers a second, on one core, by processor time: other work on the machine counts little."""

from __future__ import annotations

import json
import random
import time

from driving import Say

from expert.batch import answer, stepwise
from expert.consult import Consultant
from expert.diagnosis import Expert
from expert.dialogue import Talk

TARGET = 200  # cases a second, on a core that has nothing else to do
LEAST = 120  # what a busy or throttled one must still reach
CASES = 200
ROUNDS = 3


def cases(expert: Expert, seed: int) -> list[str]:
    """Cases as facts and as words, no two alike: six places, a colour, a stage."""
    dice = random.Random(seed)
    machine = expert.machine
    places = [o for o in machine.observables.values() if o.kind == "wetness"]
    stages = [entry.stage for entry in expert.scale.stages]
    colours = next(o for o in machine.observables.values() if o.name.startswith("colour"))
    found = []
    for at in range(CASES):
        seen = [(place, dice.choice(place.values)) for place in dice.sample(places, 6)]
        colour = dice.choice(colours.values[:3])
        if at % 2:
            facts = {**{place.id: wetness for place, wetness in seen}, colours.id: colour}
            found.append(json.dumps({"facts": facts, "stage": dice.choice(stages)}))
        else:
            words = ", ".join(f"{place.name} {wetness}" for place, wetness in seen)
            found.append(json.dumps({"text": f"{colour} fluid, {words}", "stage": dice.choice(stages)}))
    return found


def test_cases_a_second(talk: Talk, say: Say) -> None:
    consultant = Consultant(Expert(talk.expert.machine, stepwise), talk.lexicon)
    rates = []
    for seed in range(ROUNDS):
        lines = cases(consultant.expert, seed)
        began = time.process_time()
        found = [
            json.dumps(answer(lambda layout: consultant, line, at, 10_000)) for at, line in enumerate(lines, start=1)
        ]
        rates.append(CASES / (time.process_time() - began))
        assert sum('"error"' in result for result in found) < CASES / 10
    shown = ", ".join(f"{rate:.0f}" for rate in rates)
    say(f"batch: {max(rates):.0f} cases a second (target {TARGET}; rounds: {shown})")
    assert max(rates) >= LEAST
