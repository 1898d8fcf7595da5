"""What `firstwet rate` found, as text and as the documented object."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from expert.arithmetic import plain
from expert.arithmetic.classes import Judgement
from expert.arithmetic.rate import Estimate, agreement
from expert.arithmetic.shapes import Classes, Fluid, Rate, Way
from expert.arithmetic.spans import Span, rounded, shown
from expert.arithmetic.units import converted

VERSION = 1


@dataclass(frozen=True)
class Growth:
    """A filling's growth with heat: the filling and its growth in mL, and what was assumed."""

    filled: Span
    more: Span
    assumed: tuple[str, ...]


@dataclass(frozen=True)
class Found:
    """All that one call worked out. `drop` (mL) is None where it plays no part; `lost` is the level's fall (mL)."""

    fluid: Fluid
    drop: Span | None
    drop_assumed: tuple[str, ...]
    estimates: tuple[Estimate, ...]
    judgement: Judgement | None
    growth: Growth | None
    lost: Span | None
    reserve: Span | None

    @property
    def explained(self) -> bool:
        """Whether growth with heat alone may account for the fall of the level."""
        return bool(self.growth and self.lost and self.lost.low <= self.growth.more.high)


def rate_text(found: Found, table: Rate, classes: Classes, cautions: tuple[str, ...], width: int) -> str:
    """The whole of it, ranges first, each with what it assumes."""
    skip = _in_all(found.estimates) if len(found.estimates) > 1 else ()
    parts = [_drop(found, width), *(_estimate(entry, _way(table, entry), skip, width) for entry in found.estimates)]
    if len(found.estimates) > 1:
        parts += [_shared(skip, width), _together(found.estimates, width)]
    if found.growth:
        parts.append(_growth(found, found.growth, table, width))
    if found.judgement:
        parts.append(_class(found.judgement, classes, width))
    parts.append(plain.note(table.safe, width))
    if found.estimates:
        parts += [plain.warnings(cautions, width), plain.note(table.better, width)]
    return "\n\n".join(part for part in parts if part)


def _way(table: Rate, entry: Estimate) -> Way:
    way: Way = getattr(table.ways, entry.way)
    return way


def _drop(found: Found, width: int) -> str:
    if found.drop is None:
        return ""
    a_millilitre = Span(1 / found.drop.high, 1 / found.drop.low)
    lines = [
        f"DROPS of {found.fluid.fluid}:",
        plain.item(
            f"{shown(found.drop)} mL a drop, {shown(a_millilitre)} drops to the millilitre: "
            f"{'; '.join(found.drop_assumed)}",
            width,
        ),
    ]
    return "\n".join(lines)


def _estimate(entry: Estimate, way: Way, skip: tuple[str, ...], width: int) -> str:
    quarts = entry.per_distance.scaled(converted(1, "liter", "quart") * converted(1000, "mile", "kilometer") / 1000)
    lines = [
        plain.note(f"LEAK RATE from {way.name} ({entry.given}):", width),
        plain.item(
            f"{plain.volume(entry.flow)} an hour, {plain.volume(entry.flow.scaled(24))} a day of 24 hours", width
        ),
        plain.item(f"{shown(entry.per_distance)} L per 1,000 km ({shown(quarts)} US qt per 1,000 miles)", width),
        *_low_mark(entry, way, width),
        *plain.assumed([said for said in entry.assumed if said not in skip], width),
        plain.note(way.says, width),
    ]
    return "\n".join(lines)


def _low_mark(entry: Estimate, way: Way, width: int) -> list[str]:
    if entry.hours is None or entry.distance is None:
        return []
    return [
        plain.item(f"to the low mark: {plain.duration(entry.hours)} {way.hours}", width),
        plain.item(f"to the low mark: {_distance(entry.distance)}", width),
    ]


def _distance(kilometres: Span) -> str:
    return f"{shown(kilometres)} km ({shown(kilometres.scaled(converted(1, 'kilometer', 'mile')))} miles)"


def _in_all(estimates: tuple[Estimate, ...]) -> tuple[str, ...]:
    """What every estimate assumes; said once where there are several."""
    return tuple(said for said in estimates[0].assumed if all(said in entry.assumed for entry in estimates))


def _shared(said: tuple[str, ...], width: int) -> str:
    return "\n".join(("ASSUMED in all of these:", *(plain.item(one, width) for one in said))) if said else ""


def _together(estimates: tuple[Estimate, ...], width: int) -> str:
    both = agreement(estimates)
    if both is None:
        return plain.note(
            "TOGETHER: these do not agree. It leaks more at some times than at others (running or parked, hot or "
            "cold), a figure is wrong, or not all that is missing dripped where you measured. Reckon with the largest.",
            width,
        )
    return plain.note(f"TOGETHER: {plain.volume(both)} an hour is what all of these allow.", width)


def _growth(found: Found, growth: Growth, table: Rate, width: int) -> str:
    lines = [
        "GROWTH WITH HEAT:",
        plain.item(f"{plain.volume(growth.filled)} cold grows by {plain.volume(growth.more)} when hot", width),
    ]
    if found.reserve:
        share = growth.more.over(found.reserve).scaled(100)
        lines.append(plain.item(f"{shown(share)} % of the {plain.volume(found.reserve)} above the low mark", width))
    lines += [
        *plain.assumed(growth.assumed, width),
        plain.note(table.expansion_says, width),
    ]
    if found.explained:
        lines.append(plain.note(table.expansion_explains, width))
    return "\n".join(lines)


def _class(found: Judgement, classes: Classes, width: int) -> str:
    lines = [
        plain.note(f"CLASS {found.name}: {found.means}. [{classes.basis}]", width),
        plain.note(f"{found.says} [{found.basis}]", width),
    ]
    return "\n".join(lines)


def rate_object(found: Found, table: Rate, cautions: tuple[str, ...]) -> dict[str, Any]:
    """The same as plain data; every range is a list of two numbers. The keys are described in README."""
    both = agreement(found.estimates) if len(found.estimates) > 1 else None
    growth, judged = found.growth, found.judgement
    return {
        "version": VERSION,
        "fluid": found.fluid.fluid,
        "drop_ml": rounded(found.drop) if found.drop else None,
        "drop_assumed": list(found.drop_assumed),
        "estimates": [
            {
                "from": entry.way,
                "given": entry.given,
                "ml_per_hour": rounded(entry.flow),
                "litres_per_1000_km": rounded(entry.per_distance),
                "hours_to_low_mark": rounded(entry.hours) if entry.hours else None,
                "km_to_low_mark": rounded(entry.distance) if entry.distance else None,
                "assumed": list(entry.assumed),
            }
            for entry in found.estimates
        ],
        "agree": both is not None if len(found.estimates) > 1 else None,
        "together_ml_per_hour": rounded(both) if both else None,
        "class": judged and judged.name,
        "class_means": judged and judged.means,
        "verdict": judged and judged.verdict,
        "advice": judged and judged.says,
        "advice_basis": judged and judged.basis,
        "growth_ml": rounded(growth.more) if growth else None,
        "growth_assumed": list(growth.assumed) if growth else [],
        "growth_may_explain_it": found.explained if growth and found.lost else None,
        "safe_to_drive": table.safe,
        "cautions": list(cautions),
    }
