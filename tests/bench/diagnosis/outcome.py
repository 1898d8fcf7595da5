"""What came of one vehicle by one policy: of the first inspection, and of the whole job."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Job:
    """What came of the whole job: inspected, repaired, proved, and gone on with where it was not dry.

    `left` are the leaks that nobody mended, `wrong` the sources for which parts were bought in vain on any visit,
    `visits` counts the first inspection and every proof after a repair. `proved` says whether the last visit found
    nothing more to do; it may be wrong in that.
    """

    left: tuple[str, ...]
    wrong: tuple[str, ...]
    visits: int
    first_minutes: float
    minutes: float
    proved: bool


@dataclass(frozen=True)
class Outcome:
    """What came of one vehicle by one policy.

    `marginals` are in the order of the layout's sources and `chance` is the concluded set's (both empty, or zero,
    where nothing is believed), `chance_of_truth` that of exactly the sources that leak. `wrong` are the sources for
    which parts are bought although they do not leak; `hours` is the work of all repairs, `wasted` of those that mend
    nothing. All of these are of the first inspection alone; `job` is what came of it in the end, where that was tried.
    `took` are milliseconds from each answer to the next question; they alone differ from run to run.
    """

    policy: str
    truth: tuple[str, ...]
    concluded: tuple[str, ...]
    ranking: tuple[str, ...]
    marginals: tuple[float, ...]
    chance: float
    chance_of_truth: float
    asked: tuple[tuple[str, str, float], ...]
    reason: str
    wrong: tuple[str, ...]
    hours: float
    wasted: float
    job: Job | None = None
    took: tuple[float, ...] = field(default=(), compare=False)

    @property
    def minutes(self) -> float:
        """Minutes of the first inspection."""
        return sum(minutes for _, _, minutes in self.asked)
