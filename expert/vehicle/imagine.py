"""Vehicles made up at random: which sources leak, how badly, and what leaked before."""

from __future__ import annotations

import random
from collections.abc import Sequence
from functools import cached_property

from expert.knowledge.base import Machine
from expert.vehicle.files import packaged_tables
from expert.vehicle.flow import Terrain
from expert.vehicle.tables import LeakKind, Tables
from expert.vehicle.vehicle import Leak, Vehicle

MOST_LEAKS = 3


class World:
    """One layout and the tables, prepared once; `imagine` then makes any number of vehicles from it."""

    def __init__(self, machine: Machine, tables: Tables | None = None) -> None:
        self.machine = machine
        self.tables = tables or packaged_tables()
        physics = self.tables.physics
        self.terrain = Terrain.of(machine, physics)
        self.regimes = {regime.regime: regime for regime in physics.regimes}
        self.periods = {period.stage: period for period in physics.periods}
        self.kinds = {kind.leak: kind for kind in physics.leaks}
        self.sources = tuple(machine.sources)

    @cached_property
    def _odds(self) -> tuple[float, ...]:
        chance = {entry.commonness: entry.chance for entry in self.machine.base.scale.commonness}
        chances = [chance[source.commonness] for source in self.machine.sources.values()]
        return tuple(c / (1 - c) for c in chances)

    @cached_property
    def _choices(self) -> tuple[tuple[float, ...], ...]:
        """Row i, column k: the summed odds of all ways to choose k sources among those from the i-th on."""
        rows = [(1.0, *[0.0] * len(self._odds))]
        for odds in reversed(self._odds):
            below = rows[-1]
            rows.append((1.0, *(below[k] + odds * below[k - 1] for k in range(1, len(below)))))
        return tuple(reversed(rows))

    def choose(self, rng: random.Random, leaks: int | None) -> tuple[str, ...]:
        """Each source leaks by itself with its commonness' chance, given that 1 to 3 (or exactly `leaks`) do.

        Drawn exactly, without rejection. ValueError if the layout cannot have that many leaks.
        """
        ways = self._choices[0]
        if leaks is None:
            counts = range(1, min(MOST_LEAKS, len(self.sources)) + 1)
            leaks = rng.choices(counts, [ways[k] for k in counts])[0]
        if not 1 <= leaks <= len(self.sources):
            raise ValueError(f"{leaks} leaks asked for; this layout has 1 to {len(self.sources)}")
        found = []
        for at, name in enumerate(self.sources):
            here = self._odds[at] * self._choices[at + 1][leaks - 1]
            if rng.random() * self._choices[at][leaks] < here:
                found.append(name)
                leaks -= 1
                if not leaks:
                    break
        return tuple(found)

    def kind(self, source: str) -> LeakKind:
        """What drives a source's leak; the usual regime if the tables do not name it."""
        known = self.kinds.get(source)
        return known or LeakKind.model_validate({"leak": source, "regime": self.tables.physics.usual_regime})

    def leak(self, source: str, rng: random.Random, old: bool = False) -> Leak:
        """A leak of this source with a place and a severity of its own."""
        kind = self.kind(source)
        regime = self.regimes[kind.regime]
        places = {z: w for z, w in kind.places.items() if z in self.terrain.number}
        own = self.machine.sources[source].zone
        zone = rng.choices(list(places), list(places.values()))[0] if places else own
        severities = self.tables.physics.severities
        severity = rng.choices(severities, [s.chance for s in severities])[0]
        at = self.terrain.number[zone]
        return Leak(
            source=source,
            fluid=self.machine.sources[source].holds,
            regime=regime,
            severity=severity,
            zone=at,
            seen=self.terrain.first_seen(at) if regime.outside else (),
            old=old or regime.once,
        )

    def imagine(self, rng: random.Random, leaks: int | None = None) -> Vehicle:
        """A vehicle; everything about it follows from one number drawn from `rng`."""
        seed = rng.getrandbits(64)
        own = random.Random(f"{seed} leaks")
        live = tuple(self.leak(source, own) for source in self.choose(own, leaks))
        former = self._former({leak.source for leak in live}, own)
        return Vehicle(self, seed, live, former)

    def with_leaks(self, sources: Sequence[str], rng: random.Random) -> Vehicle:
        """A vehicle on which just these sources leak, for drills. KeyError for an unknown source."""
        seed = rng.getrandbits(64)
        own = random.Random(f"{seed} leaks")
        live = tuple(self.leak(source, own) for source in sources)
        return Vehicle(self, seed, live, self._former(set(sources), own))

    def _former(self, leaking: set[str], rng: random.Random) -> Leak | None:
        """A leak that was put right some time ago and left its fluid behind."""
        if rng.random() >= self.tables.physics.former_leak:
            return None
        source = self.choose(rng, 1)[0]
        return None if source in leaking else self.leak(source, rng, old=True)


_latest: list[World] = []


def imagine(machine: Machine, rng: random.Random, leaks: int | None = None) -> Vehicle:
    """A vehicle of this layout. The layout's `World` is kept until another layout is asked for."""
    if not _latest or _latest[0].machine is not machine:
        _latest[:] = [World(machine)]
    return _latest[0].imagine(rng, leaks)
