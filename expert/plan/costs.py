"""What visits cost: hours of opening, of each repair's own work and of looking afterwards, times a rate, plus parts.

Everything a cost is made of is a *figure*, known or known to lie in a range. A visit's cost is linear in its hours and
parts, so it is kept as such a sum (`Work`) and reckoned at one point, or over all ranges at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from expert.arithmetic.spans import Span, exactly
from expert.knowledge.model import Access, Repair
from expert.plan.order import Floats, Ints

# Kinds of figures; a figure is known by its kind and an id.
RATE, OPENING, HOURS, PARTS = "rate", "opening", "hours", "parts"
Figure = tuple[str, str]
Point = Mapping[Figure, float]
THE_RATE: Figure = (RATE, "")


@dataclass(frozen=True)
class Work:
    """So many times each figure of hours and of parts, and hours that are no figure (looking)."""

    times: Mapping[Figure, float] = field(default_factory=dict)
    looking: float = 0.0

    def plus(self, other: Work, share: float = 1.0) -> Work:
        """This and a share of another."""
        times = dict(self.times)
        for figure, count in other.times.items():
            times[figure] = times.get(figure, 0.0) + share * count
        return Work(times, self.looking + share * other.looking)


@dataclass(frozen=True)
class Costs:
    """Everything that a plan is reckoned with, for one layout.

    `currency` is "" where costs are hours. `figures` holds the rate, the hours to open each access, and each repair's
    hours (opening included) and parts. `access` is where each repair lies, and `opens` what an access lays bare besides
    itself. `look` is the time, in hours, to clean, drive and look after a visit.
    """

    currency: str
    figures: Mapping[Figure, Span]
    access: Mapping[str, str]
    opens: Mapping[str, frozenset[str]]
    look: float

    def opened(self, repairs: Iterable[str]) -> tuple[str, ...]:
        """The accesses that a visit has to open: those of its repairs, less what another of them lays bare anyway."""
        wanted = {self.access[name] for name in repairs}
        bare = {below for name in wanted for below in self.opens[name]}
        return tuple(name for name in self.opens if name in wanted - bare)

    def own(self, repair: str) -> Work:
        """A repair once its access is open: its hours less the opening, and its parts."""
        return Work({(HOURS, repair): 1.0, (OPENING, self.access[repair]): -1.0, (PARTS, repair): 1.0})

    def visit(self, repairs: Sequence[str]) -> Work:
        """A visit that does these repairs and then cleans, drives and looks."""
        work = Work({(OPENING, name): 1.0 for name in self.opened(repairs)}, self.look)
        for name in repairs:
            work = work.plus(self.own(name))
        return work

    @property
    def middle(self) -> dict[Figure, float]:
        """Every figure in the middle of its range."""
        return {figure: span.middle for figure, span in self.figures.items()}

    @property
    def middle_rate(self) -> float:
        """What an hour costs, in the middle of its range (1 where costs are hours)."""
        return self.figures[THE_RATE].middle

    def at(self, work: Work, point: Point) -> float:
        """What work costs where the figures are these."""
        hours = work.looking + sum(n * point[f] for f, n in work.times.items() if f[0] != PARTS)
        return point[THE_RATE] * hours + sum(n * point[f] for f, n in work.times.items() if f[0] == PARTS)

    def over(self, work: Work) -> Span:
        """The range of a cost that is above zero: exact, for each figure but the rate stands in it once."""
        hours, parts = exactly(work.looking), exactly(0.0)
        for figure, count in work.times.items():
            share = self.figures[figure].scaled(count)
            if figure[0] == PARTS:
                parts = parts.plus(share)
            else:
                hours = hours.plus(share)
        return hours.times(self.figures[THE_RATE]).plus(parts)

    def prices(self, repairs: Sequence[str], point: Point) -> Floats:
        """The cost of the visit of every set of these repairs, by mask (the empty one costs the look alone)."""
        alone = np.zeros(1)
        wanted: Ints = np.zeros(1, dtype=np.int64)
        places = list(dict.fromkeys(self.access[name] for name in repairs))
        for name in repairs:
            alone = np.concatenate([alone, alone + self.at(self.own(name), point)])
            wanted = np.concatenate([wanted, wanted | 1 << places.index(self.access[name])])
        opening = np.zeros(len(alone))
        for key in np.unique(wanted):
            here = [name for name in repairs if int(key) >> places.index(self.access[name]) & 1]
            open_hours = sum(point[(OPENING, name)] for name in self.opened(here))
            opening[wanted == key] = point[THE_RATE] * (self.look + open_hours)
        return alone + opening


def default_costs(
    accesses: Iterable[Access],
    repairs: Iterable[Repair],
    opening: Mapping[str, float],
    moved: Mapping[str, str],
    look: float,
) -> Costs:
    """The knowledge's own figures, in hours: `opening` each access, `moved` where a repair counts to another access."""
    listed = list(repairs)
    figures = {THE_RATE: exactly(1.0)}
    figures |= {(OPENING, name): exactly(hours) for name, hours in opening.items()}
    figures |= {(HOURS, one.repair): exactly(one.hours) for one in listed}
    figures |= {(PARTS, one.repair): exactly(0.0) for one in listed}
    return Costs(
        currency="",
        figures=figures,
        access={one.repair: moved.get(one.repair, one.access) for one in listed},
        opens={entry.access: frozenset(entry.opens) for entry in accesses},
        look=look,
    )
