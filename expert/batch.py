"""Many cases, one JSON object a line: each line to one object, whatever stands on it. Pure: lines in, objects out."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from functools import reduce
from typing import Any, NoReturn

from expert.consult import Consultant, FactsError
from expert.diagnosis import Chain
from expert.facts import Fact, canonical
from expert.jsonform import VERSION
from expert.knowledge.ground import Ruleset
from expert.phrases import Reading
from expert.reference import extend
from expert.trace import Trace

KEYS = ("id", "text", "facts", "layout", "stage")


def stepwise(ruleset: Ruleset) -> Chain:
    """A chainer that adds one fact after the other: equal to the engine, without a session of it for each case."""
    nothing = Trace(ruleset, frozenset(), frozenset(), frozenset())

    def chain(facts: Iterable[Fact]) -> Trace:
        return reduce(extend, sorted(set(facts), key=canonical), nothing)

    return chain


def answer(consultant: Callable[[str | None], Consultant], line: str, number: int, longest: int) -> dict[str, Any]:
    """The result of one line, or an object with `error`; `number` is the line's, `longest` the most characters of text.

    `consultant` gives the expert for a layout's id (None: the default one) and raises FactsError for an unknown one.
    """
    case: Mapping[str, Any] = {}
    try:
        case = _case(line)
        return {**_labels(case, number), **_concluded(consultant, case, longest)}
    except FactsError as error:
        return failure(str(error), number, case)


def failure(error: str, number: int, case: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """The object of a line that could not be used."""
    return {**_labels(case or {}, number), "version": VERSION, "error": error}


def _labels(case: Mapping[str, Any], number: int) -> dict[str, Any]:
    given = case.get("id")
    return {"line": number, "id": given if isinstance(given, str | int) and not isinstance(given, bool) else None}


def _concluded(consultant: Callable[[str | None], Consultant], case: Mapping[str, Any], longest: int) -> dict[str, Any]:
    strange = [key for key in case if key not in KEYS]
    if strange:
        raise FactsError(f"A case has no key {strange[0]!a}. Allowed: {', '.join(KEYS)}.")
    for key in ("text", "layout", "stage"):
        if not isinstance(case.get(key), str | None):
            raise FactsError(f"{key!r} is a text.")
    if _labels(case, 0)["id"] != case.get("id"):
        raise FactsError("'id' is a text or a whole number.")
    if "text" not in case and "facts" not in case:
        raise FactsError("A case has 'text', 'facts' or both.")
    text = case.get("text") or ""
    if len(text) > longest:
        raise FactsError(f"The text has {len(text)} characters; at most {longest} are read.")
    expert, stage = consultant(case.get("layout")), case.get("stage")
    given = expert.facts_of(case["facts"], stage) if case.get("facts") is not None else ()
    reading = expert.read(text, stage) if text else Reading(stage=expert.stage(stage))
    return expert.as_object(expert.conclude(expert.stated(reading, stage, given), ahead=False), ahead=False)


def _case(line: str) -> Mapping[str, Any]:
    """The object on a line. FactsError if it is none."""
    try:
        found = json.loads(line, parse_constant=_no_number, object_pairs_hook=_once)
    except FactsError:
        raise
    except RecursionError:
        raise FactsError("This is no case: it is nested too deeply.") from None
    except ValueError as error:
        what = error.msg if isinstance(error, json.JSONDecodeError) else "a number is too long"
        at = f" at character {error.pos + 1}" if isinstance(error, json.JSONDecodeError) else ""
        raise FactsError(f"This is no JSON: {what}{at}.") from None
    if not isinstance(found, Mapping):
        raise FactsError(f"A case is a JSON object with some of: {', '.join(KEYS)}.")
    if any(0xD800 <= ord(letter) <= 0xDFFF for letter in json.dumps(found, ensure_ascii=False)):
        raise FactsError("A text in it is not UTF-8 (half of a surrogate pair).")
    return found


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise FactsError("A key stands twice in one object.")
    return found


def _no_number(word: str) -> NoReturn:
    raise FactsError(f"{word} is no JSON number.")
