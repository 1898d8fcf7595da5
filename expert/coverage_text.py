"""The coverage of a layout as text, for those who write its knowledge: ids rather than names."""

from __future__ import annotations

from expert.coverage import FACTOR, Coverage, Covered, Pair, Parting
from expert.facts import Fact
from expert.knowledge.base import Machine
from expert.wording import WIDTH, number, wrap

SHOWN = 4  # questions that part a source from its nearest look-alike; more would hide the first


def coverage_text(machine: Machine, found: Coverage, width: int = WIDTH) -> str:
    """Every source with its rules and what parts it from its look-alike, then the pairs that need an eye."""
    head = f"LAYOUT {found.layout}: {machine.layout.name}, {len(found.sources)} sources"
    blocks = [_source(covered, width) for covered in found.sources]
    return "\n\n".join([wrap(head, width), *blocks, pairs_text(found, width)])


def pairs_text(found: Coverage, width: int = WIDTH) -> str:
    """The pairs of sources that no question parts, and those said to be so that questions do part."""
    said = "as the knowledge says (`inseparable-from`)"
    lines = [_sentence(f"No question parts these, {said}", found.inseparable, width)]
    lines += [
        wrap(
            f"Named `inseparable-from`, though a question parts them: {_both(pair)} ({_answer(pair.partings[0])}).",
            width,
            rest="  ",
        )
        for pair in found.doubtful
    ]
    lines += [
        wrap(
            f"NOT PARTED: {_both(pair)}. No answer to any question moves the odds between them more than "
            f"{number(FACTOR)}-fold. Write a rule that tells them apart, or name one `inseparable-from` the other.",
            width,
            rest="  ",
        )
        for pair in found.unexplained
    ]
    if not found.unexplained:
        every = "All other pairs" if found.inseparable or found.doubtful else "All pairs"
        moved = f"some answer moves their odds more than {number(FACTOR)}-fold"
        lines.append(wrap(f"{every} can be parted: {moved}.", width))
    return "\n".join(filter(None, lines))


def _source(covered: Covered, width: int) -> str:
    lines = [
        covered.source,
        _rules("Raised", covered.raised, width),
        _rules("Lowered", covered.lowered, width),
    ]
    if covered.lookalike is not None:
        pair = covered.lookalike
        why = "said to be alike" if covered.said else "the hardest to tell it from"
        count = len(pair.partings)
        by = f"by {count} question{'s' if count > 1 else ''}:" if count else "by no question."
        lines.append(wrap(f"Told from {pair.other} ({why}) {by}", width, "  ", "    "))
        lines += [wrap(_answer(parting), width, "    ", "      ") for parting in pair.partings[:SHOWN]]
        if count > SHOWN:
            lines.append(f"    and {count - SHOWN} more")
    return "\n".join(lines)


def _rules(verb: str, rules: tuple[str, ...], width: int) -> str:
    if not rules:
        return f"  {verb} by no rule."
    return wrap(f"{verb} by {len(rules)} rule{'s' if len(rules) > 1 else ''}: {', '.join(rules)}", width, "  ", "    ")


def _answer(parting: Parting) -> str:
    given = f", given {', '.join(map(_said, parting.given))}" if parting.given else ""
    return f"{_said(parting.fact)}{given}: {number(round(parting.factor, 1))}-fold for {parting.towards}"


def _said(fact: Fact) -> str:
    value = number(fact.value) if isinstance(fact.value, float) else fact.value
    return f"{fact.finding} {value}" + (f" ({fact.stage})" if fact.stage else "")


def _both(pair: Pair) -> str:
    return f"{pair.one} and {pair.other}"


def _sentence(start: str, pairs: tuple[Pair, ...], width: int) -> str:
    return wrap(f"{start}: {'; '.join(map(_both, pairs))}.", width, rest="  ") if pairs else ""
