"""One part of a sentence to facts: which places, which wetness, which values, and what is denied."""

from __future__ import annotations

from bisect import bisect
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from expert.facts import Fact, Scalar
from expert.knowledge.base import WETNESS_KIND, Observable
from expert.phrases import english
from expert.phrases.answers import in_range
from expert.phrases.lexicon import Lexicon
from expert.phrases.matching import Item
from expert.phrases.roles import Run, sort_out
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
        self.stated: set[str] = set()
        self.roles = sort_out(lexicon, part, pending)
        for item, options in self.roles.either.items():
            said.either[self.typed(item)] = options[:3]

    def typed(self, item: Item) -> str:
        return self.text[self.found[item.start].start : self.found[item.end - 1].end]

    def put(self, about: str, value: Scalar, *items: Item | None) -> None:
        staged = self.lexicon.observables[about].staged
        self.said.facts.append(Fact(about, value, self.said.stage if staged else ""))
        self.stated.add(about)
        self.used |= {item.start for item in items if item}

    def stages(self) -> None:
        for item in self.part:
            for sense in item.senses:
                if sense.kind == "stage":
                    self.said.stage = sense.about
                    self.used.add(item.start)

    def state_values(self) -> None:
        strange = self.of_another_fluid()
        for item, about, value, denied in self.roles.values:
            if item.start in strange:
                continue
            allowed = self.lexicon.observables[about].values
            if denied is None:
                self.said.stage = self.lexicon.entered_by.get((about, value), self.said.stage)
                if self.lexicon.observables[about].ask == "" and about not in self.roles.names:
                    if self.other_subject():
                        self.used.add(item.start)
                        continue
                    # Nor does "engine oil was changed by a friend", of which only "engine oil" is understood.
                    if any(i.kind == "left" for i in self.part) and not any(i.has("zone") for i in self.part):
                        continue
                self.put(about, value, item)
            elif len(allowed) == 2:
                self.put(about, allowed[1 - allowed.index(value)], item, denied)

    def of_another_fluid(self) -> set[int]:
        """The items of "engine oil level ok", where "level ok" alone would be the transmission's."""
        found: set[int] = set()
        for first, second in pairwise(self.roles.values):
            named = self.lexicon.names_fluids.get(second.about, frozenset())
            between = (self.found[i].stem for i in range(first.item.end, second.item.start))
            apart = any(word not in english.DROPPED for word in between)
            fluid = first.about in self.lexicon.tells_fluid and first.value in self.lexicon.fluid_words
            if fluid and named and first.value not in named and not apart:
                found |= {first.item.start, second.item.start}
        return found

    def other_subject(self) -> bool:
        """Whether the part is about something else: in "ATF overfilled" nobody says that ATF leaks."""
        return any(v.about not in self.lexicon.tells_fluid for v in self.roles.values)

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
                self.used.add(item.start)
            else:
                self.put(finding.id, number, item)

    def number_finding(self, item: Item, alone: bool) -> tuple[Observable | None, float]:
        """The finding that a number belongs to, with the factor to its unit. A bare unit needs a name beside it."""
        units = dict(item.units)
        asked = self.pending.id if self.pending and self.pending.kind == "number" else ""
        for about in (*sorted(self.roles.names), asked):
            finding = self.lexicon.observables.get(about)
            if finding and finding.kind == "number" and (not units or about in units):
                return finding, units.get(about, 1.0)
        if len(units) == 1 and (len(item.key) > 1 or alone):
            about = next(iter(units))
            return self.lexicon.observables[about], units[about]
        return None, 1.0

    def state_zones(self) -> None:
        """Each place with the wetness said of it."""
        zones, runs, denial = self.roles.zones, self.roles.runs, self.roles.denial
        named = sorted(n for n in self.roles.names if self.lexicon.observables[n].kind == "zone")
        if named and zones:
            for item in zones:
                for zone in self.zones_of(item):
                    self.put(named[0], zone, item)
            return
        asked = self.pending if self.pending and self.pending.kind == "zone" else None
        if asked and zones and not runs and not denial:
            for item in zones:
                for zone in self.zones_of(item):
                    self.put(asked.id, zone, item)
            return
        if not zones:
            self.state_wetness_alone()
            return
        if not runs:
            wetness = self.implied()
            if wetness:
                for zone in self.zones_of(*zones):
                    self.put(zone, wetness, *zones, denial if wetness == "dry" else None)
                self.remember(zones, wetness)
            return
        places_first = zones[0].start < runs[0].items[0].start
        first = 1 if places_first and len(runs) > 1 and self.corrected(runs[0], runs[1], zones) else 0
        starts = [run.items[0].start for run in runs[first:]]
        taken: set[int] = set()
        for item in zones:
            # "modulator wet, pan dry" or "wet modulator, dry pan": each place takes the next or the last word.
            after = bisect(starts, item.start)
            which = first + (min(after, len(starts) - 1) if places_first else after - 1)
            taken.add(which)
            for wetness in runs[which].wetness:
                for zone in self.zones_of(item):
                    self.put(zone, wetness, item, runs[which].denied, *runs[which].items)
                self.remember((item,), wetness)
        self.said.zones = self.zones_of(*zones)
        for i, run in enumerate(runs):
            if i not in taken and self.agrees(run):
                self.used |= {item.start for item in run.items} | ({run.denied.start} if run.denied else set())

    def corrected(self, first: Run, second: Run, zones: Sequence[Item]) -> bool:
        """Whether the second run puts right what the first denies: "not wet but damp"."""
        start, end = first.items[-1].end, second.items[0].start
        return first.denies and not any(start <= zone.start < end for zone in zones)

    def zones_of(self, *items: Item) -> tuple[str, ...]:
        """The places that items name; "both banjo bolts" is one item and two places."""
        return tuple(s.about for item in items for s in item.senses if s.kind == "zone")

    def remember(self, zones: Sequence[Item], wetness: str) -> None:
        self.said.zones = self.zones_of(*zones)
        self.said.wetness = wetness

    def agrees(self, run: Run) -> bool:
        """Whether more words of wetness only say again what was said: "damp, not dripping"."""
        denied_wet = run.denies and run.wetness == ("dry",)
        return self.said.wetness in run.wetness or (self.said.wetness == "damp" and denied_wet)

    def implied(self) -> str:
        """Wetness that is not said but meant: "red fluid at the ...", "coming from the ...", "nothing at the ..."."""
        kinds = [item.kind for item in self.part]
        values, zones = self.roles.values, self.roles.zones
        if self.roles.denial:
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

    def state_wetness_alone(self) -> None:
        """Words of wetness with no place: the answer to a question, the same place in a new stage, or no news."""
        pending, runs = self.pending, self.roles.runs
        fine = [item for item in self.part if item.kind == "fine"]
        if fine and not runs and pending and pending.kind == WETNESS_KIND and not self.answered(pending):
            self.put(pending.id, "dry", *fine)
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

    def yes_or_no(self) -> None:
        """ "smoke: no", "no smoke", "smoke yes", for findings named but given no value."""
        for about in sorted(self.roles.names - self.stated):
            values = self.lexicon.observables[about].values
            yes = next((item for item in self.part if item.kind == "yes"), None)
            if self.roles.denial and "no" in values:
                self.put(about, "no", self.roles.denial)
            elif yes and "yes" in values:
                self.put(about, "yes", yes)

    def not_known(self) -> bool:
        """Takes what is said not to be known; whether anything is."""
        zones = self.roles.zones
        unknown = [item for item in self.part if item.has("unknown")]
        if not unknown:
            return False
        about = [*sorted(self.roles.names - self.stated), *self.zones_of(*zones)]
        if not about and self.pending and not self.roles.values:
            about = [self.pending.id]
        if about:
            self.said.unknown.extend(about)
            self.used |= {item.start for item in (*unknown, *zones)}
            self.used |= {i.start for i in self.part if any(s.kind == "name" and s.about in about for s in i.senses)}
        return bool(about)

    def absorb(self) -> None:
        """Words that only say again that there is fluid, or what a stated finding is called, count as used."""
        names = {word for about in self.stated for word in self.lexicon.name_words.get(about, ())}
        for item in self.part:
            if item.kind == "left" and item.key[0] in names:
                self.used.add(item.start)
            general = any(s.kind == "bare" and s.about in self.lexicon.tells_fluid for s in item.senses)
            if general and self.stated and len(item.key) == 1:
                self.used.add(item.start)


def _hypothetical(part: Sequence[Item]) -> bool:
    """Whether a part tells what ought to be: "they want to replace the pan gasket", "should I change the modulator"."""
    small = [item for item in part if item.kind in ("filler", "left")]
    starts = bool(small) and small[0].key[0] in english.HYPOTHETICAL_FIRST and small[0].start == part[0].start
    return starts or any(item.key[0] in english.HYPOTHETICAL for item in small)


def state(
    lexicon: Lexicon, part: Sequence[Item], said: Statement, pending: Observable | None,
    found: Sequence[Token], text: str,
) -> set[int]:  # fmt: skip
    """Adds what one part says to `said`; the starts of the items that were used."""
    if _hypothetical(part):
        return set()
    reader = _Part(lexicon, part, said, pending, found, text)
    reader.stages()
    reader.state_values()
    reader.state_numbers()
    if not reader.not_known():
        reader.state_zones()
    reader.yes_or_no()
    reader.absorb()
    return reader.used
