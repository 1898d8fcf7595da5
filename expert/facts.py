"""A fact: one finding with its value, and the stage of the inspection in which it was seen."""

from __future__ import annotations

from typing import NamedTuple

Scalar = str | float


class Fact(NamedTuple):
    """A finding's value. `stage` is a stage id for staged findings and zones, and "" for all others.

    A number's value is a float in the finding's own unit; every other value is one of its words.
    """

    finding: str
    value: Scalar
    stage: str = ""

    @property
    def key(self) -> tuple[str, str]:
        """What the fact is about: its finding, in its stage."""
        return self.finding, self.stage


def canonical(fact: Fact) -> tuple[str, str, str]:
    """A total order over facts, the same on every machine (numbers and words never meet in one finding)."""
    shown = f"{fact.value:024.9f}" if isinstance(fact.value, float) else fact.value
    return (fact.finding, fact.stage, shown)
