"""The knowledge as a whole: every rule's own examples run, and what no single entry can show to be wrong."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from expert.chaining import over_limits
from expert.facts import Fact
from expert.knowledge.base import KnowledgeBase, Machine, Observable
from expert.knowledge.conditions import Test
from expert.knowledge.ground import GroundRule, Ruleset, ground
from expert.knowledge.links import Places
from expert.knowledge.model import ExampleFacts, Rule
from expert.knowledge.problems import Problem, advice
from expert.trace import Trace

Chain = Callable[[Ruleset], Callable[[list[Fact]], Trace]]


class BadExample(Exception):
    """An example that names something the layout does not have."""


@dataclass(frozen=True)
class Tried:
    """One example of one rule on one layout, and whether the rule did what the example says."""

    rule: str
    layout: str
    should_fire: bool
    number: int
    as_said: bool


def lint(base: KnowledgeBase, places: Places, chain_for: Chain) -> Iterator[Problem]:
    """Every fault of a base that loaded. `chain_for` makes the engine's chain function for a ruleset."""
    rulesets = {name: ground(base.machine(name)) for name in base.layouts}
    yield from _examples(base, places, rulesets, chain_for)
    yield from _unreachable(base, places, rulesets)
    yield from _unasked(base, places, rulesets)
    yield from _unraised(places, rulesets)
    yield from _twins(places, rulesets)
    yield from _baseline(places, rulesets, chain_for)
    yield from _phrases(base, places)
    for ruleset in rulesets.values():
        for name, what in over_limits(ruleset):
            yield _at(places, "heuristics", name, f"rule {name!r}: {what}", "split the rule")


def _at(places: Places, kind: str, name: str, what: str, allowed: str) -> Problem:
    return places.entries[kind][name].problem((), what, allowed)


def example_facts(machine: Machine, rule: Rule, example: ExampleFacts) -> list[Fact]:
    """An example as facts; staged ones in the rule's stage, or the most trusted one. BadExample for what is unknown."""
    stage = rule.stage
    if stage == "any":
        stage = max(machine.base.scale.stages, key=lambda entry: entry.trust).stage
    facts = []
    for name, value in example.items():
        observable = machine.observables.get(name)
        if observable is None:
            raise BadExample(f"there is no finding {name!r}; {advice(name, machine.observables)}")
        facts.append(Fact(name, _value(observable, value), stage if observable.staged else ""))
    return facts


def _value(observable: Observable, value: str) -> str | float:
    if observable.kind == "number":
        try:
            return float(value)
        except ValueError:
            raise BadExample(f"{observable.id!r} is a number and {value!r} is none") from None
    if value not in observable.values:
        raise BadExample(f"{observable.id!r} has no value {value!r}; {advice(value, observable.values)}")
    return value


def try_examples(ruleset: Ruleset, rule: Rule, chain: Callable[[list[Fact]], Trace]) -> Iterator[Tried]:
    """Run a rule's examples on one layout."""
    mine = {ground.index for ground in ruleset.rules if ground.rule is rule}
    for should_fire, examples in ((True, rule.examples.fires), (False, rule.examples.not_fires)):
        for number, example in enumerate(examples):
            fired = bool(chain(example_facts(ruleset.machine, rule, example)).fired & mine)
            yield Tried(rule.rule, ruleset.machine.layout.layout, should_fire, number, fired == should_fire)


def _examples(
    base: KnowledgeBase, places: Places, rulesets: Mapping[str, Ruleset], chain_for: Chain
) -> Iterator[Problem]:
    tried: dict[str, int] = dict.fromkeys(base.rules, 0)
    for ruleset in rulesets.values():
        chain = chain_for(ruleset)
        here = {ground.rule.rule for ground in ruleset.rules}
        for name in base.rules:
            if name not in here:
                continue
            try:
                outcomes = list(try_examples(ruleset, base.rules[name], chain))
            except BadExample as error:
                yield places.entries["heuristics"][name].problem(("examples",), f"rule {name!r}: an example: {error}")
                continue
            tried[name] += len(outcomes)
            for outcome in outcomes:
                if not outcome.as_said:
                    kind = "fires" if outcome.should_fire else "not-fires"
                    verb = "does not fire" if outcome.should_fire else "fires"
                    yield places.entries["heuristics"][name].problem(
                        ("examples", kind, outcome.number),
                        f"rule {name!r} {verb} on its {kind} example {outcome.number + 1} ({outcome.layout})",
                        "mend the rule's conditions or the example",
                    )


def _possible(ruleset: Ruleset, test: Test) -> bool:
    """Can the test ever hold: some question or rule gives the finding such a value."""
    observable = ruleset.machine.observables[test.finding]
    if test.op:
        ends = (observable.least or 0.0, observable.most or 0.0)
        return any(test.holds(float(end)) for end in ends)
    if observable.phase or observable.words:  # asked, or stated outright
        return bool(test.values)
    return any(fact.finding == test.finding and test.holds(fact.value) for r in ruleset.rules for fact in r.derives)


def _unreachable(base: KnowledgeBase, places: Places, rulesets: Mapping[str, Ruleset]) -> Iterator[Problem]:
    reachable = {
        ground.rule.rule
        for ruleset in rulesets.values()
        for ground in ruleset.rules
        if any(all(_possible(ruleset, test) for test in branch) for branch in ground.branches)
    }
    for name in base.rules:
        if name not in reachable:
            yield _at(
                places,
                "heuristics",
                name,
                f"rule {name!r} can never fire on any layout",
                "its conditions, or its outcomes, do not exist there",
            )


def _unasked(base: KnowledgeBase, places: Places, rulesets: Mapping[str, Ruleset]) -> Iterator[Problem]:
    derived = {fact.finding for ruleset in rulesets.values() for rule in ruleset.rules for fact in rule.derives}
    tested = {t.finding for ruleset in rulesets.values() for r in ruleset.rules for b in r.branches for t in b}
    steering = {name for stage in base.scale.stages for name in stage.entered_by}
    needed = {name for finding in base.findings.values() for name in finding.needs}
    needed |= {name for zone in base.zones.values() for name in zone.needs}
    for name, finding in base.findings.items():
        if not finding.ask and name not in derived:
            yield _at(
                places,
                "findings",
                name,
                f"finding {name!r}: no question asks it and no rule derives it",
                "add `ask`, or a rule",
            )
        if name not in tested | steering | needed:
            yield _at(
                places, "findings", name, f"finding {name!r}: no rule looks at it", "add a rule, or drop the finding"
            )


def _unraised(places: Places, rulesets: Mapping[str, Ruleset]) -> Iterator[Problem]:
    for layout, ruleset in rulesets.items():
        raised = {source for rule in ruleset.rules for source in (*rule.explains, *rule.favours)}
        lowered = {source for rule in ruleset.rules for source in (*rule.against, *rule.excludes)}
        for source in ruleset.machine.sources:
            if source not in raised:
                yield _at(
                    places,
                    "sources",
                    source,
                    f"source {source!r}: no rule raises it ({layout})",
                    "add a rule that explains something by it",
                )
            if source not in lowered:
                yield _at(
                    places,
                    "sources",
                    source,
                    f"source {source!r}: no rule lowers it ({layout})",
                    "add a rule that speaks against it",
                )


def _signature(rule: GroundRule) -> tuple[object, ...]:
    tables = (rule.explains, rule.favours, rule.against)
    return (
        frozenset(map(frozenset, rule.branches)),
        *(tuple(sorted(table.items())) for table in tables),
        rule.excludes,
        rule.derives,
        rule.rule.first_do,
        rule.rule.advise,
        rule.rule.caution,
    )


def _twins(places: Places, rulesets: Mapping[str, Ruleset]) -> Iterator[Problem]:
    for ruleset in rulesets.values():
        seen: dict[tuple[str, tuple[object, ...]], str] = {}
        for ground_rule in ruleset.rules:
            name = ground_rule.rule.rule
            both = set(ground_rule.explains) & set(ground_rule.against)
            named = both & set(ground_rule.rule.explains) & set(ground_rule.rule.speaks_against)
            if named:
                yield _at(
                    places,
                    "heuristics",
                    name,
                    f"rule {name!r} both explains by and speaks against {sorted(named)[0]!r}",
                    "keep one",
                )
            key = (ground_rule.stage, _signature(ground_rule))
            first = seen.setdefault(key, name)
            if first != name:
                yield _at(places, "heuristics", name, f"rule {name!r} says the same as {first!r}", "keep one of them")


def _baseline(places: Places, rulesets: Mapping[str, Ruleset], chain_for: Chain) -> Iterator[Problem]:
    """On a clean, dry vehicle no rule may blame a source."""
    for layout, ruleset in rulesets.items():
        stage = max(ruleset.machine.base.scale.stages, key=lambda entry: entry.trust).stage
        dry = [Fact(z.zone, "dry", stage) for z in ruleset.machine.zones.values() if z.visible]
        for index in sorted(chain_for(ruleset)(dry).fired):
            rule = ruleset.rules[index]
            if rule.explains:
                name = rule.rule.rule
                yield _at(
                    places,
                    "heuristics",
                    name,
                    f"rule {name!r} blames a source on a clean, dry vehicle ({layout})",
                    "ask for something wet",
                )


def _phrases(base: KnowledgeBase, places: Places) -> Iterator[Problem]:
    """One phrase must not mean two things, or free words could not be understood."""
    owner: dict[str, tuple[str, str]] = {}
    for kind, name, phrase, what in _all_phrases(base):
        first = owner.setdefault(phrase.casefold(), (what, name))
        if first[0] != what:
            yield _at(
                places, kind, name, f"the phrase {phrase!r} means {what} and also {first[0]}", "make one of them longer"
            )


def _all_phrases(base: KnowledgeBase) -> Iterator[tuple[str, str, str, str]]:
    for name, zone in base.zones.items():
        yield from (("zones", name, phrase, f"the zone {name!r}") for phrase in zone.words)
    for name, finding in base.findings.items():
        yield from (("findings", name, phrase, f"the finding {name!r}") for phrase in finding.words)
        for value, entry in finding.values.items():
            yield from (("findings", name, phrase, f"{name!r}: {value!r}") for phrase in entry.words)
