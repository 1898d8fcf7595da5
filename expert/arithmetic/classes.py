"""The classes of leaks and what each means for driving on, by the tables of rules/arithmetic/classes.yaml."""

from __future__ import annotations

from dataclasses import dataclass

from expert.arithmetic.shapes import Classes, Fluid


@dataclass(frozen=True)
class Judgement:
    """A leak's class, what makes it one, and what follows for driving on."""

    name: str
    means: str
    verdict: str
    says: str
    basis: str


def judge(table: Classes, sign: str, level: str, moment: str, fluid: Fluid) -> Judgement:
    """The class of a leak with this sign, and the first advice whose conditions hold.

    Sign, level and moment are words of the table. A fluid with `stop` ends the drive whatever the class.
    """
    seen = next(entry for entry in table.signs if entry.sign == sign)
    found = next(
        entry
        for entry in table.advice
        if (not entry.signs or sign in entry.signs)
        and (not entry.levels or level in entry.levels)
        and (not entry.moments or moment in entry.moments)
        and (entry.stops is None or entry.stops == bool(fluid.stop))
    )
    says = f"{fluid.stop} {found.says}" if found.stops and fluid.stop else found.says
    return Judgement(seen.class_, seen.means, found.verdict, says, found.basis)
