"""Parcels of fluid carried over the zones: held where the film is thin, else drained, blown or dropped."""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from expert.knowledge.base import Machine
from expert.knowledge.model import Zone
from expert.vehicle.tables import Period, Physics

DRAINED, BLOWN, FLUNG = "drained", "blown", "flung"
# A parcel that has passed this many zones falls to the ground: only a loop of zones could need more.
MOST_STEPS = 200
NEIGHBOURS = 3


@dataclass(frozen=True)
class Terrain:
    """A layout's zones as numbers, so that the walk needs no names."""

    names: tuple[str, ...]
    zones: tuple[Zone, ...]
    number: dict[str, int]
    drains: tuple[tuple[int, ...], ...]
    blows: tuple[tuple[int, ...], ...]
    sprays: tuple[tuple[int, ...], ...]
    feeders: tuple[tuple[int, ...], ...]
    flung: frozenset[int]
    thrown: float
    visible: tuple[int, ...]
    hidden: tuple[int, ...]
    beside: tuple[tuple[int, ...], ...]

    @classmethod
    def of(cls, machine: Machine, physics: Physics) -> Terrain:
        """The terrain of a layout.

        Drops that let go under way may be sprayed onto any visible zone further back that lies low enough.
        """
        names = tuple(machine.zones)
        zones = tuple(machine.zones.values())
        number = {name: at for at, name in enumerate(names)}

        def numbers(these: Iterable[str]) -> tuple[int, ...]:
            return tuple(number[name] for name in these if name in number)

        low = physics.sprayed_below
        visible = tuple(at for at, zone in enumerate(zones) if zone.visible)
        return cls(
            names=names,
            zones=zones,
            number=number,
            drains=tuple(numbers(zone.drains_into) for zone in zones),
            blows=tuple(numbers(zone.blown_onto) for zone in zones),
            sprays=tuple(
                tuple(at for at in visible if zones[at].along > zone.along and zones[at].height >= low)
                for zone in zones
            ),
            feeders=tuple(numbers(machine.feeders[name]) for name in names),
            flung=frozenset(numbers(physics.flung_from)),
            thrown=physics.flung,
            visible=visible,
            hidden=tuple(at for at, zone in enumerate(zones) if not zone.visible),
            beside=tuple(_nearest(at, zones, visible) for at in range(len(zones))),
        )

    def first_seen(self, zone: int) -> tuple[int, ...]:
        """The visible zones where a zone's fluid first shows: itself, or the nearest below a hidden one."""
        found: list[int] = []
        edge, passed = [zone], set()
        while edge:
            at = edge.pop(0)
            if at in passed:
                continue
            passed.add(at)
            if self.zones[at].visible:
                found.append(at)
            else:
                edge.extend((*self.drains[at], *self.blows[at]))
        return tuple(found)


def _nearest(at: int, zones: Sequence[Zone], visible: Sequence[int]) -> tuple[int, ...]:
    """The visible zones most easily mistaken for this one: near it and not on the other side."""
    here = zones[at]

    def far(other: int) -> float:
        there = zones[other]
        sides = 0.0 if here.side == there.side else 0.3 if "middle" in (here.side, there.side) else 1.0
        return math.dist((here.height, here.along, 0.0), (there.height, there.along, sides))

    return tuple(sorted((other for other in visible if other != at), key=far)[:NEIGHBOURS])


@dataclass
class Scene:
    """What lies where at one stage: parcels by origin and zone, and what became of all the others.

    Parcels are conserved: `carried_in + emitted == held (everywhere) + ground + washed + dried`.
    `order` gives the zones in the order in which fresh fluid first wetted them.
    """

    held: list[list[int]]
    total: list[int]
    ground: list[int]
    carried_in: int = 0
    emitted: int = 0
    washed: int = 0
    dried: int = 0
    order: list[int] = field(default_factory=list)
    moves: dict[str, int] = field(default_factory=lambda: {DRAINED: 0, BLOWN: 0, FLUNG: 0})
    grime: frozenset[int] = frozenset()

    @classmethod
    def clean(cls, origins: int, zones: int) -> Scene:
        """Nothing anywhere."""
        return cls([[0] * zones for _ in range(origins)], [0] * zones, [0] * zones)

    def put(self, origin: int, zone: int, parcels: int) -> None:
        """Lay parcels down that were there before the period began."""
        self.held[origin][zone] += parcels
        self.total[zone] += parcels
        self.carried_in += parcels

    def take(self, origin: int, zone: int, parcels: int) -> None:
        """Take held parcels away; the caller says what became of them."""
        self.held[origin][zone] -= parcels
        self.total[zone] -= parcels


def carry(
    terrain: Terrain,
    scene: Scene,
    room: Sequence[int],
    stays: float,
    period: Period,
    parcels: Iterable[tuple[int, int, bool]],
    rng: random.Random,
) -> None:
    """Let parcels (origin, zone where it starts, whether the vehicle runs) walk until each is held or falls.

    `room` is how many parcels each zone's film can take. Where there is room a parcel is held: always in the
    zone where it starts (fluid wets what it escapes from), with the chance `stays` in those it passes.
    The period gives the chance that airflow or a shaft takes it on instead of gravity while running (blown),
    and that a drop which lets go under way is caught by parts behind (sprayed).
    """
    chance = rng.random
    total, ground, blown, sprayed = scene.total, scene.ground, period.blown, period.sprayed
    drains, blows, sprays = terrain.drains, terrain.blows, terrain.sprays
    for origin, zone, running in parcels:
        how = ""
        for _ in range(MOST_STEPS):
            if total[zone] < room[zone] and (not how or chance() < stays):
                _hold(terrain, scene, origin, zone, how)
                break
            if running and blows[zone] and chance() < (terrain.thrown if zone in terrain.flung else blown):
                how = FLUNG if zone in terrain.flung else BLOWN
                onward = blows[zone]
            else:
                how = DRAINED
                onward = drains[zone]
            if not onward and running and sprays[zone] and chance() < sprayed:
                how = BLOWN
                onward = sprays[zone]
            if not onward:
                ground[zone] += 1
                break
            zone = onward[0] if len(onward) == 1 else onward[int(chance() * len(onward))]
        else:
            ground[zone] += 1
        scene.emitted += 1


def _hold(terrain: Terrain, scene: Scene, origin: int, zone: int, how: str) -> None:
    if zone not in scene.order:
        scene.order.append(zone)
    scene.held[origin][zone] += 1
    scene.total[zone] += 1
    if how and terrain.zones[zone].visible:
        scene.moves[how] += 1
