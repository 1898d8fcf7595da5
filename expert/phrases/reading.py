"""Free words to facts. Pure: no clock, no files, no terminal; total over every text."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import dropwhile

from expert.facts import Fact
from expert.knowledge.base import Observable
from expert.phrases import answers
from expert.phrases.exceptions import with_exceptions
from expert.phrases.lexicon import Lexicon
from expert.phrases.matching import Item, items, with_unsaid_sides
from expert.phrases.parts import parts
from expert.phrases.sights import Statement, state
from expert.phrases.spelling import correct, nearest
from expert.phrases.words import Token, tokens

# "That one is dripping" points at what was named before.
_ONE = ("1",)


@dataclass(frozen=True)
class Reading:
    """What a text says.

    `facts` in the order stated, without those of `contradictions`; `unknown`: ids of what the person said they do
    not know; `stage` in force at the end; `not_understood`: pieces not used, as typed; `nearest`: known phrases
    near to each of them; `corrections`: (typed word, word taken for it); `contradictions`: pairs of different
    values of one thing in one stage, neither of which is in `facts`; `problems`: (piece, why it was not taken);
    `claims`: ids of the sources that somebody takes to be at fault, which is no sight; `uncertain`: what was said with
    "maybe" and the like or asked, and is therefore not in `facts`.
    """

    facts: tuple[Fact, ...] = ()
    unknown: tuple[str, ...] = ()
    stage: str = ""
    not_understood: tuple[str, ...] = ()
    nearest: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    corrections: tuple[tuple[str, str], ...] = ()
    contradictions: tuple[tuple[Fact, Fact], ...] = ()
    problems: tuple[tuple[str, str], ...] = ()
    claims: tuple[str, ...] = ()
    uncertain: tuple[Fact, ...] = ()


def _sentences(found: Sequence[Token]) -> Iterator[list[Token]]:
    sentence: list[Token] = []
    for token in found:
        if token.kind == "stop":
            if sentence:
                yield sentence
            sentence = []
        else:
            sentence.append(token)
    if sentence:
        yield sentence


def _pieces(
    text: str, found: Sequence[Token], read: Sequence[Item], used: set[int]
) -> Iterator[tuple[str, tuple[Item, ...]]]:
    """The stretches of a sentence that hold a content word and were not used, without small words at the ends.

    Each comes with its items.
    """
    held: list[Item] = []

    def piece() -> Iterator[tuple[str, tuple[Item, ...]]]:
        core = list(dropwhile(lambda item: item.kind in ("filler", "and", "but", "yes"), held))
        held.clear()
        while core and core[-1].kind in ("filler", "and", "but", "yes", "at", "from"):
            core.pop()
        if any(item.kind in ("phrase", "number", "left") and item.key != _ONE for item in core):
            yield text[found[core[0].start].start : found[core[-1].end - 1].end], tuple(core)

    for item in read:
        if item.start in used or item.kind in ("comma", "question"):
            yield from piece()
        else:
            held.append(item)
    yield from piece()


def _values_of_named(lexicon: Lexicon, piece: Sequence[Item]) -> tuple[str, ...]:
    """What may be said of the finding that a piece names, where that is a matter of choice."""
    named = [lexicon.observables[s.about] for item in piece for s in item.senses if s.kind == "name"]
    return next((finding.values for finding in named if finding.kind == "choice"), ())


def _places_of_part(lexicon: Lexicon, piece: Sequence[Item]) -> tuple[str, ...]:
    """Where a part, or one of several places of the same name, is seen: what may be said instead of its name."""
    seen = len(piece) == 1 or any(item.has("wetness") for item in piece)
    for item in piece:
        places = [lexicon.observables[s.about].name for s in item.senses if s.kind == "either"]
        if seen:
            places += [name for s in item.senses if s.kind == "part" for name in lexicon.part_places[s.about]]
        if places:
            return tuple(dict.fromkeys(places))
    return ()


def _contradictions(lexicon: Lexicon, facts: Sequence[Fact]) -> tuple[tuple[Fact, Fact], ...]:
    first: dict[tuple[str, str], Fact] = {}
    pairs: dict[tuple[Fact, Fact], None] = {}
    for fact in facts:
        if not lexicon.observables[fact.finding].many:
            other = first.setdefault(fact.key, fact)
            if other.value != fact.value:
                pairs[(other, fact)] = None
    return tuple(pairs)


def _restaged(
    lexicon: Lexicon, said: Statement, stage: str, read: Sequence[tuple[list[Token], list[Item], set[int]]]
) -> list[Fact]:
    """The facts, moved to the stage that the text names only at its end: "the hole is wet, cleaned and drove 5 miles".

    They stay where they are if anything was said to be seen in that stage already, or if the text itself
    names the stage they were seen in.
    """
    named = {s.about for _, items_read, _ in read for item in items_read for s in item.senses if s.kind == "stage"}
    if said.stage == stage or stage in named or any(fact.stage == said.stage for fact in said.facts):
        return said.facts
    return [fact._replace(stage=said.stage) if fact.stage == stage else fact for fact in said.facts]


def _named_by(lexicon: Lexicon, item: Item) -> set[str]:
    """The findings that a phrase names, by itself or with its first or last words ("fill tube wobbles")."""
    if item.kind != "phrase":
        return set()
    inner = {item.key[:n] for n in range(1, len(item.key))} | {item.key[n:] for n in range(1, len(item.key))}
    senses = [*item.senses, *(s for key in inner for s in lexicon.phrases.get(key, ()))]
    return {s.about for s in senses if s.kind in ("name", "thing")}


def understand(lexicon: Lexicon, text: str, stage: str, pending: Observable | None = None) -> Reading:
    """What `text` states, seen in `stage` until the text itself names another; `pending` is the question just asked.

    Nothing is guessed in silence: a word taken for another is in `corrections`, whatever was not used is in
    `not_understood`. Never raises.
    """
    typed = lexicon.canonical(tokens(text), text)
    answer = answers.short(lexicon, typed, text, pending) if pending else None
    if answer and pending:
        unknown = (pending.id,) if answer.unknown else ()
        facts = tuple(Fact(pending.id, value, stage if pending.staged else "") for value in answer.values)
        after = lexicon.entered_by.get((pending.id, str(answer.values[0]) if answer.values else ""), stage)
        return Reading(facts=facts, unknown=unknown, stage=after, problems=answer.problems)

    corrected, typing = correct(lexicon, tokens(text), text)
    corrected = with_unsaid_sides(lexicon.canonical(corrected, text), text)
    named: set[str] = set()
    sentences: list[tuple[list[Token], list[Item]]] = []
    read_sentences: list[tuple[list[Token], list[Item], set[int]]] = []
    also = frozenset({pending.id} if pending else ())
    for sentence in _sentences(corrected):
        read = with_exceptions(lexicon, items(lexicon, sentence, text, also, frozenset(named)))
        for item in read:
            named |= _named_by(lexicon, item)
        named |= {lexicon.entry_of[s.about] for i in read for s in i.senses if s.about in lexicon.entry_of}
        sentences.append((sentence, read))
    said = Statement(stage=stage, named=frozenset(named))
    for sentence, read in sentences:
        used: set[int] = set()
        for part in parts(lexicon, read, place_asked=pending is not None and pending.kind == "zone"):
            used |= state(lexicon, part, said, pending, sentence, text)
        read_sentences.append((sentence, read, used))

    facts = tuple(dict.fromkeys(_restaged(lexicon, said, stage, read_sentences)))
    contradictions = _contradictions(lexicon, facts)
    doubtful = {f.key for pair in contradictions for f in pair}
    # The name of anything stated has done its work, wherever it stands.
    known = {fact.finding for fact in facts} | set(said.unknown)
    left: dict[str, tuple[Item, ...]] = {}
    for sentence, read, used in read_sentences:
        used |= {item.start for item in read if any(s.kind == "name" and s.about in known for s in item.senses)}
        left.update(_pieces(text, sentence, read, used))
    staged = any(item.has("stage") for _, read, _ in read_sentences for item in read)
    if (
        pending
        and not (left or facts or said.unknown or said.problems or staged)
        and any(t.kind == "word" for t in typed)
    ):
        left = {" ".join(text.split()): ()}
    not_understood = tuple(left)
    close = nearest(lexicon, not_understood)
    close.update({piece: values for piece in left if (values := _values_of_named(lexicon, left[piece]))})
    close.update({piece: places for piece in left if (places := _places_of_part(lexicon, left[piece]))})
    close.update({piece: said.either[piece] for piece in not_understood if piece in said.either})
    return Reading(
        facts=tuple(f for f in facts if f.key not in doubtful),
        unknown=tuple(dict.fromkeys(u for u in said.unknown if all(f.finding != u for f in facts))),
        stage=said.stage,
        not_understood=not_understood,
        nearest=close,
        corrections=tuple(typing.items()),
        contradictions=contradictions,
        problems=tuple(dict.fromkeys(said.problems)),
        claims=tuple(dict.fromkeys(said.claims)),
        uncertain=tuple(dict.fromkeys(said.uncertain)),
    )
