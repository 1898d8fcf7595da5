"""The shapes of the knowledge: what a file under rules/ may say, as immutable data.

Every class is one kind of entry; its fields are the keys an author may write (with `-` for `_`).
Field descriptions are shown to authors by `firstwet check`, so they are written for them.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator


def _as_tuple(value: object) -> object:
    """A single word where a list is allowed means a list of one."""
    return [value] if isinstance(value, str | dict) else value


Id = Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", description="a lower-case name-with-dashes")]
Text = Annotated[str, Field(min_length=1)]
Words = Annotated[tuple[Text, ...], BeforeValidator(_as_tuple)]
Ids = Annotated[tuple[Id, ...], BeforeValidator(_as_tuple)]
Condition = dict[str, str | list[str]]
ExampleFacts = dict[str, str]

WETNESS = ("dry", "damp", "wet")


class Entry(BaseModel):
    """Common to all entries: unknown keys are errors, nothing changes after loading."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        allow_inf_nan=False,
        alias_generator=lambda name: name.replace("_", "-"),
        populate_by_name=False,
        ignored_types=(cached_property,),
    )


class Caution(Entry):
    """A warning shown before the first step that needs it."""

    caution: Id
    text: Text
    basis: Text
    order: int = 50


class Zone(Entry):
    """A named place on the outside of the unit; if it can be seen it is also a wetness finding."""

    zone: Id
    name: Text
    height: Annotated[float, Field(ge=0, le=1)]
    along: Annotated[float, Field(ge=0, le=1)]
    side: Literal["left", "middle", "right"]
    drains_into: Ids = ()
    blown_onto: Ids = ()
    visible: bool = True
    where: Text
    how: Text | None = None
    ask: Text | None = None
    minutes: Annotated[float, Field(gt=0)] = 2
    tools: Words = ()
    cautions: Ids = ()
    needs: dict[str, Words] = {}
    words: Words = ()


class Value(Entry):
    """One allowed value of a finding, with the phrases that mean it."""

    words: Words = ()
    means: Text | None = None
    usual: Annotated[float, Field(gt=0)] | None = None


class Finding(Entry):
    """Something that can be observed or stated; with `ask` it is also a question."""

    finding: Id
    name: Text
    kind: Literal["choice", "number", "zone"] = "choice"
    values: dict[str, Value] = {}
    unit: Text | None = None
    units: dict[str, float] = {}
    least: float | None = None
    most: float | None = None
    bands: tuple[float, ...] = ()
    many: bool = False
    staged: bool = False
    phase: Id | None = None
    ask: Text | None = None
    how: Text | None = None
    where: Text | None = None
    minutes: Annotated[float, Field(gt=0)] = 1
    tools: Words = ()
    cautions: Ids = ()
    needs: dict[str, Words] = {}
    stage: Id | None = None
    words: Words = ()
    layouts: Ids = ()


class Source(Entry):
    """A part from which fluid can first escape, at one of its `zone`s (a pan gasket leaks at any edge)."""

    source: Id
    name: Text
    about: Text
    zones: Annotated[Ids, Field(alias="zone", min_length=1)]
    holds: Text
    commonness: Text
    why_it_leaks: Text
    basis: Text
    access: Id
    words: Words = ()
    alike: Ids = ()
    inseparable_from: Ids = ()
    confirm: Text

    @property
    def zone(self) -> str:
        """The first (or only) place where its fluid escapes."""
        return self.zones[0]


class Repair(Entry):
    """What to do about one or more sources, as an outline that defers to the service data."""

    repair: Id
    sources: Ids = Field(alias="for")
    name: Text
    access: Id
    hours: Annotated[float, Field(gt=0)]
    steps: Words
    parts: Words = ()
    same_visit: Words = ()
    cautions: Ids = ()
    basis: Text


class RuleExamples(Entry):
    """Facts that must fire the rule, and facts that must not."""

    fires: Annotated[tuple[ExampleFacts, ...], Field(min_length=1)]
    not_fires: Annotated[tuple[ExampleFacts, ...], Field(min_length=1)]


class When(Entry):
    """The conditions of a rule."""

    all: tuple[Condition | When, ...] = ()
    any: tuple[Condition | When, ...] = ()
    none: Annotated[tuple[Condition, ...], Field(alias="not")] = ()


class Rule(Entry):
    """A heuristic of the trade."""

    rule: Id
    because: Text
    basis: Text
    layouts: Ids = ()
    for_each: dict[Annotated[str, Field(pattern=r"^[A-Z]$")], str] = {}
    when: When
    stage: Text = "any"
    trust: Literal["by stage", "full"] = "by stage"
    explains: dict[str, str] = {}
    favours: dict[str, str] = {}
    speaks_against: dict[str, str] = {}
    excludes: Words = ()
    derive: dict[str, str] = {}
    first_do: Text | None = None
    caution: Ids = ()
    advise: Text | None = None
    examples: RuleExamples


class Place(Entry):
    """What is different about a zone in one layout; what is left out is as in the zone's own entry."""

    name: Text | None = None
    height: Annotated[float, Field(ge=0, le=1)] | None = None
    along: Annotated[float, Field(ge=0, le=1)] | None = None
    side: Literal["left", "middle", "right"] | None = None
    drains_into: Ids | None = None
    blown_onto: Ids | None = None
    where: Text | None = None

    @property
    def said(self) -> dict[str, object]:
        """What it says, by the zone's own field names."""
        return {key: getattr(self, key) for key in type(self).model_fields if key in self.model_fields_set}


class Layout(Entry):
    """Which zones and sources a kind of vehicle has.

    With `like` it has those of that layout too, except those named in `without`; `places` says where a zone lies here.
    """

    layout: Id
    name: Text
    about: Text
    like: Id | None = None
    without: Ids = ()
    zones: Ids = ()
    sources: Ids = ()
    places: dict[Id, Place] = {}
    default: bool = False
    words: Words = ()


class Term(Entry):
    """One word a novice may not know."""

    term: Text
    means: Text
    zone: Id | None = None


class Strength(Entry):
    """A strength word and the likelihood ratio it stands for."""

    strength: Id
    ratio: Annotated[float, Field(gt=1, le=1000)]
    means: Text


class Commonness(Entry):
    """A commonness word and the chance that such a source leaks on a leaking vehicle, before any look."""

    commonness: Text
    chance: Annotated[float, Field(gt=0, lt=0.5)]


class Stage(Entry):
    """When something was seen, and how far wetness seen then can be trusted (an exponent on the ratio).

    `wetness_usual` gives how often a place that no leak reaches looks dry, damp or wet then, where that differs from
    the scale's own.
    """

    stage: Id
    name: Text
    trust: Annotated[float, Field(ge=0, le=1)]
    wetness_usual: dict[str, float] = {}
    entered_by: dict[str, str] = {}
    words: Words = ()


class Phase(Entry):
    """A part of the inspection; questions of an earlier phase are asked before those of a later one.

    `worth` is the least information (bits a minute) for which a question of it is asked, `most` how many are.
    With `zones` it also asks for the wetness of every zone. The questions of a `must` phase are asked
    whatever they promise, and even when an explanation stands out already.
    """

    phase: Id
    name: Text
    stages: Ids
    worth: Annotated[float, Field(ge=0)]
    most: Annotated[int, Field(ge=1)]
    zones: bool = False
    must: bool = False


class Access(Entry):
    """How deep a repair lies; later entries lie deeper and lay bare everything before them."""

    access: Id
    name: Text
    opens: Ids = ()


class Scale(Entry):
    """rules/scale.yaml: the words with numbers behind them, in one place."""

    strengths: tuple[Strength, ...]
    strengths_basis: Text
    commonness: tuple[Commonness, ...]
    commonness_basis: Text
    excluded_odds: Annotated[float, Field(gt=0, lt=0.01)]
    fluids: dict[Text, Words]
    stages: tuple[Stage, ...]
    phases: tuple[Phase, ...]
    access: tuple[Access, ...]
    stands_out: Annotated[float, Field(gt=0.5, lt=1)]
    wrong_costs: Annotated[float, Field(gt=0)]
    wetness_words: dict[str, Words]
    wetness_usual: dict[str, float]
    wetness_trust: dict[str, Annotated[float, Field(ge=0, le=1)]]
    unknown_words: Words

    @model_validator(mode="after")
    def _wetness_is_complete(self) -> Scale:
        by_stage = [stage.wetness_usual for stage in self.stages if stage.wetness_usual]
        tables: list[Mapping[str, object]] = [self.wetness_words, self.wetness_usual, self.wetness_trust, *by_stage]
        for table in tables:
            if set(table) != set(WETNESS):
                raise ValueError(
                    f"wetness-words, wetness-usual and wetness-trust need exactly the keys {', '.join(WETNESS)}"
                )
        return self
