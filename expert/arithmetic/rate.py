"""How much leaks: from drops, a spot on cardboard or the fall of the level to a rate, and what that means."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce

from expert.arithmetic.spans import Span, Unusable


@dataclass(frozen=True)
class Estimate:
    """What one way of measuring says.

    `way` names the way, `given` repeats what was measured, `assumed` all that was taken for it. `flow` is in mL an
    hour, `per_distance` in litres per 1,000 km (the same number as mL per km), `hours` and `distance` (km) how long
    the reserve lasts, None where it is not known.
    """

    way: str
    given: str
    flow: Span
    per_distance: Span
    hours: Span | None
    distance: Span | None
    assumed: tuple[str, ...]


def dripping(drops: Span, hours: Span, drop: Span) -> Span:
    """mL an hour, from drops counted in a time (h) and the drop (mL)."""
    return drops.over(hours).times(drop)


def spot_volume(width: Span, layer: Span) -> Span:
    """mL in a round spot `width` mm across that holds `layer` mm of fluid: the area times the layer."""
    return Span(*(math.pi / 4 * w**2 * d / 1000 for w, d in zip(width, layer, strict=True)))


def spot_like(width: Span, known: Span) -> Span:
    """mL in a spot, where one millilitre on the same card made a spot `known` mm across: the areas compared."""
    ratio = width.over(known)
    return Span(ratio.low**2, ratio.high**2)


def per_distance(flow: Span, speed: Span) -> Span:
    """Litres per 1,000 km (equal to mL per km) at `flow` mL an hour and `speed` km/h."""
    return flow.over(speed)


def flow_at(per_km: Span, speed: Span) -> Span:
    """mL an hour, from litres per 1,000 km at a speed in km/h."""
    return per_km.times(speed)


def estimate(
    way: str,
    given: str,
    assumed: Sequence[str],
    *,
    speed: Span,
    reserve: Span | None,
    flow: Span | None = None,
    per_km: Span | None = None,
) -> Estimate:
    """One estimate, from a flow (mL/h) or from a loss by distance (L/1,000 km); the other follows from the speed.

    `reserve` is in mL; None if it is not known.
    """
    if per_km is None:
        if flow is None:
            raise ValueError("a flow or a loss by distance is needed")
        per_km = per_distance(flow, speed)
    if flow is None:
        flow = flow_at(per_km, speed)
    hours, distance = (reserve.over(flow), reserve.over(per_km)) if reserve else (None, None)
    return Estimate(way, given, flow, per_km, hours, distance, tuple(assumed))


def agreement(estimates: Sequence[Estimate]) -> Span | None:
    """The flow (mL/h) that all of them allow; None if they do not agree."""
    flows = [entry.flow for entry in estimates]
    return reduce(lambda found, flow: found.common(flow) if found else None, flows[1:], flows[0])  # type: ignore[return-value, arg-type]


def check_dripping(drops: Span, hours: Span, allowed: Span) -> None:
    """Unusable where so many drops cannot be counted one by one (`allowed` in drops a second), or hardly fall."""
    pace = drops.over(hours).scaled(1 / 3600)
    if pace.high > allowed.high:
        raise Unusable(
            f"More than {allowed.high:g} drops a second cannot be counted; that is a stream. Say --seen stream, catch "
            "it in a cup, and give --lost, for example: --lost 50 mL in 1 min."
        )
    if pace.low < allowed.low:
        raise Unusable(
            f"That is less than one drop in {1 / allowed.low / 3600:.0f} hours: no drip to reckon with. For a place "
            "that is only wet say --seen wet."
        )
