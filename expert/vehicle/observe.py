"""Answers read off an imagined vehicle, with the errors people make.

Two steps for each: what is there (from the scene and the tables' cases), and what is said about it.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from expert.knowledge.base import WETNESS_KIND, Observable
from expert.vehicle.cases import choose, first, holds
from expert.vehicle.eyes import DAMP, WET, looks, slip
from expert.vehicle.tables import Case, Observation

if TYPE_CHECKING:
    from expert.vehicle.vehicle import Leak, Vehicle

Reading = str | float | tuple[str, ...] | None
# A spot on the ground counts if it gets at least this share of the drops.
FAIR_SHARE = 0.15


@dataclass(frozen=True)
class Look:
    """One question being answered: `true` is the random stream of what is there, `eyes` of what is said."""

    vehicle: Vehicle
    entry: Observation
    stage: str
    true: random.Random
    eyes: random.Random

    def case(self, leaks: Iterable[Leak]) -> Case | None:
        """The first case that holds."""
        return first(self.vehicle, self.entry, self.stage, tuple(leaks))

    def said(self, true: str | None) -> str | None:
        """What is said of a true value."""
        return None if true is None else slip(true, self.entry.misjudged.get(true, {}), self.eyes.random())

    @property
    def values(self) -> list[str]:
        """Every value the entry names, in its order."""
        named = [value for case in self.entry.cases for value in case.give]
        mistaken = [value for row in self.entry.misjudged.values() for value in row]
        last = [self.entry.otherwise] if self.entry.otherwise else []
        return list(dict.fromkeys((*named, *self.entry.spots, *mistaken, *last)))

    def several(self, found: set[str]) -> Reading:
        """The values found, in order; the one that means `nothing` only where nothing else was found."""
        nothing = self.entry.otherwise
        if nothing is not None:
            found = found - {nothing} or {nothing}
        return tuple(value for value in self.values if value in found) or None


def read_off(vehicle: Vehicle, observable: Observable, stage: str, rng: random.Random | None) -> Reading:
    """The answer to a question in a stage; None for `don't know` and for what no table describes."""
    if observable.kind == WETNESS_KIND:
        at = vehicle.world.terrain.number.get(observable.id)
        said = vehicle.looks(stage) if rng is None else looks(vehicle, stage, rng)
        return None if at is None else said.get(at)
    entry = vehicle.world.tables.observations.get(observable.id)
    if entry is None:
        return None
    when = "" if entry.lasting else stage
    eyes = rng or vehicle.stream("said", entry.observe, when)
    if eyes.random() < entry.unknown:
        return None
    return DRAWS[entry.draw](Look(vehicle, entry, stage, vehicle.stream("true", entry.observe, when), eyes))


def _one(look: Look) -> Reading:
    return look.said(choose(look.case(look.vehicle.leaks), look.true) or look.entry.otherwise)


def _looked_at(look: Look) -> Reading:
    """All questions about the fluid in one stage are about the same drop."""
    vehicle = look.vehicle
    visible = vehicle.world.terrain.visible
    weights = [sum(held[at] for at in visible) for held in vehicle.scene(look.stage).held]
    if not any(weights):
        return look.entry.otherwise
    drop = vehicle.stream("drop", look.stage).choices(vehicle.origins, weights)
    return look.said(choose(look.case(drop), look.true))


def _one_a_leak(look: Look) -> Reading:
    said = [look.said(choose(look.case((leak,)), look.true)) for leak in look.vehicle.leaks]
    return look.several({value for value in said if value is not None})


def _each_value(look: Look) -> Reading:
    """Every value by its own chance; a later case that holds replaces the chances that it names."""
    chances: dict[str, float] = {}
    for case in look.entry.cases:
        if holds(look.vehicle, case, look.stage, look.vehicle.leaks):
            chances.update(case.give)
    return look.several({value for value in look.values if look.true.random() < chances.get(value, 0)})


def _number(look: Look) -> Reading:
    case = look.case(look.vehicle.leaks)
    return None if case is None or case.between is None else float(round(look.true.uniform(*case.between)))


def _number_a_leak(look: Look) -> Reading:
    """The leaks' numbers added up."""
    cases = [look.case((leak,)) for leak in look.vehicle.leaks]
    return round(sum((look.true.uniform(*case.between) for case in cases if case and case.between), 0.0), 1)


def _place(look: Look) -> Reading:
    entry = look.entry
    if entry.place == "where the other trails begin":
        first, _ = _trail_head(look)
        named = [_named(look, head, ()) for head in _trails(look)[1] if head != first]
        return tuple(sorted({zone for zone in named if zone is not None})) or None
    at, others = _trail_head(look) if entry.place == "where the trail begins" else (_first_seen(look), ())
    return None if at is None else _named(look, at, others)


def _named(look: Look, at: int, others: tuple[int, ...]) -> str | None:
    """The zone that a person names who means the zone `at`: it, the next one down, or one beside it."""
    terrain, entry = look.vehicle.world.terrain, look.entry
    draw = look.eyes.random()
    if draw < entry.right:
        return terrain.names[at]
    if draw < entry.right + entry.below:
        below = [z for z in (*terrain.drains[at], *terrain.blows[at]) if terrain.zones[z].visible]
        return terrain.names[look.eyes.choice(below)] if below else None
    if draw < entry.right + entry.below + entry.beside:
        return terrain.names[look.eyes.choice(others or terrain.beside[at])]
    return None


def _trail_head(look: Look) -> tuple[int | None, tuple[int, ...]]:
    """Where the wet trail, followed up and forward as far as it goes, begins; and what may be taken for it.

    People follow the wet places they see, so a damp spot they miss ends the trail early. Wet places are
    followed before damp ones; of several trails the one that begins highest is named, then the foremost.
    """
    terrain = look.vehicle.world.terrain
    seen, heads = _trails(look)
    if not heads:
        return None, ()
    wet = [at for at in heads if seen[at] == WET] or heads
    head = min(wet, key=lambda at: (terrain.zones[at].height, terrain.zones[at].along, at))
    return head, tuple(at for at in terrain.beside[head] if at in seen)


def _trails(look: Look) -> tuple[dict[int, str], list[int]]:
    """The places seen to be wet or damp, and those of them that no other one runs onto."""
    feeders = look.vehicle.world.terrain.feeders
    seen = {at: said for at, said in look.vehicle.looks(look.stage).items() if said in (DAMP, WET)}
    return seen, [at for at in seen if not any(up in seen for up in feeders[at])] or list(seen)


def _count_trails(look: Look) -> Reading:
    """How many separate trails are seen: the value that `ways` gives for none, one or several."""
    _, heads = _trails(look)
    return look.said(look.entry.ways[("none", "one")[len(heads)] if len(heads) < 2 else "several"])


def _first_seen(look: Look) -> int | None:
    """Where one of the leaks first shows: one that the test can find, the stronger the likelier."""
    found = [leak for leak in look.vehicle.leaks if leak.seen]
    able = [leak for leak in found if not look.entry.cases or look.case((leak,)) is not None]
    if not able:
        return None
    leak = look.true.choices(able, [leak.severity.parcels for leak in able])[0]
    return look.true.choice(leak.seen)


def _drops(look: Look) -> Reading:
    """Where drops fall to the ground: every spot that gets a fair share of them."""
    entry = look.entry
    ground, number = look.vehicle.scene(look.stage).ground, look.vehicle.world.terrain.number
    drops = {
        value: sum(ground[number[zone]] for zone in zones if zone in number) for value, zones in entry.spots.items()
    }
    enough = max(1.0, FAIR_SHARE * sum(ground))
    said = {look.said(value) or value for value, count in drops.items() if count >= enough}
    if entry.several is None:
        return look.several(said)
    elsewhere = sum(ground) - sum(drops.values()) >= enough
    if len(said) + elsewhere > 1:
        return entry.several
    return next(iter(said), None if elsewhere else entry.otherwise)


def _trail(look: Look) -> Reading:
    """How what lies there came: the way one parcel of it moved, told from its streak."""
    moves = look.vehicle.scene(look.stage).moves
    if not any(moves.values()):
        return look.said(look.entry.otherwise)
    way = look.true.choices(list(moves), list(moves.values()))[0]
    return look.said(look.entry.ways.get(way))


DRAWS: Mapping[str, Callable[[Look], Reading]] = {
    "one": _one,
    "of the fluid looked at": _looked_at,
    "one a leak": _one_a_leak,
    "each value": _each_value,
    "number": _number,
    "number a leak": _number_a_leak,
    "place": _place,
    "drops": _drops,
    "trail": _trail,
    "trails": _count_trails,
}
