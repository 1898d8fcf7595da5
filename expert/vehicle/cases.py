"""Which line of a table holds for a vehicle, and what it gives."""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import TYPE_CHECKING

from expert.vehicle.tables import Case, Observation

if TYPE_CHECKING:
    from expert.vehicle.vehicle import Leak, Vehicle


def first(vehicle: Vehicle, entry: Observation, stage: str, leaks: Sequence[Leak]) -> Case | None:
    """The first case that holds, its conditions about a leak being tried on `leaks`."""
    return next((case for case in entry.cases if holds(vehicle, case, stage, leaks)), None)


def holds(vehicle: Vehicle, case: Case, stage: str, leaks: Sequence[Leak]) -> bool:
    """Whether all conditions hold: those about a leak for one of `leaks`, the others for the vehicle."""
    if case.stage and stage not in case.stage:
        return False
    if case.layout and vehicle.world.machine.layout.layout not in case.layout:
        return False
    if case.of_leak and not any(_fits(vehicle, case, stage, leak) for leak in leaks):
        return False
    if case.wet:
        total, number = vehicle.scene(stage).total, vehicle.world.terrain.number
        if not any(total[number[zone]] for zone in case.wet if zone in number):
            return False
    return all(_true(vehicle, name, stage) in values for name, values in case.known.items())


def choose(case: Case | None, rng: random.Random) -> str | None:
    """One of the case's values by its weights; what they lack of one is left for no value."""
    draw = rng.random()
    if case is None:
        return None
    draw *= max(1.0, sum(case.give.values()))
    for value, weight in case.give.items():
        draw -= weight
        if draw < 0:
            return value
    return None


def _fits(vehicle: Vehicle, case: Case, stage: str, leak: Leak) -> bool:
    fresh = vehicle.world.periods[stage].cleaned and not leak.old
    return (
        (not case.leaking or leak.source in case.leaking)
        and (not case.regime or leak.regime.regime in case.regime)
        and (not case.severity or leak.severity.severity in case.severity)
        and (not case.fluid or leak.fluid in case.fluid)
        and (case.fresh is None or case.fresh == fresh)
    )


def _true(vehicle: Vehicle, finding: str, stage: str) -> str | None:
    """The true value of a lasting entry, on which another's case depends."""
    entry = vehicle.world.tables.observations[finding]
    return choose(first(vehicle, entry, stage, vehicle.leaks), vehicle.stream("true", finding, ""))
