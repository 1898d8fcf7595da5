"""One vehicle's case as immutable data: what was said, what is being asked, and how it got here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from expert.facts import Fact

# What may wait beside a question about a finding: whether anything else is wet, and where.
ELSE, WHERE = "else", "where"


@dataclass(frozen=True)
class Conflict:
    """A new fact that contradicts an earlier one of the same finding and stage; the user must pick."""

    old: Fact
    new: Fact


@dataclass(frozen=True)
class Case:
    """The state of a conversation.

    `facts` in the order stated; `closed` are the (finding, stage) pairs left unknown; `asked` is the
    question waiting, with the values its numbers stand for; `counts` says how many questions each phase has
    asked; `cautioned` and `told` keep cautions and advice from being repeated; `before` is the case as it
    was before the last input that changed it. `doubt` is ELSE or WHERE while one of these is asked, and `vouched`
    holds the sets of sources of which it was answered. `confirmed` are the sources that the repair proved, in the
    layout's order: they close the case, and `held` is the case as it was then.
    """

    layout: str
    stage: str
    facts: tuple[Fact, ...] = ()
    closed: frozenset[tuple[str, str]] = frozenset()
    asked: tuple[str, str] | None = None
    choices: tuple[str, ...] = ()
    counts: Mapping[str, int] = field(default_factory=dict)
    cautioned: frozenset[str] = frozenset()
    told: frozenset[str] = frozenset()
    conflicts: tuple[Conflict, ...] = ()
    doubt: str = ""
    vouched: frozenset[tuple[str, ...]] = frozenset()
    confirmed: tuple[str, ...] = ()
    held: Case | None = None
    before: Case | None = None

    def stating(self, *facts: Fact) -> Case:
        """The case with more facts (those it has already are not repeated)."""
        new = tuple(fact for fact in dict.fromkeys(facts) if fact not in self.facts)
        opened = self.closed - {fact.key for fact in new}
        return replace(self, facts=(*self.facts, *new), closed=opened)

    def without(self, *facts: Fact) -> Case:
        """The case as if these facts had never been said."""
        return replace(self, facts=tuple(fact for fact in self.facts if fact not in facts))


@dataclass(frozen=True)
class Message:
    """Something to show: `kind` is question, note, caution, conclusion, error, info, or bye."""

    kind: str
    text: str
