"""The order of an inspection: which part of it comes next, which question, and when to stop."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from expert.belief import Belief
from expert.diagnosis import Diagnosis, Expert
from expert.knowledge.base import WETNESS_KIND, Observable
from expert.knowledge.model import Phase, Scale
from expert.questions import Asked, Question, ranked
from expert.trace import Trace

STANDS_OUT = "one explanation stands out"
NOTHING_WORTH = "no further question is worth its minutes"


@dataclass(frozen=True)
class Next:
    """What to do next: a question of a phase, or (question None) stop, and why."""

    phase: Phase | None
    question: Question | None
    reason: str


def stands_out(belief: Belief, scale: Scale) -> bool:
    """Is every source of the most probable set nearly sure, and every other one nearly ruled out?"""
    best, _ = belief.best
    return all(
        chance >= scale.stands_out if source in best else chance <= scale.ruled_out
        for source, chance in belief.marginals.items()
    )


def stage_of(expert: Expert, trace: Trace) -> str:
    """The stage that the facts say the inspection is in: the first one, unless another was entered."""
    for stage in expert.scale.stages:
        entered = stage.entered_by.items()
        if entered and any(value in trace.memory.get((name, ""), ()) for name, value in entered):
            return stage.stage
    return next(stage.stage for stage in expert.scale.stages if not stage.entered_by)


def most_trusted(scale: Scale) -> str:
    """The stage in which what is seen counts most."""
    return max(scale.stages, key=lambda stage: stage.trust).stage


def enters_stage(expert: Expert, observable: Observable) -> bool:
    """Is this the finding whose answer moves the inspection on to another stage?"""
    return any(observable.id in stage.entered_by for stage in expert.scale.stages)


def looked(expert: Expert, trace: Trace) -> bool:
    """Has any place been looked at in the stage that counts most?"""
    stage = most_trusted(expert.scale)
    return any(fact.stage == stage for fact in trace.stated)


def asked_in(expert: Expert, phase: Phase) -> Iterator[Observable]:
    """The questions of a phase: its findings and, where it says so, the wetness of every zone."""
    for observable in expert.machine.observables.values():
        if (phase.zones and observable.kind == WETNESS_KIND) or (
            observable.kind != WETNESS_KIND and observable.phase == phase.phase and observable.ask
        ):
            yield observable


def next_step(expert: Expert, now: Diagnosis, stage: str, closed: Asked, counts: Mapping[str, int]) -> Next:
    """The best question of the first phase that has one worth its minutes, or a stop.

    `closed` holds (finding, stage) pairs not to be asked (answered "unknown", say), `counts` how many
    questions each phase has asked. An explanation that stands out before the cleaned look is not the
    end: it sends the inspection to the cleaning, because what drips is rarely what leaks.
    """
    clear = stands_out(now.belief, expert.scale)
    if clear and (looked(expert, now.trace) or not _can_still_clean(expert, now.trace, stage, closed)):
        return Next(None, None, STANDS_OUT)
    for phase in expert.scale.phases:
        if stage not in phase.stages or counts.get(phase.phase, 0) >= phase.most:
            continue
        if clear and not _leads_to_look(expert, phase, stage):
            continue
        questions = ranked(expert, now, asked_in(expert, phase), stage, closed)
        if questions and round(questions[0].rate, 9) >= phase.worth:
            return Next(phase, questions[0], "")
    return Next(None, None, STANDS_OUT if clear else NOTHING_WORTH)


def _cleaning(expert: Expert, phase: Phase) -> bool:
    return any(enters_stage(expert, observable) for observable in asked_in(expert, phase))


def _leads_to_look(expert: Expert, phase: Phase, stage: str) -> bool:
    """With an explanation already clear, only the cleaning, and the look after it, still matter."""
    return _cleaning(expert, phase) or (phase.zones and stage == most_trusted(expert.scale))


def _can_still_clean(expert: Expert, trace: Trace, stage: str, closed: Asked) -> bool:
    if stage == most_trusted(expert.scale):
        return True
    answered = {(fact.finding, fact.stage) for fact in trace.stated} | set(closed)
    return any(
        (observable.id, "") not in answered
        for phase in expert.scale.phases
        if stage in phase.stages
        for observable in asked_in(expert, phase)
        if enters_stage(expert, observable)
    )
