"""The phrases one layout knows and what each may mean, gathered once from the knowledge."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Literal, NamedTuple

from expert.knowledge.base import Machine, Observable
from expert.phrases import english
from expert.phrases.words import VERB_FORMS, Token, stem, tokens

Key = tuple[str, ...]
# name: names a finding; zone: names a place; value: states a finding's value by itself; bare: a value that needs
# its finding named (or asked for); thing: a place that also names a finding about it ("fill tube loose"); follow: a
# value that counts where its finding was named before, be it sentences ago; wetness: dry, damp or wet; part: something
# that leaks, which is no sight; either: one of several places ("banjo bolt" of a front and a rear one); stage: when it
# was seen; unknown: not known; deny: takes back what follows.
SenseKind = Literal[
    "name", "zone", "value", "bare", "thing", "follow", "wetness", "part", "either", "stage", "unknown", "deny"
]

# A word that goes with this many values of one finding ("losing coolant", "losing engine oil") names the finding.
_FRAME_VALUES = 3
_FLUID_PHASE = "fluid"
# In a phrase of the knowledge "1-15 miles" stands for any number of miles from 1 to 15; "... drove 1-15 miles" counts
# only where the finding has been named before; "fill tube ..." names a finding for its values alone.
SLOT = "#"
_RANGE = re.compile(r"([0-9]+(?:\.[0-9]+)?)-([0-9]+(?:\.[0-9]+)?)")
_FOLLOWS = "..."
_REST_LONGEST = 4
_PIECE_SHORTEST = 3
# Two words mean the same where the places they name agree so many times as often as not.
_ALIKE_LEAST = 4


_SMALL = english.FILLERS | english.NEGATIONS | english.CONJUNCTIONS | english.WEAK_PREPOSITIONS


class Sense(NamedTuple):
    """One meaning of a phrase: what it is about (a finding, zone, stage or source id, or "") and a value or ""."""

    kind: SenseKind
    about: str
    value: str = ""


@lru_cache(maxsize=50_000)
def _tokens(phrase: str) -> tuple[Token, ...]:
    return tuple(tokens(phrase))


@lru_cache(maxsize=50_000)
def key_of(phrase: str) -> Key:
    """The form in which a phrase is looked up: its stems without articles and the like; () if nothing is left."""
    found = [t.stem for t in _tokens(phrase) if t.kind in ("word", "number") or phrase.strip() == t.stem]
    return tuple(word for word in found if word not in english.DROPPED)


def _slotted(phrase: str, key: Callable[[str], Key]) -> tuple[Key, tuple[float, float] | None]:
    """The key of a phrase of the knowledge, a range of numbers in it as one slot, and that range."""
    plain = phrase.removeprefix(_FOLLOWS)
    span = _RANGE.search(plain)
    if not span:
        return key(plain), None
    head, tail = plain[: span.start()], plain[span.end() :]
    return (*key(head), SLOT, *key(tail)), (float(span[1]), float(span[2]))


def loosened(key: Key) -> Key:
    """A key without the small words that people put in or leave out; () if too little is left to say anything."""
    found = tuple(word for word in key if word not in english.NEEDLESS)
    return found if len(found) > 1 else ()


def _unit_key(phrase: str) -> Key:
    """Units keep their articles: "a minute" is a rate and "minute" is not."""
    return tuple(t.stem for t in tokens(phrase) if t.kind == "word")


@dataclass(frozen=True)
class Lexicon:
    """Everything needed to read a text. `longest` is the length of the longest key that begins with a word.

    `loose` holds the phrases without their small words, where that leaves them one meaning; `ranges` those with a
    slot for a number. `same` maps a word to the one that means the same in names of places ("gearbox"), `joins` holds
    the words that are also written as two ("bell housing"). `claimed` gives the sources a phrase names.

    `units` maps the words of a unit to the number findings that use it, each with the factor to its own unit.
    `name_words` holds the words of each finding's names; `fluid_words` holds the words that belong to one fluid
    only, `names_fluids` the fluids that a finding's names name. `places` holds the words that occur in names of
    places and parts; `part_places` gives for each source the names of the places where its fluid first shows;
    `surface` gives a stem as people write it; `follows` and `precedes` give for a stem those that come right after
    it and right before it in phrases.
    """

    observables: Mapping[str, Observable]
    phrases: Mapping[Key, tuple[Sense, ...]]
    longest: Mapping[str, int]
    loose: Mapping[Key, tuple[Sense, ...]]
    loose_longest: Mapping[str, int]
    ranges: Mapping[Key, tuple[tuple[float, float, Sense], ...]]
    same: Mapping[str, str]
    joins: frozenset[str]
    units: Mapping[Key, tuple[tuple[str, float], ...]]
    surface: Mapping[str, str]
    follows: Mapping[str, frozenset[str]]
    precedes: Mapping[str, frozenset[str]]
    shown: Mapping[Key, str]
    places: frozenset[str]
    part_places: Mapping[str, tuple[str, ...]]
    claimed: Mapping[Key, tuple[str, ...]]
    tells_fluid: frozenset[str]
    entered_by: Mapping[tuple[str, str], str]
    entry_of: Mapping[str, str]
    name_words: Mapping[str, frozenset[str]]
    fluid_words: Mapping[str, frozenset[str]]
    names_fluids: Mapping[str, frozenset[str]]

    @classmethod
    def of(cls, machine: Machine) -> Lexicon:
        """All phrases of the layout's observables, its sources, stages and the scale's common words."""
        return _gather(machine)

    def key(self, phrase: str) -> Key:
        """The form in which a phrase is looked up here."""
        return _canonical_key(phrase, self.same, self.joins)

    def canonical(self, found: Sequence[Token], text: str) -> list[Token]:
        """The tokens of a text with one word for those that mean the same, and joined words joined.

        Two words of some length that make a known one and never stand side by side in a phrase are joined as well.
        """

        def joined(first: str, second: str) -> bool:
            whole = first + second
            if whole in self.joins:
                return True
            long = min(len(first), len(second)) >= _PIECE_SHORTEST
            return long and whole in self.surface and second not in self.follows.get(first, frozenset())

        return _canonical(found, text, self.same, joined)


def _canonical(
    found: Sequence[Token], text: str, same: Mapping[str, str], joined: Callable[[str, str], bool]
) -> list[Token]:
    result: list[Token] = []
    for token in found:
        last = result[-1] if result else None
        beside = last and token.kind == last.kind == "word" and token.start - last.end == 1 and text[last.end] in " -"
        if last and beside and joined(last.stem, token.stem):
            whole = last.stem + token.stem
            result[-1] = Token("word", same.get(whole, whole), last.start, token.end)
        else:
            result.append(token._replace(stem=same[token.stem]) if token.stem in same else token)
    return result


def _canonical_key(phrase: str, same: Mapping[str, str], joins: Collection[str]) -> Key:
    typed = _tokens(phrase)
    if len(typed) < 2:
        return tuple(same.get(word, word) for word in key_of(phrase))
    found = _canonical(typed, phrase, same, lambda first, second: first + second in joins)
    return tuple(t.stem for t in found if t.kind in ("word", "number") and t.stem not in english.DROPPED)


class _Gathering:
    """Phrases while they are being collected."""

    def __init__(self, same: Mapping[str, str], joins: frozenset[str], wet: frozenset[str]) -> None:
        self.wet = wet
        self.same = same
        self.joins = joins
        self.keys: dict[str, Key] = {}
        self.senses: dict[Key, dict[Sense, None]] = defaultdict(dict)
        self.ranges: dict[Key, dict[tuple[float, float, Sense], None]] = defaultdict(dict)
        self.shown: dict[Key, str] = {}

    def key(self, phrase: str) -> Key:
        if phrase not in self.keys:
            self.keys[phrase] = _canonical_key(phrase, self.same, self.joins)
        return self.keys[phrase]

    def add(self, sense: Sense, phrases: Iterable[str]) -> None:
        for phrase in phrases:
            self.add_key(sense, self.key(phrase), phrase)

    def add_key(self, sense: Sense, key: Key, phrase: str) -> None:
        if key:
            self.senses[key][sense] = None
            self.shown.setdefault(key, phrase)

    def add_range(self, sense: Sense, key: Key, span: tuple[float, float]) -> None:
        self.ranges[key][(*span, sense)] = None


def _all_phrases(machine: Machine) -> Iterator[str]:
    """Every phrase of the layout, as written."""
    for observable in machine.observables.values():
        yield from (observable.name, *observable.words, *observable.values)
        for words in observable.value_words.values():
            yield from words
    for source in machine.sources.values():
        yield from (source.name, *source.words)
    for words in machine.base.scale.fluids.values():
        yield from words
    for stage in machine.base.scale.stages:
        yield from stage.words


def _place_keys(machine: Machine) -> dict[Key, set[str]]:
    found: dict[Key, set[str]] = defaultdict(set)
    for sense, phrases in _place_phrases(machine):
        for phrase in phrases:
            found[key_of(phrase)].add(sense.about)
    return dict(found)


def _same_words(machine: Machine) -> dict[str, str]:
    """Words for one thing: those that a fluid's names and some place's names both let stand for each other.

    "transmission fluid" and "gearbox fluid" are one fluid, the top of the transmission and of the gearbox one place:
    so the gearbox is the transmission wherever it is named.
    """
    places = _place_keys(machine)
    same: dict[str, str] = {}
    for fluid, also in machine.base.scale.fluids.items():
        own = key_of(fluid)
        others = {key[0] for key in map(key_of, also) if len(own) == len(key) == 2 and key[0] != own[0]}
        swapped = {
            word: [(key, tuple(own[0] if w == word else w for w in key)) for key in places if word in key]
            for word in others
        }
        for word, pairs in swapped.items():
            alike = [bool(places[key] & places[other]) for key, other in pairs if other in places]
            if sum(alike) > _ALIKE_LEAST * (len(alike) - sum(alike)):
                same[word] = own[0]
    return same


def _joined_words(machine: Machine) -> frozenset[str]:
    """Words that phrases write both as one and as two."""
    keys = {key_of(phrase) for phrase in _all_phrases(machine)}
    words = {word for key in keys for word in key}
    return frozenset(a + b for key in keys for a, b in pairwise(key) if a + b in words and not (a + b).isdecimal())


def _with_dashes_as_spaces(name: str) -> str:
    return name.replace("-", " ")


def _wet_words(words: Mapping[str, tuple[str, ...]]) -> frozenset[str]:
    """The single words of wetness."""
    return frozenset(key[0] for phrases in words.values() for key in map(key_of, phrases) if len(key) == 1)


def _place_phrases(machine: Machine) -> Iterator[tuple[Sense, tuple[str, ...]]]:
    for zone in machine.zones.values():
        if zone.visible:
            phrases = (zone.name, _with_dashes_as_spaces(zone.zone), *zone.words)
            yield Sense("zone", zone.zone), phrases
    # "coolant leak" is two sights side by side and no part.
    wet = _wet_words(machine.base.scale.wetness_words)
    for source in machine.sources.values():
        phrases = (source.name, _with_dashes_as_spaces(source.source), *source.words)
        yield Sense("part", source.source), tuple(p for p in phrases if not wet & set(key_of(p)))


def _shared_names(senses: Mapping[Key, Iterable[Sense]]) -> Iterator[tuple[Sense, Key]]:
    """What several places are called if left, right, front or rear is not said: "banjo bolt", "edge of the pan"."""
    found: dict[Key, dict[str, None]] = defaultdict(dict)
    for key, of in senses.items():
        for zone in (s.about for s in of if s.kind == "zone"):
            rest = key
            while len(rest) > 1 and rest[0] in english.OPPOSITES:
                side, rest = rest[0], rest[1:]
                # The sides of a thing are its left and its right.
                if rest[0] != "side" or side in ("left", "right"):
                    found[rest][zone] = None
            # "driver's side of the pan" is its left or its right, which depends on the country.
            for at, side in enumerate(key):
                if side in ("left", "right") and len(key) > 1:
                    rest = key[at + 1 :]
                    for plain in (rest, rest[1:] if rest[:1] == ("side",) else ()):
                        if key[:at] + plain:
                            found[(*key[:at], english.UNSAID_SIDE, *plain)][zone] = None
    for key, zones in found.items():
        if len(zones) > 1 and key not in senses:
            yield from ((Sense("either", zone), key) for zone in zones)


def _generic_nouns(fluids: Mapping[str, tuple[str, ...]]) -> list[str]:
    """The words that name no fluid and any of them ("oil"): where one is said to be, it is wet."""
    keys = {fluid: [key_of(p) for p in (fluid, *also)] for fluid, also in fluids.items()}
    count = Counter(noun for found in keys.values() for noun in {key[-1] for key in found})
    alone = {key[0] for found in keys.values() for key in found if len(key) == 1}
    return sorted(noun for noun, times in count.items() if times > 1 and noun not in alone)


def _frames(finding: Observable, key_of: Callable[[str], Key]) -> tuple[set[Key], dict[str, set[Key]]]:
    """What goes with the values of a finding of which several hold, and what else it goes with.

    From "losing coolant" and "losing engine oil" comes that "losing" names the finding; from "losing antifreeze"
    under coolant, that antifreeze is coolant. So the words lists need not hold every pair.
    """
    keys = {v: [key_of(p) for p in finding.value_words.get(v, ())] for v in finding.values}
    count: Counter[Key] = Counter()
    for value, phrases in keys.items():
        label = key_of(value)
        before = {p[: -len(label)] for p in phrases if p[-len(label) :] == label}
        after = {p[len(label) :] for p in phrases if p[: len(label)] == label}
        count.update((before | after) - {()})
    # "Not engine oil", "not coolant": the small words that go with values name nothing.
    frames = {frame for frame, times in count.items() if times >= _FRAME_VALUES and not set(frame) <= _SMALL}
    others: dict[str, set[Key]] = {}
    for value, phrases in keys.items():
        found = {p[len(f) :] for p in phrases for f in frames if p[: len(f)] == f}
        found |= {p[: -len(f)] for p in phrases for f in frames if p[-len(f) :] == f}
        others[value] = {k for k in found if k and not set(k) & (english.NEGATIONS | english.FILLERS)}
    return frames, others


def _add_finding(gathering: _Gathering, finding: Observable, parts: set[Key]) -> None:
    names = (finding.name, _with_dashes_as_spaces(finding.id), *finding.words)
    for phrase in names:
        plain = phrase.removesuffix(_FOLLOWS).strip()
        kind: SenseKind = "thing" if phrase.endswith(_FOLLOWS) else "name"
        gathering.add_key(Sense(kind, finding.id), gathering.key(plain), plain)
    if finding.kind == "zone":
        return
    own = {gathering.key(n) for n in names} - {()}
    for value in finding.values:
        gathering.add(Sense("bare", finding.id, value), [value])
        for phrase in finding.value_words.get(value, ()):
            follows = phrase.startswith(_FOLLOWS)
            key, span = _slotted(phrase, gathering.key)
            if span:
                gathering.add_range(Sense("follow" if follows else "value", finding.id, value), key, span)
                continue
            needs_name = key in parts or set(key) <= english.YES | english.NO | english.NEGATIONS
            kind = "follow" if follows else "bare" if needs_name else "value"
            gathering.add_key(Sense(kind, finding.id, value), key, phrase.removeprefix(_FOLLOWS).strip())
            # "vent clogged" also says that a vent, named elsewhere in the sentence, is "clogged".
            for rest in _rests(key, own, gathering.wet, parts) if kind == "value" else ():
                whole = _holds_name(rest, own)
                gathering.add_key(Sense("value" if whole else "bare", finding.id, value), rest, " ".join(rest))


def _holds_name(key: Key, names: Collection[Key]) -> bool:
    """Whether a key begins or ends with a name: "new output seal" has the name "new" in it, and so says all itself."""
    return any(key != name and name in (key[: len(name)], key[-len(name) :]) for name in names)


def _rests(key: Key, names: Collection[Key], wet: frozenset[str], places: Collection[Key]) -> Iterator[Key]:
    """What is left of a phrase that begins or ends with its finding's name, if that does not speak of a wet place."""
    for name in names:
        if key[0] != name[0] and key[-1] != name[-1]:
            continue
        for rest in {key[len(name) :] * (key[: len(name)] == name), key[: -len(name)] * (key[-len(name) :] == name)}:
            if wet & set(rest) and any((word,) in places for word in rest):
                continue
            plain = set(rest) - _SMALL
            if plain and len(rest) <= _REST_LONGEST and rest[0] not in english.NEGATIONS:
                yield rest


def _add_frames(gathering: _Gathering, finding: Observable) -> None:
    frames, others = _frames(finding, gathering.key)
    for frame in frames:
        # "low" goes with many fluids, yet is the value of another finding; "drips" goes with many places.
        other = any(
            sense.kind != "name" or frame == gathering.key(_with_dashes_as_spaces(sense.about))
            for sense in gathering.senses.get(frame, ())
        )
        if not other and not gathering.wet & set(frame):
            gathering.add_key(Sense("name", finding.id), frame, " ".join(frame))
    names = {gathering.key(phrase) for phrase in finding.words} - {()}
    for value, keys in others.items():
        for key in keys:
            whole = _holds_name(key, names)
            gathering.add_key(Sense("value" if whole else "bare", finding.id, value), key, " ".join(key))


def _gather(machine: Machine) -> Lexicon:
    scale = machine.base.scale
    gathering = _Gathering(_same_words(machine), _joined_words(machine), _wet_words(scale.wetness_words))
    for sense, phrases in _place_phrases(machine):
        gathering.add(sense, phrases)
    parts = set(gathering.senses)
    places = {word for key in parts for word in key} - english.FILLERS - english.FAULTY
    for sense, key in list(_shared_names(gathering.senses)):
        gathering.add_key(sense, key, " ".join(key))
    # A single word out of the name of a place ("transmission") says too little to state anything by itself.
    parts |= {
        (word,) for key, senses in gathering.senses.items() if any(s.kind == "zone" for s in senses) for word in key
    }
    findings = [o for o in machine.observables.values() if o.kind != "wetness"]
    for finding in findings:
        _add_finding(gathering, finding, parts)
    for finding in findings:
        if finding.many:
            _add_frames(gathering, finding)
    for wetness, words in scale.wetness_words.items():
        gathering.add(Sense("wetness", "", wetness), words)
    gathering.add(Sense("wetness", "", "dry"), ("dry",))
    gathering.add(Sense("wetness", "", "wet"), _generic_nouns(scale.fluids))
    for stage in scale.stages:
        gathering.add(Sense("stage", stage.stage), (stage.name, _with_dashes_as_spaces(stage.stage), *stage.words))
    gathering.add(Sense("unknown", ""), (*scale.unknown_words, *english.UNKNOWN_PHRASES))
    gathering.add(Sense("deny", ""), english.NEGATIVE_PHRASES)

    senses = {key: _settled(key, tuple(found), machine, gathering) for key, found in gathering.senses.items()}
    loose = _loose(senses)
    longest = _longest((*senses, *gathering.ranges))
    units: dict[Key, list[tuple[str, float]]] = defaultdict(list)
    for finding in findings:
        for unit, factor in finding.units.items() if finding.kind == "number" else ():
            if (finding.id, factor) not in units[_unit_key(unit)]:
                units[_unit_key(unit)].append((finding.id, factor))
    pairs = {pair for phrase in gathering.shown.values() for pair in pairwise(key_of(phrase))}
    fluid_words = _fluid_words(scale.fluids, gathering.key)
    name_words = {o.id: frozenset(w for p in (o.name, *o.words) for w in gathering.key(p)) for o in findings}
    names_of = {o.id: [gathering.key(phrase) for phrase in (o.name, *o.words)] for o in findings}
    return Lexicon(
        fluid_words=fluid_words,
        name_words=name_words,
        names_fluids={
            o.id: frozenset(f for f in scale.fluids if any(_within(gathering.key(f), n) for n in names_of[o.id]))
            for o in findings
        },
        observables=machine.observables,
        phrases=senses,
        longest=longest,
        loose=loose,
        loose_longest=_longest(loose),
        ranges={key: tuple(found) for key, found in gathering.ranges.items()},
        same=gathering.same,
        joins=gathering.joins,
        units={key: tuple(found) for key, found in units.items() if key},
        surface=_surfaces((*gathering.shown.values(), *(" ".join(k) for k in units))),
        follows=_grouped(pairs),
        precedes=_grouped((second, first) for first, second in pairs),
        shown=gathering.shown,
        places=frozenset(places),
        part_places={
            source: tuple(machine.zones[zone].name for zone in zones) for source, zones in machine.first_seen.items()
        },
        claimed=_claimed(machine, gathering),
        tells_fluid=frozenset(
            o.id for o in findings if o.phase == _FLUID_PHASE or (o.values and set(o.values) <= set(scale.fluids))
        ),
        entry_of={stage.stage: finding for stage in scale.stages for finding in stage.entered_by},
        entered_by={
            (finding, value): stage.stage for stage in scale.stages for finding, value in stage.entered_by.items()
        },
    )


def _longest(keys: Iterable[Key]) -> dict[str, int]:
    """The length of the longest key that begins with a word."""
    found: dict[str, int] = {}
    for key in keys:
        found[key[0]] = max(found.get(key[0], 0), len(key))
    return found


def _loose(senses: Mapping[Key, tuple[Sense, ...]]) -> dict[Key, tuple[Sense, ...]]:
    """Phrases without their small words, where that leaves one meaning and no other phrase has it."""
    found: dict[Key, set[tuple[Sense, ...]]] = defaultdict(set)
    for key, of in senses.items():
        short = loosened(key)
        if short and any(s.kind in ("value", "follow", "zone", "name") for s in of):
            found[short].add(of)
    return {key: of.pop() for key, of in found.items() if len(of) == 1 and senses.get(key, ()) in ((), *of)}


def _claimed(machine: Machine, gathering: _Gathering) -> dict[Key, tuple[str, ...]]:
    """What a claim may name: a source by its names, or the sources at a place by the names of the place."""
    found: dict[Key, dict[str, None]] = defaultdict(dict)
    for sense, phrases in _place_phrases(machine):
        if sense.kind == "part":
            for phrase in phrases:
                found[gathering.key(phrase)][sense.about] = None
    by_place: dict[Key, dict[str, None]] = defaultdict(dict)
    for sense, phrases in _place_phrases(machine):
        here = [s for s, zones in machine.first_seen.items() if zones == (sense.about,)]
        for phrase in phrases if sense.kind == "zone" else ():
            by_place[gathering.key(phrase)].update(dict.fromkeys(here))
    for key, sources in by_place.items():
        if key not in found:
            found[key].update(sources)
    return {key: tuple(sources) for key, sources in found.items() if key and sources}


def _within(part: Key, whole: Key) -> bool:
    """Whether a key stands in another one, its words side by side."""
    return any(whole[at : at + len(part)] == part for at in range(len(whole) - len(part) + 1))


def _grouped(pairs: Iterable[tuple[str, str]]) -> dict[str, frozenset[str]]:
    found: dict[str, set[str]] = defaultdict(set)
    for first, second in pairs:
        found[first].add(second)
    return {first: frozenset(seconds) for first, seconds in found.items()}


def _fluid_words(fluids: Mapping[str, tuple[str, ...]], key_of: Callable[[str], Key]) -> dict[str, frozenset[str]]:
    """For each fluid the words that no other fluid's phrases hold ("atf", but not "oil")."""
    words = {fluid: {w for phrase in (fluid, *also) for w in key_of(phrase)} for fluid, also in fluids.items()}
    count = Counter(word for found in words.values() for word in found)
    return {fluid: frozenset(w for w in found if count[w] == 1) for fluid, found in words.items()}


def _yielding(found: tuple[Sense, ...], machine: Machine) -> tuple[Sense, ...]:
    """Where two findings share a value's phrase, one that is asked only of some vehicles needs its name said."""
    if len(found) < 2:
        return found
    abouts = {s.about for s in found if s.kind == "value"}
    if len(abouts) < 2:
        return found
    open_to_all = {about for about in abouts if not machine.observables[about].needs}
    return tuple(
        s._replace(kind="bare") if s.kind == "value" and open_to_all and s.about not in open_to_all else s
        for s in found
    )


def _settled(key: Key, found: tuple[Sense, ...], machine: Machine, gathering: _Gathering) -> tuple[Sense, ...]:
    """A place hides the part of the same name. A part's longer name means the place it begins with, if it sits there.

    So "selector shaft seal wet" is the selector shaft wet, while "pan gasket wet" does not say which edge.
    """
    found = _yielding(found, machine)
    zones = [s for s in found if s.kind == "zone"]
    if zones:
        return tuple(s for s in found if s.kind != "part")
    parts = [s for s in found if s.kind == "part"]
    at = {machine.sources[s.about].zone for s in parts}
    if len(at) == 1:
        zone = machine.zones[at.pop()]
        names = {gathering.key(p) for p in (zone.name, _with_dashes_as_spaces(zone.zone), *zone.words)}
        if zone.visible and any(key[: len(name)] == name for name in names):
            return (*(s for s in found if s.kind != "part"), Sense("zone", zone.zone))
    return found


def _surfaces(phrases: Iterable[str]) -> dict[str, str]:
    """Each known stem as it is first written, shortest phrase first."""
    found: dict[str, str] = {}
    for phrase in phrases:
        for token in _tokens(phrase):
            if token.kind == "word":
                found.setdefault(token.stem, phrase[token.start : token.end].lower())
    for form in VERB_FORMS:
        if stem(form) in found:
            found.setdefault(form, form)
    for word in sorted(english.FILLERS | english.NEGATIONS | english.CONJUNCTIONS | english.STRONG_PREPOSITIONS
                       | english.WEAK_PREPOSITIONS | english.APPROVALS | english.YES | english.NO
                       | english.ELSEWHERE | english.LOOKING):  # fmt: skip
        found.setdefault(stem(word), word)
    return found
