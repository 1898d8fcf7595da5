"""Argument with the expert: what if, why not, this source against that one, and "I say it is this part".

Pure functions from a diagnosis to text. Nothing here is ever recorded as a fact.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from expert.conclusion import Reason, reasons_for
from expert.diagnosis import Diagnosis, Expert
from expert.evidence import AGAINST, EXPLAINS, Pattern
from expert.facts import Fact
from expert.inseparable import standing
from expert.knowledge.base import WETNESS_KIND, Machine
from expert.parting import Parting, between, cautions, settling
from expert.questions import Asked
from expert.report import effort, parting_text, question_and_answers, reason_text
from expert.wording import WIDTH, fact_words, joined, percent, source_name, sure, value_name, wrap

SHOWN = 3  # reasons on either side
MOVED = 6  # sources of a "what if"
LIKELIER = 3
ANSWERED = 2  # claims of one input that are answered
ROWS = 12  # observations in a comparison
COLUMN = 10
# A chance at which a source is ruled out for the purpose of buying its part; ours, no source.
RULED_OUT = 0.05


@dataclass(frozen=True)
class Argued:
    """An answer, and the ids of the cautions that the look it sends a person to needs."""

    text: str
    cautions: tuple[str, ...] = ()


def _stands(now: Diagnosis, source: str) -> str:
    """'24%, number 2 of 41'."""
    place = next(at for at, (name, _) in enumerate(now.belief.ranking, start=1) if name == source)
    return f"{percent(now.belief.marginals[source])}, number {place} of {len(now.belief.ranking)}"


def _sides(now: Diagnosis, source: str) -> tuple[list[Reason], list[Reason]]:
    """What speaks for a source and what against it, the strongest first."""
    reasons = reasons_for(now, source)
    return [r for r in reasons if r.kind != AGAINST], [r for r in reasons if r.kind == AGAINST]


def _reasons(machine: Machine, title: str, reasons: Sequence[Reason], none: str, width: int) -> str:
    if not reasons:
        return wrap(f"{title} {none}", width)
    lines = [reason_text(machine, reason, width, named=False) for reason in reasons[:SHOWN]]
    if len(reasons) > SHOWN:
        lines.append(f"  and {len(reasons) - SHOWN} weaker")
    return "\n".join([title, *lines])


# --- what if -------------------------------------------------------------------------------------------------


def what_if(
    expert: Expert, now: Diagnosis, supposed: Sequence[Fact], instead: Sequence[Fact], width: int = WIDTH
) -> Argued:
    """The belief as it would be with more facts; `instead` are those of now that could not be true beside them."""
    machine = expert.machine
    kept = [fact for fact in now.trace.stated if fact not in instead]
    then = expert.diagnose([*kept, *supposed])
    head = f"If {joined(fact_words(machine, fact) for fact in supposed)}"
    if instead:
        head += f", and not {joined(fact_words(machine, fact) for fact in instead)}"
    if all(fact in now.trace.stated for fact in supposed):
        return Argued(wrap(f"{head}: that is what was said already, so nothing would change.", width))
    lines = [wrap(f"{head}:", width), "   now  would be"]
    for source in _moved(now, then):
        shown = f"{percent(now.belief.marginals[source]):>6}  {percent(then.belief.marginals[source]):>8}  "
        lines.append(wrap(source_name(machine, source), width, shown))
    best = standing(then.belief, machine.inseparable)
    names = joined(source_name(machine, source) for source in best.sources)
    if best.chance >= expert.scale.stands_out:
        lines.append(wrap(f"Then {names} would stand out as the explanation.", width))
    else:
        lines.append(wrap(f"Then nothing would stand out yet; the likeliest would be {names}.", width))
    lines.append(wrap("Only supposed: nothing was noted. If you saw it, say it outright.", width))
    return Argued("\n".join(lines))


def _moved(now: Diagnosis, then: Diagnosis) -> list[str]:
    """The sources that lead before or after, by what they would be; of those that hardly move the likeliest only."""
    was, would = now.belief.marginals, then.belief.marginals
    weight = {source: max(was[source], would[source]) for source in was}
    first = sorted(weight, key=lambda s: (-round(weight[s], 9), s))[:MOVED]
    return sorted(first, key=lambda s: (-round(would[s], 9), s))


# --- why not -------------------------------------------------------------------------------------------------


def why_not(expert: Expert, now: Diagnosis, source: str, stage: str, closed: Asked = (), width: int = WIDTH) -> Argued:
    """Why a source is not what is concluded: what speaks against it, what is likelier, what would raise it."""
    machine = expert.machine
    name = source_name(machine, source)
    best = standing(now.belief, machine.inseparable)
    head = f"{name}: {_stands(now, source)} ({sure(now.belief.marginals[source])})."
    if source in best.sources:
        beyond = " and stands out" if best.chance >= expert.scale.stands_out else ", though nothing stands out yet"
        head += f" It is not ruled out: it is believed{beyond}."
    for_it, against = _sides(now, source)
    parts = [
        wrap(head, width),
        _reasons(machine, "Against it:", against, "nothing said so far.", width),
        _reasons(machine, "For it:", for_it, "nothing said so far.", width),
        *_likelier(expert, now, source, width),
    ]
    settles = settling(expert, now, source, stage, closed)
    parts.append(_look(expert, source, settles, "What would tell most of it", width))
    return Argued("\n\n".join(parts), cautions(expert, settles))


def _likelier(expert: Expert, now: Diagnosis, source: str, width: int) -> list[str]:
    """What is likelier than a source, and what of the sights that speak for it these explain as well."""
    machine, marginals = expert.machine, now.belief.marginals
    above = [s for s, p in now.belief.ranking if round(p, 9) > round(marginals[source], 9)][:LIKELIER]
    if not above:
        return [wrap("Nothing is likelier.", width)]
    names = joined(f"{source_name(machine, s)} ({percent(marginals[s])})" for s in above)
    lines = [wrap(f"Likelier: {names}.", width)]
    common = (pattern for pattern in now.patterns if _both(expert, pattern, source, above[0]))
    shared = [fact for pattern in common for fact in _facts_of(now, pattern)]
    if shared:
        seen = joined(dict.fromkeys(fact_words(machine, fact) for fact in shared))
        explained = f"{source_name(machine, above[0])} explains these as well, so they prove no second leak: {seen}."
        lines.append(wrap(explained, width))
    return lines


def _both(expert: Expert, pattern: Pattern, one: str, other: str) -> bool:
    """Is this something seen in a place that both sources explain?"""
    seen = expert.machine.observables[pattern.finding].kind == WETNESS_KIND
    return seen and {one, other} <= {opinion.source for opinion in pattern.of_kind(EXPLAINS)}


def _facts_of(now: Diagnosis, pattern: Pattern) -> tuple[Fact, ...]:
    """The facts that one observation consists of."""
    held = now.trace.memory.get((pattern.finding, pattern.stage), frozenset())
    only = pattern.value.split("\n") if pattern.value else held
    return tuple(Fact(pattern.finding, value, pattern.stage) for value in sorted(held, key=str) if value in only)


def _look(expert: Expert, source: str, parting: Parting | None, title: str, width: int) -> str:
    """The look that tells most of a source per minute, with how to do it and what each answer would leave of it."""
    machine = expert.machine
    if parting is None:
        return wrap(f"{title}: no question may be asked now. {machine.base.sources[source].confirm}", width)
    lines = [
        wrap(f"{title} ({effort(machine, parting)}):", width),
        question_and_answers(machine, parting, (source,), width),
        wrap(f"How: {parting.observable.how}", width, "  ") if parting.observable.how else "",
    ]
    return "\n".join(line for line in lines if line)


# --- this source against that one ----------------------------------------------------------------------------


def compare(
    expert: Expert, now: Diagnosis, one: str, other: str, stage: str, closed: Asked = (), width: int = WIDTH
) -> Argued:
    """Two sources side by side: what each observation does to either, and what would part them."""
    machine = expert.machine
    two = (one, other)
    lines = [wrap(f"{mark}: {source_name(machine, source)}", width) for mark, source in zip("AB", two, strict=True)]
    named = len({pattern.stage for pattern in now.patterns} - {""}) > 1
    patterns = [pattern for pattern in now.patterns if any(o.source in two for o in pattern.opinions)]
    heard = [_Row(now, pattern, two, named) for pattern in patterns]
    heard.sort(key=lambda row: (-round(abs(row.logs[0] - row.logs[1]), 9), row.label))
    room = width - 2 * COLUMN
    lines += ["", f"{'':<{room}}{'A':>{COLUMN}}{'B':>{COLUMN}}"]
    prior = expert.diagnose(()).belief.marginals
    lines += _cells("before anything was said", [percent(prior[s]) for s in two], room)
    for row in heard[:ROWS]:
        lines += _cells(row.label, [_times(log) for log in row.logs], room)
    lines += _cells("now", [percent(now.belief.marginals[s]) for s in two], room)
    if len(heard) > ROWS:
        lines.append(wrap(f"({len(heard) - ROWS} more observations that do less)", width))
    if heard:
        told = "x 20: makes it 20 times likelier by itself, / 20: as much less likely. Sources that explain one sight "
        lines.append(wrap(told + "share it, so the figures do not multiply up.", width))
    else:
        lines.append(wrap("Nothing said so far speaks for or against either.", width))
    parting = between(expert, now, one, other, stage, closed)
    return Argued("\n".join([*lines, "", parting_text(machine, two, parting, width)]), cautions(expert, parting))


class _Row:
    """One observation of a comparison: its facts in words, and the log likelihood ratio of it for each source."""

    def __init__(self, now: Diagnosis, pattern: Pattern, two: Sequence[str], staged: bool) -> None:
        machine = now.trace.ruleset.machine
        self.label = joined(fact_words(machine, fact, staged) for fact in _facts_of(now, pattern))
        said = {o.source: math.log(o.ratio) * (-1 if o.kind == AGAINST else 1) for o in pattern.opinions}
        self.logs = [said.get(source, 0.0) for source in two]


def _times(log: float) -> str:
    if round(log, 9) == 0:
        return "-"
    return f"{'x' if log > 0 else '/'} {math.exp(abs(log)):.3g}"


def _cells(label: str, cells: Sequence[str], room: int) -> list[str]:
    """A row of the comparison; a long label is folded, and its cells stand on its last line."""
    *above, last = wrap(label, room - 1, "  ", "    ").split("\n")
    return [*above, f"{last:<{room}}" + "".join(f"{cell:>{COLUMN}}" for cell in cells)]


# --- "I say it is this part" ---------------------------------------------------------------------------------


def claimed(expert: Expert, now: Diagnosis, source: str, stage: str, closed: Asked = (), width: int = WIDTH) -> Argued:
    """The answer to somebody who blames a source: for it, against it, what is likelier, the look that settles it."""
    machine = expert.machine
    name = source_name(machine, source)
    for_it, against = _sides(now, source)
    chance = now.belief.marginals[source]
    head = f"You take it to be: {name}. So far it is {sure(chance)} ({_stands(now, source)})."
    parts = [
        wrap(head, width),
        _reasons(machine, "For it:", for_it, "nothing said so far.", width),
        _reasons(machine, "Against it:", against, "nothing said so far.", width),
        *_likelier(expert, now, source, width),
    ]
    settles = settling(expert, now, source, stage, closed)
    parts.append(_look(expert, source, settles, "The cheapest look that would tell, before the part is bought", width))
    if settles is not None:
        parts.append(_verdict(expert, source, settles, width))
    confirm = machine.base.sources[source].confirm
    parts.append(wrap(f"What settles it for good: {confirm}", width))
    return Argued("\n\n".join(part for part in parts if part), cautions(expert, settles))


def _verdict(expert: Expert, source: str, settles: Parting, width: int) -> str:
    """What answers of a look would be enough: to believe in the source, and to drop it."""
    after = [(value_name(expert.machine, a.fact), a.belief.marginals[source]) for a in settles.answers]
    enough = [shown for shown, chance in after if chance >= expert.scale.stands_out]
    dropped = [shown for shown, chance in after if chance <= RULED_OUT]
    words = [f"{joined(_few(enough), 'or')} would make it stand out"] if enough else []
    words += [f"{joined(_few(dropped), 'or')} would all but rule it out"] if dropped else []
    if not words:
        return wrap("No answer of it settles the matter alone; buy no part on the strength of it.", width)
    said = "; ".join(words)
    return wrap(f"{said[0].upper()}{said[1:]}.", width)


def _few(values: Iterable[str]) -> list[str]:
    """The first three of several answers."""
    named = list(values)
    return named if len(named) <= SHOWN else [*named[:SHOWN], f"{len(named) - SHOWN} other answers"]
