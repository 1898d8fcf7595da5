"""How much faster heat ages rubber: Arrhenius, rate proportional to exp(-E / R T)."""

from __future__ import annotations

import math

from expert.arithmetic.spans import Span, hull

GAS = 8.314462618  # J/(mol K), exact in the SI of 2019
KELVIN = 273.15


def faster(energy: float, cool: float, warm: float) -> float:
    """How many times faster it ages at `warm` than at `cool` (C), at an activation energy in kJ/mol."""
    return math.exp(energy * 1000 / GAS * (1 / (cool + KELVIN) - 1 / (warm + KELVIN)))


def faster_range(energy: Span, cool: Span, warm: Span) -> Span:
    """The range of that over ranges."""
    return hull(faster(e, c, w) for e in energy for c in cool for w in warm)


def doubling_energy(celsius: float) -> float:
    """The activation energy (kJ/mol) at which 10 C more, from this temperature, age exactly twice as fast."""
    low, high = celsius + KELVIN, celsius + 10 + KELVIN
    return GAS * math.log(2) / (1 / low - 1 / high) / 1000
