"""The phrases one layout knows and what each may mean, gathered once from the knowledge."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Literal, NamedTuple

from expert.knowledge.base import Machine, Observable
from expert.phrases import english
from expert.phrases.words import stem, tokens

Key = tuple[str, ...]
# name: names a finding; zone: names a place; value: states a finding's value by itself; bare: a value that needs
# its finding named (or asked for); wetness: dry, damp or wet; part: something that leaks, which is no sight;
# either: one of several places ("banjo bolt" of a front and a rear one); stage: when it was seen; unknown: not known;
# deny: takes back what follows.
SenseKind = Literal["name", "zone", "value", "bare", "wetness", "part", "either", "stage", "unknown", "deny"]

# A word that goes with this many values of one finding ("losing coolant", "losing engine oil") names the finding.
_FRAME_VALUES = 3
_FLUID_PHASE = "fluid"


class Sense(NamedTuple):
    """One meaning of a phrase: what it is about (a finding, zone, stage or source id, or "") and a value or ""."""

    kind: SenseKind
    about: str
    value: str = ""


@lru_cache(maxsize=20_000)
def key_of(phrase: str) -> Key:
    """The form in which a phrase is looked up: its stems without articles and the like; () if nothing is left."""
    found = [t.stem for t in tokens(phrase) if t.kind in ("word", "number") or phrase.strip() == t.stem]
    return tuple(word for word in found if word not in english.DROPPED)


def _unit_key(phrase: str) -> Key:
    """Units keep their articles: "a minute" is a rate and "minute" is not."""
    return tuple(t.stem for t in tokens(phrase) if t.kind == "word")


@dataclass(frozen=True)
class Lexicon:
    """Everything needed to read a text. `longest` is the length of the longest key that begins with a word.

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
    units: Mapping[Key, tuple[tuple[str, float], ...]]
    surface: Mapping[str, str]
    follows: Mapping[str, frozenset[str]]
    precedes: Mapping[str, frozenset[str]]
    shown: Mapping[Key, str]
    places: frozenset[str]
    part_places: Mapping[str, tuple[str, ...]]
    tells_fluid: frozenset[str]
    entered_by: Mapping[tuple[str, str], str]
    name_words: Mapping[str, frozenset[str]]
    fluid_words: Mapping[str, frozenset[str]]
    names_fluids: Mapping[str, frozenset[str]]

    @classmethod
    def of(cls, machine: Machine) -> Lexicon:
        """All phrases of the layout's observables, its sources, stages and the scale's common words."""
        return _gather(machine)


class _Gathering:
    """Phrases while they are being collected."""

    def __init__(self) -> None:
        self.senses: dict[Key, dict[Sense, None]] = defaultdict(dict)
        self.shown: dict[Key, str] = {}

    def add(self, sense: Sense, phrases: Iterable[str]) -> None:
        for phrase in phrases:
            self.add_key(sense, key_of(phrase), phrase)

    def add_key(self, sense: Sense, key: Key, phrase: str) -> None:
        if key:
            self.senses[key][sense] = None
            self.shown.setdefault(key, phrase)


def _with_dashes_as_spaces(name: str) -> str:
    return name.replace("-", " ")


def _place_phrases(machine: Machine) -> Iterator[tuple[Sense, tuple[str, ...]]]:
    for zone in machine.zones.values():
        if zone.visible:
            phrases = (zone.name, _with_dashes_as_spaces(zone.zone), *zone.words)
            yield Sense("zone", zone.zone), phrases
    # "coolant leak" is two sights side by side and no part.
    wet = {key[0] for words in machine.base.scale.wetness_words.values() for key in map(key_of, words) if len(key) == 1}
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
    for key, zones in found.items():
        if len(zones) > 1 and key not in senses:
            yield from ((Sense("either", zone), key) for zone in zones)


def _generic_nouns(fluids: Mapping[str, tuple[str, ...]]) -> list[str]:
    """The words that name no fluid and any of them ("oil"): where one is said to be, it is wet."""
    keys = {fluid: [key_of(p) for p in (fluid, *also)] for fluid, also in fluids.items()}
    count = Counter(noun for found in keys.values() for noun in {key[-1] for key in found})
    alone = {key[0] for found in keys.values() for key in found if len(key) == 1}
    return sorted(noun for noun, times in count.items() if times > 1 and noun not in alone)


def _frames(finding: Observable) -> tuple[set[Key], dict[str, set[Key]]]:
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
    frames = {frame for frame, times in count.items() if times >= _FRAME_VALUES}
    others: dict[str, set[Key]] = {}
    for value, phrases in keys.items():
        found = {p[len(f) :] for p in phrases for f in frames if p[: len(f)] == f}
        found |= {p[: -len(f)] for p in phrases for f in frames if p[-len(f) :] == f}
        others[value] = {k for k in found if k and not set(k) & (english.NEGATIONS | english.FILLERS)}
    return frames, others


def _add_finding(gathering: _Gathering, finding: Observable, parts: set[Key]) -> None:
    name = Sense("name", finding.id)
    gathering.add(name, (finding.name, _with_dashes_as_spaces(finding.id), *finding.words))
    if finding.kind == "zone":
        return
    for value in finding.values:
        gathering.add(Sense("bare", finding.id, value), [value])
        for phrase in finding.value_words.get(value, ()):
            key = key_of(phrase)
            needs_name = key in parts or set(key) <= english.YES | english.NO | english.NEGATIONS
            gathering.add_key(Sense("bare" if needs_name else "value", finding.id, value), key, phrase)


def _add_frames(gathering: _Gathering, finding: Observable) -> None:
    frames, others = _frames(finding)
    for frame in frames:
        # "low" goes with many fluids, yet is the value of another finding.
        if not any(sense.kind in ("bare", "value") for sense in gathering.senses.get(frame, ())):
            gathering.add_key(Sense("name", finding.id), frame, " ".join(frame))
    for value, keys in others.items():
        for key in keys:
            gathering.add_key(Sense("bare", finding.id, value), key, " ".join(key))


def _gather(machine: Machine) -> Lexicon:
    scale = machine.base.scale
    gathering = _Gathering()
    for sense, phrases in _place_phrases(machine):
        gathering.add(sense, phrases)
    parts = set(gathering.senses)
    places = {word for key in parts for word in key} - english.FILLERS
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

    senses = {key: _settled(key, tuple(found), machine) for key, found in gathering.senses.items()}
    longest: dict[str, int] = {}
    for key in senses:
        longest[key[0]] = max(longest.get(key[0], 0), len(key))
    units: dict[Key, list[tuple[str, float]]] = defaultdict(list)
    for finding in findings:
        for unit, factor in finding.units.items() if finding.kind == "number" else ():
            if (finding.id, factor) not in units[_unit_key(unit)]:
                units[_unit_key(unit)].append((finding.id, factor))
    pairs = {pair for key in senses for pair in pairwise(key)}
    fluid_words = _fluid_words(scale.fluids)
    name_words = {o.id: frozenset(w for p in (o.name, *o.words) for w in key_of(p)) for o in findings}
    return Lexicon(
        fluid_words=fluid_words,
        name_words=name_words,
        names_fluids={
            about: frozenset(fluid for fluid, words in fluid_words.items() if own & words)
            for about, own in name_words.items()
        },
        observables=machine.observables,
        phrases=senses,
        longest=longest,
        units={key: tuple(found) for key, found in units.items() if key},
        surface=_surfaces((*gathering.shown.values(), *(" ".join(k) for k in units))),
        follows=_grouped(pairs),
        precedes=_grouped((second, first) for first, second in pairs),
        shown=gathering.shown,
        places=frozenset(places),
        part_places={
            source: tuple(machine.zones[zone].name for zone in zones) for source, zones in machine.first_seen.items()
        },
        tells_fluid=frozenset(
            o.id for o in findings if o.phase == _FLUID_PHASE or (o.values and set(o.values) <= set(scale.fluids))
        ),
        entered_by={
            (finding, value): stage.stage for stage in scale.stages for finding, value in stage.entered_by.items()
        },
    )


def _grouped(pairs: Iterable[tuple[str, str]]) -> dict[str, frozenset[str]]:
    found: dict[str, set[str]] = defaultdict(set)
    for first, second in pairs:
        found[first].add(second)
    return {first: frozenset(seconds) for first, seconds in found.items()}


def _fluid_words(fluids: Mapping[str, tuple[str, ...]]) -> dict[str, frozenset[str]]:
    """For each fluid the words that no other fluid's phrases hold ("atf", but not "oil")."""
    words = {fluid: {w for phrase in (fluid, *also) for w in key_of(phrase)} for fluid, also in fluids.items()}
    count = Counter(word for found in words.values() for word in found)
    return {fluid: frozenset(w for w in found if count[w] == 1) for fluid, found in words.items()}


def _settled(key: Key, found: tuple[Sense, ...], machine: Machine) -> tuple[Sense, ...]:
    """A place hides the part of the same name. A part's longer name means the place it begins with, if it sits there.

    So "selector shaft seal wet" is the selector shaft wet, while "pan gasket wet" does not say which edge.
    """
    zones = [s for s in found if s.kind == "zone"]
    if zones:
        return tuple(s for s in found if s.kind != "part")
    parts = [s for s in found if s.kind == "part"]
    at = {machine.sources[s.about].zone for s in parts}
    if len(at) == 1:
        zone = machine.zones[at.pop()]
        names = {key_of(p) for p in (zone.name, _with_dashes_as_spaces(zone.zone), *zone.words)}
        if zone.visible and any(key[: len(name)] == name for name in names):
            return (*(s for s in found if s.kind != "part"), Sense("zone", zone.zone))
    return found


def _surfaces(phrases: Iterable[str]) -> dict[str, str]:
    """Each known stem as it is first written, shortest phrase first."""
    found: dict[str, str] = {}
    for phrase in phrases:
        for token in tokens(phrase):
            if token.kind == "word":
                found.setdefault(token.stem, phrase[token.start : token.end].lower())
    for word in sorted(english.FILLERS | english.NEGATIONS | english.CONJUNCTIONS | english.STRONG_PREPOSITIONS
                       | english.WEAK_PREPOSITIONS | english.APPROVALS | english.YES | english.NO
                       | english.ELSEWHERE | english.LOOKING):  # fmt: skip
        found.setdefault(stem(word), word)
    return found
