"""The order of an inspection: which part of it comes next, which question, and when to stop."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from expert.belief import Belief
from expert.diagnosis import Diagnosis, Expert
from expert.facts import Fact
from expert.knowledge.base import WETNESS_KIND, Observable
from expert.knowledge.model import Phase, Scale
from expert.questions import Asked, Question, askable, ranked
from expert.trace import Trace

STANDS_OUT = "one explanation stands out"
PUT_OFF = "cleaning everything and a short drive come next; say so when it is done, or `forget` it to go on without"
NOTHING_WORTH = "no further question is worth its minutes"


@dataclass(frozen=True)
class Next:
    """What to do next: a question of a phase, or (question None) stop, and why."""

    phase: Phase | None
    question: Question | None
    reason: str


def stands_out(belief: Belief, scale: Scale) -> bool:
    """Is one set of sources, as a whole, probable enough to be the explanation?"""
    return belief.best[1] >= scale.stands_out


def stage_of(expert: Expert, facts: Iterable[Fact]) -> str:
    """The stage that the stated facts say the inspection is in: the first one, unless another was entered."""
    said = {(fact.finding, fact.value) for fact in facts}
    for stage in expert.scale.stages:
        if said & set(stage.entered_by.items()):
            return stage.stage
    return next(stage.stage for stage in expert.scale.stages if not stage.entered_by)


def most_trusted(scale: Scale) -> str:
    """The stage in which what is seen counts most."""
    return max(scale.stages, key=lambda stage: stage.trust).stage


def enters_stage(expert: Expert, finding: str) -> bool:
    """Is this a finding whose answer moves the inspection on to another stage?"""
    return any(finding in stage.entered_by for stage in expert.scale.stages)


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
    end: the phases that must be gone through (cleaning, the look for the highest wet point) still are,
    because what drips is rarely what leaks.
    """
    clear = stands_out(now.belief, expert.scale)
    for phase in expert.scale.phases:
        if stage not in phase.stages or counts.get(phase.phase, 0) >= phase.most or (clear and not phase.must):
            continue
        if phase.must:
            if _put_off(expert, now.trace, phase):
                return Next(phase, None, PUT_OFF)
            due = [o for o in asked_in(expert, phase) if askable(expert, now.trace, o, stage, closed)]
            if due:  # in the order written; there is nothing to weigh in what must be asked
                return Next(phase, Question(due[0], stage, 0.0, ()), "")
            continue
        questions = ranked(expert, now, asked_in(expert, phase), stage, closed)
        if questions and round(questions[0].rate, 9) >= phase.worth:
            return Next(phase, questions[0], "")
    return Next(None, None, STANDS_OUT if clear else NOTHING_WORTH)


def _put_off(expert: Expert, trace: Trace, phase: Phase) -> bool:
    """Was the step that this phase asks for answered, but with a value that enters no stage: not done yet?"""
    entering = {item for stage in expert.scale.stages for item in stage.entered_by.items()}
    return any(
        (observable.id, value) not in entering
        for observable in asked_in(expert, phase)
        if enters_stage(expert, observable.id)
        for value in trace.memory.get((observable.id, ""), ())
    )
