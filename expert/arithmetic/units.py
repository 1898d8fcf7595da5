"""Quantities as people write them ('1/2 qt', '10-15 mm', '-10 C') to ranges in one unit each.

pint knows the factors. It is never given what was typed, only the names below: its own parser works out powers,
and `9**9**9 mm` would keep it busy for ever. It is imported when first used, for it is slow to start.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

from expert.arithmetic.spans import Span, Unusable, hull
from expert.knowledge.problems import advice

if TYPE_CHECKING:
    import pint

_LONGEST = 100  # characters of one quantity


class Kind(NamedTuple):
    """A kind of quantity: the unit it is reckoned in, its least and most there, and how each unit is spelled."""

    name: str
    unit: str
    least: float
    most: float
    spellings: Mapping[str, tuple[str, ...]]
    open_below: bool = True  # the least itself is not allowed


_VOLUMES = {
    "quart": ("qt", "quart", "quarts"),
    "pint": ("pt", "pint", "pints"),
    "gallon": ("gal", "gallon", "gallons"),
    "fluid_ounce": ("fl oz", "floz", "fluid ounce", "fluid ounces"),
}
_NATIONS = {"": ("us", "american"), "imperial_": ("imp", "imperial", "uk", "british")}

LENGTH = Kind(
    "length",
    "mm",
    0,
    10_000,
    {
        "millimeter": ("mm", "millimetre", "millimetres", "millimeter", "millimeters"),
        "centimeter": ("cm", "centimetre", "centimetres", "centimeter", "centimeters"),
        "meter": ("m", "metre", "metres", "meter", "meters"),
        "inch": ("in", "inch", "inches", '"'),
        "thou": ("thou",),
    },
)
VOLUME = Kind(
    "volume",
    "mL",
    0,
    1_000_000,
    {
        "milliliter": ("ml", "cc", "cm3", "millilitre", "millilitres", "milliliter", "milliliters"),
        "centiliter": ("cl", "centilitre", "centilitres"),
        "liter": ("l", "litre", "litres", "liter", "liters"),
        **{
            f"{prefix}{name}": tuple(f"{nation} {word}" for nation in nations for word in words)
            for name, words in _VOLUMES.items()
            for prefix, nations in _NATIONS.items()
        },
    },
)
TIME = Kind(
    "time",
    "h",
    0,
    1_000_000,
    {
        "second": ("s", "sec", "second", "seconds"),
        "minute": ("min", "mins", "minute", "minutes"),
        "hour": ("h", "hr", "hrs", "hour", "hours"),
        "day": ("d", "day", "days"),
        "week": ("week", "weeks"),
        "month": ("month", "months"),
        "year": ("year", "years"),
    },
)
DISTANCE = Kind(
    "distance",
    "km",
    0,
    10_000_000,
    {
        "kilometer": ("km", "kms", "kilometre", "kilometres", "kilometer", "kilometers"),
        "mile": ("mi", "mile", "miles"),
    },
)
SPEED = Kind(
    "speed",
    "km/h",
    0,
    400,
    {"kilometer/hour": ("km/h", "kmh", "kph"), "mile/hour": ("mph", "mi/h")},
)
TEMPERATURE = Kind(
    "temperature",
    "°C",
    -60,
    400,
    {"degC": ("c", "°c", "deg c", "degc", "celsius"), "degF": ("f", "°f", "deg f", "degf", "fahrenheit")},
    open_below=False,
)
DENSITY = Kind(
    "density",
    "kg/m3",
    300,
    3000,
    {"kilogram/meter**3": ("kg/m3", "kg/m³", "g/l"), "gram/centimeter**3": ("g/cm3", "g/ml", "kg/l", "g/cc")},
    open_below=False,
)
TENSION = Kind(
    "surface tension", "mN/m", 5, 500, {"millinewton/meter": ("mn/m",), "newton/meter": ("n/m",)}, open_below=False
)
ENERGY = Kind(
    "activation energy",
    "kJ/mol",
    0,
    500,
    {"kilojoule/mole": ("kj/mol",), "kilocalorie/mole": ("kcal/mol",)},
)
TORQUE = Kind(
    "torque",
    "N·m",
    0,
    10_000,
    {
        "newton*meter": ("nm", "n m", "n·m", "n-m", "n.m"),
        "force_pound*foot": ("ft lb", "ft-lb", "lb ft", "lb-ft", "lbf ft", "lbf-ft", "ft lbf", "ft-lbf", "ftlb"),
        "force_pound*inch": ("in lb", "in-lb", "lb in", "lb-in", "lbf in", "lbf-in", "in lbf", "in-lbf", "inlb"),
        "kilogram_force*meter": ("kgf m", "kgf-m", "kgm", "kg m", "kg-m", "kgf·m"),
    },
)

# pint's names of the units that the kinds are reckoned in.
_TARGETS = {
    "mm": "millimeter",
    "mL": "milliliter",
    "h": "hour",
    "km": "kilometer",
    "km/h": "kilometer/hour",
    "°C": "degC",
    "kg/m3": "kilogram/meter**3",
    "mN/m": "millinewton/meter",
    "kJ/mol": "kilojoule/mole",
    "N·m": "newton*meter",
}

_NUMBER = r"[-+]?(?:[0-9]+[\s-][0-9]+/[0-9]+|[0-9]+/[0-9]+|[0-9]*\.[0-9]+|[0-9]+\.?)"
_QUANTITY = re.compile(rf"\s*({_NUMBER})(?:\s*(?:-|–|to)\s*({_NUMBER}))?\s*(.*?)\s*", re.DOTALL)
# 'X in Y'; the last separator word counts, so that '3 in in 8 h' is three inches in eight hours.
_PER = re.compile(
    r"(.*)(?:(?<=\s)(?:in|per|over|during|every|each|an?)(?=\s)|(?<=[a-z])/|(?<=[a-z] )/|/(?=\s*[a-z]))(.*)",
    re.I | re.DOTALL,
)
_ONE = re.compile(r"\b(in|per|over|during|every)\s+(?:an?|one|each)\s", re.I)


class Quantity(NamedTuple):
    """A range in the kind's own unit, and what had to be assumed to read it ("" if nothing)."""

    span: Span
    assumed: str


def quantity(text: str, kind: Kind, *, unit: str = "") -> Quantity:
    """Read one quantity, or a range of it ('10-15 mm').

    `unit` (as spelled in the kind) is taken where none is written. Unusable with the reason for anything else.
    """
    low, high, said = _numbers(text, f"a {kind.name}, such as {_example(kind)}")
    spelled = " ".join(said.lower().replace("u.s.", "us").replace("u.k.", "uk").split()) or unit
    name, assumed = _named(spelled, kind)
    if not spelled:
        raise Unusable(f"{text.strip()!r} has no unit. Allowed for a {kind.name}: {_allowed(kind)}.")
    if name is None:
        near = advice(spelled, [word for words in kind.spellings.values() for word in words], 0)
        meant = near if near.startswith("did you mean") else ""
        hint = f" {meant[:1].upper()}{meant.split('?')[0][1:]}?" if meant else ""
        raise Unusable(f"{said!r} is no unit of {kind.name}.{hint} Allowed: {_allowed(kind)}.")
    span = hull(_converted(float(value), name, kind) for value in (low, high))
    below = span.low <= kind.least if kind.open_below else span.low < kind.least
    if below or span.high > kind.most:
        least = f"more than {kind.least:g}, at most" if kind.open_below else f"{kind.least:g} to"
        raise Unusable(f"{text.strip()!r}: this {kind.name} cannot be; allowed: {least} {kind.most:g} {kind.unit}.")
    return Quantity(span, assumed)


def counted(text: str, words: tuple[str, ...]) -> Span:
    """A count such as '12', '10-15' or '12 drops'. Unusable unless it is above zero."""
    low, high, said = _numbers(text, f"a number of {words[-1]}")
    if said and said.lower() not in words:
        raise Unusable(f"{said!r} is not understood here. Allowed: a number, with or without {words[-1]!r}.")
    if low <= 0:
        raise Unusable(f"{text.strip()!r}: the number of {words[-1]} must be above zero.")
    return Span(float(low), float(high))


def parted(text: str, example: str) -> tuple[str, str]:
    """'X in Y', 'X per Y', 'X over Y' or 'X/unit' as its two parts. Unusable where there are not two."""
    found = _PER.fullmatch(_ONE.sub(r"\1 1 ", text)) if len(text) <= _LONGEST else None
    if not found or not found[1].strip() or not found[2].strip():
        raise Unusable(f"{_cut(text)!r} does not say how much in what time. Write for example: {example}.")
    return found[1].strip(), found[2].strip()


def parted_size(text: str) -> tuple[str, str]:
    """'24.99 x 3.53 mm' or '24.99 mm x 3.53 mm' as two quantities, each with its unit. Unusable otherwise."""
    parts = re.split(r"\s*[x×]\s*", text.strip(), flags=re.IGNORECASE) if len(text) <= _LONGEST else []
    if len(parts) != 2 or not all(parts):
        raise Unusable(f"{_cut(text)!r} is no ring size. Write inner diameter x section, for example: 24.99 x 3.53 mm.")
    first, second = parts
    found = _QUANTITY.fullmatch(second)
    return (f"{first} {found[3]}" if found and not _unit_of(first) else first), second


def spells(text: str, kind: Kind) -> bool:
    """Whether the text ends in a unit of this kind."""
    found = _QUANTITY.fullmatch(text[:_LONGEST])
    return bool(found and _named(" ".join(found[3].lower().split()), kind)[0])


def per_unit(text: str) -> str:
    """'min' as '1 min': what stands after 'per' may leave the number out."""
    return text if _QUANTITY.fullmatch(text[:_LONGEST]) else f"1 {text}"


def _unit_of(text: str) -> str:
    found = _QUANTITY.fullmatch(text)
    return found[3] if found else ""


def _numbers(text: str, wanted: str) -> tuple[Fraction, Fraction, str]:
    """The two ends (the same where one number is given) and what follows them."""
    if len(text) > _LONGEST:
        raise Unusable(f"{_cut(text)!r} is too long; write {wanted}.")
    found = _QUANTITY.fullmatch(text)
    if not found:
        raise Unusable(f"{text.strip()!r} does not begin with a number. Write {wanted}.")
    if found[3][:1] in (",", "'"):
        raise Unusable(f"{text.strip()!r}: write 1.5 with a point, and 1500 without a comma.")
    low = _fraction(found[1])
    high = _fraction(found[2]) if found[2] else low
    if low > high:
        raise Unusable(f"{text.strip()!r}: the lower figure comes first.")
    return low, high, found[3]


def _fraction(text: str) -> Fraction:
    sign = -1 if text.startswith("-") else 1
    try:
        return sign * sum((Fraction(part) for part in re.split(r"[\s-]", text.lstrip("+-"))), Fraction(0))
    except ZeroDivisionError:
        raise Unusable(f"{text!r} divides by zero.") from None


def _named(spelled: str, kind: Kind) -> tuple[str | None, str]:
    """pint's name of a spelled unit, and what was assumed; None if it is not one of the kind's."""
    for name, words in kind.spellings.items():
        if spelled in words:
            return name, ""
    for name, words in _VOLUMES.items():
        if kind is VOLUME and spelled in words:
            litres = _converted(1, name, VOLUME) / 1000
            return name, f"a US {words[1]} ({litres:.3g} L); write 'imp {words[0]}' for the imperial one"
    return None, ""


def _allowed(kind: Kind) -> str:
    """The first spelling of each unit."""
    return ", ".join(words[0] for words in kind.spellings.values())


def _example(kind: Kind) -> str:
    return f"'12 {next(iter(kind.spellings.values()))[0]}'"


def _cut(text: str) -> str:
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}..."


@cache
def _registry() -> pint.UnitRegistry[Any]:
    import pint  # it takes a quarter of a second, which no other command should pay for

    return pint.UnitRegistry()


def _converted(value: float, name: str, kind: Kind) -> float:
    return float(_registry().Quantity(value, name).to(_TARGETS[kind.unit]).magnitude)


def converted(value: float, name: str, target: str) -> float:
    """A number from one of pint's units to another, for printing in the user's other system."""
    return float(_registry().Quantity(value, name).to(target).magnitude)
