"""Items to parts: the stretches of a sentence within which places and what is said of them belong together."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from expert.phrases.lexicon import Lexicon
from expert.phrases.matching import Item

# A list of more parts than this is cut, which keeps the work linear in the text.
_PARTS_MOST = 24
_MARKS = ("comma", "question", "and", "but")


class _Features(NamedTuple):
    """What a part has. `closed`: it says something by itself. `only_list`: places or bare values, nothing else."""

    zones: bool
    wet: bool
    zone_first: bool
    names: frozenset[str]
    values_of: frozenset[str]
    closed: bool
    only_list: bool
    only_names: bool
    only_unknown: bool
    bare_of: frozenset[str]


def _about(found: Sequence[Item], *kinds: str) -> frozenset[str]:
    return frozenset(s.about for item in found for s in item.senses if s.kind in kinds)


def _features(lexicon: Lexicon, part: Sequence[Item]) -> _Features:
    phrases = [item for item in part if item.kind in ("phrase", "number")]
    kinds = {item.kind for item in part}
    zones = [item for item in phrases if item.has("zone")]
    wet = [item for item in phrases if item.has("wetness")]
    names = _about(phrases, "name")
    values_of = _about(phrases, "value")
    bare_of = _about(phrases, "bare")
    zone_kinds = any(lexicon.observables[n].kind == "zone" for n in names)
    number = any(item.kind == "number" and (item.units or names) for item in phrases)
    evidence = bool(wet) or "from" in kinds or "at" in kinds or "deny" in kinds or "fine" in kinds
    said_of_zone = bool(zones) and (evidence or zone_kinds or bool(values_of & lexicon.tells_fluid))
    said_of_name = bool(names & (bare_of | values_of)) or (bool(names) and bool(kinds & {"yes", "no", "deny"}))
    known_not = any(item.has("unknown") for item in phrases)
    plain = bool(phrases) and not kinds & {"left", "deny", "from", "at", "elsewhere", "fine", "number", "look"}
    listed = all(item.has("zone") or (item.has("bare") and not item.has("wetness")) for item in phrases)
    return _Features(
        zones=bool(zones),
        wet=bool(wet) or "fine" in kinds,
        zone_first=bool(zones) and (not wet or zones[0].start < wet[0].start),
        names=names,
        values_of=values_of,
        closed=said_of_zone
        or said_of_name
        or bool(values_of)
        or number
        or (known_not and bool(zones or names))
        or any(item.has("stage") for item in phrases),
        only_list=plain and listed,
        only_names=plain and all(item.has("name") for item in phrases),
        only_unknown=known_not and len(phrases) == 1,
        bare_of=bare_of,
    )


def _many(lexicon: Lexicon, part: _Features) -> frozenset[str]:
    """The findings a part is about of which several values may hold."""
    return frozenset(n for n in part.names | part.values_of if lexicon.observables[n].many)


def _belong(lexicon: Lexicon, mark: str, left: _Features, right: _Features) -> bool:
    """Whether two neighbouring parts say one thing together."""
    # "losing coolant and engine oil", "replaced the pan gasket, modulator".
    goes_on = right.only_list and bool((right.bare_of | right.values_of) & _many(lexicon, left))
    if mark in ("and", "but"):
        if left.wet and not left.zones and right.zone_first and right.wet:
            return False
        # "oil at the pan and I can't tell where it comes from" does not say that the pan was not seen.
        if right.only_unknown and left.closed:
            return False
        return goes_on or not (left.closed and right.closed)
    if right.only_unknown and not left.closed and (left.names or left.zones):
        return True
    if left.only_names and not left.zones:
        answered = left.names & (right.bare_of | right.values_of)
        return bool(answered) or not (right.zones or right.names or right.values_of)
    if left.only_list and not left.closed:
        # "modulator, selector shaft and fill tube all dry"; "modulator, dry"; "pan gasket, modulator replaced".
        listed = left.zones and right.wet and (right.zone_first or not right.zones)
        open_list = right.only_list and not right.closed
        return listed or open_list or bool(left.bare_of & (right.names | _many(lexicon, right)))
    # "leaks at the modulator, selector shaft".
    return goes_on or (right.only_list and left.closed and left.zones and right.zones and not left.zone_first)


def parts(lexicon: Lexicon, sentence: Sequence[Item], place_asked: bool = False) -> list[list[Item]]:
    """The parts of one sentence, in order; what joins the members of a list stays inside.

    `place_asked`: the question just asked wants a place, so that a place alone is an answer and no open list.
    """
    pieces: list[list[Item]] = [[]]
    for item in sentence:
        if item.kind in _MARKS:
            pieces.append([item])
        else:
            pieces[-1].append(item)
    joined: list[list[Item]] = []
    held: list[list[Item]] = []
    right: _Features | None = None

    def close() -> None:
        if held:
            joined.append([item for piece in reversed(held) for item in piece])
            held.clear()

    # From the right, so that places without a word of their own go with what follows them.
    for piece in reversed(pieces):
        left = _features(lexicon, piece)
        if place_asked and left.only_list and left.zones:
            left = left._replace(closed=True)
        mark = held[-1][0].kind if held and held[-1] and held[-1][0].kind in _MARKS else ""
        together = right is not None and len(held) < _PARTS_MOST and (not mark or _belong(lexicon, mark, left, right))
        if not together:
            close()
        held.append(piece)
        right = _features(lexicon, [i for piece in reversed(held) for i in piece]) if len(held) > 1 else left
    close()
    return joined[::-1]
