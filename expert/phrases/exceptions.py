""" "All dry except the fill tube": what is excepted from what is said of everything."""

from __future__ import annotations

from collections.abc import Sequence

from expert.phrases import english
from expert.phrases.lexicon import Lexicon, Sense
from expert.phrases.matching import Item

_REACH = 8
_MARKS = ("comma", "and", "but", "question")
_OPPOSITE = {"dry": "wet", "damp": "dry", "wet": "dry"}


def _excepting(found: Sequence[Item], at: int) -> int:
    """How many items from `at` on say "except", 0 if none."""
    word = found[at].key[:1]
    if word and word[0] in english.EXCEPT | {"but"} and found[at].kind != "phrase":
        return 1
    words = tuple(item.key[0] if len(item.key) == 1 else "" for item in found[at : at + 2])
    return 2 if words in english.EXCEPT_PHRASES else 0


def _wetness(lexicon: Lexicon, item: Item) -> str:
    """The wetness an item says, be it inside a longer phrase ("everything dry")."""
    inside = item.senses if not item.has("value") or not set(item.key) & english.EVERYTHING else ()
    words = [] if inside else [lexicon.phrases.get((word,), ()) for word in item.key]
    return next((s.value for senses in (inside, *words) for s in senses if s.kind == "wetness"), "")


def _said_of_all(lexicon: Lexicon, found: Sequence[Item], at: int) -> str:
    """The wetness that the words before `at` give to everything, "" if they do not."""
    wetness, whole, denied = "", False, False
    for item in reversed(found[max(0, at - _REACH) : at]):
        if item.kind in _MARKS:
            break
        own = _wetness(lexicon, item)
        if item.has("zone") or (item.has("value") and not own):
            return ""
        whole = whole or bool(set(item.key) & english.EVERYTHING)
        denied = denied or item.kind in ("deny", "no")
        if own and not (wetness and own == "dry"):
            # "nothing wet" is dry, as "nothing" alone.
            wetness = "dry" if item.key[0] in english.NEGATIONS else wetness or own
        elif own:
            wetness = "dry"
    if not whole or not wetness:
        return ""
    return ("dry" if wetness != "dry" else "") if denied else wetness


def with_exceptions(lexicon: Lexicon, found: list[Item]) -> list[Item]:
    """The items of a sentence, "except" made the opposite wetness where everything was said to have one."""
    result: list[Item] = []
    at = 0
    while at < len(found):
        taken = _excepting(found, at)
        wetness = _said_of_all(lexicon, found, at) if taken else ""
        if not wetness:
            result.append(found[at])
            at += 1
            continue
        first = next((k for k in range(len(result), 0, -1) if result[k - 1].kind in _MARKS), 0)
        for k in range(max(first, len(result) - _REACH), len(result)):
            # "Everything dry" does not hold as it stands; what it says is in the exception.
            result[k] = result[k]._replace(kind="filler", senses=())
        start, end = found[at].start, found[at + taken - 1].end
        result.append(Item("comma", start, start, (",",)))
        following = found[at + taken : at + taken + _REACH]
        marks = [k for k, item in enumerate(following) if item.kind in ("comma", "but", "question")]
        own = any(item.has("wetness") for item in following[: marks[0] if marks else None])
        senses = () if own else (Sense("wetness", "", _OPPOSITE[wetness]),)
        result.append(Item("filler" if own else "phrase", start, end, ("except",), senses))
        at += taken
    return result
