"""How wet the zones are, and how wet a person says they are."""

from __future__ import annotations

import random
from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from expert.vehicle.vehicle import Vehicle

DRY, DAMP, WET = "dry", "damp", "wet"


def wetness(vehicle: Vehicle, stage: str, at: int) -> str:
    """How wet a zone (by its number) truly is."""
    parcels = vehicle.scene(stage).total[at]
    if not parcels:
        return DRY
    return WET if parcels >= vehicle.room[at] * vehicle.world.tables.physics.surface.wet_from else DAMP


def looks(vehicle: Vehicle, stage: str, rng: random.Random) -> Mapping[int, str | None]:
    """What a person with these eyes says of every visible zone, by its number; None where they don't know.

    All zones are drawn together in their own order, so that it does not matter which is asked first.
    """
    eye = vehicle.world.tables.physics.eye
    terrain, grime = vehicle.world.terrain, vehicle.scene(stage).grime
    draw = rng.random
    said: dict[int, str | None] = {}
    for at in terrain.visible:
        true = wetness(vehicle, stage, at)
        know, err, dirt = draw(), draw(), draw()
        hard = eye.hard_times if terrain.zones[at].minutes >= eye.hard_minutes else 1.0
        if know < eye.unknown * hard:
            said[at] = None
        elif true == DRY and at in grime and dirt < eye.grime_looks_damp:
            said[at] = DAMP
        else:
            said[at] = slip(true, eye.misjudged.get(true, {}), err / hard)
    return said


def slip(true: str, misjudged: Mapping[str, float], draw: float) -> str:
    """The value, or what it is mistaken for: `draw` (0 to 1) is compared with the chances in turn."""
    for other, chance in misjudged.items():
        draw -= chance
        if draw < 0:
            return other
    return true
