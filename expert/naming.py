"""What a person calls a thing: a name, nearly a name, or a list of names of sources, taken for what is meant."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from rapidfuzz import fuzz, process

from expert.knowledge.base import Machine

NEAR_ENOUGH = 75  # rapidfuzz score above which one name is taken for another; 'banana' and 'banjo' have 60
SLIP = 84  # share of letters (in %) that a name with typing errors still has in common with the right one
SUGGESTED = 4
# What stands between the names of a list; some names hold such a word or comma themselves.
_AGAINST = ("and", "with", "to", "or", "against", "versus", "vs", "&", "+")
_BETWEEN = re.compile(r"\s*(?:[,;&+]|\band\b|\bplus\b)\s*")


@dataclass(frozen=True)
class Named:
    """The sources that a text names, in the layout's order; and each piece that names none, or not one alone.

    Each unclear piece comes with the sources it may mean (all of them, if `alike`, else just near it).
    """

    sources: tuple[str, ...]
    unclear: tuple[Unclear, ...] = ()


@dataclass(frozen=True)
class Unclear:
    """A piece of a text that does not name one source: what it may mean, and whether it means each as well."""

    piece: str
    candidates: tuple[str, ...]
    alike: bool


def plain(words: str) -> str:
    """A name as a person says it, without its article."""
    return words.casefold().removeprefix("the ").removeprefix("a ").strip()


def known_as(words: str, names: Iterable[str]) -> str | None:
    """The one of these names (all lower-case) that a person means; None if nothing is near."""
    names = list(names)
    wanted = plain(words)
    if wanted in names:
        return wanted
    near = process.extractOne(wanted, names, score_cutoff=NEAR_ENOUGH)
    return near[0] if near else None


def sources_named(machine: Machine, text: str) -> Named:
    """The sources that a list such as 'pan gasket, output seal and front pump seal' names.

    Stricter than `known_as`, for what is named here is kept: a name, words that one source's names alone hold, a
    name with a typing error, or a name with more said round it. Nothing else is guessed.
    """
    names = _names(machine)
    wet = {
        word for phrases in machine.base.scale.wetness_words.values() for phrase in phrases for word in phrase.split()
    }
    found: dict[str, None] = {}
    unclear = []
    for piece in _pieces(text, names):
        meant = _meant(piece, names, wet)
        if isinstance(meant, str):
            found[meant] = None
        else:
            unclear.append(meant)
    return Named(tuple(source for source in machine.sources if source in found), tuple(unclear))


def two_named(machine: Machine, text: str) -> tuple[str, str] | None:
    """The two sources that a comparison names, in the order named; None if there are not just two.

    What stands between them may be any word that compares or joins, or nothing where each side is a name by itself.
    """
    words = text.split()
    found: set[tuple[str, str]] = set()
    for at in range(1, len(words)):
        joining = words[at].rstrip(".,") in _AGAINST
        sides = (" ".join(words[:at]).rstrip(",;"), " ".join(words[at + joining :]))
        names = [sources_named(machine, side) for side in sides if side]
        if len(names) == 2 and all(len(each.sources) == 1 and not each.unclear for each in names):
            pair = (names[0].sources[0], names[1].sources[0])
            if joining and pair[0] != pair[1]:
                return pair
            found.add(pair)
    found = {pair for pair in found if pair[0] != pair[1]}
    return found.pop() if len(found) == 1 else None


def _names(machine: Machine) -> dict[str, tuple[str, ...]]:
    """Every name of a source (lower-case) with the sources that have it."""
    found: dict[str, dict[str, None]] = defaultdict(dict)
    for source, entry in machine.sources.items():
        for name in (source, source.replace("-", " "), entry.name, *entry.words):
            found[name.casefold()][source] = None
    return {name: tuple(sources) for name, sources in found.items()}


def _pieces(text: str, names: Mapping[str, object]) -> Sequence[str]:
    """The list taken apart, but not where a name itself holds a comma or an `and`; the longest name first."""
    text = text.strip()
    cuts = [match.span() for match in _BETWEEN.finditer(text)]
    starts = [0, *(end for _, end in cuts)]
    ends = [*(start for start, _ in cuts), len(text)]
    pieces = []
    at = 0
    while at < len(starts):
        last = next(
            (to for to in reversed(range(at + 1, len(ends))) if _spelt(plain(text[starts[at] : ends[to]]), names)), at
        )
        pieces.append(plain(text[starts[at] : ends[last]]))
        at = last + 1
    return [piece for piece in pieces if piece]


def _spelt(piece: str, names: Iterable[str]) -> bool:
    """Is this a name, or one with a typing error?"""
    return piece in names or any(fuzz.ratio(piece, name) >= SLIP for name in _as_long(piece, names))


def _as_long(piece: str, names: Iterable[str]) -> list[str]:
    """The names of as many words: a word left out is no typing error, for it may be the one that tells two apart."""
    return [name for name in names if len(name.split()) == len(piece.split())]


def _meant(piece: str, names: Mapping[str, tuple[str, ...]], wet: Collection[str]) -> str | Unclear:
    """The source that a piece of a list names, or what it may mean; `wet` are the words of wetness."""
    exact = names.get(piece) or _run_together(piece, names) or _in_part(piece, names)
    alike = dict.fromkeys(exact or _misspelt(piece, names) or _within(piece, names, wet))
    if len(alike) == 1:
        return next(iter(alike))
    if alike:
        return Unclear(piece, tuple(alike), True)
    near = process.extract(piece, list(names), limit=2 * SUGGESTED, score_cutoff=NEAR_ENOUGH)
    return Unclear(piece, tuple(dict.fromkeys(s for name, _, _ in near for s in names[name]))[:SUGGESTED], False)


def _run_together(piece: str, names: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
    """The sources of a name that differs by blanks and dashes only: 'oilpan gasket'."""

    def squeezed(words: str) -> str:
        return words.replace(" ", "").replace("-", "")

    return tuple(s for name, sources in names.items() if squeezed(name) == squeezed(piece) for s in sources)


def _misspelt(piece: str, names: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
    """The sources of the name (of those equally like, all) that this is with a typing error."""
    like = process.extract(piece, _as_long(piece, names), scorer=fuzz.ratio, limit=None, score_cutoff=SLIP)
    return tuple(s for name, score, _ in like if score == like[0][1] for s in names[name])


def _in_part(piece: str, names: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
    """The sources with a name that holds all of these words: 'fill tube' of 'fill tube O-ring'."""
    words = set(piece.split())
    return tuple(s for name, sources in names.items() if words <= set(name.split()) for s in sources)


def _within(piece: str, names: Mapping[str, tuple[str, ...]], wet: Collection[str]) -> tuple[str, ...]:
    """The sources of the longest name that is said here among other words: 'the pan gasket was leaking'.

    Other words that names of sources are made of may mean another source: 'rear' before what is a front one.
    """
    said = f" {piece} "
    inside = sorted((name for name in names if f" {name} " in said), key=lambda name: (-len(name), name))
    telling = {word for name in names for word in name.split()}.difference(wet)
    if not inside or telling & set(said.replace(f" {inside[0]} ", " ").split()):
        return ()
    return names[inside[0]]
