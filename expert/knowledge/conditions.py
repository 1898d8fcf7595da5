"""One condition of a rule, parsed: which values of which finding satisfy it."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from operator import ge, gt, le, lt

from expert.facts import Scalar
from expert.knowledge.base import Observable
from expert.knowledge.problems import advice

COMPARE: Mapping[str, Callable[[float, float], bool]] = {">": gt, ">=": ge, "<": lt, "<=": le}
OPPOSITE = {">": "<=", ">=": "<", "<": ">=", "<=": ">"}
_COMPARISON = re.compile(r"^(>=|<=|>|<)\s*(-?\d{1,9}(?:\.\d{1,6})?)$")


class BadCondition(Exception):
    """A condition that cannot be understood: what is wrong, and what is allowed."""

    def __init__(self, what: str, allowed: str) -> None:
        self.what, self.allowed = what, allowed
        super().__init__(f"{what}; {allowed}")


@dataclass(frozen=True, slots=True)
class Test:
    """Satisfied by a fact of `finding` in `stage` whose value is one of `values`, or compares so with `number`."""

    finding: str
    stage: str
    values: frozenset[str] = frozenset()
    op: str = ""
    number: float = math.nan

    def holds(self, value: Scalar) -> bool:
        """Does this value of the finding satisfy the test? Words never satisfy a comparison, nor numbers a word."""
        if self.op:
            return isinstance(value, float) and COMPARE[self.op](value, self.number)
        return value in self.values


def parse(observable: Observable, wanted: str | list[str], stage: str, negated: bool = False) -> Test:
    """The test of a written condition. Raises BadCondition for a value the finding cannot have."""
    words = [wanted] if isinstance(wanted, str) else wanted
    if observable.kind == "number":
        return _comparison(observable, words, stage, negated)
    for word in words:
        if word not in observable.values:
            raise BadCondition(f"{observable.id!r} has no value {word!r}", advice(word, observable.values))
    values = frozenset(words)
    return Test(observable.id, stage, frozenset(observable.values) - values if negated else values)


def _comparison(observable: Observable, words: list[str], stage: str, negated: bool) -> Test:
    match = _COMPARISON.match(words[0].strip()) if len(words) == 1 else None
    if match is None:
        raise BadCondition(
            f"{observable.id!r} is a number and {', '.join(words)!r} is no comparison",
            'allowed: one comparison such as "> 5" or "<= 0.5" (at most nine digits before and six behind the point)',
        )
    op, number = match[1], float(match[2])
    return Test(observable.id, stage, op=OPPOSITE[op] if negated else op, number=number)
