"""One part of a sentence to facts: which places, which wetness, which values, and what is denied."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from expert.facts import Fact, Scalar
from expert.knowledge.base import WETNESS_KIND, Observable
from expert.phrases import english
from expert.phrases.answers import in_range
from expert.phrases.lexicon import Lexicon, Sense
from expert.phrases.matching import Item
from expert.phrases.words import Token


@dataclass
class Statement:
    """What the text has said so far. `either` lists, for a piece, the things it may mean."""

    stage: str
    facts: list[Fact] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)
    problems: list[tuple[str, str]] = field(default_factory=list)
    either: dict[str, tuple[str, ...]] = field(default_factory=dict)
    zones: tuple[str, ...] = ()
    wetness: str = ""


class _Value(NamedTuple):
    item: Item
    about: str
    value: str
    denied: Item | None


class _Run(NamedTuple):
    """Words of wetness that stand together, and the wetness they come to."""

    items: tuple[Item, ...]
    wetness: tuple[str, ...]
    denied: Item | None


def _blocked(lexicon: Lexicon, part: Sequence[Item], at: int, found: Sequence[Token]) -> bool:
    """Whether the place at `at` is only a piece of another: "above the pan", "the pan bracket"."""
    before = at - 1
    while before >= 0 and part[before].kind == "filler" and part[before].key[0] in english.DROPPED:
        before -= 1
    if before >= 0 and part[before].kind == "elsewhere":
        return True
    near = [part[i] for i in (before, at + 1) if 0 <= i < len(part)]
    return any(item.kind == "left" and item.key[0] in lexicon.places for item in near)


class _Part:
    """The reading of one part; `used` collects the starts of the items that were made use of."""

    def __init__(
        self, lexicon: Lexicon, part: Sequence[Item], said: Statement, pending: Observable | None,
        found: Sequence[Token], text: str,
    ) -> None:  # fmt: skip
        self.lexicon = lexicon
        self.part = part
        self.said = said
        self.pending = pending
        self.found = found
        self.text = text
        self.used: set[int] = set()
        self.names = frozenset(s.about for item in part for s in item.senses if s.kind == "name")
        self.listed: dict[str, set[int]] = {}
        for item in part:
            for s in item.senses:
                if s.kind == "value" and lexicon.observables[s.about].many:
                    self.listed.setdefault(s.about, set()).add(item.start)
        self.zone_names = [n for n in self.names if lexicon.observables[n].kind == "zone"]
        self.wet_words = any(item.has("wetness") for item in part)
        self.stated: set[str] = set()

    # -- putting down --------------------------------------------------------------------------------------------

    def typed(self, item: Item) -> str:
        return self.text[self.found[item.start].start : self.found[item.end - 1].end]

    def put(self, about: str, value: Scalar, *items: Item | None) -> None:
        staged = self.lexicon.observables[about].staged
        self.said.facts.append(Fact(about, value, self.said.stage if staged else ""))
        self.stated.add(about)
        self.used |= {item.start for item in items if item}

    # -- what each phrase is -------------------------------------------------------------------------------------

    def value_sense(self, item: Item, zones: bool) -> Sense | None:
        """The one value this item states here, if it does."""
        senses = [s for s in item.senses if s.kind in ("value", "bare")]
        # Findings of which the part gives another value already: "losing coolant and engine oil".
        lists = {about for about, starts in self.listed.items() if starts - {item.start}}
        asked = self.pending.id if self.pending else ""
        named = [s for s in senses if s.about in self.names]
        if named:
            return named[0] if len({s.about for s in named}) == 1 else None
        if item.has("wetness") and zones:
            return None
        if item.has("zone") and (self.wet_words or not any(s.about in lists for s in senses)):
            senses = [s for s in senses if s.kind == "value" or (s.about == asked and not self.wet_words)]
        for of in ({asked}, lists):
            wanted = list(dict.fromkeys(s for s in senses if s.about in of))
            if len({s.value for s in wanted}) == 1:
                return wanted[0]
        own = list(dict.fromkeys(s for s in senses if s.kind == "value"))
        if len({s.about for s in own}) > 1:
            names = tuple(f"{self.lexicon.observables[s.about].name}: {s.value}" for s in own)
            self.said.either[self.typed(item)] = names[:3]
            return None
        return own[0] if len({s.value for s in own}) == 1 else None

    def sort_out(self) -> tuple[list[_Value], list[Item], list[_Run], Item | None]:
        """The values, places and runs of wetness words of this part, and a denial that nothing has taken."""
        places = {
            item.start
            for at, item in enumerate(self.part)
            if item.has("zone") and not _blocked(self.lexicon, self.part, at, self.found)
        }
        values: list[_Value] = []
        zones: list[Item] = []
        runs: list[_Run] = []
        run: list[Item] = []
        denial: Item | None = None
        run_denial: Item | None = None

        def close() -> None:
            if run:
                runs.append(_Run(tuple(run), self.wetness(run, run_denial), run_denial))
                run.clear()

        for item in self.part:
            if item.kind in ("deny", "no"):
                close()
                denial = item
            elif item.kind == "but":
                close()
                denial = None
            elif item.kind == "phrase":
                sense = self.value_sense(item, bool(places))
                if sense:
                    close()
                    values.append(_Value(item, sense.about, sense.value, denial))
                    denial = None
                elif item.has("wetness"):
                    if not run:
                        run_denial, denial = denial, None
                    run.append(item)
                elif item.start in places:
                    close()
                    zones.append(item)
        close()
        return values, zones, runs, denial

    @staticmethod
    def wetness(run: Sequence[Item], denial: Item | None) -> tuple[str, ...]:
        """What words of wetness side by side come to: a denial turns them all, the fainter of damp and wet holds."""
        said = [next(s.value for s in item.senses if s.kind == "wetness") for item in run]
        if denial:
            return ("dry",) if any(word != "dry" for word in said) else ("wet",)
        if run[0].key[0] in english.NEGATIONS and said[0] == "dry":
            return ("dry",)
        fluid = ("damp",) if "damp" in said else ("wet",) if "wet" in said else ()
        return (*(("dry",) if "dry" in said else ()), *fluid)

    # -- the kinds of statement ----------------------------------------------------------------------------------

    def stages(self) -> None:
        for item in self.part:
            for sense in item.senses:
                if sense.kind == "stage":
                    self.said.stage = sense.about
                    self.used.add(item.start)

    def state_values(self, values: Sequence[_Value]) -> None:
        for item, about, value, denied in values:
            allowed = self.lexicon.observables[about].values
            if denied is None:
                self.said.stage = self.lexicon.entered_by.get((about, value), self.said.stage)
                if not (self.lexicon.observables[about].ask or about in self.names) and self.other_subject(values):
                    self.used.add(item.start)
                    continue
                self.put(about, value, item)
            elif len(allowed) == 2:
                self.put(about, allowed[1 - allowed.index(value)], item, denied)
            else:
                self.stated.add("")

    def other_subject(self, values: Sequence[_Value]) -> bool:
        """Whether the part is about something else: in "ATF overfilled" nobody says that ATF leaks."""
        return any(v.about not in self.lexicon.tells_fluid for v in values)

    def state_numbers(self) -> None:
        others = sum(item.kind not in ("filler", "at", "comma", "and") for item in self.part)
        for at, item in enumerate(self.part):
            if item.kind != "number":
                continue
            finding, factor = self.number_finding(item, alone=others == 1)
            if not finding:
                continue
            number = item.number * factor
            why = in_range(finding, number)
            if at and self.part[at - 1].kind == "number":
                why = "a range; give one number"
            if why:
                self.said.problems.append((self.typed(item), why))
            else:
                self.put(finding.id, number, item)

    def number_finding(self, item: Item, alone: bool) -> tuple[Observable | None, float]:
        """The finding that a number belongs to, with the factor to its unit. A bare unit needs a name beside it."""
        units = dict(item.units)
        asked = self.pending.id if self.pending and self.pending.kind == "number" else ""
        for about in (*sorted(self.names), asked):
            finding = self.lexicon.observables.get(about)
            if finding and finding.kind == "number" and (not units or about in units):
                return finding, units.get(about, 1.0)
        if len(units) == 1 and (len(item.key) > 1 or alone):
            about = next(iter(units))
            return self.lexicon.observables[about], units[about]
        return None, 1.0

    def state_zones(self, zones: list[Item], runs: list[_Run], denial: Item | None, values: list[_Value]) -> None:
        """Each place with the wetness said of it."""
        if self.zone_names and zones:
            for item in zones:
                self.put(self.zone_names[0], self.zone_of(item), item)
            return
        asked = self.pending if self.pending and self.pending.kind == "zone" else None
        if asked and zones and not runs and not denial:
            for item in zones:
                self.put(asked.id, self.zone_of(item), item)
            return
        if not zones:
            self.state_wetness_alone(runs)
            return
        if not runs:
            wetness = self.implied(zones, denial, values)
            if wetness:
                for item in zones:
                    self.put(self.zone_of(item), wetness, item, denial if wetness == "dry" else None)
                self.remember(zones, wetness)
            return
        places_first = zones[0].start < runs[0].items[0].start
        taken: set[int] = set()
        for item in zones:
            if places_first and len(runs) > 1 and self.corrected(runs[0], runs[1], zones):
                runs = runs[1:] + runs[:1]
            after = [i for i, run in enumerate(runs) if run.items[0].start > item.start]
            before = [i for i, run in enumerate(runs) if run.items[0].start < item.start]
            which = (after[0] if after else before[-1]) if places_first else before[-1]
            taken.add(which)
            for wetness in runs[which].wetness:
                self.put(self.zone_of(item), wetness, item, runs[which].denied, *runs[which].items)
                self.remember(zones, wetness)
        for i, run in enumerate(runs):
            if i not in taken and self.agrees(run):
                self.used |= {item.start for item in run.items}

    def corrected(self, first: _Run, second: _Run, zones: Sequence[Item]) -> bool:
        """Whether the second run puts right what the first denies: "not wet but damp"."""
        denies = first.denied or first.items[0].key[0] in english.NEGATIONS
        between = (first.items[-1].end, second.items[0].start)
        return bool(denies) and not any(between[0] <= zone.start < between[1] for zone in zones)

    def zone_of(self, item: Item) -> str:
        return next(s.about for s in item.senses if s.kind == "zone")

    def remember(self, zones: Sequence[Item], wetness: str) -> None:
        self.said.zones = tuple(self.zone_of(item) for item in zones)
        self.said.wetness = wetness

    def agrees(self, run: _Run) -> bool:
        """Whether more words of wetness only say again what was said: "damp, not dripping"."""
        denied_wet = run.wetness == ("dry",) and (run.denied or run.items[0].key[0] in english.NEGATIONS)
        return self.said.wetness in run.wetness or (self.said.wetness == "damp" and bool(denied_wet))

    def implied(self, zones: Sequence[Item], denial: Item | None, values: Sequence[_Value]) -> str:
        """Wetness that is not said but meant: "red fluid at the ...", "coming from the ...", "nothing at the ..."."""
        kinds = [item.kind for item in self.part]
        if denial:
            return "dry" if not values and "left" not in kinds else ""
        if "fine" in kinds and not values:
            self.used |= {item.start for item in self.part if item.kind == "fine"}
            return "dry"
        if any(v.about in self.lexicon.tells_fluid and not v.denied for v in values):
            return "wet"
        if values or "left" in kinds or any(item.has("part") for item in self.part):
            return ""
        leading = next((k for k in kinds if k not in ("filler", "comma", "and", "but", "yes")), "")
        before = [i.kind for i in self.part if i.start < zones[0].start]
        if "from" in before or (leading == "at" and "look" not in kinds) or ("at" in before and self.motion()):
            return "wet"
        return ""

    def motion(self) -> bool:
        words = {item.key[0] for item in self.part if item.kind == "filler"}
        return bool(words & english.SHOWING) and not any(item.kind == "look" for item in self.part)

    def state_wetness_alone(self, runs: Sequence[_Run]) -> None:
        """Words of wetness with no place: the answer to a question, the same place in a new stage, or no news."""
        pending = self.pending
        staged = any(item.has("stage") for item in self.part)
        for run in runs:
            starts = {item.start for item in run.items} | ({run.denied.start} if run.denied else set())
            if pending and pending.kind == WETNESS_KIND and not self.answered(pending):
                for wetness in run.wetness:
                    self.put(pending.id, wetness, *run.items, run.denied)
            elif staged and self.said.zones:
                for zone in self.said.zones:
                    for wetness in run.wetness:
                        self.put(zone, wetness, *run.items, run.denied)
            elif (self.said.zones and self.agrees(run)) or (self.said.facts and "wet" in run.wetness):
                self.used |= starts

    def answered(self, pending: Observable) -> bool:
        return any(fact.finding == pending.id for fact in self.said.facts)

    def yes_or_no(self, denial: Item | None) -> None:
        """ "smoke: no", "no smoke", "smoke yes", for findings named but given no value."""
        for about in sorted(self.names - self.stated):
            values = self.lexicon.observables[about].values
            yes = next((item for item in self.part if item.kind == "yes"), None)
            if denial and "no" in values:
                self.put(about, "no", denial)
            elif yes and "yes" in values:
                self.put(about, "yes", yes)

    def not_known(self, values: Sequence[_Value], zones: Sequence[Item]) -> bool:
        unknown = [item for item in self.part if item.has("unknown")]
        if not unknown:
            return False
        about = [*sorted(self.names - self.stated), *(self.zone_of(item) for item in zones)]
        if not about and self.pending and not values:
            about = [self.pending.id]
        if about:
            self.said.unknown.extend(about)
            self.used |= {item.start for item in (*unknown, *zones)}
            self.used |= {i.start for i in self.part if any(s.kind == "name" and s.about in about for s in i.senses)}
        return bool(about)

    def absorb(self) -> None:
        """Words that only say again that there is fluid count as used."""
        for item in self.part:
            general = any(s.kind == "bare" and s.about in self.lexicon.tells_fluid for s in item.senses)
            if general and self.stated - {""} and len(item.key) == 1:
                self.used.add(item.start)


def state(
    lexicon: Lexicon, part: Sequence[Item], said: Statement, pending: Observable | None,
    found: Sequence[Token], text: str,
) -> set[int]:  # fmt: skip
    """Adds what one part says to `said`; the starts of the items that were used."""
    reader = _Part(lexicon, part, said, pending, found, text)
    reader.stages()
    values, zones, runs, denial = reader.sort_out()
    reader.state_values(values)
    reader.state_numbers()
    if not reader.not_known(values, zones):
        reader.state_zones(zones, runs, denial, values)
    reader.yes_or_no(denial)
    reader.absorb()
    return reader.used
