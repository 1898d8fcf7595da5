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
    `without` gives, by the start of a place, the denial of it alone ("the front is wet, not the back"); `either` gives,
    by an item that may mean several things, those things in words."""

    values: list[Value] = field(default_factory=list)
    zones: list[Item] = field(default_factory=list)
    runs: list[Run] = field(default_factory=list)
    denial: Item | None = None
    names: frozenset[str] = frozenset()
    either: dict[Item, tuple[str, ...]] = field(default_factory=dict)
    without: dict[int, Item] = field(default_factory=dict)


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


def _ends_denial(item: Item) -> bool:
    """Whether a word between the members of a list ends what was denied: "not coolant, just ATF"."""
    return (item.kind == "and" and item.key[0] not in english.OR) or bool(set(item.key) & english.JUST)


class _Sorting:
    """The choice of one sense for each phrase of a part."""

    def __init__(self, lexicon: Lexicon, part: Sequence[Item], asked: str, named: frozenset[str]) -> None:
        self.lexicon = lexicon
        self.part = part
        self.asked = asked
        self.named = named | {asked}
        self.wet_words = any(item.has("wetness") for item in part)
        self.roles = Roles(names=frozenset(s.about for item in part for s in item.senses if s.kind == "name"))
        self.things = frozenset(s.about for item in part for s in item.senses if s.kind == "thing")
        self.places = {
            item.start for at, item in enumerate(part) if item.has("zone") and not _blocked(lexicon, part, at)
        }
        self.last_wet = max((at for at, item in enumerate(part) if item.has("wetness")), default=-1)
        self.givers: dict[str, set[int]] = {}
        for item in part:
            # Two are enough to know that there is another one.
            for about in {s.about for s in item.senses if s.kind == "bare" and s.about in self.roles.names}:
                found = self.givers.setdefault(about, set())
                if len(found) < 2:
                    found.add(item.start)
        self.listed: dict[str, set[int]] = {}
        for item in part:
            for s in item.senses:
                if s.kind == "value" and lexicon.observables[s.about].many:
                    self.listed.setdefault(s.about, set()).add(item.start)

    def value_sense(self, item: Item) -> Sense | None:
        """The one value this item states here, if it does."""
        senses = [s for s in item.senses if s.kind in ("value", "bare")]
        senses += [s._replace(kind="value") for s in item.senses if s.kind == "follow" and s.about in self.named]
        # "Turbocharger: no": where another word gives the value, the name gives none.
        called = {s.about for s in item.senses if s.kind == "name"}
        given = {s.about for s in senses if s.about in called and self.givers.get(s.about, set()) - {item.start}}
        senses = [s for s in senses if s.kind != "bare" or s.about not in given]
        if item.has("zone") and self.wet_words:
            # "Turbocharger dry": what is also the name of a finding is here the place.
            senses = [s for s in senses if s.about not in called]
        # Findings of which the part gives another value already: "losing coolant and engine oil".
        lists = {about for about, starts in self.listed.items() if starts - {item.start}}
        named = [s for s in senses if s.about in self.roles.names]
        if named:
            return named[0] if len({s.about for s in named}) == 1 else None
        if item.has("wetness") and self.places:
            return None
        if not item.has("wetness"):
            of_things = [s for s in senses if s.about in self.things]
            if len({s.about for s in of_things}) == 1:
                return of_things[0]
        if item.has("zone") and (self.wet_words or not any(s.about in lists for s in senses)):
            senses = [s for s in senses if s.kind == "value" or (s.about == self.asked and not self.wet_words)]
        for of in ({self.asked}, lists):
            wanted = [s for s in senses if s.about in of]
            if len({s.value for s in wanted}) == 1:
                return wanted[0]
        own = [s for s in senses if s.kind == "value"]
        if not own and len(item.key) > 1 and not item.has("wetness"):
            # "cardboard trick, one drip under the bell": what is spoken of was named in the text before.
            of_named = [s for s in senses if s.about in self.named]
            return of_named[0] if len({s.about for s in of_named}) == 1 else None
        if len(own) > 1:
            self.roles.either[item] = tuple(f"{self.lexicon.observables[s.about].name}: {s.value}" for s in own)
            return None
        return own[0] if own else None

    def limited(self, at: int) -> bool:
        """Whether a place cuts down what is said: "dry everywhere above the pan" is not dry everywhere."""
        after = [item for item in self.part[at + 1 : at + 5] if item.kind != "filler"]
        if len(after) < 2 or not after[1].has("zone"):
            return False
        nothing = bool(set(self.part[at].key) & english.NEGATIONS)
        return after[0].kind == "elsewhere" or (after[0].kind == "from" and nothing)

    def points_away(self, at: int) -> bool:
        """Whether a denial is about a place that is only pointed at: "wet at the fill tube and nothing above it"."""
        after = [item for item in self.part[at + 1 : at + 5] if item.kind != "filler"]
        return bool(after) and after[0].kind == "elsewhere" and not (len(after) > 1 and after[1].has("zone"))

    def run(self) -> Roles:
        roles = self.roles
        run: list[Item] = []
        run_denial: Item | None = None

        def close() -> None:
            if run:
                roles.runs.append(Run(tuple(run), _come_to(run, run_denial), run_denial))
                run.clear()

        # A denial that a value took holds for the rest of its list: "not losing coolant or engine oil, just ATF".
        carried: Item | None = None
        for at, item in enumerate(self.part):
            if bool(set(item.key) & english.NEGATIONS) and not item.has("value") and self.points_away(at):
                close()
            elif item.kind in ("deny", "no", "but"):
                close()
                roles.denial = item if item.kind != "but" else None
                carried = None
            elif item.kind != "phrase" and _ends_denial(item):
                carried = None
            elif item.kind == "phrase":
                limited = self.limited(at)
                sense = None if limited else self.value_sense(item)
                if limited and set(item.key) & english.NEGATIONS and not item.has("wetness"):
                    # "Nothing drips from the drain plug" denies it of that place.
                    close()
                    roles.denial = item
                elif sense:
                    close()
                    roles.values.append(Value(item, sense.about, sense.value, roles.denial or carried))
                    carried = roles.denial or carried
                    roles.denial = None
                elif item.has("wetness"):
                    if not run:
                        run_denial, roles.denial = roles.denial, None
                    run.append(item)
                elif item.start in self.places:
                    close()
                    roles.zones.append(item)
                    if roles.denial and roles.runs and self.last_wet < at:
                        roles.without[item.start], roles.denial = roles.denial, None
        close()
        return roles


def sort_out(lexicon: Lexicon, part: Sequence[Item], pending: Observable | None, named: frozenset[str]) -> Roles:
    """The roles of a part's phrases; `pending`, the question just asked, lets a bare value of it count.

    `named` are the findings that the text names anywhere.
    """
    return _Sorting(lexicon, part, pending.id if pending else "", named).run()
