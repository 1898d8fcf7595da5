"""What a run is about: a layout's expert and its simulated world, made alike in every process."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

from expert.chaining import chainer
from expert.diagnosis import Chain, Expert
from expert.knowledge.base import KnowledgeBase, Machine
from expert.knowledge.ground import Ruleset
from expert.knowledge.load import load
from expert.knowledge.model import Repair
from expert.vehicle import Vehicle, World, load_tables

SIMULATION = "simulation"


@dataclass(frozen=True)
class Setting:
    """Names one bench, so that each process can make its own: a folder of rules, a layout, a seed.

    `sources` restricts the layout to some of its sources (and the zones that their fluid can reach); empty for all.
    """

    rules: Path
    layout: str
    seed: int = 1
    sources: tuple[str, ...] = ()

    def bench(self, chain_for: Callable[[Ruleset], Chain] = chainer) -> Bench:
        """The bench so named. KnowledgeError for a faulty folder, KeyError for an unknown layout."""
        base = load(self.rules)
        if self.sources:
            base = restricted(base, self.layout, self.sources)
        machine = base.machine(self.layout)
        return Bench(self, Expert(machine, chain_for), World(machine, load_tables(self.rules / SIMULATION)))


@dataclass(frozen=True)
class Bench:
    """One layout, ready: its expert and the world that its vehicles come from."""

    setting: Setting
    expert: Expert
    world: World

    @property
    def machine(self) -> Machine:
        """The layout's knowledge."""
        return self.expert.machine

    def chance(self, number: int, about: str = "") -> random.Random:
        """A random stream of the vehicle's with that number, the same in whichever process it is drawn."""
        return random.Random(f"{self.setting.seed} {self.setting.layout} {number} {about}")

    def vehicle(self, number: int) -> Vehicle:
        """The vehicle with that number."""
        return self.world.imagine(self.chance(number))

    @cached_property
    def commonness(self) -> dict[str, float]:
        """Each source's chance to leak, before any look."""
        chance = {entry.commonness: entry.chance for entry in self.expert.scale.commonness}
        return {name: chance[source.commonness] for name, source in self.machine.sources.items()}

    @cached_property
    def repairs(self) -> dict[str, Repair]:
        """Each source's repair."""
        every = self.machine.base.repairs.values()
        return {name: next(r for r in every if name in r.sources) for name in self.machine.sources}


def restricted(base: KnowledgeBase, layout: str, sources: tuple[str, ...]) -> KnowledgeBase:
    """The base with the layout reduced to some of its sources and the zones that their fluid can reach."""
    machine = base.machine(layout)
    escapes = [zone for name in sources for zone in machine.sources[name].zones]
    reached = {zone for start in escapes for zone in machine.reach[start]}
    zones = tuple(zone for zone in machine.zones if zone in reached)
    kept = tuple(name for name in machine.sources if name in sources)
    smaller = machine.layout.model_copy(update={"zones": zones, "sources": kept})
    return replace(base, layouts={**base.layouts, layout: smaller})
