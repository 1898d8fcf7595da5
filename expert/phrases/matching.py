"""Tokens to items: known phrases, longest first, and the small words between them."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from typing import Literal, NamedTuple

from expert.phrases import english
from expert.phrases.lexicon import SLOT, Key, Lexicon, Sense
from expert.phrases.words import Token, stem

ItemKind = Literal[
    "phrase", "number", "deny", "yes", "no", "and", "but", "from", "at", "elsewhere", "fine", "look", "filler",
    "comma", "question", "left",
]  # fmt: skip

_ID_WEIGHT = 20
# What gives a figure says more than what does not.
_NUMBER_WEIGHT = 3
_HEADS_MOST = 6
_REST_MOST = 6
# "5-10" are two numbers side by side, in "5 to 10" a word stands between.
_TO_APART = 2
_SIDE_APART = 6
_BETWEEN_APART = 5
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
    lexicon: Lexicon, found: Sequence[Token], text: str, also: frozenset[str], run: Sequence[int], loose: bool = False
) -> Iterator[_Span]:
    phrases, longest = (lexicon.loose, lexicon.loose_longest) if loose else (lexicon.phrases, lexicon.longest)
    stems = tuple(found[i].stem for i in run)
    for at, first in enumerate(stems):
        for length in range(min(longest.get(first, 0), len(stems) - at), 0, -1):
            key = stems[at : at + length]
            senses = phrases.get(key)
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
        spans += _spans_of_words(lexicon, found, text, also, run)
    return spans


def _spans_of_words(
    lexicon: Lexicon, found: Sequence[Token], text: str, also: frozenset[str], run: Sequence[int]
) -> list[_Span]:
    spans = list(_spans_of_run(lexicon, found, text, also, run))
    plain = [i for i in run if found[i].stem not in english.SOFTENERS]
    if len(plain) < len(run):
        known = {(span.item.start, span.item.end, span.item.key) for span in spans}
        more = _spans_of_run(lexicon, found, text, also, plain)
        spans += [s for s in more if (s.item.start, s.item.end, s.item.key) not in known]
    plain = [i for i in run if found[i].stem not in english.SKIPPED]
    taken = {(span.item.start, span.item.end) for span in spans}
    more = _spans_of_run(lexicon, found, text, also, plain, loose=True)
    spans += [s for s in more if (s.item.start, s.item.end) not in taken]
    if any(token_is_number(found[i]) for i in run):
        spans += _ranged(lexicon, found, run)
    return spans


def token_is_number(token: Token) -> bool:
    """Whether it is a number in digits or as a word."""
    return token.kind == "number" or token.stem.isdecimal()


def _ranged(lexicon: Lexicon, found: Sequence[Token], run: Sequence[int]) -> Iterator[_Span]:
    """Phrases with a slot for a number: "drove it about 5 miles" is one of "drove 1-15 miles"."""
    words = [i for i in run if found[i].stem not in english.SKIPPED or token_is_number(found[i])]
    slots: list[tuple[str, int, int, tuple[float, ...]]] = []
    for i in words:
        if not token_is_number(found[i]):
            slots.append((found[i].stem, i, i, ()))
        elif slots and len(slots[-1][3]) == 1 and i - slots[-1][2] <= _TO_APART:
            word, start, _, first_number = slots[-1]
            slots[-1] = (word, start, i, (*first_number, float(found[i].stem)))
        else:
            slots.append((SLOT, i, i, (float(found[i].stem),)))
    stems = tuple(slot[0] for slot in slots)
    for at, first in enumerate(stems):
        for length in range(min(lexicon.longest.get(first, 0), len(stems) - at), 1, -1):
            key = stems[at : at + length]
            figures = [n for slot in slots[at : at + length] for n in slot[3]]
            senses = tuple(
                sense for least, most, sense in lexicon.ranges.get(key, ()) if all(least <= n <= most for n in figures)
            )
            if senses and key.count(SLOT) == 1:
                start, end = slots[at][1], slots[at + length - 1][2] + 1
                yield _Span(length + _NUMBER_WEIGHT, Item("phrase", start, end, key, senses))


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


def _same_thing(lexicon: Lexicon, found: Sequence[Token], i: int, zones: Sequence[Item]) -> list[_Span]:
    """ "left side of the case wet, dry on the right", "front of the pan wet, sides dry": a side by itself is one of
    the place named before."""
    side = found[i].stem
    if side not in english.SIDES or (i and found[i - 1].stem == "in"):
        return []
    before = bisect_right(zones, i, key=lambda zone: zone.end)
    last = zones[before - 1] if before else None
    at = (
        next((k for k, word in enumerate(last.key) if word in english.SIDES and word != "side"), None) if last else None
    )
    if last is None or at is None or last.key[at] in english.SIDES[side]:
        return []
    keys = [_with_side(lexicon, last.key, at, other) for other in english.SIDES[side]]
    senses = [_zones(lexicon, key) for key in keys]
    if side != "side":  # of two words for one side, the one in use
        senses = next(([s] for s in senses if s), [])
    elif not found[i].end - found[i].start > len(side):
        return []
    if not senses or not all(senses):
        return []
    end = i + 1
    end += end < len(found) and found[end].stem in _SIDE_NOUNS and found[end].stem not in last.key[at + 1 :]
    for word in last.key[at + 1 :]:
        # "left edge of the pan dry, right edge wet" repeats some of them.
        ahead = next((k for k in range(end, len(found)) if found[k].stem not in english.DROPPED), end)
        end = ahead + 1 if ahead < len(found) and found[ahead].stem == word else end
    after = next((t for t in found[end:] if t.stem not in english.DROPPED | english.BOTH), None)
    meant = lexicon.phrases.get((after.stem,), ()) if after else ()
    closes = not after or after.kind != "word" or after.stem in english.CONJUNCTIONS | english.NEGATIONS
    if not (closes or any(s.kind == "wetness" for s in meant) or (after and after.stem in english.APPROVALS)):
        return []
    every = tuple(sense for of in senses for sense in of)
    return [_Span(end - i, Item("phrase", i, end, keys[0], every))]


def _with_side(lexicon: Lexicon, key: Key, at: int, side: str) -> Key:
    """A place's key with another side in the place of the word at `at`: "front pan" to "left side pan"."""
    keys = [(*key[:at], side, *noun, *key[at + 1 :]) for noun in ((), ("side",), ("edge",))]
    return next((k for k in keys if _zones(lexicon, k)), keys[0])


_SIDE_NOUNS = frozenset({"side", "edge", "end", "1"})


def _set_apart(lexicon: Lexicon, found: Sequence[Token], i: int) -> list[_Span]:
    """ "the pan is wet at the front", "the engine is clean at the back": a thing, and afterwards which side of it."""
    side = found[i].stem
    if side not in (*english.SIDES, english.UNSAID_SIDE) or side == "side":
        return []
    words = [k for k in range(max(0, i - _SIDE_APART), i) if found[k].stem not in english.DROPPED]
    if not words or found[words[-1]].stem not in english.WEAK_PREPOSITIONS:
        return []
    end = i + 1 + (i + 1 < len(found) and found[i + 1].stem in _SIDE_NOUNS)
    after = found[end] if end < len(found) else None
    if after and after.kind == "word" and after.stem not in english.CONJUNCTIONS | english.NEGATIONS:
        return []
    marks = [k for k in words if found[k].kind != "word" or found[k].stem in english.CONJUNCTIONS]
    words = [k for k in words if not marks or k > marks[-1]][:-1]
    for at, k in enumerate(words):
        for last in range(len(words), at, -1):
            apart = words[last - 1] - k != last - 1 - at
            if apart or (at and found[words[at - 1]].stem in english.ELSEWHERE):
                continue
            noun = tuple(found[j].stem for j in words[at:last])
            for other in english.SIDES.get(side, (side,)):
                for key in ((other, *noun), (*noun, other), (other, "side", *noun), (other, "edge", *noun)):
                    senses = tuple(s for s in lexicon.phrases.get(key, ()) if s.kind in ("zone", "either"))
                    if senses:
                        held = Item("filler", k, words[last - 1] + 1, noun)
                        return [_Span(len(key), held), _Span(len(key), Item("phrase", i, end, key, senses))]
    return []


def with_unsaid_sides(found: Sequence[Token], text: str) -> list[Token]:
    """ "driver's side" and its like as one word, which names the left or the right and does not say which."""
    result: list[Token] = []
    for token in found:
        last = result[-1] if result else None
        beside = token.stem == "side" and last and last.stem in english.COUNTRY_SIDES and last.kind == "word"
        if beside and last:
            result[-1] = Token("word", english.UNSAID_SIDE, last.start, token.end)
        elif token.kind == "word" and token.stem in english.COUNTRY_SIDE_WORDS:
            result.append(token._replace(stem=english.UNSAID_SIDE))
        else:
            result.append(token)
    return result


def _value_of(token: Token) -> float | None:
    """The number a token is, in digits or as a word. "one" is mostly no number ("the wet one")."""
    if token.kind == "number":
        return float(token.stem)
    return float(token.stem) if token.stem.isdecimal() and token.stem != "1" else None


def _every(lexicon: Lexicon, found: Sequence[Token], i: int) -> list[_Span]:
    """ "a drip every ten seconds", "3 drops every 2 minutes": the unit with a number inside it."""
    number = _value_of(found[i])
    if not number or i + 1 == len(found) or i < 2 or found[i - 1].stem not in ("every", "per", "each", "in"):
        return []
    unit = i - 2
    while unit > 0 and found[unit].stem in english.SOFTENERS:
        unit -= 1
    keys = [(found[unit].stem, word, found[i + 1].stem) for word in ("every", "per", "a")]
    key = next((k for k in keys if k in lexicon.units), None)
    if key is None:
        return []
    counted = _value_of(found[unit - 1]) if unit > 0 else None
    start = unit if counted is None else unit - 1
    times = (1.0 if counted is None else counted) / number
    return [_Span(i + 2 - start + 1, Item("number", start, i + 2, key, (), times, lexicon.units[key]))]


def _one_of(lexicon: Lexicon, found: Sequence[Token], i: int) -> list[_Span]:
    """ "a drop every second": one of the unit that follows."""
    if found[i].stem not in english.ONE_OF:
        return []
    for length in range(_UNIT_LONGEST, 1, -1):
        key = tuple(t.stem for t in found[i + 1 : i + 1 + length])
        if key in lexicon.units:
            return [_Span(length + 1, Item("number", i, i + 1 + len(key), key, (), 1.0, lexicon.units[key]))]
    return []


def _number_spans(lexicon: Lexicon, found: Sequence[Token]) -> list[_Span]:
    spans = []
    for first, token in enumerate(found):
        number = _value_of(token)
        if number is None:
            spans += _one_of(lexicon, found, first)
            continue
        spans += _every(lexicon, found, first)
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


def items(
    lexicon: Lexicon, found: Sequence[Token], text: str, also: frozenset[str], before: frozenset[str] = frozenset()
) -> list[Item]:
    """The items of one sentence (no stops in `found`), in order, all tokens covered.

    A value that needs its finding named counts only if the sentence names it or `also` holds it; `before` are the
    findings that sentences before have named.
    """
    phrase_spans = _phrase_spans(lexicon, found, text, also)
    named = also | {
        sense.about for span in phrase_spans for sense in span.item.senses if sense.kind in ("name", "thing", "value")
    }
    followed = named | before | {lexicon.entry_of[s.about] for span in phrase_spans for s in span.item.senses
                                 if s.about in lexicon.entry_of}  # fmt: skip
    # "Fill tube loose, no leak": a place does not turn "no" into the answer about it.
    strictly = also | {s.about for span in phrase_spans for s in span.item.senses if s.kind in ("name", "value")}
    answers = english.YES | english.NO
    spans = [
        span
        for span in phrase_spans
        if _counts(span.item.senses, strictly if set(span.item.key) <= answers else named, followed)
    ]
    spans = _without_borrowed_heads(lexicon, spans) + _number_spans(lexicon, found)
    # In "rear of the transmission, back of the pan" the transmission begins no list.
    last_words = {s.item.end - 1 for s in phrase_spans if len(s.item.key) > 1 and s.item.has("zone")}
    for i, token in enumerate(found):
        if token.kind == "word" and token.stem not in english.DROPPED and i not in last_words:
            spans += _shared_ending(lexicon, found, i)
    spans += [more for span in phrase_spans for more in _shared_beginning(lexicon, found, span.item)]

    places = sorted((s.item for s in phrase_spans if s.item.has("zone")), key=lambda item: (item.end, len(item.key)))
    for i, token in enumerate(found):
        if token.stem in english.SIDES or token.stem == english.UNSAID_SIDE:
            spans += _same_thing(lexicon, found, i, places) + _set_apart(lexicon, found, i)

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
    return _without_between(result)


def _counts(senses: Sequence[Sense], named: frozenset[str], followed: frozenset[str]) -> bool:
    """Whether a phrase means something where these findings are named."""
    return any(
        sense.about in named if sense.kind == "bare" else sense.about in followed if sense.kind == "follow" else True
        for sense in senses
    )


def _without_between(found: list[Item]) -> list[Item]:
    """The items, those that "between A and B" only lies between taken for no places."""
    for at, item in enumerate(found):
        if item.key[:1] != ("between",) or item.kind == "phrase":
            continue
        near = range(at + 1, min(at + 1 + _BETWEEN_APART, len(found)))
        joint = next((k for k in near if found[k].kind == "and"), None)
        for k in range(at + 1, joint + 2 if joint is not None else at + 1):
            if k < len(found) and found[k].kind == "phrase":
                found[k] = found[k]._replace(kind="left", senses=())
    return found
