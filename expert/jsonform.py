"""The conclusion as a plain object for `--json`: the same data as the text, with ids beside names.

The object's keys are documented in README.md; numbers are rounded to six digits so that they are the
same on every machine.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from expert.conclusion import Conclusion, Reason, cautions_of
from expert.diagnosis import Diagnosis, Expert
from expert.facts import Fact, canonical
from expert.knowledge.base import Machine
from expert.overlay import Shop
from expert.parting import Parting
from expert.parting import cautions as parting_cautions
from expert.phrases import Reading
from expert.report import rivals
from expert.wording import source_name, sure

VERSION = 1
NOTHING_READ = Reading()


def conclusion_object(
    expert: Expert,
    now: Diagnosis,
    end: Conclusion,
    stage: str,
    reading: Reading = NOTHING_READ,
    shop: Shop | None = None,
    parting: Parting | None = None,
) -> dict[str, Any]:
    """Everything a conclusion holds, ready for json.dumps.

    `reading` is that of the words it follows from, `shop` are the figures used in place of the knowledge's, `parting`
    is the question that best parts the two likeliest sources that there is a choice between.
    """
    machine = expert.machine
    marginals = dict(end.ranking)
    return {
        "version": VERSION,
        "layout": machine.layout.layout,
        "knowledge": machine.base.digest,
        "shop_figures": None if shop is None else {"overlay": shop.digest, "cases": shop.cases},
        "stage": stage,
        "facts": [_fact(fact) for fact in sorted(now.trace.stated, key=canonical)],
        "derived": [_fact(fact) for fact in sorted(now.trace.derived, key=canonical)],
        "not_understood": list(reading.not_understood),
        "uncertain": [_fact(fact) for fact in sorted(reading.uncertain, key=canonical)],
        "claims": [_source(machine, source, marginals[source]) for source in reading.claims],
        "stands_out": end.alone,
        "looked_after_cleaning": end.looked,
        "conclusion": [_source(machine, source, marginals[source]) for source in end.sources],
        "chance_of_exactly_these": round(end.chance, 6),
        "inseparable": [
            {"source": one.source, "from": list(one.others), "chance": round(one.chance, 6)} for one in end.either
        ],
        "chance_with_inseparable": round(end.together, 6),
        "ranking": [_source(machine, source, chance) for source, chance in end.ranking],
        "reasons": [_reason(reason) for reason in end.reasons],
        "against": [_reason(reason) for reason in end.against],
        "minimal_explanations": sorted(sorted(cover) for cover in end.explanations),
        "unexplained": [_fact(fact) for fact in end.unexplained],
        "would_change_its_mind": [
            {
                "finding": q.observable.id,
                "ask": q.observable.ask,
                "minutes": q.observable.minutes,
                "bits": round(q.gain, 6),
            }
            for q in end.changers
        ],
        "parts_first_two": None if parting is None else _parting(end, parting),
        "confirm": [{"source": s, "by": machine.base.sources[s].confirm} for s in (*end.sources, *end.contenders)],
        "not_looked_at": list(end.not_looked),
        "advice": [{"rule": rule, "text": text} for rule, text in end.advice],
        "cautions": _cautions(machine, cautions_of(expert, (*end.cautions, *parting_cautions(expert, parting)))),
        "repairs": [
            {
                "id": job.repair.repair,
                "name": job.repair.name,
                "for": list(job.sources),
                "access": job.repair.access,
                "hours": job.repair.hours,
                "steps": list(job.repair.steps),
                "parts": list(job.repair.parts),
                "same_visit": list(job.repair.same_visit),
                "cautions": _cautions(machine, job.repair.cautions),
            }
            for job in end.jobs
        ],
    }


def _parting(end: Conclusion, parting: Parting) -> dict[str, Any]:
    two = rivals(end)
    return {
        "sources": list(two),
        "finding": parting.observable.id,
        "ask": parting.observable.ask,
        "stage": parting.stage,
        "first": [_fact(fact) for fact in parting.first],
        "minutes": parting.minutes,
        "bits": round(parting.gain, 6),
        "answers": [
            {"value": answer.fact.value, "chances": [round(answer.belief.marginals[source], 6) for source in two]}
            for answer in parting.answers
        ],
    }


def _cautions(machine: Machine, names: Iterable[str]) -> list[dict[str, str]]:
    return [{"id": name, "text": machine.base.cautions[name].text} for name in names]


def _fact(fact: Fact) -> dict[str, Any]:
    return {"finding": fact.finding, "value": fact.value, "stage": fact.stage}


def _source(machine: Machine, source: str, chance: float) -> dict[str, Any]:
    return {"source": source, "name": source_name(machine, source), "chance": round(chance, 6), "words": sure(chance)}


def _reason(reason: Reason) -> dict[str, Any]:
    return {
        "rule": reason.rule,
        "source": reason.source,
        "says": reason.kind,
        "likelihood_ratio": round(reason.ratio, 6),
        "because": reason.because,
        "facts": [_fact(fact) for fact in reason.facts],
    }
