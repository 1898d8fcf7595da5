"""What somebody takes to be at fault: "it's the pan gasket", "I think the front pump seal has gone"."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from expert.phrases import english
from expert.phrases.lexicon import Lexicon
from expert.phrases.matching import Item
from expert.phrases.words import Token

_POINTING = english.IT | english.OPINIONS | english.SO_IT_SEEMS | english.BLAMING


def _blames(part: Sequence[Item], words: Sequence[str], item: Item, before: Sequence[str]) -> bool:
    """Whether the words round the part's name blame it."""
    if item.has("zone") or not item.has("part"):
        # The name of a place is a claim only where nothing is said to be seen there: "it's the modulator".
        seen = any(other.has("wetness") or other.kind in ("from", "at", "elsewhere") for other in part)
        return not seen and bool(before) and (before[0] in english.IT or bool(set(before) & english.OPINIONS))
    wet = any(s.value != "dry" for other in part for s in other.senses if s.kind == "wetness")
    return wet or bool(set(before) & _POINTING) or bool(set(words) & english.FAULTY)


def claimed(
    lexicon: Lexicon, part: Sequence[Item], found: Sequence[Token], used: Collection[int]
) -> Iterator[tuple[Item, tuple[str, ...]]]:
    """The names in a part that are blamed, each with the ids of the sources it may mean.

    What states a fact ("pan gasket replaced") blames nothing, nor does what is denied or found dry.
    """
    if any(item.kind in ("deny", "no") for item in part):
        return
    for item in part:
        sources = lexicon.claimed.get(item.key, ()) if item.kind == "phrase" else ()
        if not sources or item.start in used:
            continue
        before = [token.stem for token in found[part[0].start : item.start] if token.kind == "word"]
        words = [token.stem for token in found[part[0].start : part[-1].end] if token.kind == "word"]
        if _blames(part, words, item, before):
            yield item, sources
