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
from expert.phrases.claims import claimed
from expert.phrases.lexicon import Lexicon
from expert.phrases.manner import WHY_NOT, manner_of
from expert.phrases.matching import Item
from expert.phrases.roles import Run, sort_out
from expert.phrases.words import Token

_DIGITS = 9
_OPINION = "An opinion, no sight. Say what you saw: which places were dry, damp or wet."


@dataclass
class Statement:
    """What the text has said so far. `either` lists, for a piece, the things it may mean; `named` are the findings
    that the whole text names; `mentioned` gives, for findings of which several values hold, the value last spoken of.
    """

    stage: str
    facts: list[Fact] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)
    problems: list[tuple[str, str]] = field(default_factory=list)
    either: dict[str, tuple[str, ...]] = field(default_factory=dict)
    uncertain: list[Fact] = field(default_factory=list)
    claims: list[str] = field(default_factory=list)
    named: frozenset[str] = frozenset()
    mentioned: dict[str, str] = field(default_factory=dict)
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
        self.roles = sort_out(lexicon, part, pending, said.named)
        for item, options in self.roles.either.items():
            said.either[self.typed(item)] = options[:3]

    def read(self) -> set[int]:
        """States what the part says; the starts of the items that were used."""
        self.stages()
        self.state_values()
        self.state_numbers()
        if not self.not_known():
            self.state_zones()
        self.yes_or_no()
        self.state_mentioned()
        self.absorb()
        return self.used

    def state_mentioned(self) -> None:
        """ "It isn't the modulator, I replaced that already": what was spoken of before is the value."""
        pointed = any(item.key[:1] and item.key[0] in english.IT for item in self.part)
        for about in sorted(self.roles.names - self.stated):
            value = self.said.mentioned.get(about)
            bare = any(s.about == about and s.kind == "bare" for item in self.part for s in item.senses)
            if value and pointed and not bare and not self.roles.denial:
                self.put(about, value, *(i for i in self.part if any(s.about == about for s in i.senses)))
        self.said.mentioned = {
            s.about: s.value
            for item in self.part
            for s in item.senses
            if s.kind == "bare" and self.lexicon.observables[s.about].many
        } or self.said.mentioned

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
                    if any(i.kind == "fine" for i in self.part):
                        continue  # "coolant's fine" names no fluid that leaks
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
        """The items of "engine oil level ok", "a quart of engine oil": the value alone would be another fluid's."""
        found: set[int] = set()
        for pair in pairwise(self.roles.values):
            between = (self.found[i].stem for i in range(pair[0].item.end, pair[1].item.start))
            if any(word not in english.DROPPED for word in between):
                continue
            for fluid, other in (pair, pair[::-1]):
                named = self.lexicon.names_fluids.get(other.about, frozenset())
                told = fluid.about in self.lexicon.tells_fluid and fluid.value in self.lexicon.fluid_words
                if told and named and fluid.value not in named and fluid.about != other.about:
                    found |= {fluid.item.start, other.item.start}
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
            number = round(item.number * factor, _DIGITS)
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
            if item.start in self.roles.without:
                for zone in self.zones_of(item):
                    self.put(zone, "dry", item, self.roles.without[item.start])
                continue
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
        kinds_of = [item.kind for item in self.part if item.key != ("1",)]
        leading = next((k for k in kinds_of if k not in ("filler", "comma", "and", "but", "yes")), "")
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


def _typed(part: Sequence[Item], found: Sequence[Token], text: str) -> str:
    """The words of a part, without the mark or conjunction it begins with."""
    words = [item for item in part if item.kind not in ("comma", "and", "but", "question")]
    return text[found[words[0].start].start : found[words[-1].end - 1].end] if words else ""


def state(
    lexicon: Lexicon, part: Sequence[Item], said: Statement, pending: Observable | None,
    found: Sequence[Token], text: str,
) -> set[int]:  # fmt: skip
    """Adds what one part says to `said`; the starts of the items that were used."""
    manner = manner_of(part, found, asked=pending is not None)
    if manner == "wish":
        return set()
    if manner == "fact":
        used = _Part(lexicon, part, said, pending, found, text).read()
        return used | _claim(lexicon, part, said, used, found, text)
    trial = Statement(said.stage, named=said.named, zones=said.zones, wetness=said.wetness)
    used = _Part(lexicon, part, trial, pending, found, text).read()
    if trial.facts and manner == "whether":
        said.unknown.extend(fact.finding for fact in trial.facts)
        return {item.start for item in part}
    turns = [at for at, item in enumerate(part) if item.kind == "but" and at]
    if turns and manner == "doubt":
        # "I think it is the rear main, but the fluid is red": only one side of it is doubted.
        sides = (part[: turns[0]], part[turns[0] :])
        return {start for side in sides for start in state(lexicon, side, said, pending, found, text)}
    if trial.facts:
        said.uncertain.extend(trial.facts)
        said.problems.append((_typed(part, found, text), WHY_NOT[manner]))
        return {item.start for item in part}
    said.unknown.extend(trial.unknown)
    return used | _claim(lexicon, part, said, used, found, text)


def _claim(
    lexicon: Lexicon, part: Sequence[Item], said: Statement, used: set[int], found: Sequence[Token], text: str
) -> set[int]:
    """Takes what a part blames. A mere opinion is answered as such; a part said to leak still wants its place named."""
    blamed = list(claimed(lexicon, part, found, used))
    said.claims.extend(source for _, sources in blamed for source in sources)
    if not blamed or used or any(item.has("wetness") for item in part):
        return set()
    said.problems.append((_typed(part, found, text), _OPINION))
    return {item.start for item in part}
