"""The whole job: what was concluded is repaired, the vehicle is proved dry or not, and gone on with where it is not.

The proof of a repair is the look that counts, once more: clean, drive a short way, look. On a vehicle from which some
leaks are gone that look sees what they had covered up. Whoever goes about it so may find several leaks one after the
other; what a single inspection names says little of how a job ends.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace

import numpy as np

from expert.belief import Belief
from expert.inspection import asked_in, enters_stage
from expert.vehicle import Vehicle

from .bench import Bench
from .outcome import Job, Outcome
from .policies import CHECKLIST, EXPERT, Inspection, by_expert, go_on, walk_round

MOST_VISITS = 3  # the first inspection and two proofs, each with what follows from it
STILL = 0.5  # after a proof, the chance that anything leaks from which on it is gone on with
PROOF = "proof"  # the phase under which a proof's questions are counted

Look = Callable[[Bench, Inspection], None]


def after_repairs(vehicle: Vehicle, mended: Collection[str], visit: int) -> Vehicle:
    """The vehicle as it is next seen: the same leaks without those mended, leaking anew, seen by fresh eyes.

    Whoever mends a leak wipes out the hidden places that he lays bare, so none of its fluid is left.
    """
    left = tuple(leak for leak in vehicle.leaks if leak.source not in mended)
    return Vehicle(vehicle.world, vehicle.stream("visit", str(visit)).getrandbits(64), left, vehicle.former)


def still_leaks(belief: Belief) -> float:
    """The chance that anything leaks at all, by the belief's own figures.

    The weights of all sets are relative to that of the empty set, of which a belief that is sure of a leak leaves out
    the mention: sources are independent beforehand, and what was seen counts nothing for or against no leak.
    """
    top = max(0.0, float(belief.log_weight.max()))
    some = float(np.exp(belief.log_weight - top).sum())
    return some / (some + float(np.exp(-top)))


def by_expert_look(bench: Bench, case: Inspection) -> None:
    """The questions that must be asked in this stage; only if they do not prove it dry, the expert's own next ones."""
    for phase in bench.expert.scale.phases:
        if phase.must and case.stage in phase.stages:
            for observable in asked_in(bench.expert, phase):
                if case.may_ask(observable):
                    case.ask(observable, phase.phase)
    if case.closed or still_leaks(case.now().belief) >= STILL:
        go_on(case, by_expert)


def by_checklist_look(bench: Bench, case: Inspection) -> None:
    """The checklist again."""
    for observable in walk_round(bench.expert, case):
        if case.may_ask(observable):
            case.ask(observable, CHECKLIST)


LOOKS: dict[str, Look] = {EXPERT: by_expert_look, CHECKLIST: by_checklist_look}


def repaired(bench: Bench, sources: Collection[str]) -> frozenset[str]:
    """All that the repairs for these sources mend."""
    return frozenset(mended for source in sources for mended in bench.repairs[source].sources)


def whole_job(bench: Bench, vehicle: Vehicle, first: Outcome) -> Outcome:
    """The outcome of the first inspection, with what came of it in the end. KeyError for a policy without a `Look`."""
    look = LOOKS[first.policy]
    mended = repaired(bench, first.concluded)
    wrong, minutes, visits, proved = list(first.wrong), first.minutes, 1, False
    while visits < MOST_VISITS and not proved:
        visits += 1
        case = Inspection(bench.expert, after_repairs(vehicle, mended, visits), mended)
        for observable in bench.machine.observables.values():
            if enters_stage(bench.expert, observable.id):
                case.ask(observable, PROOF)
        look(bench, case)
        minutes += case.minutes
        belief = case.now().belief
        proved = still_leaks(belief) < STILL
        if not proved:
            sources = belief.best[0]
            wrong += [source for source in sources if source not in case.truth]
            mended |= repaired(bench, sources)
    left = tuple(source for source in vehicle.truth if source not in mended)
    return replace(first, job=Job(left, tuple(wrong), visits, first.minutes, minutes, proved))
