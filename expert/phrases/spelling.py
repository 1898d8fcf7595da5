"""Typing errors: a single clearly nearest word, or nothing; and the known phrases nearest to what was not read."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from rapidfuzz import fuzz, process
from rapidfuzz.distance import OSA

from expert.phrases import english
from expert.phrases.lexicon import Lexicon
from expert.phrases.words import Token, stem

_SHORTEST = 4
_LONG = 8
_VOWELS = frozenset("aeiouy")
_LONGEST = 24
_LEAST_LIKE = 80.0
_CLEARLY = 3.0
_PHRASE_LIKE = 68.0
# Bounds that keep the work linear in a text of any length.
_WORDS_MOST = 150
_PIECES_MOST = 6
_PIECE_LONGEST = 60


def _taken_for(word: str, known: Sequence[str], beside: Collection[str]) -> str | None:
    """The one known word that `word` may be a typing error of, or None.

    Of two that are as near, the one that phrases hold `beside` the words next to it ("flexible coopling").
    """
    close = process.extract(word, known, scorer=fuzz.ratio, score_cutoff=_LEAST_LIKE - 6, limit=8)
    # Exchanged letters count as one error, which the ratio does not know.
    ranked = sorted((OSA.distance(word, other), other not in beside, -score, other) for other, score, _ in close)
    if not ranked:
        return None
    errors, strange, minus_score, best = ranked[0]
    swapped = errors == 1 and len(best) == len(word) and sorted(best) == sorted(word)
    long = len(word) >= _LONG
    if not (swapped or (-minus_score >= _LEAST_LIKE and errors <= (2 if long else 1))):
        return None
    # A missing or added beginning makes another word ("unchanged"), and so do two errors in a middling one;
    # a first letter struck twice does not.
    if (best in word[1:] and word[0] != word[1]) or (errors == 2 and (len(best) <= _LONG or word[0] != best[0])):
        return None
    if not long and not swapped and not _slip(word, best):
        return None
    if len(ranked) > 1 and ranked[1][:2] == (errors, strange) and (swapped or ranked[1][2] - minus_score < _CLEARLY):
        return None
    return best


def _slip(word: str, other: str) -> bool:
    """Whether two short words differ as a slip of the finger makes them differ: not in the first letter, and
    by a vowel for a vowel or a letter too many or too few. Other pairs ("listed", "misted") are both words."""
    if word[0] != other[0] or len(word) != len(other):
        return word[0] == other[0] and word[-1] == other[-1]
    return all({a, b} <= _VOWELS for a, b in zip(word, other, strict=True) if a != b)


def correct(lexicon: Lexicon, found: Sequence[Token], text: str) -> tuple[list[Token], dict[str, str]]:
    """The tokens with typing errors taken for known words, and each typed word with the word it was taken for.

    Only words of four letters and more that nobody knows are touched; of these, each with the words beside it, at most
    150 in a text.
    """
    known: tuple[str, ...] | None = None
    settled: dict[tuple[str, str, str], str | None] = {}
    typed_as: dict[str, str] = {}
    corrected = []
    for i, token in enumerate(found):
        word = token.stem
        if (
            token.kind == "word"
            and _SHORTEST <= len(word) <= _LONGEST
            and word not in lexicon.surface
            and word not in english.PLAIN
        ):
            place = (found[i - 1].stem if i else "", word, found[i + 1].stem if i + 1 < len(found) else "")
            if place not in settled and len(settled) < _WORDS_MOST:
                known = known or tuple(w for w in lexicon.surface if len(w) >= _SHORTEST)
                near = lexicon.follows.get(place[0], frozenset()) | lexicon.precedes.get(place[2], frozenset())
                settled[place] = _taken_for(word, known, near)
            best = settled.get(place)
            if best is None and word[-1] == word[-2] and word[:-1] in lexicon.surface:
                best = word[:-1]  # "wett"
            if best:
                typed_as.setdefault(text[token.start : token.end], lexicon.surface[best])
                token = token._replace(stem=stem(best))
        corrected.append(token)
    return corrected, typed_as


def nearest(lexicon: Lexicon, pieces: Sequence[str]) -> dict[str, tuple[str, ...]]:
    """Up to three known phrases near to each piece, nearest first; none beyond the sixth piece."""
    found: dict[str, tuple[str, ...]] = dict.fromkeys(pieces, ())
    shown = list(lexicon.shown.values())
    for piece in list(found)[:_PIECES_MOST]:
        plain = " ".join(stem(word) for word in piece[:_PIECE_LONGEST].split())
        close = process.extract(plain, shown, scorer=fuzz.ratio, score_cutoff=_PHRASE_LIKE, limit=3)
        found[piece] = tuple(phrase for phrase, _, _ in close)
    return found
