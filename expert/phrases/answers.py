"""The shortest answers to the question just asked: a number from the list, a value, its first letters, "?"."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from expert.facts import Scalar
from expert.knowledge.base import Observable
from expert.phrases import english
from expert.phrases.lexicon import Lexicon, Sense, key_of
from expert.phrases.words import Token

_LISTING = frozenset({"number", "option", "answer", "and"})


@dataclass(frozen=True)
class Answer:
    """The values given (several only where several may hold), or that it is not known, or why it was not taken."""

    values: tuple[Scalar, ...] = ()
    unknown: bool = False
    problems: tuple[tuple[str, str], ...] = ()


def in_range(finding: Observable, number: float) -> str:
    """Why `number`, in the finding's own unit, cannot be its value; "" if it can."""
    least = finding.least if finding.least is not None else float("-inf")
    most = finding.most if finding.most is not None else float("inf")
    if least <= number <= most:
        return ""
    if finding.least is not None and finding.most is not None:
        return f"the {finding.name} lies between {finding.least:g} and {finding.most:g} {finding.unit}".strip()
    bound = f"at least {finding.least:g}" if finding.least is not None else f"at most {finding.most:g}"
    return f"the {finding.name} is {bound} {finding.unit}".strip()


def _picked(found: Sequence[Token], text: str, pending: Observable) -> Answer | None:
    """Numbers out of the list of values."""
    words = [t for t in found if t.kind == "number" or t.kind == "word"]
    if any(not t.stem.isdecimal() and t.kind == "word" and t.stem not in _LISTING for t in words):
        return None
    numbers = [t for t in words if t.kind == "number" or t.stem.isdecimal()]
    if not numbers or (len(numbers) > 1 and not pending.many):
        return None
    if all(t.stem.isdecimal() and 1 <= int(t.stem) <= len(pending.values) for t in numbers):
        return Answer(tuple(dict.fromkeys(pending.values[int(t.stem) - 1] for t in numbers)))
    return Answer(problems=((text.strip(), f"choose a number from 1 to {len(pending.values)}"),))


def _yes_no(words: Sequence[str], pending: Observable) -> Answer | None:
    small = english.FILLERS | english.DROPPED | english.NEGATIONS
    if not words or any(w not in small for w in words[1:]):
        return None
    if words[0] in english.YES and "yes" in pending.values and not set(words[1:]) & english.NEGATIONS:
        return Answer(("yes",))
    if words[0] in english.NO or (words[0] in english.NEGATIONS and len(words) <= 3):
        if "no" in pending.values:
            return Answer(("no",))
        if "none" in pending.values:
            return Answer(("none",))
    if "no" in pending.values and any(w in english.NEGATIONS for w in words) and words[0] in small:
        return Answer(("no",))
    return None


def short(lexicon: Lexicon, found: Sequence[Token], text: str, pending: Observable) -> Answer | None:
    """The answer if the whole text is one of the short forms, else None."""
    words = [t for t in found if t.kind in ("word", "number")]
    stems = [t.stem for t in words]
    if not words:
        return Answer(unknown=True) if any(t.kind == "question" for t in found) else None
    key = key_of(" ".join(stems))
    if Sense("unknown", "") in lexicon.phrases.get(key, ()):
        return Answer(unknown=True)
    if pending.kind == "number":
        return None
    exact = [
        value
        for value in pending.values
        if key and any(key == lexicon.key(phrase) for phrase in (value, *pending.value_words[value]))
    ]
    # "1" is the first of the list; "one" may be a value's own name.
    if len(exact) == 1 and any(t.kind == "word" for t in words):
        return Answer((exact[0],))
    if picked := _picked(found, text, pending):
        return picked
    if answer := _yes_no(stems, pending):
        return answer
    if len(words) == 1 and not exact and not any(t.kind == "number" for t in words):
        typed = text[words[0].start : words[0].end].lower()
        begun = [v for v in pending.values if v.startswith(typed)]
        begun = begun or [
            v for v in pending.values if any(phrase.startswith(typed) for phrase in pending.value_words[v])
        ]
        if len(begun) == 1:
            return Answer((begun[0],))
    return None
