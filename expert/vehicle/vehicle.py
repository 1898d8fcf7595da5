"""One imagined vehicle: its leaks, where their fluid lies at each stage, and the answers read off it."""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from expert.knowledge.base import Observable
from expert.vehicle.eyes import looks
from expert.vehicle.flow import Scene, carry
from expert.vehicle.observe import Reading, read_off
from expert.vehicle.tables import Period, Regime, Severity

if TYPE_CHECKING:
    from expert.vehicle.imagine import World


@dataclass(frozen=True)
class Leak:
    """A source letting fluid out. `zone` and `seen` number the zones where it escapes and first shows.

    `old` fluid lies there and no more comes after it: a leak put right, or a spillage.
    """

    source: str
    fluid: str
    regime: Regime
    severity: Severity
    zone: int
    seen: tuple[int, ...]
    old: bool = False


@dataclass
class Vehicle:
    """Everything about it is a function of its seed, so neither order nor repetition of questions matters."""

    world: World
    seed: int
    leaks: tuple[Leak, ...]
    former: Leak | None
    _scenes: dict[str, Scene] = field(default_factory=dict, repr=False)
    _looks: dict[str, Mapping[int, str | None]] = field(default_factory=dict, repr=False)

    @property
    def truth(self) -> tuple[str, ...]:
        """The ids of the leaking sources."""
        return tuple(leak.source for leak in self.leaks)

    @cached_property
    def origins(self) -> tuple[Leak, ...]:
        """Whatever fluid came from: the leaks, then the one put right, if any. Scenes count parcels by it."""
        return self.leaks if self.former is None else (*self.leaks, self.former)

    def stream(self, *about: str) -> random.Random:
        """A random stream of this vehicle's own for one purpose."""
        return random.Random(f"{self.seed} {' '.join(about)}")

    def scene(self, stage: str) -> Scene:
        """Where fluid lies when the vehicle is looked at in a stage. KeyError for an unknown stage."""
        if stage not in self._scenes:
            period = self.world.periods[stage]
            rng = self.stream("scene", stage)
            enter = self._after_cleaning if period.cleaned else self._found
            self._scenes[stage] = enter(period, rng)
        return self._scenes[stage]

    def looks(self, stage: str) -> Mapping[int, str | None]:
        """What the one who is asked says of every visible zone, by its number; None where they don't know."""
        if stage not in self._looks:
            self._looks[stage] = looks(self, stage, self.stream("looks", stage))
        return self._looks[stage]

    def fluids(self, stage: str) -> Mapping[str, Mapping[str, int]]:
        """Parcels by zone id and fluid; zones that hold none are left out."""
        scene = self.scene(stage)
        found: dict[str, dict[str, int]] = {}
        for leak, held in zip(self.origins, scene.held, strict=True):
            for at, parcels in enumerate(held):
                if parcels:
                    zone = found.setdefault(self.world.terrain.names[at], {})
                    zone[leak.fluid] = zone.get(leak.fluid, 0) + parcels
        return found

    def wetted(self, stage: str) -> tuple[str, ...]:
        """Visible zones in the order in which the leaks' fluid wetted them, first wet first."""
        terrain = self.world.terrain
        return tuple(terrain.names[at] for at in self.scene(stage).order if terrain.zones[at].visible)

    def observe(self, observable: Observable, stage: str, rng: random.Random | None = None) -> Reading:
        """What a person answers when asked in this stage, errors included; None for `don't know`.

        A finding with `many` gives a tuple of its values, a number a float, all others a word or zone id. The
        same question in the same stage gets the same answer, whatever was asked before. Give `rng` to hear
        another person's eyes on the same vehicle.
        """
        return read_off(self, observable, stage, rng)

    @cached_property
    def room(self) -> tuple[int, ...]:
        """How many parcels each zone's film takes: rough and dirty metal holds more."""
        surface = self.world.tables.physics.surface
        draw = self.stream("room").randint
        return tuple(draw(surface.hold_least, surface.hold_most) for _ in self.world.terrain.names)

    def _found(self, period: Period, rng: random.Random) -> Scene:
        """Months of leaking, over what an earlier leak left, under dirt and weather."""
        terrain, physics = self.world.terrain, self.world.tables.physics
        surface = physics.surface
        scene = Scene.clean(len(self.origins), len(terrain.names))
        room = self.room
        if self.former is not None:
            self._flow(scene, room, period, [(len(self.leaks), self.former)], rng)
            for at, parcels in enumerate(scene.total):
                gone = sum(rng.random() < physics.former_dried for _ in range(parcels))
                scene.take(len(self.leaks), at, gone)
                scene.dried += gone
            scene.order.clear()
        self._flow(scene, room, period, list(enumerate(self.leaks)), rng)
        dirt = rng.random() * surface.grime
        grime = set()
        for at in terrain.visible:
            low = terrain.zones[at].height
            if rng.random() < surface.washed * low:
                for origin, held in enumerate(scene.held):
                    gone = round(held[at] * surface.washed_share)
                    scene.take(origin, at, gone)
                    scene.washed += gone
            if rng.random() < dirt * low:
                grime.add(at)
        scene.grime = frozenset(grime)
        return scene

    def _after_cleaning(self, period: Period, rng: random.Random) -> Scene:
        """Outside clean but for what the rag missed; inside, where none reaches, the old fluid still lies."""
        terrain, physics = self.world.terrain, self.world.tables.physics
        surface = physics.surface
        before = self.scene(next(name for name, p in self.world.periods.items() if not p.cleaned))
        scene = Scene.clean(len(self.origins), len(terrain.names))
        loose: list[tuple[int, int, bool]] = []
        for origin, held in enumerate(before.held):
            for at in terrain.hidden:
                for _ in range(held[at]):
                    if rng.random() < surface.runs_out and terrain.drains[at]:
                        loose.append((origin, rng.choice(terrain.drains[at]), False))
                    else:
                        scene.put(origin, at, 1)
            for at in terrain.visible:
                if held[at] and rng.random() < surface.left_behind:
                    scene.put(origin, at, 1)
        scene.grime = frozenset(at for at in sorted(before.grime) if rng.random() < surface.grime_after_clean)
        self._flow(scene, self.room, period, list(enumerate(self.leaks)), rng, loose)
        return scene

    def _flow(
        self,
        scene: Scene,
        room: tuple[int, ...],
        period: Period,
        origins: list[tuple[int, Leak]],
        rng: random.Random,
        loose: list[tuple[int, int, bool]] | None = None,
    ) -> None:
        """Run, then park: the parcels of all origins come mixed within each, as they do under way."""
        running, parked = [], loose or []
        for origin, leak in origins:
            if leak.regime.outside and not (leak.regime.once and period.cleaned):
                much = leak.severity.parcels
                on = _about(much * leak.regime.running * period.running, rng)
                off = _about(much * leak.regime.parked * period.parked, rng)
                running += [(origin, leak.zone, True)] * on
                parked += [(origin, leak.zone, False)] * off
        if len(origins) > 1:
            rng.shuffle(running)
            rng.shuffle(parked)
        stays = self.world.tables.physics.surface.stays
        carry(self.world.terrain, scene, room, stays, period, running, rng)
        carry(self.world.terrain, scene, room, stays, period, parked, rng)


def _about(mean: float, rng: random.Random) -> int:
    """A whole number between half and one and a half times the mean, which it has."""
    return int(mean * (0.5 + rng.random()) + rng.random())
