"""Questions, rankings and conclusions as text: pure functions from data to lines no wider than asked."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

from expert import bodymap
from expert.conclusion import Conclusion, Reason, cautions_of
from expert.diagnosis import Diagnosis, Expert
from expert.evidence import AGAINST, EXPLAINS
from expert.facts import Fact, canonical
from expert.inseparable import Either
from expert.inspection import most_trusted
from expert.knowledge.base import WETNESS_KIND, Machine, Observable
from expert.parting import Answer, Parting
from expert.parting import cautions as parting_cautions
from expert.questions import Question
from expert.repair import Job
from expert.wording import (
    WIDTH,
    fact_words,
    joined,
    percent,
    source_name,
    stage_name,
    sure,
    value_name,
    value_words,
    wrap,
)

BAR = 24
RANKED = 8
OUTLOOKS = 6
STEPS = 4  # of the short chain of reasons
UNSETTLED = "Do not buy parts yet: first settle which source it is."
CLEAN_FIRST = (
    "Clean everything, drive a short way and look again for the highest and foremost wet point before any part is "
    "bought."
)


def question_text(
    machine: Machine, observable: Observable, stage: str, choices: Sequence[str], width: int = WIDTH
) -> str:
    """The question as a person sees it: what, when and how long, the words, the numbered answers."""
    when = f"{stage_name(machine, stage)}, " if observable.staged else ""
    lines = [wrap(observable.ask, width), wrap(f"({when}about {_minutes(observable.minutes)})", width, "  ")]
    if observable.kind == "number":
        lines.append(wrap(f"a number, in: {observable.unit}", width, "  "))
    lines += [_numbered(at, value_words(machine, observable.id, v), width) for at, v in enumerate(choices, start=1)]
    if observable.kind == "zone":
        lines.append(wrap("or name another place in your own words", width, "  "))
    return "\n".join(lines)


def _numbered(at: int, shown: str, width: int) -> str:
    folded = wrap(shown, width - 6)
    return f"  {at:>2}  " + folded.replace("\n", "\n      ")


def _minutes(minutes: float) -> str:
    return "1 minute" if minutes == 1 else f"{minutes:g} minutes"


def ranking_text(machine: Machine, ranking: Iterable[tuple[str, float]], width: int = WIDTH, most: int = RANKED) -> str:
    """Sources by marginal, each with a bar; the chances of several leaks at once add up to more than one."""
    lines = []
    longest = max(8, min(BAR, width - 52))
    for source, chance in list(ranking)[:most]:
        bar = "#" * round(chance * longest)
        lines.append(wrap(source_name(machine, source), width, f"  {percent(chance):>8}  {bar:<{longest}}  "))
    return "\n".join(lines)


def facts_text(machine: Machine, facts: Sequence[Fact], width: int = WIDTH) -> str:
    """Every stated fact, each on a line of its own."""
    words = [fact_words(machine, fact) for fact in facts] or ["nothing yet"]
    return "\n".join(wrap(one, width, "  ", "    ") for one in words)


def map_text(machine: Machine, facts: Iterable[Fact], stage: str, marked: Sequence[str], width: int = WIDTH) -> str:
    """The wet map of one stage, with its title."""
    wet: dict[str, str] = {
        fact.finding: str(fact.value)
        for fact in facts
        if fact.stage == stage and machine.observables[fact.finding].kind == WETNESS_KIND
    }
    return f"{stage_name(machine, stage).capitalize()}:\n{bodymap.draw(machine, wet, width, marked)}"


def reason_text(machine: Machine, reason: Reason, width: int = WIDTH, named: bool = True) -> str:
    """One reason: what was seen, how strongly it speaks for or against what, and why."""
    seen = joined(fact_words(machine, fact) for fact in reason.facts)
    how = "speaks against" if reason.kind == AGAINST else "speaks for" if reason.kind == EXPLAINS else "makes likelier"
    head = f"{seen[0].upper()}{seen[1:]}"
    if named:
        head += f": {how} {source_name(machine, reason.source)}"
    head += f" ({reason.ratio:.3g} to 1). "
    return wrap(f"{head}{reason.because} [{reason.rule}]", width, "  - ")


def outlook_text(machine: Machine, question: Question, ranking: Sequence[tuple[str, float]], width: int = WIDTH) -> str:
    """What each answer would do to the ranking."""
    leader, chance = ranking[0]
    lines = [
        wrap(
            f"It is expected to tell {question.gain:.2f} bit in {_minutes(question.observable.minutes)}. "
            f"Now the likeliest is {source_name(machine, leader)}, {percent(chance)}. After the answer:",
            width,
        )
    ]
    likeliest = sorted(question.outlooks, key=lambda o: -round(o.chance, 9))[:OUTLOOKS]
    for outlook in (o for o in question.outlooks if o in likeliest):
        top, then = outlook.belief.ranking[0]
        shown = value_name(machine, outlook.fact)
        lines.append(
            wrap(
                f"{shown} (chance {percent(outlook.chance)}): {source_name(machine, top)} {percent(then)}"
                + (
                    f", {source_name(machine, leader)} {percent(outlook.belief.marginals[leader])}"
                    if top != leader
                    else ""
                ),
                width,
                first="  ",
                rest="    ",
            )
        )
    if len(question.outlooks) > len(likeliest):
        lines.append(f"  and {len(question.outlooks) - len(likeliest)} less likely answers")
    return "\n".join(lines)


def conclusion_text(
    expert: Expert,
    now: Diagnosis,
    end: Conclusion,
    stage: str,
    why_stopped: str = "",
    width: int = WIDTH,
    cautioned: Collection[str] = (),
    confirmed: Sequence[str] = (),
) -> str:
    """The whole conclusion: sources, reasons, then cautions (those not yet read, `cautioned`), then what to do.

    What the repair proved (`confirmed`) comes first, for it is known and not concluded.
    """
    parts = [_headline(expert, end, why_stopped, width)]
    if confirmed:
        proved = joined(source_name(expert.machine, source) for source in confirmed)
        parts.insert(0, wrap(f"CONFIRMED BY THE REPAIR: {proved}. What follows is what was concluded before.", width))
    parts.append(_titled_ranking(expert.machine, end, width))
    warned = [name for name in end.cautions if name not in cautioned]
    parts += _details(expert, now, end, stage, width, warned)
    parts.append(_job_lines(expert, end, width))
    return "\n\n".join(parts)


def at_once_text(
    expert: Expert, now: Diagnosis, end: Conclusion, stage: str, parting: Parting | None, width: int = WIDTH
) -> str:
    """The conclusion for somebody who stated all the facts at once: what is needed first on top, all else below it.

    On top stand the sources, the reasons as a short chain, the ranking, the question that best parts the first two
    (`parting`, of the `rivals`), and the plan's first line.
    """
    parts = [_headline(expert, end, "", width)]
    if end.reasons:
        parts.append(chain_text(now, end.reasons, width))
    parts.append(_titled_ranking(expert.machine, end, width))
    parts.append(parting_text(expert.machine, rivals(end), parting, width))
    parts.append(_job_lines(expert, end, width))
    warned = cautions_of(expert, (*end.cautions, *parting_cautions(expert, parting)))
    parts += _details(expert, now, end, stage, width, warned)
    return "\n\n".join(part for part in parts if part)


def rivals(end: Conclusion) -> tuple[str, ...]:
    """The first two that there is a choice between: the likeliest source, and the next not believed beside it."""
    first = end.ranking[0][0]
    beside = set(end.sources) if first in end.sources else set()
    return (first, *(source for source, _ in end.ranking[1:] if source not in beside))[:2]


def chain_text(now: Diagnosis, reasons: Sequence[Reason], width: int = WIDTH) -> str:
    """What was seen, what follows from it and what it speaks for: each step on a line."""
    machine = now.trace.ruleset.machine
    chained = [fact for reason in reasons[:STEPS] for fact in reason.facts]
    stages = {fact.stage for fact in chained} - {""}
    named = len(stages) > 1  # where all was seen in one stage, it is said once

    def said(facts: Iterable[Fact]) -> str:
        return " + ".join(fact_words(machine, fact, named) for fact in facts)

    lines: dict[str, None] = {}
    for reason in reasons[:STEPS]:
        for fact in reason.facts:
            grounds = sorted(now.trace.supports.get(fact, ()), key=canonical)
            if grounds:
                lines[wrap(f"{said(grounds)} -> {said((fact,))}", width, "  ", "    ")] = None
        ends = f"{source_name(machine, reason.source)} ({reason.ratio:.3g} to 1)"
        lines[wrap(f"{said(reason.facts)} -> {ends}", width, "  ", "    ")] = None
    when = "" if named or not stages else f" ({stage_name(machine, stages.pop())})"
    return "\n".join([f"In short{when}:", *lines])


def parting_text(machine: Machine, two: Sequence[str], parting: Parting | None, width: int = WIDTH) -> str:
    """The one question that best parts two sources, and what each answer would leave of them; "" for less than two."""
    if len(two) < 2:
        return ""
    names = joined(source_name(machine, source) for source in two)
    if parting is None:
        ways = [f"{source_name(machine, s)}: {machine.base.sources[s].confirm}" for s in two]
        head = f"No question that may be asked now parts {names}. What settles each:"
        return "\n".join([wrap(head, width), *(wrap(way, width, "  - ") for way in ways)])
    head = wrap(f"What would part {names} best ({effort(machine, parting)}):", width)
    return f"{head}\n{question_and_answers(machine, parting, two, width)}"


def effort(machine: Machine, parting: Parting) -> str:
    """'about 2 minutes', or with the stage to be entered first: '(...); about 40 minutes in all'."""
    if parting.first:
        return f"{stage_name(machine, parting.stage)}; about {_minutes(parting.minutes)} in all"
    return f"about {_minutes(parting.minutes)}"


def question_and_answers(machine: Machine, parting: Parting, sources: Sequence[str], width: int = WIDTH) -> str:
    """A question, and under it what its answers would leave of some sources; the most telling answers, if many."""

    def telling(answer: Answer) -> float:
        """How far it is from the other answers, of the source of which it is farthest."""
        mine = answer.belief.marginals
        return max(abs(mine[s] - other.belief.marginals[s]) for other in parting.answers for s in sources)

    most = sorted(parting.answers, key=lambda answer: -round(telling(answer), 9))[:OUTLOOKS]
    lines = [wrap(parting.observable.ask, width, "  ")]
    for answer in (answer for answer in parting.answers if answer in most):
        left = ", ".join(f"{source_name(machine, s)} {percent(answer.belief.marginals[s])}" for s in sources)
        unit = f" {parting.observable.unit}" if parting.observable.unit else ""
        lines.append(wrap(f"{value_name(machine, answer.fact)}{unit}: {left}", width, "    ", "      "))
    return "\n".join(lines)


def _titled_ranking(machine: Machine, end: Conclusion, width: int) -> str:
    title = wrap("How likely each source is (several may leak at once):", width)
    return f"{title}\n{ranking_text(machine, end.ranking, width)}"


def _job_lines(expert: Expert, end: Conclusion, width: int) -> str:
    return "\n".join(_job_line(expert, job, end, width) for job in end.jobs)


def _details(
    expert: Expert, now: Diagnosis, end: Conclusion, stage: str, width: int, warned: Sequence[str]
) -> list[str]:
    """What a conclusion has below its ranking: reasons, cautions (`warned`), what to look at, the map."""
    machine = expert.machine
    parts = []
    if end.reasons:
        parts.append("Why:\n" + "\n".join(reason_text(machine, r, width) for r in end.reasons))
    if end.against:
        parts.append("What speaks against it:\n" + "\n".join(reason_text(machine, r, width) for r in end.against))
    if end.unexplained:
        seen = joined(fact_words(machine, fact) for fact in end.unexplained)
        parts.append(wrap(f"Left unexplained by it: {seen}. Look there again for another leak.", width))
    if end.explanations and frozenset(end.sources) not in end.explanations and not end.alone:
        names = [
            joined(source_name(machine, s) for s in machine.sources if s in cover) for cover in end.explanations[:4]
        ]
        parts.append(wrap(f"The smallest sets that explain every wet place: {'; or '.join(names)}.", width))
    if warned:
        parts.append(cautions_text(machine, warned, width))
    if not end.looked:
        parts.append(wrap(CLEAN_FIRST, width))
    if end.changers:
        parts.append(
            wrap("What would change its mind (not asked yet):", width)
            + "\n"
            + "\n".join(_changer(machine, q, width) for q in end.changers)
        )
    if not end.alone and end.contenders:
        parts.append(_confirming(machine, (*end.sources, *end.contenders), width))
    elif end.either:
        parts.append(_confirming(machine, [s for one in end.either for s in (one.source, *one.others)], width))
    if end.not_looked:
        unseen = joined(machine.zones[z].name for z in end.not_looked)
        parts.append(wrap(f"Not looked at {stage_name(machine, most_trusted(expert.scale))}: {unseen}.", width))
    if end.advice:
        parts.append("First:\n" + "\n".join(wrap(text, width, "  - ") for _, text in end.advice))
    blamed = [zone for source in end.sources for zone in machine.first_seen[source]]
    parts.append(map_text(machine, now.trace.facts, stage, blamed, width))
    return parts


def _job_line(expert: Expert, job: Job, end: Conclusion, width: int) -> str:
    """A repair in one sentence: the plan's first line."""
    repair = job.repair
    access = expert.machine.base.access[repair.access].name
    line = f"Repair: {repair.name} ({access}; about {repair.hours:g} h)."
    if not _settled(expert, end, job):
        line += f" {UNSETTLED}"
    return wrap(line, width, rest="  ")


def _found(expert: Expert, end: Conclusion) -> list[str]:
    """The sources that leak for sure enough, seen in the stage that counts, whatever else may leak beside them."""
    chances = dict(end.ranking)
    return [s for s in end.sources if end.looked and chances[s] >= expert.scale.stands_out]


def _settled(expert: Expert, end: Conclusion, job: Job) -> bool:
    """May parts be bought for this repair: do the sources stand out as a whole, or these by themselves?"""
    return end.alone or set(job.sources) <= set(_found(expert, end))


def _headline(expert: Expert, end: Conclusion, why_stopped: str, width: int) -> str:
    machine = expert.machine
    marginals = dict(end.ranking)
    either = {one.source: one for one in end.either}
    if end.alone:
        names = joined(
            f"{_any_of(machine, either[s])} (together {sure(either[s].chance)}, {percent(either[s].chance)})"
            if s in either
            else f"{source_name(machine, s)} ({sure(marginals[s])}, {percent(marginals[s])})"
            for s in end.sources
        )
        head = f"CONCLUSION: {'leaks at' if len(end.sources) > 1 else 'the leak is'} {names}."
    elif found := _found(expert, end):
        names = joined(f"{source_name(machine, s)} ({sure(marginals[s])}, {percent(marginals[s])})" for s in found)
        others = [s for s, _ in _leaders(end) if s not in found]
        head = (
            f"FOUND: {'leaks at' if len(found) > 1 else 'a leak at'} {names}. Whether anything else leaks too is not "
        )
        head += "settled"
        if others:
            head += f"; likeliest {joined(f'{source_name(machine, s)} ({percent(marginals[s])})' for s in others)}"
        head += ". Mend it, then clean, drive and look again."
    else:
        names = joined(f"{source_name(machine, s)} ({percent(marginals[s])})" for s, _ in _leaders(end))
        head = f"NO SINGLE EXPLANATION STANDS OUT. Likeliest: {names}."
        if len(_leaders(end)) == 1:
            head += " What else may leak beside it is not settled."
    lines = [wrap(head, width), *(wrap(_not_parted(machine, one), width) for one in end.either)]
    if why_stopped:
        lines.append(wrap(f"({why_stopped})", width))
    if not end.looked:
        lines.append(wrap("This rests on what was seen before cleaning; buy no part on the strength of it.", width))
    return "\n".join(lines)


def _any_of(machine: Machine, one: Either) -> str:
    return joined((source_name(machine, source) for source in (one.source, *one.others)), "or")


def _not_parted(machine: Machine, one: Either) -> str:
    """That no look can choose between sources, and what follows from it."""
    names = joined(source_name(machine, source) for source in (one.source, *one.others))
    return (
        f"No look can tell {names} apart before they are taken apart; one of them leaks with a chance of "
        f"{percent(one.chance)}. Plan for either, and see which it is when it lies open."
    )


def cautions_text(machine: Machine, names: Iterable[str], width: int = WIDTH) -> str:
    """Warnings in the order given, each marked at the edge."""
    known = machine.base.cautions
    return "\n".join(wrap(f"CAUTION: {known[name].text}", width, "! ", "! ") for name in names)


def _leaders(end: Conclusion) -> list[tuple[str, float]]:
    return [(s, c) for s, c in end.ranking if c >= 0.1][:4] or list(end.ranking[:2])


def _changer(machine: Machine, question: Question, width: int) -> str:
    return wrap(
        f"{question.observable.name} ({_minutes(question.observable.minutes)}): {question.observable.ask}",
        width,
        "  - ",
        "    ",
    )


def _confirming(machine: Machine, sources: Sequence[str], width: int) -> str:
    ways = [f"{source_name(machine, s)}: {machine.base.sources[s].confirm}" for s in sources[:4]]
    return "\n".join(["What would part them:", *(wrap(way, width, "  - ") for way in ways)])


def plan_text(expert: Expert, end: Conclusion, width: int = WIDTH) -> str:
    """The repairs of a conclusion: cautions first, access, steps, parts, what to do in the same visit."""
    return "\n\n".join(_job_text(expert, job, end, width) for job in end.jobs)


def _job_text(expert: Expert, job: Job, end: Conclusion, width: int) -> str:
    machine, base = expert.machine, expert.machine.base
    repair = job.repair
    lines = [
        wrap(f"REPAIR: {repair.name} (access: {base.access[repair.access].name}; about {repair.hours:g} h)", width)
    ]
    if not _settled(expert, end, job):
        lines.append(wrap(UNSETTLED, width, "  "))
    cautions = cautions_of(expert, repair.cautions)
    lines += [wrap(f"CAUTION: {base.cautions[name].text}", width, "  ! ") for name in cautions]
    lines += [_numbered(at, step, width) for at, step in enumerate(repair.steps, start=1)]
    if repair.parts:
        lines.append(wrap("Parts: " + "; ".join(repair.parts), width, "  ", "    "))
    if repair.same_visit:
        lines.append(wrap("In the same visit: " + "; ".join(repair.same_visit), width, "  ", "    "))
    if job.same_access:
        names = joined(f"{source_name(machine, s)} ({percent(dict(end.ranking)[s])})" for s in job.same_access)
        lines.append(wrap(f"Behind the same access and not ruled out: {names}", width, "  ", "    "))
    return "\n".join(lines)
