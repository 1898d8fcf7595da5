"""Driving the conversation in tests: answers by what is asked, never by which question comes when."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from expert.case import Case, Message
from expert.dialogue import Talk, begin, step
from expert.knowledge.base import Observable
from expert.vehicle import Reading, Vehicle

ROOT = Path(__file__).parent.parent
Answer = Callable[[Observable, str], str]
Turn = tuple[Case, tuple[Message, ...]]
Say = Callable[[str], None]
MOST = 90  # questions; a case that asks more than this does not end


@dataclass(frozen=True)
class Result:
    """What a command left."""

    code: int
    out: str
    err: str


Run = Callable[..., Result]

# What a person might say of an ordinary case, by the finding that is asked; everything else is left unknown.
TABLE = {
    "vehicle-age": "25",
    "colour": "red",
    "smell": "light oily",
    "feel": "thin and oily",
    "spill-history": "no",
    "recent-work": "none",
    "cleaned-and-driven": "short drive",
    "transmission-level": "low",
    "highest-wet": "fill-tube-base",
    "fill-tube-base": "wet",
    "pan-bottom": "wet",
    "case-right": "wet",
    "engine-rear": "dry",
    "bellhousing-hole": "dry",
}


def from_table(table: Mapping[str, str] = TABLE) -> Answer:
    """Answers from a table; `unknown` where it has none that the question allows."""

    def answer(asked: Observable, stage: str) -> str:
        said = table.get(asked.id, "unknown")
        return said if asked.kind == "number" or said in asked.values else "unknown"

    return answer


def from_vehicle(vehicle: Vehicle) -> Answer:
    """The answers of a novice who stands at an imagined vehicle, and cleans it and drives when asked to."""
    scale = vehicle.world.machine.base.scale
    entered = max(scale.stages, key=lambda entry: entry.trust).entered_by
    return lambda asked, stage: entered.get(asked.id) or typed(vehicle.observe(asked, stage))


def typed(reading: Reading) -> str:
    """What a reading is when it is typed in."""
    if reading is None or reading == ():
        return "unknown"
    if isinstance(reading, float):
        return f"{reading:g}"
    return reading if isinstance(reading, str) else " and ".join(reading)


def asked(talk: Talk, case: Case) -> Observable | None:
    """What the pending question asks for."""
    return talk.expert.machine.observables[case.asked[0]] if case.asked else None


def walk(talk: Talk, answer: Answer, case: Case | None = None) -> Iterator[Turn]:
    """A whole case: the first turn, then one for every answer, until no question is asked any more."""
    turn = begin(talk) if case is None else (case, ())
    yield turn
    for _ in range(MOST):
        pending = asked(talk, turn[0])
        if pending is None:
            return
        turn = step(talk, turn[0], answer(pending, turn[0].stage))
        yield turn
    raise AssertionError(f"{MOST} questions and no end")


def until(talk: Talk, wanted: Callable[[Observable, str], bool], answer: Answer, case: Case | None = None) -> Case:
    """The case at the first pending question that is wanted."""
    for reached, _ in walk(talk, answer, case):
        pending = asked(talk, reached)
        if pending is not None and wanted(pending, reached.stage):
            return reached
    raise AssertionError("that question was never asked")


def text_of(messages: tuple[Message, ...], *kinds: str) -> str:
    """The words of messages, folded lines joined; of some kinds only, if any are named."""
    return " ".join(" ".join(m.text.split()) for m in messages if not kinds or m.kind in kinds)


def firstwet(*arguments: str, stdin: Any = "", env: Mapping[str, str] | None = None, **more: Any) -> Any:
    """Runs `python -m expert` as a process of its own; text or bytes or a file on standard input."""
    given = (
        {"stdin": stdin} if hasattr(stdin, "fileno") else {"input": stdin.encode() if isinstance(stdin, str) else stdin}
    )
    done = subprocess.run(
        [sys.executable, "-m", "expert", *arguments],
        cwd=ROOT,
        env={**os.environ, **(env or {})},
        check=False,
        timeout=60,
        **({"stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | given | more),
    )
    done.stdout, done.stderr = ((stream or b"").decode() for stream in (done.stdout, done.stderr))
    assert "Traceback" not in done.stderr, done.stderr
    return done
