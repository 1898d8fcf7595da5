"""What is wrong with a knowledge folder, said for the person who has to mend it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from rapidfuzz import process

NEAR = 60  # rapidfuzz score below which a suggestion would only confuse


def nearest(word: str, allowed: Iterable[str], most: int = 3) -> tuple[str, ...]:
    """The allowed words most like `word`, best first, none that is far off; ties in the order given."""
    found = process.extract(word, list(allowed), limit=most, score_cutoff=NEAR)
    return tuple(name for name, _, _ in found)


def advice(word: str, allowed: Iterable[str], most_listed: int = 12) -> str:
    """'did you mean …?' or, for a short list, everything that is allowed."""
    choices = list(allowed)
    near = nearest(word, choices)
    if near:
        return f"did you mean {' or '.join(repr(name) for name in near)}?"
    if not choices:
        return "nothing is defined there yet"
    listed = ", ".join(choices[:most_listed])
    return f"allowed: {listed}" + (f" and {len(choices) - most_listed} more" if len(choices) > most_listed else "")


@dataclass(frozen=True, order=True)
class Problem:
    """One thing wrong: where (file relative to the folder, 1-based line), what, and what is allowed instead."""

    file: str
    line: int
    what: str
    allowed: str = ""

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.what}" + (f"; {self.allowed}" if self.allowed else "")


class KnowledgeError(Exception):
    """The knowledge folder cannot be used; `problems` says why, all of it at once, in file order."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(sorted(set(problems)))
        super().__init__("\n".join(map(str, self.problems)))
