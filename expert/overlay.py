"""A shop's own figures of how common each source is: a file beside the knowledge, made by `learn`, never part of it.

The file is text to this module; who reads and writes files hands it over.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError

from expert.knowledge.base import Machine
from expert.knowledge.lines import Lined, Unreadable, read
from expert.knowledge.model import Entry, Id, Text
from expert.knowledge.problems import Problem, advice
from expert.knowledge.shapes import faults
from expert.learning import LEAST_WEIGHT, MOST_WEIGHT, Learnt

VERSION = "1"
_DIGITS = 9
_HEAD = """\
# How common each source is in this shop, by its confirmed cases; made by `firstwet learn`, used with `--overlay`.
# chance = (knowledge-says x weight + confirmed) / (weight + cases)
"""

Chance = Annotated[float, Field(gt=0, lt=1)]
Count = Annotated[int, Field(ge=0)]


class Figure(Entry):
    """One source: in how many cases it was confirmed, the knowledge's chance, and the chance that follows."""

    confirmed: Count
    knowledge_says: Chance
    chance: Chance


class Figures(Entry):
    """The whole file."""

    overlay: Literal["1"]
    layout: Id
    knowledge: Text
    weight: Annotated[float, Field(ge=LEAST_WEIGHT, le=MOST_WEIGHT)]
    cases: Annotated[int, Field(ge=1)]
    sources: dict[Id, Figure] = Field(min_length=1)


class OverlayError(Exception):
    """The file cannot be used; `problems` says why, all of it at once."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(sorted(set(problems)))
        super().__init__("\n".join(map(str, self.problems)))


@dataclass(frozen=True)
class Shop:
    """A shop's figures in use: the chance of each source before anything is seen, from so many confirmed cases.

    `digest` is that of the overlay file's bytes, `knowledge` that of the knowledge it was made for.
    """

    digest: str
    knowledge: str
    cases: int
    chances: Mapping[str, float]

    @property
    def said(self) -> str:
        """Which figures these are, in words."""
        cases = "1 confirmed case" if self.cases == 1 else f"{self.cases} confirmed cases"
        return f"How common each source is comes from this shop's own figures ({cases}; overlay {self.digest})."

    def recorded(self) -> dict[str, Any]:
        """What a case file keeps, so that the case can be printed again without the overlay file."""
        return {
            "digest": self.digest, "knowledge": self.knowledge, "cases": self.cases, "chances": dict(self.chances),
        }  # fmt: skip


def from_record(record: Mapping[str, Any], sources: Iterable[str]) -> tuple[Shop, tuple[str, ...]]:
    """The figures that a case file kept, and those of its sources that are none any more and so left out."""
    known = set(sources)
    chances = {source: float(chance) for source, chance in record["chances"].items() if source in known}
    gone = tuple(source for source in record["chances"] if source not in known)
    return Shop(str(record["digest"]), str(record["knowledge"]), int(record["cases"]), chances), gone


def parse(text: bytes, name: str, machine: Machine) -> Shop:
    """The overlay of that file for a layout. OverlayError naming file and line of all that is wrong with it."""
    try:
        lined = read(text, name)
    except Unreadable as error:
        raise OverlayError([error.problem]) from None
    figures = _shaped(lined, name)
    problems = list(_unfit(figures, lined, name, machine))
    if problems:
        raise OverlayError(problems)
    chances = {source: figures.sources[source].chance for source in machine.sources if source in figures.sources}
    return Shop(digest_of(text), figures.knowledge, figures.cases, chances)


def digest_of(text: bytes) -> str:
    """The digest by which an overlay file is known."""
    return hashlib.sha256(text).hexdigest()[:16]


def is_overlay(text: bytes) -> bool:
    """Does a file hold an overlay, whatever may be wrong with it?"""
    try:
        value = read(text, "").value
    except Unreadable:
        return False
    return isinstance(value, dict) and "overlay" in value


def written(learnt: Sequence[Learnt], machine: Machine, cases: int, weight: float) -> str:
    """The file that keeps what was learnt: the same text for the same cases, so it holds no date."""
    lines = [
        f"overlay: {VERSION}",
        f"layout: {machine.layout.layout}",
        f"knowledge: {machine.base.digest}",
        f"weight: {weight:g}",
        f"cases: {cases}",
        "sources:",
    ]
    lines += [
        f"  {one.source}: {{confirmed: {one.confirmed}, knowledge-says: {one.before.mean:.{_DIGITS}g}, "
        f"chance: {one.after.mean:.{_DIGITS}g}}}"
        for one in learnt
    ]
    return _HEAD + "\n".join(lines) + "\n"


def _shaped(lined: Lined, name: str) -> Figures:
    if not isinstance(lined.value, dict) or "overlay" not in lined.value:
        what = "this is no overlay: it has no key 'overlay'"
        raise OverlayError([Problem(name, 1, what, "make one with `firstwet learn`")])
    try:
        return Figures.model_validate(lined.value)
    except ValidationError as error:
        found = faults(Figures, lined.value, error)
        raise OverlayError(
            Problem(name, lined.line(fault.path), fault.what, fault.allowed) for fault in found
        ) from None


def _unfit(figures: Figures, lined: Lined, name: str, machine: Machine) -> Iterable[Problem]:
    """What does not fit the layout in use, or itself."""
    layout = machine.layout.layout
    if figures.layout != layout:
        what = f"the figures are those of layout {figures.layout!r}, and {layout!r} is in use"
        yield Problem(name, lined.line(("layout",)), what, "name that layout with `--layout`, or another overlay")
        return
    for source, figure in figures.sources.items():
        line = lined.line(("sources", source))
        if source not in machine.sources:
            todo = f"{advice(source, machine.sources)}; make the overlay anew with `firstwet learn`"
            yield Problem(name, line, f"there is no source {source!r} in layout {layout!r}", todo)
        if figure.confirmed > figures.cases:
            what = f"{source!r} was confirmed {figure.confirmed} times in {figures.cases} cases"
            yield Problem(name, line, what, f"allowed: at most {figures.cases}")
