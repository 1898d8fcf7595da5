"""What is wrong with a knowledge folder, said for the person who has to mend it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from rapidfuzz import process

NEAR = 60  # rapidfuzz score below which a suggestion would only confuse
FEW = 6  # so many choices are listed even beside a suggestion
LONGEST = 300  # characters of a message's part; a file may hold a value of any length


def nearest(word: str, allowed: Iterable[str], most: int = 3) -> tuple[str, ...]:
    """The allowed words most like `word`, best first, none that is far off; ties in the order given."""
    found = process.extract(word, list(allowed), limit=most, score_cutoff=NEAR)
    return tuple(name for name, _, _ in found)


def advice(word: str, allowed: Iterable[str], most_listed: int = 12) -> str:
    """'did you mean ...?', and everything that is allowed where that is short or nothing is near."""
    choices = list(dict.fromkeys(allowed))
    if not choices:
        return "nothing is defined there yet"
    near = nearest(word, choices)
    meant = f"did you mean {' or '.join(repr(name) for name in near)}?" if near else ""
    if near and len(choices) > FEW:
        return meant
    more = f" and {len(choices) - most_listed} more" if len(choices) > most_listed else ""
    return " ".join(filter(None, (meant, f"allowed: {', '.join(choices[:most_listed])}{more}")))


@dataclass(frozen=True, order=True)
class Problem:
    """One thing wrong: where (file relative to the folder, 1-based line), what, and what is allowed instead.

    Shown as one line that any screen can print: what a file or its name holds is escaped and, if long, cut.
    """

    file: str
    line: int
    what: str
    allowed: str = ""

    def __str__(self) -> str:
        text = f"{self.file}:{self.line}: {_cut(self.what)}" + (f"; {_cut(self.allowed)}" if self.allowed else "")
        return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def _cut(text: str) -> str:
    return text if len(text) <= LONGEST else f"{text[:LONGEST]} ... ({len(text)} characters)"


class KnowledgeError(Exception):
    """The knowledge folder cannot be used; `problems` says why, all of it at once, in file order."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(sorted(set(problems)))
        super().__init__("\n".join(map(str, self.problems)))
