"""The order of an inspection: which part of it comes next, which question, and when to stop."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from expert.belief import Belief
from expert.diagnosis import Diagnosis, Expert
from expert.facts import Fact
from expert.inseparable import standing
from expert.knowledge.base import WETNESS_KIND, Observable
from expert.knowledge.model import Phase, Scale
from expert.questions import Asked, Question, askable, in_order, in_two_steps, ranked
from expert.trace import Trace

STANDS_OUT = "one explanation stands out"
PUT_OFF = "cleaning everything and a short drive come next; say so when it is done, or `forget` it to go on without"
NOTHING_WORTH = "no further question is worth its minutes"

PAIRED = 4  # questions tried as the first of two, where none is worth its minutes alone


@dataclass(frozen=True)
class Next:
    """What to do next: a question of a phase, or (question None) stop, and why."""

    phase: Phase | None
    question: Question | None
    reason: str


def stands_out(expert: Expert, belief: Belief) -> bool:
    """Is one set of sources, as a whole, probable enough to be the explanation? What no look can part counts as one."""
    return standing(belief, expert.machine.inseparable).chance >= expert.scale.stands_out


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


def open_in(expert: Expert, stage: str) -> tuple[Observable, ...]:
    """The questions of all phases that apply in a stage, each once."""
    phases = (phase for phase in expert.scale.phases if stage in phase.stages)
    return tuple({o.id: o for phase in phases for o in asked_in(expert, phase)}.values())


def next_step(expert: Expert, now: Diagnosis, stage: str, closed: Asked, counts: Mapping[str, int]) -> Next:
    """The best question of the first phase that has one worth its minutes, or a stop.

    `closed` holds (finding, stage) pairs not to be asked (answered "unknown", say), `counts` how many
    questions each phase has asked. An explanation that stands out before the cleaned look is not the
    end: the phases that must be gone through (cleaning, the look for the highest wet point) still are,
    because what drips is rarely what leaks. Where no question by itself is worth its minutes, two together may be.
    """
    clear = stands_out(expert, now.belief)
    weighed: dict[str, tuple[Phase, Question]] = {}
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
        here = tuple(asked_in(expert, phase))
        before = (weighed[o.id][1] for o in here if o.id in weighed)  # an earlier phase asks for the same places
        fresh = ranked(expert, now, (o for o in here if o.id not in weighed), stage, closed)
        questions = in_order((*before, *fresh))
        for question in questions:
            if worth_asking(expert.scale, phase, question):
                return Next(phase, question, "")
        weighed |= {question.observable.id: (phase, question) for question in questions}
    leading = _leading(expert, now, stage, closed, weighed.values())
    return leading or Next(None, None, STANDS_OUT if clear else NOTHING_WORTH)


def worth_asking(scale: Scale, phase: Phase, question: Question) -> bool:
    """Is a question worth its minutes, and does anything depend on the answer?

    What is decided is the set of sources to repair. The value of the answer is by how much it makes the right set
    likelier to be chosen (the expected value of information under a loss of nought or one: Raiffa and Schlaifer 1961,
    from memory), times the minutes that a wrong one costs.
    """
    enough = round(question.rate, 9) >= phase.worth
    return enough and question.decides and round(question.value * scale.wrong_costs, 9) >= question.observable.minutes


def _leading(
    expert: Expert, now: Diagnosis, stage: str, closed: Asked, weighed: Iterable[tuple[Phase, Question]]
) -> Next | None:
    """A question that is worth its minutes for the sake of the one that follows it, if any is."""
    firsts = sorted(weighed, key=lambda item: (-round(item[1].rate, 9), item[1].observable.id))[:PAIRED]
    found = []
    for phase, first in firsts:
        pair = in_two_steps(expert, now, first, stage, closed, [q.observable for _, q in firsts])
        if pair.decides and round(pair.value * expert.scale.wrong_costs, 9) >= pair.minutes:
            found.append((-round(pair.value / pair.minutes, 9), first.observable.id, phase, first))
    if not found:
        return None
    _, _, phase, first = min(found, key=lambda item: item[:2])
    return Next(phase, first, "")


def _put_off(expert: Expert, trace: Trace, phase: Phase) -> bool:
    """Was the step that this phase asks for answered, but with a value that enters no stage: not done yet?"""
    entering = {item for stage in expert.scale.stages for item in stage.entered_by.items()}
    return any(
        (observable.id, value) not in entering
        for observable in asked_in(expert, phase)
        if enters_stage(expert, observable.id)
        for value in trace.memory.get((observable.id, ""), ())
    )
