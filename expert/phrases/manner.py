"""In what manner a part of a sentence says something: as a fact, a wish, a question, a doubt, or as not known."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from expert.phrases import english
from expert.phrases.matching import Item
from expert.phrases.words import Token

Manner = Literal["fact", "wish", "question", "doubt", "whether"]

WHY_NOT: dict[Manner, str] = {
    "question": "Taken as a question. If you saw it, say it outright.",
    "doubt": "Taken as uncertain, so it is not stated. If you are sure of it, say it outright.",
}
_SEEMING_REACH = 5


def _wished(part: Sequence[Item]) -> bool:
    """Whether a part tells what ought to be: "they want to replace the pan gasket", "should I change the modulator"."""
    small = [item for item in part if item.kind in ("filler", "left")]
    starts = bool(small) and small[0].key[0] in english.HYPOTHETICAL_FIRST and small[0].start == part[0].start
    return starts or any(item.key[0] in english.HYPOTHETICAL for item in small)


def _seems(part: Sequence[Item], stems: Sequence[str], first: int) -> bool:
    """ "looks like it comes from the vent" is a guess, "looks like strawberry milk" is a sight."""
    for at, stem in enumerate(stems[:-1]):
        if stem in english.SO_IT_SEEMS and stems[at + 1] == "like":
            near = [item for item in part if first + at + 2 <= item.start < first + at + 2 + _SEEMING_REACH]
            if stems[at + 2 : at + 3] and stems[at + 2] in english.IT:
                return True
            return any(item.has("zone") or item.kind in ("from", "at") for item in near)
    return False


def manner_of(part: Sequence[Item], found: Sequence[Token], asked: bool) -> Manner:
    """How `part`, a part of the sentence `found`, says what it says; `asked`: it may answer a question."""
    if not part:
        return "fact"
    if _wished(part):
        return "wish"
    first, end = part[0].start, part[-1].end
    stems = [token.stem for token in found[first:end]]
    for item in part:
        if item.has("unknown") and item.end < end and found[item.end].stem in english.WHETHER:
            return "whether"
    marked = end < len(found) and found[end].kind == "question"
    opening = next((s for token, s in zip(found[first:end], stems, strict=True) if token.kind == "word"), "")
    answer = found[end + 1].stem if end + 1 < len(found) else ""
    if marked and (opening in english.ASKING or answer in english.NO):
        return "question"
    phrases = {word for item in part if item.kind == "phrase" for word in item.key}
    doubts = english.UNCERTAIN if asked else english.UNCERTAIN | english.OPINIONS
    if any(stem in doubts and stem not in phrases for stem in stems) or _seems(part, stems, first):
        return "doubt"
    for phrase in english.UNCERTAIN_PHRASES:
        for at in range(len(stems) - len(phrase) + 1):
            if tuple(stems[at : at + len(phrase)]) == phrase and not set(phrase) <= phrases:
                return "doubt"
    return "fact"
