"""Many vehicles on several processes; the same outcomes whatever their number."""

from __future__ import annotations

import multiprocessing
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from typing import TypeVar

from .bench import Bench, Setting
from .job import whole_job
from .outcome import Outcome
from .policies import EXPERT, RANDOM, assert_engine_agrees, at_random, by_expert, inspect, run_checklist, run_commonness

CHECK_EVERY = 50  # of so many vehicles one is also diagnosed by the engine itself
CHUNK = 4  # vehicles handed to a process at a time

Found = TypeVar("Found")
Outcomes = list[tuple[Outcome, ...]]
_benches: dict[Setting, Bench] = {}  # of this process


def here(setting: Setting) -> Bench:
    """This process's own bench; made once, for grounding the rules and remembered factors are worth keeping."""
    if setting not in _benches:
        _benches.clear()
        _benches[setting] = setting.bench()
    return _benches[setting]


def run_all(bench: Bench, number: int, check: bool = False) -> tuple[Outcome, ...]:
    """One vehicle by every policy. With `check`, AssertionError if the engine itself would believe otherwise."""
    vehicle = bench.vehicle(number)
    case, expert = inspect(bench, vehicle, EXPERT, by_expert)
    if check:
        assert_engine_agrees(bench.expert, case)
    _, blind = inspect(bench, vehicle, RANDOM, at_random(bench.chance(number, RANDOM)))
    checklist = run_checklist(bench, vehicle)
    return (
        whole_job(bench, vehicle, expert),
        whole_job(bench, vehicle, checklist),
        blind,
        run_commonness(bench, vehicle),
    )


def one(setting: Setting, number: int) -> tuple[Outcome, ...]:
    """The outcomes of one vehicle."""
    return run_all(here(setting), number, check=number % CHECK_EVERY == 0)


def outcomes(setting: Setting, vehicles: int, jobs: int, tell: Callable[[int], None] = lambda done: None) -> Outcomes:
    """The outcomes of all vehicles by number, `tell` being told how many are done."""
    found: Outcomes = []
    for outcome in mapped(partial(one, setting), vehicles, jobs):
        found.append(outcome)
        tell(len(found))
    return found


def mapped(job: Callable[[int], Found], vehicles: int, jobs: int) -> Iterator[Found]:
    """What the job makes of each vehicle's number, in their order."""
    if jobs == 1:
        yield from map(job, range(vehicles))
        return
    # Spawned, not forked: the same on every operating system, and no process inherits another's caches.
    with multiprocessing.get_context("spawn").Pool(jobs) as pool:
        yield from pool.imap(job, range(vehicles), chunksize=CHUNK)


class Progress:
    """A plain line on standard error, at most one in a few seconds."""

    def __init__(self, what: str, whole: int, every: float = 5.0) -> None:
        self._what, self._whole, self._every = what, whole, every
        self._begun = self._said = time.monotonic()

    def __call__(self, done: int) -> None:
        """Say how far it is."""
        now = time.monotonic()
        if now - self._said < self._every and done < self._whole:
            return
        self._said = now
        gone = now - self._begun
        left = gone / done * (self._whole - done)
        print(
            f"{self._what}: {done} of {self._whole} vehicles, {gone:.0f} s gone, about {left:.0f} s left",
            file=sys.stderr,
            flush=True,
        )
