"""What each phrase of one part is: a value, a place, or one of a run of words of wetness; and what is denied."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from expert.knowledge.base import Observable
from expert.phrases import english
from expert.phrases.lexicon import Lexicon, Sense
from expert.phrases.matching import Item


class Value(NamedTuple):
    """A value stated of a finding, or denied by the item `denied`."""

    item: Item
    about: str
    value: str
    denied: Item | None


class Run(NamedTuple):
    """Words of wetness that stand together, and the wetness they come to (two for "wet, dry")."""

    items: tuple[Item, ...]
    wetness: tuple[str, ...]
    denied: Item | None

    @property
    def denies(self) -> bool:
        """Whether it says what is not: "not dripping", "no leak"."""
        return self.denied is not None or self.items[0].key[0] in english.NEGATIONS


@dataclass
class Roles:
    """One part, sorted out. `denial` is a denial that nothing has taken; `names` the findings named;
    `either` gives, by the start of an item that may mean several things, those things in words."""

    values: list[Value] = field(default_factory=list)
    zones: list[Item] = field(default_factory=list)
    runs: list[Run] = field(default_factory=list)
    denial: Item | None = None
    names: frozenset[str] = frozenset()
    either: dict[Item, tuple[str, ...]] = field(default_factory=dict)


def _blocked(lexicon: Lexicon, part: Sequence[Item], at: int) -> bool:
    """Whether the place at `at` is only a piece of another: "above the pan", "the pan bracket"."""
    before = at - 1
    while before >= 0 and part[before].kind == "filler" and part[before].key[0] in english.DROPPED:
        before -= 1
    if before >= 0 and part[before].kind == "elsewhere":
        return True
    near = [part[i] for i in (before, at + 1) if 0 <= i < len(part)]
    return any(item.kind == "left" and item.key[0] in lexicon.places for item in near)


def _come_to(run: Sequence[Item], denial: Item | None) -> tuple[str, ...]:
    """What words of wetness side by side come to: a denial turns them all, the fainter of damp and wet holds."""
    said = [next(s.value for s in item.senses if s.kind == "wetness") for item in run]
    if denial:
        return ("dry",) if any(word != "dry" for word in said) else ("wet",)
    if run[0].key[0] in english.NEGATIONS and said[0] == "dry":
        return ("dry",)
    fluid = ("damp",) if "damp" in said else ("wet",) if "wet" in said else ()
    return (*(("dry",) if "dry" in said else ()), *fluid)


class _Sorting:
    """The choice of one sense for each phrase of a part."""

    def __init__(self, lexicon: Lexicon, part: Sequence[Item], asked: str) -> None:
        self.lexicon = lexicon
        self.part = part
        self.asked = asked
        self.wet_words = any(item.has("wetness") for item in part)
        self.roles = Roles(names=frozenset(s.about for item in part for s in item.senses if s.kind == "name"))
        self.places = {
            item.start for at, item in enumerate(part) if item.has("zone") and not _blocked(lexicon, part, at)
        }
        self.listed: dict[str, set[int]] = {}
        for item in part:
            for s in item.senses:
                if s.kind == "value" and lexicon.observables[s.about].many:
                    self.listed.setdefault(s.about, set()).add(item.start)

    def value_sense(self, item: Item) -> Sense | None:
        """The one value this item states here, if it does."""
        senses = [s for s in item.senses if s.kind in ("value", "bare")]
        # Findings of which the part gives another value already: "losing coolant and engine oil".
        lists = {about for about, starts in self.listed.items() if starts - {item.start}}
        named = [s for s in senses if s.about in self.roles.names]
        if named:
            return named[0] if len({s.about for s in named}) == 1 else None
        if item.has("wetness") and self.places:
            return None
        if item.has("zone") and (self.wet_words or not any(s.about in lists for s in senses)):
            senses = [s for s in senses if s.kind == "value" or (s.about == self.asked and not self.wet_words)]
        for of in ({self.asked}, lists):
            wanted = [s for s in senses if s.about in of]
            if len({s.value for s in wanted}) == 1:
                return wanted[0]
        own = [s for s in senses if s.kind == "value"]
        if len(own) > 1:
            self.roles.either[item] = tuple(f"{self.lexicon.observables[s.about].name}: {s.value}" for s in own)
            return None
        return own[0] if own else None

    def limited(self, at: int) -> bool:
        """Whether a place cuts down what is said: "dry everywhere above the pan" is not dry everywhere."""
        after = [item for item in self.part[at + 1 : at + 5] if item.kind != "filler"]
        return len(after) > 1 and after[0].kind == "elsewhere" and after[1].has("zone")

    def run(self) -> Roles:
        roles = self.roles
        run: list[Item] = []
        run_denial: Item | None = None

        def close() -> None:
            if run:
                roles.runs.append(Run(tuple(run), _come_to(run, run_denial), run_denial))
                run.clear()

        for at, item in enumerate(self.part):
            if item.kind in ("deny", "no", "but"):
                close()
                roles.denial = item if item.kind != "but" else None
            elif item.kind == "phrase":
                sense = None if self.limited(at) else self.value_sense(item)
                if sense:
                    close()
                    roles.values.append(Value(item, sense.about, sense.value, roles.denial))
                    roles.denial = None
                elif item.has("wetness"):
                    if not run:
                        run_denial, roles.denial = roles.denial, None
                    run.append(item)
                elif item.start in self.places:
                    close()
                    roles.zones.append(item)
        close()
        return roles


def sort_out(lexicon: Lexicon, part: Sequence[Item], pending: Observable | None) -> Roles:
    """The roles of a part's phrases; `pending`, the question just asked, lets a bare value of it count."""
    return _Sorting(lexicon, part, pending.id if pending else "").run()
