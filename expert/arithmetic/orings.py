"""O-rings by size: the standard's inches to millimetres, a user's own sizes, and the ring that a groove wants."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from expert.arithmetic.shapes import Rings
from expert.arithmetic.spans import Span, Unusable
from expert.arithmetic.units import LENGTH, parted_size, quantity

_INCH = Decimal("25.4")  # mm, exactly
_HUNDREDTH = Decimal("0.01")


@dataclass(frozen=True)
class Ring:
    """A ring: inner diameter, section and the section's tolerance, in mm. `mark` says where its size is from."""

    name: str
    inner: float
    section: float
    tolerance: float | None
    mark: str


def millimetres(inches: Decimal) -> Decimal:
    """Inches in mm, exactly."""
    return inches * _INCH


def printed(length: float) -> str:
    """mm to two decimals, halves up, as size tables print them.

    The float is first put into nine digits: 0.475 in is 12.065 mm, and the float nearest to it lies below that.
    """
    return f"{Decimal(f'{length:.9g}').quantize(_HUNDREDTH, ROUND_HALF_UP)}"


def listed(table: Rings) -> tuple[Ring, ...]:
    """The sizes of the table."""
    tolerances = {entry.section: float(millimetres(entry.tolerance)) for entry in table.sections}
    return tuple(
        Ring(
            entry.size,
            float(millimetres(entry.inner)),
            float(millimetres(entry.section)),
            tolerances[entry.section],
            f"read in {'two tables' if entry.read == 2 else 'one table'}",
        )
        for entry in table.sizes
    )


def ring_of(row: Mapping[str, str]) -> Ring:
    """A row of a user's own list: size, inner, section, and tolerance if known, each with its unit. Unusable else."""
    for key in ("size", "inner", "section"):
        if not row.get(key, "").strip():
            raise Unusable(f"{key!r} is missing here")
    inner, section = (_one(row[key], key) for key in ("inner", "section"))
    tolerance = _one(row["tolerance"], "tolerance") if row.get("tolerance") else None
    return checked(Ring(row["size"].strip(), inner, section, tolerance, "from your list"))


def ring_from(text: str) -> Ring:
    """A ring given as 'INNER x SECTION UNIT'. Unusable else."""
    inner, section = (quantity(part, LENGTH).span.middle for part in parted_size(text))
    return checked(Ring("the ring given", inner, section, None, "as given"))


def checked(ring: Ring) -> Ring:
    """The ring, or Unusable where no ring can have these sizes."""
    if ring.section > ring.inner * 2:
        raise Unusable(
            f"a section of {ring.section:g} mm is too thick for an inner diameter of {ring.inner:g} mm; "
            "are they swapped?"
        )
    if ring.tolerance is not None and ring.tolerance >= ring.section / 2:
        raise Unusable(f"a tolerance of {ring.tolerance:g} mm is too wide for a section of {ring.section:g} mm")
    return ring


def with_tolerance(ring: Ring, table: Rings) -> tuple[Ring, bool]:
    """The ring with a tolerance, and whether that had to be taken from the standard section nearest to its own."""
    if ring.tolerance is not None:
        return ring, False
    near = min(table.sections, key=lambda entry: abs(float(millimetres(entry.section)) - ring.section))
    return Ring(ring.name, ring.inner, ring.section, float(millimetres(near.tolerance)), ring.mark), True


def wanted_inner(inner: Span, stretch: Span) -> Span | None:
    """Inner diameters (mm) that fit every seat of the range with the stretch allowed (per cent); None if none."""
    low, high = inner.high / (1 + stretch.high / 100), inner.low / (1 + stretch.low / 100)
    return Span(low, high) if low <= high else None


def by_section(rings: Sequence[Ring], section: float) -> list[Ring]:
    """The rings of one section (mm), the smallest first."""
    return sorted((r for r in rings if abs(r.section - section) < 1e-6), key=lambda r: (r.inner, r.name))


def _one(text: str, key: str) -> float:
    try:
        found = quantity(text, LENGTH).span
    except Unusable as error:
        raise Unusable(f"{key}: {error}") from None
    if found.low != found.high:
        raise Unusable(f"{key}: {text!r} is a range; give one figure")
    return found.low
