"""What a technician would type about one kind of vehicle, and which part the expert then puts first."""

from __future__ import annotations

from collections.abc import Mapping

from expert.chaining import chainer
from expert.diagnosis import Expert
from expert.facts import Fact
from expert.inspection import most_trusted, next_step, stage_of
from expert.knowledge.base import KnowledgeBase
from expert.phrases import Lexicon, understand


class Technician:
    """One layout's expert, told things in the trade's own short phrases."""

    def __init__(self, base: KnowledgeBase, layout: str) -> None:
        self.machine = base.machine(layout)
        self.expert = Expert(self.machine, chainer)
        self.lexicon = Lexicon.of(self.machine)

    def facts(self, text: str) -> tuple[Fact, ...]:
        """The facts read from a text, every word of which must be understood."""
        reading = understand(self.lexicon, text, "as-found", None)
        assert not reading.not_understood, reading.not_understood
        assert not reading.contradictions
        return reading.facts

    def ranking(self, facts: tuple[Fact, ...]) -> tuple[str, ...]:
        """The sources in the order in which these facts make them likely."""
        return tuple(source for source, _ in self.expert.diagnose(facts).belief.ranking)

    def chances(self, facts: tuple[Fact, ...] = ()) -> Mapping[str, float]:
        """The chance that each source leaks, given these facts."""
        return self.expert.diagnose(facts).belief.marginals

    def first(self, text: str) -> str:
        """The source that these words make the likeliest."""
        return self.ranking(self.facts(text))[0]

    def only_wet(self, zone: str) -> tuple[Fact, ...]:
        """After cleaning one place is wet, and every place whose fluid could have run or blown onto it is dry."""
        stage = most_trusted(self.machine.base.scale)
        above = [up for up, reached in self.machine.reach.items() if zone in reached and up != zone]
        dry = (Fact(up, "dry", stage) for up in above if self.machine.zones[up].visible)
        return (Fact(zone, "wet", stage), *dry)

    def wrongly_accused(self) -> dict[str, str]:
        """Places that, as the only wet one, accuse first a part that does not let fluid out there, with that part."""
        seen = self.machine.first_seen
        places = sorted({zone for zones in seen.values() for zone in zones})
        first = {zone: self.ranking(self.only_wet(zone))[0] for zone in places}
        return {zone: part for zone, part in first.items() if zone not in seen[part]}

    def asked(self, *stated: Fact) -> tuple[str, ...]:
        """What is asked of somebody who states these facts and answers "unknown" from then on."""
        asked: list[str] = []
        counts: dict[str, int] = {}
        closed: set[tuple[str, str]] = set()
        now = self.expert.diagnose(stated)
        stage = stage_of(self.expert, stated)
        while (step := next_step(self.expert, now, stage, frozenset(closed), counts)).question is not None:
            observable = step.question.observable
            asked.append(observable.id)
            assert step.phase is not None
            counts[step.phase.phase] = counts.get(step.phase.phase, 0) + 1
            closed.add((observable.id, stage if observable.staged else ""))
        return tuple(asked)
