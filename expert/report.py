"""Questions, rankings and conclusions as text: pure functions from data to lines no wider than asked."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

from expert import bodymap
from expert.conclusion import Conclusion, Reason, cautions_of
from expert.diagnosis import Diagnosis, Expert
from expert.evidence import AGAINST, EXPLAINS
from expert.facts import Fact
from expert.inspection import most_trusted
from expert.knowledge.base import WETNESS_KIND, Machine, Observable
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
) -> str:
    """The whole conclusion: sources, reasons, then cautions (those not yet read, `cautioned`), then what to do."""
    machine = expert.machine
    parts = [_headline(expert, end, why_stopped, width)]
    title = wrap("How likely each source is (several may leak at once):", width)
    parts.append(f"{title}\n{ranking_text(machine, end.ranking, width)}")
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
    warned = [name for name in end.cautions if name not in cautioned]
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
    if end.not_looked:
        unseen = joined(machine.base.zones[z].name for z in end.not_looked)
        parts.append(wrap(f"Not looked at {stage_name(machine, most_trusted(expert.scale))}: {unseen}.", width))
    if end.advice:
        parts.append("First:\n" + "\n".join(wrap(text, width, "  - ") for _, text in end.advice))
    blamed = [zone for source in end.sources for zone in machine.first_seen[source]]
    parts.append(map_text(machine, now.trace.facts, stage, blamed, width))
    parts.append("\n".join(_job_line(expert, job, end, width) for job in end.jobs))
    return "\n\n".join(parts)


def _job_line(expert: Expert, job: Job, end: Conclusion, width: int) -> str:
    """A repair in one sentence: the plan's first line."""
    repair = job.repair
    access = expert.machine.base.access[repair.access].name
    line = f"Repair: {repair.name} ({access}; about {repair.hours:g} h)."
    if not end.alone:
        line += f" {UNSETTLED}"
    return wrap(line, width, rest="  ")


def _headline(expert: Expert, end: Conclusion, why_stopped: str, width: int) -> str:
    machine = expert.machine
    marginals = dict(end.ranking)
    if end.alone:
        names = joined(
            f"{source_name(machine, s)} ({sure(marginals[s])}, {percent(marginals[s])})" for s in end.sources
        )
        head = f"CONCLUSION: {'leaks at' if len(end.sources) > 1 else 'the leak is'} {names}."
    else:
        names = joined(f"{source_name(machine, s)} ({percent(marginals[s])})" for s, _ in _leaders(end))
        head = f"NO SINGLE EXPLANATION STANDS OUT. Likeliest: {names}."
        if len(_leaders(end)) == 1:
            head += " What else may leak beside it is not settled."
    lines = [wrap(head, width)]
    if why_stopped:
        lines.append(wrap(f"({why_stopped})", width))
    if not end.looked:
        lines.append(wrap("This rests on what was seen before cleaning; buy no part on the strength of it.", width))
    return "\n".join(lines)


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
    if not end.alone:
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
