"""What Python programs use: load the knowledge, diagnose a vehicle, read the result. The same as `firstwet facts`."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from expert.chaining import chainer
from expert.conclusion import Reason
from expert.consult import Concluded, Consultant, FactsError
from expert.diagnosis import Expert
from expert.facts import Fact
from expert.knowledge import base, load
from expert.knowledge.problems import KnowledgeError
from expert.phrases import Lexicon, Reading
from expert.report import at_once_text
from expert.wording import WIDTH

__all__ = ["Fact", "FactsError", "KnowledgeBase", "KnowledgeError", "Result", "diagnose"]

Facts = Mapping[str, Any] | Iterable[Fact | Mapping[str, Any]]


class KnowledgeBase:
    """All that is known about leaks. Make one with `load`; it is expensive to load and never changes."""

    def __init__(self, known: base.KnowledgeBase) -> None:
        self._known = known
        self._consultants: dict[str, Consultant] = {}

    @classmethod
    def load(cls, folder: str | Path | None = None) -> KnowledgeBase:
        """The knowledge in a folder, or the one that is installed. KnowledgeError names every fault in it."""
        return cls(load.load(Path(folder) if folder is not None else load.packaged_rules()))

    @property
    def layouts(self) -> tuple[str, ...]:
        """The ids of the kinds of vehicle that it knows."""
        return tuple(self._known.layouts)

    @property
    def default_layout(self) -> str:
        """The layout taken where none is named."""
        return self._known.default_layout

    @property
    def digest(self) -> str:
        """What tells this knowledge from any other."""
        return self._known.digest

    def consultant(self, layout: str | None = None) -> Consultant:
        """The expert on a layout, made once. FactsError for an unknown layout."""
        name = layout or self.default_layout
        if name not in self._known.layouts:
            raise FactsError(f"There is no layout {name!r}. Allowed: {', '.join(self.layouts)}.")
        if name not in self._consultants:
            machine = self._known.machine(name)
            self._consultants[name] = Consultant(Expert(machine, chainer), Lexicon.of(machine))
        return self._consultants[name]


@dataclass(frozen=True)
class Result:
    """What follows from the facts. Chances are probabilities from 0 to 1.

    `conclusion` is the most probable set of sources, each with the chance that it leaks; buy nothing while
    `stands_out` is false. `ranking` is every source, the likeliest first. `not_understood` are pieces of the text that
    were not used, as typed.
    """

    layout: str
    stage: str
    facts: tuple[Fact, ...]
    conclusion: tuple[tuple[str, float], ...]
    chance: float
    stands_out: bool
    ranking: tuple[tuple[str, float], ...]
    reasons: tuple[Reason, ...]
    against: tuple[Reason, ...]
    not_understood: tuple[str, ...]
    _consultant: Consultant = field(repr=False, compare=False)
    _concluded: Concluded = field(repr=False, compare=False)

    def to_dict(self) -> dict[str, Any]:
        """The object that `firstwet facts --json` prints."""
        return self._consultant.as_object(self._concluded)

    def to_json(self) -> str:
        """That object as text, byte for byte as the command prints it (without the line's end)."""
        return json.dumps(self.to_dict(), indent=2, ensure_ascii=False)

    def to_text(self, width: int = WIDTH) -> str:
        """The conclusion as the command prints it below what was understood."""
        done = self._concluded
        return at_once_text(self._consultant.expert, done.now, done.end, self.stage, done.parting, width)


def diagnose(kb: KnowledgeBase, facts: str | Facts, layout: str | None = None, stage: str | None = None) -> Result:
    """Where it leaks, from short trade phrases or from facts.

    `facts` is a text, a mapping from findings and places to their values, or an iterable of `Fact`s or of objects with
    finding, value and stage. `layout` is an id of `kb.layouts`, `stage` when it was seen (the knowledge's first stage,
    unless the facts say more). FactsError says what cannot be used and what is allowed.
    """
    consultant = kb.consultant(layout)
    if isinstance(facts, str):
        stated = consultant.stated(consultant.read(facts, stage), stage)
    else:
        given = consultant.facts_of(facts, stage)
        stated = consultant.stated(Reading(stage=consultant.stage(stage)), stage, given)
    done = consultant.conclude(stated)
    marginals = dict(done.end.ranking)
    return Result(
        layout=consultant.expert.machine.layout.layout,
        stage=stated.stage,
        facts=stated.facts,
        conclusion=tuple((source, marginals[source]) for source in done.end.sources),
        chance=done.end.chance,
        stands_out=done.end.alone,
        ranking=done.end.ranking,
        reasons=done.end.reasons,
        against=done.end.against,
        not_understood=stated.reading.not_understood,
        _consultant=consultant,
        _concluded=done,
    )
