"""Is anything wet that the sources found do not explain? The last question before a case is taken to be settled.

Several leaks at once are normal, and a set of sources may stand out though nobody has looked beside it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from expert.belief import Belief
from expert.case import ELSE, WHERE
from expert.facts import Fact
from expert.knowledge.base import WETNESS_KIND, Machine, Observable
from expert.knowledge.model import WETNESS
from expert.phrases import answers
from expert.phrases.lexicon import Lexicon
from expert.phrases.words import tokens
from expert.wording import WIDTH, fact_words, joined, source_name, wrap

YES, NO = "yes", "no"
CHOICES = (YES, NO)
_MEANS = {YES: "another place is wet as well", NO: "nothing else is wet"}
_WHERE = "Where is it wet? Name each such place; say damp where it is only damp."
WHY = (
    "Fluid runs down and is blown back. A place that is freshly wet, and that fluid from the source found could not "
    "have got to, has a leak of its own; several leaks at once are normal, and the second is what brings the vehicle "
    "back after the repair."
)
HOW = (
    "Look once more all round, from the top down and from the front back, with a good light and a clean white towel. "
    "Leave out whatever lies below or behind the place that was found, and what was only wet before cleaning."
)
_CHOICE = Observable(
    id="", name="", kind="choice", values=CHOICES,
    value_words={YES: (), NO: ("nothing else", "nothing more", "nowhere else", "that is all")},
    value_means={}, usual={}, words=(), trust={}, staged=False, many=False, phase="", only_stage="", ask="", how="",
    where="", minutes=1, tools=(), cautions=(), needs={},
)  # fmt: skip


def places(machine: Machine, sources: Iterable[str]) -> tuple[str, ...]:
    """Where these sources first show on the outside."""
    return tuple(dict.fromkeys(zone for source in sources for zone in machine.first_seen[source]))


def else_text(machine: Machine, sources: Sequence[str], unexplained: Sequence[Fact], width: int = WIDTH) -> str:
    """The question whether these sources explain all that is wet; `unexplained` is wet and they do not."""
    names = joined(source_name(machine, source) for source in sources)
    seen = [machine.zones[zone].name for zone in places(machine, sources)]
    does, do_not = ("Do", "They do not") if len(sources) > 1 else ("Does", "It does not")
    left = f"{do_not} explain {joined(fact_words(machine, fact) for fact in unexplained)}. " if unexplained else ""
    origin = f"the {joined(seen)}" if seen else "it"
    other = "Is that, or any other place," if unexplained else "Is any other place"
    text = (
        f"{does} {names} explain all that is wet? {left}{other} freshly wet that does not lie below or behind "
        f"{origin}, so that fluid cannot have run down or been blown there from what was found?"
    )
    return "\n".join((wrap(text, width), *_listed([f"{choice} - {_MEANS[choice]}" for choice in CHOICES], width)))


def where_text(machine: Machine, offered: Sequence[str], width: int = WIDTH) -> str:
    """The question where else it is wet, with the places offered."""
    rest = wrap("or name another place in your own words", width, "  ")
    return "\n".join((wrap(_WHERE, width), *_listed([machine.zones[zone].name for zone in offered], width), rest))


def _listed(words: Iterable[str], width: int) -> list[str]:
    return [wrap(text, width, f"  {at:>2}  ") for at, text in enumerate(words, start=1)]


def offered(
    machine: Machine, belief: Belief, facts: Iterable[Fact], stage: str, blamed: Collection[str], most: int
) -> tuple[str, ...]:
    """Places to offer: not said to be wet or damp in this stage, nor where fluid from `blamed` gets to.

    Those where the likeliest other sources first show come first, ties by name.
    """
    known = {fact.finding for fact in facts if fact.stage == stage and fact.value in WETNESS[1:]}
    reached = {zone for place in blamed for zone in machine.reach[place]}
    chance = {o.id: 0.0 for o in machine.observables.values() if o.kind == WETNESS_KIND}
    for zone in known | reached:
        chance.pop(zone, None)
    for source, leaks in belief.marginals.items():
        for zone in machine.first_seen[source]:
            if zone in chance:
                chance[zone] += leaks / len(machine.first_seen[source])
    return tuple(sorted(chance, key=lambda zone: (-round(chance[zone], 9), zone))[:most])


def answer(lexicon: Lexicon, line: str) -> str | None:
    """Yes, no, or "" for not known; None where the line is something else."""
    short = answers.short(lexicon, tokens(line), line, _CHOICE)
    if short is None or not (short.values or short.unknown):
        return None
    return str(short.values[0]) if short.values else ""


def place_asked(machine: Machine, doubt: str, choices: Sequence[str]) -> Observable | None:
    """What a bare place name answers while it is asked whether, or where, anything else is wet."""
    asks = sorted((o for o in machine.observables.values() if o.kind == "zone"), key=lambda o: (not o.many, o.id))
    if not asks or doubt not in (ELSE, WHERE):
        return None
    if doubt == ELSE:  # the numbers beside that question are no places
        return replace(asks[0], many=False)
    return replace(asks[0], many=True, values=tuple(dict.fromkeys((*choices, *asks[0].values))))


def as_wet(facts: Iterable[Fact], asked: str, stage: str) -> tuple[Fact, ...]:
    """The facts of an answer: a place that was named and no more is wet there."""
    return tuple(Fact(str(f.value), WETNESS[-1], f.stage or stage) if f.finding == asked else f for f in facts)
