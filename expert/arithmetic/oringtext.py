"""What `firstwet oring` found of rings, compounds, ageing and bolts, as text and as the documented object."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from expert.arithmetic import plain
from expert.arithmetic.ageing import doubling_energy
from expert.arithmetic.choosing import Seat, gland_row
from expert.arithmetic.gland import Fit
from expert.arithmetic.orings import Ring, printed
from expert.arithmetic.shapes import Bolts, Compound, Rings, Use
from expert.arithmetic.spans import Span, exactly, figure, rounded, shown

VERSION = 1
MOST = 6  # rings shown; more would only confuse


@dataclass(frozen=True)
class Suited:
    """A compound against a fluid ("" if none was named) and a heat (C): its rating, and whether it bears the heat."""

    compound: Compound
    fluid: str
    rating: str
    heat: Span | None
    bears: bool | None

    @property
    def good(self) -> bool:
        """Not poor, and not too hot or cold."""
        return self.rating != "poor" and self.bears is not False


@dataclass(frozen=True)
class Ageing:
    """How many times faster it ages at `warm` than at `cool` (C), at `energy` (kJ/mol); `hours` at warm, if given,
    and as written (`given`)."""

    cool: Span
    warm: Span
    energy: Span
    basis: str
    faster: Span
    hours: Span | None
    given: str


@dataclass(frozen=True)
class Bolt:
    """A bolt, the torque (N·m) that its steel is meant for, and the one asked about."""

    name: str
    class_: str
    proof: float
    meant: Span
    asked: Span | None

    @property
    def verdict(self) -> str:
        """'too high' (above all that is meant), 'high' (in the range), 'low' (below it), or '' if none was asked."""
        if self.asked is None:
            return ""
        if self.asked.high > self.meant.high:
            return "too high"
        return "high" if self.asked.high >= self.meant.low else "low"


@dataclass(frozen=True)
class Answer:
    """All that one call worked out."""

    seat: Seat | None
    suited: tuple[Suited, ...]
    one_compound: bool
    ageing: Ageing | None
    bolt: Bolt | None

    @property
    def good(self) -> bool:
        """No negative result: a ring fits, the compound asked about stands it, the torque is not too high."""
        return (
            (self.seat is None or self.seat.good)
            and (not self.one_compound or all(entry.good for entry in self.suited))
            and (self.bolt is None or self.bolt.verdict != "too high")
        )


def oring_text(answer: Answer, rings: Rings, bolts: Bolts, cautions: tuple[str, ...], width: int) -> str:
    """The whole of it, ranges first, each with its limit and source."""
    parts = []
    if answer.seat:
        parts += [_gland(answer.seat, width), _rings(answer.seat, rings, width), _limits(answer.seat, rings, width)]
    if answer.suited:
        parts.append(_suited(answer.suited, width))
    if answer.ageing:
        parts.append(_ageing(answer.ageing, width))
    if answer.bolt:
        parts.append(_bolt(answer.bolt, bolts, width))
    parts.append(plain.warnings(cautions, width))
    if answer.seat:
        parts.append(plain.note(rings.fitting, width))
    return "\n\n".join(part for part in parts if part)


def _gland(seat: Seat, width: int) -> str:
    gland = seat.gland
    lines = [
        f"GROOVE ({seat.use.use}: {seat.use.means}):",
        plain.item(f"the ring sits round {_mm(gland.inner)}", width),
        plain.item(f"it is squeezed to a height of {_mm(gland.height)}", width),
    ]
    if gland.width:
        lines.append(plain.item(f"the groove is {_mm(gland.width)} wide", width))
    return "\n".join([*lines, *plain.assumed(seat.assumed, width)])


def _mm(span: Span) -> str:
    low, high = printed(span.low), printed(span.high)
    return f"{low} mm" if low == high else f"{low} to {high} mm"


def _percent(span: Span) -> str:
    return f"{shown(span)} %"


def _rings(seat: Seat, rings: Rings, width: int) -> str:
    if seat.given:
        said = "does not fit" if seat.given.faults else "may not fit" if seat.given.doubts else "fits"
        return f"RING: it {said}.\n" + _ring(seat.given, seat.use, rings, width)
    if not seat.good:
        return plain.note(
            "RINGS: no standard section fits this groove within the limits. Measure again; the groove may be for a "
            "ring of another shape, or worn.",
            width,
        )
    lines = ["RINGS, the best first:"] if seat.fits else ["RINGS: none of the listed sizes fits."]
    lines += [_ring(entry, seat.use, rings, width) for entry in seat.fits[:MOST]]
    if len(seat.fits) > MOST:
        lines.append(plain.item(f"and {len(seat.fits) - MOST} more of the list", width))
    for want in seat.wanted:
        lines.append(
            plain.item(
                f"section {printed(want.section)} mm, inner diameter {_mm(want.inner)}: computed, not in the list "
                f"(which holds few sizes); ask for a ring of these sizes. {_sits(want.fit, seat.use, rings)}",
                width,
            )
        )
    return "\n".join(lines)


def _ring(entry: Fit, use: Use, rings: Rings, width: int) -> str:
    ring = entry.ring
    return plain.item(
        f"{ring.name}: inner diameter {printed(ring.inner)} mm, section {printed(ring.section)} mm ({ring.mark}). "
        f"{_sits(entry, use, rings)}",
        width,
    )


def _sits(entry: Fit, use: Use, rings: Rings) -> str:
    said = f"Squeeze {_percent(entry.squeeze)}, stretch {_percent(entry.stretch)}"
    if entry.fill:
        said += f", fill {_percent(entry.fill)}"
    if entry.faults:
        said += f". OUTSIDE the limits: {', '.join(entry.faults)}"
    if entry.doubts:
        said += f". Partly outside the limits: {', '.join(entry.doubts)}"
    gland = gland_row(rings, entry.ring.section, use)
    if gland:
        said += (
            f". Usual for this section: {shown(gland.squeeze, 3)} %, in a height of "
            f"{printed(gland.depth.low * 25.4)} to {printed(gland.depth.high * 25.4)} mm"
        )
    return f"{said}."


def _limits(seat: Seat, rings: Rings, width: int) -> str:
    use = seat.use
    lines = [
        "LIMITS:",
        plain.item(
            plain.source(f"squeeze {shown(use.squeeze)} % of the section ({use.says})", use.basis),
            width,
        ),
        *(
            plain.item(plain.source(entry.says, entry.basis), width)
            for entry in (rings.stretch, rings.fill, rings.held)
        ),
        plain.item(plain.source("sections and usual glands", rings.sections_basis), width),
        plain.item(plain.source("sizes", rings.sizes_basis), width),
        plain.item("the section of a stretched ring thins, as its rubber keeps its volume (computed)", width),
    ]
    return "\n".join(lines)


def _suited(suited: tuple[Suited, ...], width: int) -> str:
    fluid, heat = suited[0].fluid, suited[0].heat
    against = " and ".join(filter(None, (fluid, heat and f"{shown(heat, 3)} °C")))
    lines = [f"COMPOUNDS against {against}:"]
    for entry in suited:
        compound = entry.compound
        said = f"{compound.compound}: " + (f"{entry.rating} in {fluid}; " if fluid else "")
        said += f"bears {compound.heat.low:g} to {compound.heat.high:g} °C"
        if entry.bears is not None:
            said += ", so this heat" if entry.bears else ", so NOT this heat"
        lines.append(plain.item(plain.source(f"{said}. {compound.says}", compound.basis), width))
    return "\n".join(lines)


def _ageing(found: Ageing, width: int) -> str:
    cool, warm = f"{shown(found.cool, 3)} °C", f"{shown(found.warm, 3)} °C"
    lines = [
        "AGEING:",
        plain.item(f"at {warm} it hardens {shown(found.faster)} times as fast as at {cool}", width),
    ]
    if found.hours:
        like = plain.duration(found.hours.times(found.faster))
        lines.append(plain.item(f"{found.given} at {warm} age it like {like} at {cool}", width))
    energy = f"{shown(found.energy, 3)} kJ/mol"
    lines += [
        "  Assumed:",
        plain.item(plain.source(f"Arrhenius' law with an activation energy of {energy}", found.basis), width),
        plain.item("one and the same ageing at both temperatures; far apart they differ", width),
        plain.item(
            f"not that ten degrees double it: from {figure(found.cool.middle, 3)} °C on that would take "
            f"{figure(doubling_energy(found.cool.middle))} kJ/mol (computed)",
            width,
        ),
    ]
    return "\n".join(lines)


def _bolt(bolt: Bolt, table: Bolts, width: int) -> str:
    meant = f"{shown(bolt.meant)} N·m ({shown(bolt.meant.scaled(_FOOT_POUNDS))} lbf ft)"
    said = {
        "": "",
        "too high": "is TOO HIGH for this bolt: it may stretch or break, or strip the thread.",
        "high": "is what the steel of this bolt is meant for; soft metal and gaskets usually get less.",
        "low": "is below what the steel of this bolt bears; that is usual in soft metal and on gaskets.",
    }[bolt.verdict]
    lines = [f"BOLT {bolt.name}, class {bolt.class_}:"]
    if bolt.asked:
        lines.append(plain.item(f"{shown(bolt.asked, 3)} N·m {said}", width))
    lines += [
        plain.item(f"its steel is meant for at most {meant}", width),
        "  Assumed:",
        plain.item(plain.source(f"proof stress {bolt.proof:g} MPa", table.classes_basis), width),
        plain.item(plain.source("the coarse pitch if none was given", table.pitches_basis), width),
        plain.item(plain.source(table.load.says, table.load.basis), width),
        plain.item(plain.source(table.friction.says, table.friction.basis), width),
        plain.note(table.says, width),
    ]
    return "\n".join(lines)


_FOOT_POUNDS = 1 / 1.3558179483314004  # lbf ft in a N·m


def oring_object(answer: Answer, cautions: tuple[str, ...]) -> dict[str, Any]:
    """The same as plain data; every range is a list of two numbers. The keys are described in README."""
    seat, ageing, bolt = answer.seat, answer.ageing, answer.bolt
    return {
        "version": VERSION,
        "good": answer.good,
        "groove": seat
        and {
            "use": seat.use.use,
            "inner_mm": rounded(seat.gland.inner),
            "height_mm": rounded(seat.gland.height),
            "width_mm": rounded(seat.gland.width) if seat.gland.width else None,
            "squeeze_limits": rounded(seat.use.squeeze),
            "assumed": list(seat.assumed),
        },
        "rings": [_fit_object(entry) for entry in ((seat.given,) if seat.given else seat.fits)] if seat else [],
        "computed": [
            {**_fit_object(want.fit), "size": None, "inner_mm": rounded(want.inner)}
            for want in (seat.wanted if seat else ())
        ],
        "compounds": [
            {
                "compound": entry.compound.compound,
                "fluid": entry.fluid or None,
                "rating": entry.rating or None,
                "heat_limits_c": rounded(entry.compound.heat),
                "bears_the_heat": entry.bears,
                "basis": entry.compound.basis,
            }
            for entry in answer.suited
        ],
        "ageing": ageing
        and {
            "times_faster": rounded(ageing.faster),
            "energy_kj_mol": rounded(ageing.energy),
            "basis": ageing.basis,
            "like_hours": rounded(ageing.hours.times(ageing.faster)) if ageing.hours else None,
        },
        "bolt": bolt
        and {
            "bolt": bolt.name,
            "class": bolt.class_,
            "proof_mpa": bolt.proof,
            "meant_nm": rounded(bolt.meant),
            "asked_nm": rounded(bolt.asked) if bolt.asked else None,
            "verdict": bolt.verdict or None,
        },
        "cautions": list(cautions),
    }


def _fit_object(entry: Fit) -> dict[str, Any]:
    ring: Ring = entry.ring
    return {
        "size": ring.name,
        "inner_mm": rounded(exactly(ring.inner)),
        "section_mm": float(f"{ring.section:.6g}"),
        "mark": ring.mark,
        "squeeze": rounded(entry.squeeze),
        "stretch": rounded(entry.stretch),
        "fill": rounded(entry.fill) if entry.fill else None,
        "outside": list(entry.faults),
        "partly_outside": list(entry.doubts),
    }
