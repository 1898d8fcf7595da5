"""Which rings fit a groove: standard sections first, then the listed sizes, then what would have to be asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from expert.arithmetic.gland import Fit, Gland, fit
from expert.arithmetic.orings import Ring, by_section, millimetres, wanted_inner, with_tolerance
from expert.arithmetic.shapes import GlandRow, Rings, Use
from expert.arithmetic.spans import Span


@dataclass(frozen=True)
class Wanted:
    """A section (mm) that fits the groove and of which no listed ring has the right inner diameter (mm, computed)."""

    section: float
    inner: Span
    fit: Fit


@dataclass(frozen=True)
class Seat:
    """A groove and what fits it. `given` is the one ring asked about, with `fits` empty; else None."""

    gland: Gland
    use: Use
    fits: tuple[Fit, ...]
    wanted: tuple[Wanted, ...]
    given: Fit | None
    assumed: tuple[str, ...]

    @property
    def good(self) -> bool:
        """Whether the ring asked about fits, or any does."""
        return not self.given.faults if self.given else bool(self.fits or self.wanted)


def gland_row(rings: Rings, section: float, use: Use) -> GlandRow | None:
    """The published gland of a section (mm) in a use, if there is one."""
    for entry in rings.sections:
        if abs(float(millimetres(entry.section)) - section) < 1e-6 and use.use in entry.glands:
            return entry.glands[use.use]
    return None


def judged(ring: Ring, gland: Gland, use: Use, table: Rings, assumed: Sequence[str]) -> Seat:
    """One ring in the groove."""
    ring, taken = with_tolerance(ring, table)
    said = [*assumed, "the section's tolerance is that of the standard section nearest to it"] if taken else assumed
    return Seat(gland, use, (), (), fit(ring, gland, use, table), tuple(said))


def chosen(rings: Sequence[Ring], gland: Gland, use: Use, table: Rings, assumed: Sequence[str]) -> Seat:
    """All rings that fit, the best first, and for each section without one the inner diameter to ask for."""
    sections = {float(millimetres(e.section)): float(millimetres(e.tolerance)) for e in table.sections}
    toleranced = [with_tolerance(ring, table)[0] for ring in rings]
    for ring in toleranced:
        if not any(abs(ring.section - known) < 1e-6 for known in sections):
            sections[ring.section] = ring.tolerance or 0.0
    fits: list[Fit] = []
    wanted: list[Wanted] = []
    for section, tolerance in sorted(sections.items()):
        inner = wanted_inner(gland.inner, table.stretch.between)
        middle = inner.middle if inner else gland.inner.middle / (1 + table.stretch.between.middle / 100)
        trial = fit(Ring("", middle, section, tolerance, "computed"), gland, use, table)
        good = [entry for ring in by_section(toleranced, section) if not (entry := fit(ring, gland, use, table)).faults]
        fits += good
        if not good and not trial.faults:
            wanted.append(Wanted(section, inner or Span(middle, middle), trial))
    fits.sort(key=lambda entry: (len(entry.doubts), _off(entry, use, table), entry.stretch.middle, entry.ring.name))
    wanted.sort(key=lambda want: (len(want.fit.doubts), _off(want.fit, use, table), want.section))
    return Seat(gland, use, tuple(fits), tuple(wanted), None, tuple(assumed))


def _off(entry: Fit, use: Use, table: Rings) -> float:
    """How far (per cent of squeeze) a ring is from the middle of what is usual for its section, or of the limits."""
    row = gland_row(table, entry.ring.section, use)
    usual = row.squeeze if row else use.squeeze
    return round(abs(entry.squeeze.middle - usual.middle), 9)
