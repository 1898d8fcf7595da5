"""The conclusion as a plain object for `--json`: the same data as the text, with ids beside names.

The object's keys are documented in README.md; numbers are rounded to six digits so that they are the
same on every machine.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from expert.conclusion import Conclusion, Reason
from expert.diagnosis import Diagnosis, Expert
from expert.facts import Fact, canonical
from expert.knowledge.base import Machine
from expert.wording import source_name, sure

VERSION = 1


def conclusion_object(
    expert: Expert, now: Diagnosis, end: Conclusion, stage: str, not_understood: Iterable[str] = ()
) -> dict[str, Any]:
    """Everything a conclusion holds, ready for json.dumps."""
    machine = expert.machine
    marginals = dict(end.ranking)
    return {
        "version": VERSION,
        "layout": machine.layout.layout,
        "knowledge": machine.base.digest,
        "stage": stage,
        "facts": [_fact(fact) for fact in sorted(now.trace.stated, key=canonical)],
        "derived": [_fact(fact) for fact in sorted(now.trace.derived, key=canonical)],
        "not_understood": list(not_understood),
        "stands_out": end.alone,
        "looked_after_cleaning": end.looked,
        "conclusion": [_source(machine, source, marginals[source]) for source in end.sources],
        "chance_of_exactly_these": round(end.chance, 6),
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
        "confirm": [{"source": s, "by": machine.base.sources[s].confirm} for s in (*end.sources, *end.contenders)],
        "not_looked_at": list(end.not_looked),
        "advice": [{"rule": rule, "text": text} for rule, text in end.advice],
        "cautions": _cautions(machine, end.cautions),
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
