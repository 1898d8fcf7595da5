"""How large a drop is that falls from a lip, and how many go into a millilitre."""

from __future__ import annotations

import math
from collections.abc import Sequence

from expert.arithmetic.spans import Span, Unusable

GRAVITY = 9.80665  # m/s2, the standard value
_HALVINGS = 80


def ideal_drop(lip: float, tension: float, density: float) -> float:
    """Tate's law: the drop (mL) whose weight is 2 pi r gamma. What falls is a part of it.

    `lip` is the wetted diameter in mm, `tension` in mN/m, `density` in kg/m3.
    """
    return math.pi * (lip / 1000) * (tension / 1000) / (density * GRAVITY) * 1e6


def beyond(rayleigh: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Rayleigh's measurements in the other table's variables: (r / cube root of V, share of the ideal drop).

    With s = T/(g rho a^2) and c = g M/(T a), the volume is c s a^3 and the ideal weight 2 pi T a.
    """
    return [((c * s) ** (-1 / 3), c / (2 * math.pi)) for s, c in rayleigh]


def fractions(
    harkins: Sequence[tuple[float, float]], rayleigh: Sequence[tuple[float, float]]
) -> list[tuple[float, float]]:
    """The first table as far as it goes, then the second for wider lips; rising in the ratio."""
    return [*harkins, *(row for row in sorted(beyond(rayleigh)) if row[0] > harkins[-1][0])]


def fraction(ratio: float, rows: Sequence[tuple[float, float]]) -> float:
    """The share of the ideal drop that falls, on straight lines between the rows. Unusable outside them."""
    if not rows[0][0] <= ratio <= rows[-1][0]:
        raise Unusable(f"The ratio {ratio:.3g} is outside the table ({rows[0][0]:.3g} to {rows[-1][0]:.3g}).")
    at = max(at for at, row in enumerate(rows[:-1]) if row[0] <= ratio)
    (x0, f0), (x1, f1) = rows[at], rows[at + 1]
    return f0 + (f1 - f0) * (ratio - x0) / (x1 - x0)


def drop_volume(lip: float, tension: float, density: float, rows: Sequence[tuple[float, float]]) -> float:
    """The drop (mL) that falls from a lip of this wetted diameter (mm); tension in mN/m, density in kg/m3.

    Solves V = ideal * f(r / V^(1/3)) by halving the ratio's range: ratio^3 * f(ratio) = r^3 / ideal, whose left side
    rises with the ratio. Unusable for a lip that the table does not reach, with the lips that it does.
    """
    radius, ideal = lip / 2, ideal_drop(lip, tension, density) * 1000  # mm and mm3
    wanted = radius**3 / ideal
    low, high = rows[0][0], rows[-1][0]
    if not low**3 * rows[0][1] <= wanted <= high**3 * rows[-1][1]:
        # r^3/ideal grows with the square of the lip.
        least, most = (lip * math.sqrt(end**3 * share / wanted) for end, share in (rows[0], rows[-1]))
        raise Unusable(
            f"A lip {lip:.3g} mm wide lies outside the drop tables. Allowed here: {least:.2g} to {most:.2g} mm. "
            "From a wider edge the drop hangs where it likes: measure one with --drop-size instead."
        )
    for _ in range(_HALVINGS):
        ratio = (low + high) / 2
        if ratio**3 * fraction(ratio, rows) < wanted:
            low = ratio
        else:
            high = ratio
    return ideal * fraction(low, rows) / 1000


def drop_range(lip: Span, tension: Span, density: Span, spread: Span, rows: Sequence[tuple[float, float]]) -> Span:
    """The range of the drop (mL): it grows with lip and tension and shrinks with density."""
    least = drop_volume(lip.low, tension.low, density.high, rows)
    most = drop_volume(lip.high, tension.high, density.low, rows)
    return Span(least * spread.low, most * spread.high)
