"""A ring in its groove: squeeze, stretch and fill, as ranges over tolerances and measuring errors."""

from __future__ import annotations

import math
from dataclasses import dataclass

from expert.arithmetic.orings import Ring
from expert.arithmetic.shapes import Assumption, Rings, Use
from expert.arithmetic.spans import Span, Unusable, hull


@dataclass(frozen=True)
class Gland:
    """The room for a ring, in mm: the diameter that it sits round, the height it is squeezed to, the groove's width
    and the groove's own depth, the last two if they are known."""

    inner: Span
    height: Span
    width: Span | None
    groove: Span | None


@dataclass(frozen=True)
class Fit:
    """How a ring sits: squeeze of the section, stretch and fill in per cent; what is outside its limits (`faults`) and
    what is only near them (`doubts`)."""

    ring: Ring
    squeeze: Span
    stretch: Span
    fill: Span | None
    faults: tuple[str, ...]
    doubts: tuple[str, ...]


def squeeze(section: float, height: float) -> float:
    """Per cent by which the section is flattened."""
    return (section - height) / section * 100


def squeeze_range(section: Span, height: Span) -> Span:
    """The worst cases: the thin ring in the deep gland, the thick ring in the shallow one."""
    return Span(squeeze(section.low, height.high), squeeze(section.high, height.low))


def stretch_range(inner: float, seat: Span) -> Span:
    """Per cent by which a ring of this inner diameter is widened on the seat. Negative: it sits loose."""
    return hull((end / inner - 1) * 100 for end in seat)


def stretched(section: float, inner: float, seat: float) -> float:
    """The section of a ring drawn onto a seat: the rubber's volume stays, so the longer ring is thinner.

    section^2 times the length of its middle line stays the same. A loose ring keeps its section.
    """
    return section * math.sqrt((inner + section) / (max(seat, inner) + section))


def fill_range(section: Span, height: Span, width: Span) -> Span:
    """Per cent of the groove's cross-section that the ring's takes up."""
    return Span(
        math.pi / 4 * section.low**2 / (height.high * width.high) * 100,
        math.pi / 4 * section.high**2 / (height.low * width.low) * 100,
    )


def gland_of(
    inner: Span, bore: Span | None, depth: Span | None, width: Span | None, accuracy: Span, face: bool = False
) -> Gland:
    """The gland from measured diameters, groove depth and width (mm), each good to `accuracy`.

    With a bore the ring is squeezed to half of bore less inner; without one, and in a face, to the groove's depth.
    Unusable where the figures cannot be one groove.
    """
    seat, outer, deep = (_widened(span, accuracy) for span in (inner, bore, depth))
    if seat is None:
        raise Unusable("The diameter that the ring sits round is missing: give --inner.")
    if face:
        if deep is None:
            raise Unusable("For a ring between two flat faces give the groove's depth with --depth.")
        if outer is not None:
            raise Unusable("A ring between two flat faces has no bore; leave --bore out.")
        height = deep
    elif outer is not None and bore is not None:
        if bore.high <= inner.low:
            raise Unusable(
                f"The bore ({bore.high:g} mm) is not wider than the diameter that the ring sits round "
                f"({inner.low:g} mm); were they swapped?"
            )
        height = outer.minus(seat).scaled(0.5)
        if deep is not None and deep.low > height.high:
            raise Unusable(
                f"The groove is {deep.low:.2f} mm deep or more, but between bore and inner diameter there are only "
                f"{height.high:.2f} mm: what the ring sits in would not go into the bore. Measure again."
            )
    elif deep is not None:
        height = deep
    else:
        raise Unusable("How high the room for the ring is, is missing: give --bore, or the groove's --depth.")
    if height.low <= 0:
        raise Unusable(
            f"The room for the ring ({height.middle:.2f} mm) is not larger than the error of measuring. Measure more "
            "finely and say so with --accuracy."
        )
    wide = _widened(width, accuracy)
    if seat.low <= 0 or (wide and wide.low <= 0):
        raise Unusable("A length is not larger than the error of measuring. Measure more finely, with --accuracy.")
    return Gland(seat, height, wide, deep)


def fit(ring: Ring, gland: Gland, use: Use, table: Rings) -> Fit:
    """How a ring (with its tolerance) sits in a gland, against the limits of its use.

    A fault is a range that lies wholly outside its limits, or whose middle does; a doubt is one that sticks out.
    """
    tolerance = ring.tolerance or 0.0
    section = hull(
        stretched(ring.section + t, ring.inner, seat) for t in (-tolerance, tolerance) for seat in gland.inner
    )
    pressed = squeeze_range(section, gland.height)
    drawn = stretch_range(ring.inner, gland.inner)
    filled = fill_range(section, gland.height, gland.width) if gland.width else None
    faults: list[str] = []
    doubts: list[str] = []
    for name, found, limits in (
        ("squeeze", pressed, use.squeeze),
        ("stretch", drawn, table.stretch.between),
        ("fill", filled, table.fill.between),
        ("held in the groove", _held(ring, gland, table.held), table.held.between),
    ):
        if found is None:
            continue
        if not limits.low <= found.middle <= limits.high and name != "held in the groove":
            faults.append(name)
        elif found.low < limits.low or found.high > limits.high:
            doubts.append(name)
    return Fit(ring, pressed, drawn, filled, tuple(faults), tuple(doubts))


def _held(ring: Ring, gland: Gland, limit: Assumption) -> Span | None:
    """Per cent of the section that lies in the groove, up to all of it."""
    if gland.groove is None:
        return None
    share = gland.groove.scaled(100 / ring.section)
    return Span(min(share.low, limit.between.high), min(share.high, limit.between.high))


def _widened(span: Span | None, accuracy: Span) -> Span | None:
    return span.plus(accuracy) if span else None
