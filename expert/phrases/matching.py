"""Tokens to items: known phrases, longest first, and the small words between them."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from typing import Literal, NamedTuple

from expert.phrases import english
from expert.phrases.lexicon import Key, Lexicon, Sense
from expert.phrases.words import Token, stem

ItemKind = Literal[
    "phrase", "number", "deny", "yes", "no", "and", "but", "from", "at", "elsewhere", "fine", "look", "filler",
    "comma", "question", "left",
]  # fmt: skip

_ID_WEIGHT = 20
_HEADS_MOST = 6
_REST_MOST = 6
_UNIT_LONGEST = 5
_TENS = (20.0, 30.0, 40.0, 50.0, 60.0)
_ONES = tuple("123456789")


class Item(NamedTuple):
    """A stretch [start, end) of tokens read as one thing. `key` is its phrase; `units` are for numbers only:
    the findings whose unit follows the number, each with its factor."""

    kind: ItemKind
    start: int
    end: int
    key: Key = ()
    senses: tuple[Sense, ...] = ()
    number: float = 0.0
    units: tuple[tuple[str, float], ...] = ()

    def has(self, kind: str) -> bool:
        """Whether any sense is of this kind."""
        return any(sense.kind == kind for sense in self.senses)


class _Span(NamedTuple):
    weight: int
    item: Item


def _runs(found: Sequence[Token]) -> Iterator[list[int]]:
    """Indices of the words that can be parts of phrases, run by run between marks."""
    run: list[int] = []
    for i, token in enumerate(found):
        if token.kind in ("word", "number"):
            if token.stem not in english.DROPPED:
                run.append(i)
        elif run:
            yield run
            run = []
    if run:
        yield run


def _settled(
    senses: tuple[Sense, ...], before: Sequence[str], typed: Sequence[str], also: frozenset[str]
) -> tuple[Sense, ...]:
    """Which of several places of one name is meant: the one asked for, or all of them if the words say so."""
    places = [s.about for s in senses if s.kind == "either"]
    if not places:
        return senses
    asked = [place for place in places if place in also]
    if not asked and not english.NOT_ALL & set(before):
        all_meant = any(word in english.BOTH for word in before[-1:]) or any(_plural(word) for word in typed)
        asked = places if all_meant else []
    return tuple(Sense("zone", place) for place in asked) or senses


def _plural(typed: str) -> bool:
    return typed.lower().endswith("s") and stem(typed) != typed.lower()


def _spans_of_run(
    lexicon: Lexicon, found: Sequence[Token], text: str, also: frozenset[str], run: Sequence[int]
) -> Iterator[_Span]:
    stems = tuple(found[i].stem for i in run)
    for at, first in enumerate(stems):
        for length in range(min(lexicon.longest.get(first, 0), len(stems) - at), 0, -1):
            key = stems[at : at + length]
            senses = lexicon.phrases.get(key)
            if senses:
                start, end = run[at], run[at + length - 1]
                words = [text[found[i].start : found[i].end] for i in run[at : at + length]]
                senses = _settled(senses, stems[max(0, at - 2) : at], words, also)
                typed = text[found[start].start : found[end].end] if length > 1 else ""
                named = Sense("name", typed)
                if named in senses:
                    # A finding's id typed as it stands in the knowledge comes before all else.
                    yield _Span(_ID_WEIGHT, Item("phrase", start, end + 1, key, (named,)))
                else:
                    yield _Span(length, Item("phrase", start, end + 1, key, senses))


def _phrase_spans(lexicon: Lexicon, found: Sequence[Token], text: str, also: frozenset[str]) -> list[_Span]:
    spans: list[_Span] = []
    for run in _runs(found):
        spans += _spans_of_run(lexicon, found, text, also, run)
        plain = [i for i in run if found[i].stem not in english.SOFTENERS]
        if len(plain) < len(run):
            known = {(span.item.start, span.item.end, span.item.key) for span in spans}
            more = _spans_of_run(lexicon, found, text, also, plain)
            spans += [s for s in more if (s.item.start, s.item.end, s.item.key) not in known]
    return spans


def _zones(lexicon: Lexicon, key: Key) -> tuple[Sense, ...]:
    return tuple(s for s in lexicon.phrases.get(key, ()) if s.kind == "zone")


def _next_word(found: Sequence[Token], i: int) -> int | None:
    """The index of the word that continues a list after word i ("left, right and rear ..."), if one does."""
    joined = False
    for j in range(i + 1, min(i + 5, len(found))):
        token = found[j]
        if token.kind == "comma" or (token.kind == "word" and token.stem in ("and", "or", "nor")):
            joined = True
        elif token.kind == "word" and token.stem not in english.DROPPED:
            return j if joined else None
        elif token.kind != "word":
            return None
    return None


def _shared_ending(lexicon: Lexicon, found: Sequence[Token], i: int) -> list[_Span]:
    """ "left and right edges of the pan": the words of the last place belong to the first ones too."""
    heads = [i]
    while len(heads) < _HEADS_MOST and (j := _next_word(found, heads[-1])) is not None:
        heads.append(j)
        rest: list[int] = []
        for k in range(j + 1, len(found)):
            if found[k].kind != "word" or len(rest) == _REST_MOST:
                break
            if found[k].stem not in english.DROPPED:
                rest.append(k)
        for length in range(len(rest), 0, -1):
            ending = tuple(found[k].stem for k in rest[:length])
            keys = [(found[head].stem, *ending) for head in heads]
            senses = [_zones(lexicon, key) for key in keys]
            # "dry cooler, cooler line damp" is no list: its members would be the same.
            if all(senses) and len(set(keys)) == len(keys):
                ends = [head + 1 for head in heads[:-1]] + [rest[length - 1] + 1]
                return [_Span(10, Item("phrase", *place)) for place in zip(heads, ends, keys, senses, strict=True)]
    return []


def _shared_beginning(lexicon: Lexicon, found: Sequence[Token], span: Item) -> list[_Span]:
    """ "pan front and rear": the words of the first place belong to the last one too."""
    if len(span.key) < 2 or not span.has("zone"):
        return []
    j = _next_word(found, span.end - 1)
    if j is None or (found[j].stem,) in lexicon.phrases:
        return []
    key = (*span.key[:-1], found[j].stem)
    following = (found[j].stem, found[j + 1].stem) if j + 1 < len(found) else ()
    if not _zones(lexicon, key) or following in lexicon.phrases:
        return []
    return [_Span(len(key), span), _Span(len(key), Item("phrase", j, j + 1, key, _zones(lexicon, key)))]


def _opposite(lexicon: Lexicon, found: Sequence[Token], i: int, zones: Sequence[Item]) -> list[_Span]:
    """ "left side of the case wet, dry on the right": the words of the place before belong to its opposite too."""
    side = found[i].stem
    if side not in english.OPPOSITES:
        return []
    before = bisect_right(zones, i, key=lambda zone: zone.end)
    last = zones[before - 1] if before else None
    if not last or english.OPPOSITES[side] not in last.key:
        return []
    key = tuple(side if word == english.OPPOSITES[side] else word for word in last.key)
    end = i + 1
    for word in key[key.index(side) + 1 :]:
        # "left edge of the pan dry, right edge wet" repeats some of them.
        end += end < len(found) and found[end].stem == word
    after = next((t for t in found[end:] if t.stem not in english.DROPPED), None)
    senses = lexicon.phrases.get((after.stem,), ()) if after else ()
    closes = not after or after.kind != "word" or after.stem in english.CONJUNCTIONS | english.NEGATIONS
    if not _zones(lexicon, key) or not (closes or any(s.kind == "wetness" for s in senses)):
        return []
    return [_Span(end - i, Item("phrase", i, end, key, _zones(lexicon, key)))]


def _value_of(token: Token) -> float | None:
    """The number a token is, in digits or as a word. "one" is mostly no number ("the wet one")."""
    if token.kind == "number":
        return float(token.stem)
    return float(token.stem) if token.stem.isdecimal() and token.stem != "1" else None


def _number_spans(lexicon: Lexicon, found: Sequence[Token]) -> list[_Span]:
    spans = []
    for first, token in enumerate(found):
        number = _value_of(token)
        if number is None:
            continue
        i = first
        if token.kind == "word" and number in _TENS and i + 1 < len(found) and found[i + 1].stem in _ONES:
            i += 1
            number += float(found[i].stem)
        # "6 drops a minute", and "drips 6 a minute" with the unit's first word before the number.
        before = (found[first - 1].stem,) if first else ()
        unit = next(
            (
                (first - len(head), i + 1 + len(key), head + key)
                for head in ((), before)
                for length in range(_UNIT_LONGEST, 0, -1)
                if (key := tuple(t.stem for t in found[i + 1 : i + 1 + length])) and head + key in lexicon.units
            ),
            None,
        )
        if unit:
            start, end, key = unit
            spans.append(_Span(end - start, Item("number", start, end, key, (), number, lexicon.units[key])))
        else:
            spans.append(_Span(i - first, Item("number", first, i + 1, (), (), number)))
    return spans


# Later sets win nothing: a word in two sets is what the first of them says.
_KINDS: tuple[tuple[ItemKind, frozenset[str]], ...] = (
    ("no", english.NO),
    ("deny", english.NEGATIONS),
    ("but", english.BREAKS),
    ("and", english.CONJUNCTIONS),
    ("from", english.STRONG_PREPOSITIONS),
    ("at", english.WEAK_PREPOSITIONS),
    ("elsewhere", english.ELSEWHERE),
    ("fine", english.APPROVALS),
    ("look", english.LOOKING),
    ("yes", english.YES),
    ("filler", english.FILLERS | english.DROPPED),
)
_SMALL: dict[str, ItemKind] = {word: kind for kind, words in reversed(_KINDS) for word in words}
_MARKS: dict[str, ItemKind] = {"comma": "comma", "question": "question"}


def _small(token: Token, after: Token | None) -> ItemKind:
    """What a token is that no phrase holds; `after` is the next one."""
    if token.stem == "right" and after and after.stem in english.AFTER_EXACTLY_RIGHT:
        return "filler"
    return _MARKS.get(token.kind) or _SMALL.get(token.stem, "left")


def _without_borrowed_heads(lexicon: Lexicon, spans: Sequence[_Span]) -> list[_Span]:
    """In "a few drops under the pan" the drops belong to "few drops": "under the pan" says the same without them."""
    ends = {
        (span.item.end, sense.about)
        for span in spans if len(span.item.key) > 1
        for sense in span.item.senses if sense.kind == "value"
    }  # fmt: skip
    by_end: dict[int, set[str]] = {}
    for end, about in ends:
        by_end.setdefault(end, set()).add(about)

    def borrowed(item: Item) -> bool:
        others = by_end.get(item.start + 1, set()) - {sense.about for sense in item.senses}
        same = set(item.senses) & set(lexicon.phrases.get(item.key[1:], ()))
        return bool(others) and any(sense.kind == "value" for sense in same)

    return [span for span in spans if not borrowed(span.item)]


def _precedence(span: _Span) -> tuple[int, int, int, int]:
    """Longest first. Of equally long ones the one with fewer small words ("smoke free", not "it smokes"); then
    places ("rear of the transmission", not "transmission leak"), values ("level ok", not "ATF level"), the rest."""
    item = span.item
    small = sum(word in english.FILLERS for word in item.key)
    return (-span.weight, small, 0 if item.has("zone") else 1 if item.has("value") else 2, item.start)


def items(lexicon: Lexicon, found: Sequence[Token], text: str, also: frozenset[str]) -> list[Item]:
    """The items of one sentence (no stops in `found`), in order, all tokens covered.

    A value that needs its finding named counts only if the sentence names it or `also` holds it.
    """
    phrase_spans = _phrase_spans(lexicon, found, text, also)
    named = also | {
        sense.about for span in phrase_spans for sense in span.item.senses if sense.kind in ("name", "value")
    }
    spans = [
        span for span in phrase_spans if any(sense.kind != "bare" or sense.about in named for sense in span.item.senses)
    ]
    spans = _without_borrowed_heads(lexicon, spans) + _number_spans(lexicon, found)
    # In "rear of the transmission, back of the pan" the transmission begins no list.
    last_words = {s.item.end - 1 for s in phrase_spans if len(s.item.key) > 1 and s.item.has("zone")}
    for i, token in enumerate(found):
        if token.kind == "word" and token.stem not in english.DROPPED and i not in last_words:
            spans += _shared_ending(lexicon, found, i)
    spans += [more for span in phrase_spans for more in _shared_beginning(lexicon, found, span.item)]

    places = sorted((s.item for s in phrase_spans if s.item.has("zone")), key=lambda item: (item.end, len(item.key)))
    for i in range(len(found)):
        spans += _opposite(lexicon, found, i, places)

    taken: list[Item | None] = [None] * len(found)
    for span in sorted(spans, key=_precedence):
        if not any(taken[span.item.start : span.item.end]):
            taken[span.item.start : span.item.end] = [span.item] * (span.item.end - span.item.start)
    result: list[Item] = []
    for i, token in enumerate(found):
        item = taken[i]
        if item is None:
            result.append(Item(_small(token, found[i + 1] if i + 1 < len(found) else None), i, i + 1, (token.stem,)))
        elif item.start == i:
            result.append(item._replace(kind="deny") if item.has("deny") else item)
    return result
