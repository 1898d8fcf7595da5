"""How petroleum fluid grows with heat: ASTM D1250 / API MPMS 11.1, table 54D, for lubricants."""

from __future__ import annotations

import math

from expert.arithmetic.spans import Span, hull

_K = 0.6278  # kg/m3 per C; table 54D
BASE = 15.0  # C


def coefficient(density: float) -> float:
    """Growth per C at 15 C, of a lubricant of this density at 15 C (kg/m3)."""
    return _K / density


def factor(density: float, celsius: float) -> float:
    """Volume at 15 C over volume at this temperature (the table's VCF): below one when hot."""
    step = coefficient(density) * (celsius - BASE)
    return math.exp(-step * (1 + 0.8 * step))


def growth(density: float, cold: float, hot: float) -> float:
    """Volume at `hot` over volume at `cold` (C) of the same fluid."""
    return factor(density, cold) / factor(density, hot)


def grown(volume: Span, density: Span, cold: Span, hot: Span) -> Span:
    """By how much (in the volume's unit) a cold volume grows when hot. The lighter and the further apart, the more."""
    shares = hull(growth(d, c, h) - 1 for d in density for c in cold for h in hot)
    return volume.times(shares)
