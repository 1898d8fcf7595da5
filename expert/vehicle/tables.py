"""The shapes of the simulated vehicle's own knowledge, rules/simulation/: how fluid moves and how people see it.

Nothing here is read by the expert, and nothing of the rules, strengths or wordings is read here: the only
things shared are the ids of zones, sources, findings and stages, the zones' places, and the sources' fluids.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import Field

from expert.knowledge.model import Entry, Id, Ids, Text, Words

Chance = Annotated[float, Field(ge=0, le=1)]
Positive = Annotated[float, Field(gt=0)]
Amount = Annotated[float, Field(ge=0)]


class Severity(Entry):
    """How much comes out: its share of all leaks, and parcels of fluid in a short drive."""

    severity: Id
    chance: Chance
    parcels: Positive


class Period(Entry):
    """What came before a stage's look: how long it ran and stood (short drive = 1), and the airflow."""

    stage: Id
    cleaned: bool
    running: Amount
    parked: Amount
    blown: Annotated[float, Field(ge=0, lt=1)]
    sprayed: Annotated[float, Field(ge=0, lt=1)]


class Regime(Entry):
    """What drives a leak: relative flow while running and while parked, and whether it shows outside."""

    regime: Text
    because: Text
    running: Amount
    parked: Amount
    outside: bool = True
    once: bool = False


class LeakKind(Entry):
    """The regime of one source, and where along its joint it may begin if not only in its own zone."""

    leak: Id
    regime: Text
    places: dict[Id, Positive] = Field(default={})


class Surface(Entry):
    """How zones hold fluid (in parcels), lose it, and collect dirt."""

    hold_least: Annotated[int, Field(ge=1)]
    hold_most: Annotated[int, Field(ge=1)]
    stays: Annotated[float, Field(gt=0, le=1)]
    wet_from: Annotated[float, Field(gt=0, le=1)]
    washed: Chance
    washed_share: Chance
    left_behind: Chance
    runs_out: Chance
    grime: Chance
    grime_after_clean: Chance


class Eye(Entry):
    """How people misjudge the wetness of a place."""

    misjudged: dict[Text, dict[Text, Chance]]
    unknown: Chance
    grime_looks_damp: Chance
    hard_minutes: Positive
    hard_times: Annotated[float, Field(ge=1)]


class Physics(Entry):
    """How fluid leaks, moves and is seen: everything in the folder but the observations."""

    severities: Annotated[tuple[Severity, ...], Field(min_length=1)]
    periods: Annotated[tuple[Period, ...], Field(min_length=1)]
    surface: Surface
    eye: Eye
    former_leak: Chance
    former_dried: Chance
    flung_from: Ids
    flung: Annotated[float, Field(ge=0, lt=1)]
    sprayed_below: Chance
    usual_regime: Text
    regimes: Annotated[tuple[Regime, ...], Field(min_length=1)]
    leaks: tuple[LeakKind, ...]


class Case(Entry):
    """One line of a table: the first whose conditions hold gives the chances (see observations.yaml)."""

    leaking: Ids = ()
    regime: Words = ()
    severity: Ids = ()
    fluid: Words = ()
    fresh: bool | None = None
    layout: Ids = ()
    stage: Ids = ()
    wet: Ids = ()
    known: dict[Id, Words] = Field(default={}, alias="with")
    give: dict[Text, Amount] = Field(default={})
    between: Annotated[tuple[float, ...], Field(min_length=2, max_length=2)] | None = None

    @property
    def of_leak(self) -> bool:
        """Whether any condition is about one leak."""
        return bool(self.leaking or self.regime or self.severity or self.fluid) or self.fresh is not None


Draw = Literal[
    "one",
    "of the fluid looked at",
    "one a leak",
    "each value",
    "number",
    "number a leak",
    "place",
    "drops",
    "trail",
    "trails",
]


class Observation(Entry):
    """How the answer to one question comes about (see the head of observations.yaml)."""

    observe: Id
    because: Text
    draw: Draw
    lasting: bool = False
    cases: tuple[Case, ...] = ()
    otherwise: Text | None = None
    several: Text | None = None
    spots: dict[Text, Ids] = Field(default={})
    ways: dict[Text, Text] = Field(default={})
    place: Literal["where the trail begins", "where the other trails begin", "where it is first seen"] | None = None
    right: Chance = 1
    beside: Chance = 0
    below: Chance = 0
    misjudged: dict[Text, dict[Text, Chance]] = Field(default={})
    unknown: Chance = 0


class Continued(Entry):
    """More of an observation that another file begins: its cases and spots for other kinds of vehicle.

    Where the first case that holds gives the answer, these come before the others; where later cases replace
    earlier ones, after them. Spots are joined.
    """

    observe: Id
    also: Literal["yes"]
    because: Text | None = None
    cases: tuple[Case, ...] = ()
    spots: dict[Text, Ids] = Field(default={})


class Tables(Entry):
    """All that the folder holds."""

    physics: Physics
    observations: dict[Id, Observation]


def continued(entry: Observation, more: Sequence[Continued]) -> Observation:
    """The observation together with all that other files say of it, in the order of the files."""
    added = [case for part in more for case in part.cases]
    cases = (*entry.cases, *added) if entry.draw == "each value" else (*added, *entry.cases)
    spots: dict[str, tuple[str, ...]] = dict(entry.spots)
    for part in more:
        for value, zones in part.spots.items():
            spots[value] = tuple(dict.fromkeys((*spots.get(value, ()), *zones)))
    return entry.model_copy(update={"cases": cases, "spots": spots})
