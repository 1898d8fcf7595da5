"""The shapes of rules/arithmetic/: what its files may say, as immutable data."""

from __future__ import annotations

import itertools
from decimal import Decimal
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from expert.arithmetic.spans import Span
from expert.knowledge.model import Caution, Entry, Ids, Text, Words


def _ordered(pair: Span) -> Span:
    if pair.low > pair.high:
        raise ValueError("the lower figure comes first")
    return pair


def _above_zero(pair: Span) -> Span:
    if pair.low <= 0:
        raise ValueError("both figures must be above zero")
    return pair


def _ascending(rows: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    if any(b[0] <= a[0] for a, b in itertools.pairwise(rows)):
        raise ValueError("the rows must be in ascending order of their first figure")
    return rows


def _descending(rows: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    if any(b[0] >= a[0] for a, b in itertools.pairwise(rows)):
        raise ValueError("the rows must be in descending order of their first figure")
    return rows


Pair = Annotated[Span, AfterValidator(_ordered)]
Positive = Annotated[Span, AfterValidator(_ordered), AfterValidator(_above_zero)]
Above = Annotated[float, Field(gt=0)]
Inches = Annotated[Decimal, Field(gt=0, le=100)]
Row = tuple[Above, Above]


class Assumption(Entry):
    """A range taken where the user gives nothing better."""

    between: Pair
    says: Text
    basis: Text


class Fluid(Entry):
    """One fluid: density in kg/m3 at 15 C, surface tension in mN/m, drop in mL."""

    fluid: Text
    words: Words = ()
    density: Positive
    tension: Positive
    drop: Positive
    petroleum: bool = False
    reserve: Assumption | None = None
    stop: Text | None = None
    basis: Text
    drop_basis: Text


class Way(Entry):
    """One way to measure a leak, in words."""

    name: Text
    hours: Text
    says: Text


class Ways(Entry):
    """The three ways."""

    drops: Way
    spot: Way
    lost: Way


class Assumptions(Entry):
    """What `rate` assumes."""

    drop_spread: Assumption
    dripping: Assumption
    soaked_layer: Assumption
    speed: Assumption
    cold: Assumption
    hot: Assumption


class Rate(Entry):
    """rules/arithmetic/rate.yaml."""

    harkins_brown: Annotated[tuple[Row, ...], Field(min_length=2), AfterValidator(_ascending)]
    harkins_brown_basis: Text
    rayleigh: Annotated[tuple[Row, ...], Field(min_length=2), AfterValidator(_descending)]
    rayleigh_basis: Text
    assumptions: Assumptions
    coldest: float
    hottest: float
    hottest_says: Text
    expansion_basis: Text
    expansion_says: Text
    expansion_explains: Text
    ways: Ways
    cautions: Ids
    better: Text
    safe: Text


class Sign(Entry):
    """What is seen of a leak, and the class it makes."""

    sign: Text
    class_: Text = Field(alias="class")
    means: Text


class Advice(Entry):
    """What follows for driving on; the first line whose conditions hold speaks."""

    signs: Words = ()
    levels: Words = ()
    moments: Words = ()
    stops: bool | None = None
    verdict: Literal["stop", "check first", "finish", "watch"]
    says: Text
    basis: Text


class Classes(Entry):
    """rules/arithmetic/classes.yaml. Signs go from small leaks to large; `falling` is that of falling drops."""

    signs: Annotated[tuple[Sign, ...], Field(min_length=1)]
    falling: Text
    basis: Text
    levels: Annotated[Words, Field(min_length=1)]
    moments: Annotated[Words, Field(min_length=1)]
    advice: Annotated[tuple[Advice, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _whole(self) -> Self:
        last = self.advice[-1]
        if last.signs or last.levels or last.moments or last.stops is not None:
            raise ValueError("the last line of advice must hold always: leave its conditions out")
        known = {
            "sign": [entry.sign for entry in self.signs],
            "level": list(self.levels),
            "moment": list(self.moments),
        }
        if self.falling not in known["sign"]:
            raise ValueError(f"'falling' is {self.falling!r}, which is not among the signs: {', '.join(known['sign'])}")
        for entry in self.advice:
            for kind, words in (("sign", entry.signs), ("level", entry.levels), ("moment", entry.moments)):
                for word in words:
                    if word not in known[kind]:
                        raise ValueError(f"there is no {kind} {word!r}; allowed: {', '.join(known[kind])}")
        return self


class GlandRow(Entry):
    """The depth (inch) and squeeze (per cent) that a published table gives for a section in one use."""

    depth: Positive
    squeeze: Positive


class Section(Entry):
    """A standard cross-section, in inches."""

    section: Inches
    tolerance: Inches
    glands: dict[Text, GlandRow]


class Size(Entry):
    """A standard size that was read in a source, in inches."""

    size: Text
    inner: Inches
    section: Inches
    read: Literal[1, 2]

    @model_validator(mode="before")
    @classmethod
    def _number(cls, raw: object) -> object:
        if isinstance(raw, dict) and raw.get("read") in ("1", "2"):
            return {**raw, "read": int(raw["read"])}
        return raw


class Use(Entry):
    """A use of a ring and the squeeze (per cent) allowed in it."""

    use: Text
    means: Text
    squeeze: Positive
    says: Text
    basis: Text


class Rings(Entry):
    """rules/arithmetic/rings.yaml."""

    sections: Annotated[tuple[Section, ...], Field(min_length=1)]
    sections_basis: Text
    sizes: tuple[Size, ...]
    sizes_basis: Text
    uses: Annotated[tuple[Use, ...], Field(min_length=1)]
    stretch: Assumption
    fill: Assumption
    held: Assumption
    accuracy: Assumption
    fitting: Text
    cautions: Ids

    @model_validator(mode="after")
    def _whole(self) -> Self:
        known = {entry.section for entry in self.sections}
        for size in self.sizes:
            if size.section not in known:
                raise ValueError(f"the size {size.size} has a section {size.section} that is not among the sections")
        uses = {entry.use for entry in self.uses}
        for section in self.sections:
            for use in section.glands:
                if use not in uses:
                    raise ValueError(
                        f"the section {section.section} has a gland for {use!r}, which is not among the uses"
                    )
        return self


Rating = Literal["good", "fair", "poor"]


class Compound(Entry):
    """A ring compound: the heat it bears (C), how it stands each fluid, and how it ages (kJ/mol)."""

    compound: Text
    words: Words = ()
    heat: Pair
    ratings: dict[Text, Rating]
    activation: Positive | None = None
    activation_basis: Text | None = None
    says: Text = "Ask the maker's list for the very compound and fluid."
    basis: Text

    def rating(self, fluid: str) -> Rating:
        """How it stands a fluid: as rated, or as all that is not named; poor where nothing is said."""
        return self.ratings.get(fluid, self.ratings.get("otherwise", "poor"))

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if (self.activation is None) != (self.activation_basis is None):
            raise ValueError("'activation' and 'activation-basis' belong together: give both or none")
        return self


class BoltClass(Entry):
    """A property class and its proof stress (MPa), up to and above a thread of 16 mm."""

    class_: Text = Field(alias="class")
    proof: Annotated[tuple[Above, Above], Field()]


class Bolts(Entry):
    """rules/arithmetic/bolts.yaml."""

    classes: Annotated[tuple[BoltClass, ...], Field(min_length=1)]
    classes_basis: Text
    pitches: dict[Text, Above]
    pitches_basis: Text
    load: Assumption
    friction: Assumption
    says: Text
    cautions: Ids


class Tables(Entry):
    """All files of the folder, and the cautions of the knowledge, which they name."""

    fluids: dict[Text, Fluid]
    rate: Rate
    classes: Classes
    rings: Rings
    compounds: dict[Text, Compound]
    bolts: Bolts
    cautions: dict[Text, Caution]

    def warnings(self, names: Ids) -> tuple[str, ...]:
        """The texts of these cautions, the most important first."""
        return tuple(self.cautions[name].text for name in sorted(names, key=lambda n: (self.cautions[n].order, n)))
