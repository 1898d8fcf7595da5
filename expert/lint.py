"""The knowledge as a whole: every rule's own examples run, and what no single entry can show to be wrong."""

from __future__ import annotations

import functools
import itertools
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

from expert import reference
from expert.chaining import over_limits
from expert.facts import Fact
from expert.inspection import most_trusted
from expert.knowledge.base import KnowledgeBase, Machine, Observable
from expert.knowledge.conditions import Test
from expert.knowledge.ground import EVERY, SELECTORS, Branch, GroundRule, Ruleset, ground
from expert.knowledge.links import Places, rule_words, sound
from expert.knowledge.load import gather
from expert.knowledge.model import WETNESS, ExampleFacts, Rule
from expert.knowledge.problems import Problem, advice
from expert.trace import Trace

Chain = Callable[[Ruleset], Callable[[list[Fact]], Trace]]


@dataclass(frozen=True)
class Survey:
    """A folder as `firstwet check` sees it: the base, or None where it cannot be used; all problems, in file order."""

    base: KnowledgeBase | None
    problems: tuple[Problem, ...]


@dataclass(frozen=True)
class _View:
    """What the checks look at. Of a faulty base it holds the sound part, and `elsewhere` what the rest says."""

    base: KnowledgeBase
    places: Places
    rulesets: Mapping[str, Ruleset]
    elsewhere: frozenset[str] = frozenset()

    @cached_property
    def derived(self) -> frozenset[str]:
        """Findings that some rule derives."""
        return frozenset().union(*(ruleset.derivable for ruleset in self.rulesets.values()))

    def at(self, kind: str, name: str, path: tuple[str | int, ...], what: str, allowed: str = "") -> Problem:
        """A problem of an entry, at the line of its part."""
        return self.places.entries[kind][name].problem(path, what, allowed)


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
    """Every fault of a base that loaded, each once. `chain_for` makes the engine's chain function for a ruleset."""
    view = _View(base, places, {name: ground(base.machine(name)) for name in base.layouts})
    large = list(_large(view))
    yield from dict.fromkeys((*large, *_static(view), *_unplaced(view)))
    if not large:
        chains = {name: chain_for(ruleset) for name, ruleset in view.rulesets.items()}
        yield from dict.fromkeys((*_examples(view, chains), *_baseline(view, chains)))


def plainly(ruleset: Ruleset) -> Callable[[list[Fact]], Trace]:
    """The reference chainer, each run of which starts where no fact is known: quick where many short ones are run."""
    nothing = reference.chain(ruleset, ())
    return lambda facts: functools.reduce(reference.extend, facts, nothing)


def survey(folder: Path, chain_for: Chain) -> Survey:
    """Everything wrong with a folder, at once: shapes, references, and of what is sound all that can be judged.

    Examples run only where nothing else keeps the base from being used. KnowledgeError if there is no such folder.
    """
    found = gather(folder)
    if found.base is None or found.places is None:
        return Survey(None, tuple(sorted(set(found.problems))))
    if not found.problems:
        return Survey(found.base, tuple(sorted(set(lint(found.base, found.places, chain_for)))))
    return Survey(None, tuple(sorted({*found.problems, *_of_the_sound_part(found.base, found.places)})))


def _of_the_sound_part(base: KnowledgeBase, places: Places) -> Iterator[Problem]:
    """What is wrong whatever the faulty entries were meant to say."""
    if places.incomplete:
        return _phrases(base, places)
    part, elsewhere = sound(base, places)
    rulesets = {name: ground(part.machine(name)) for name in part.layouts}
    here = {made.rule.rule for ruleset in rulesets.values() for made in ruleset.rules}
    idle = [rule_words(rule) for name, rule in part.rules.items() if name not in here]
    view = _View(part, places, rulesets, elsewhere.union(*idle))
    unplaced = _unplaced(replace(view, base=base))  # in the layouts as they were written
    return itertools.chain(_large(view), _static(view), unplaced)


def _static(view: _View) -> Iterator[Problem]:
    """The faults that show without running anything."""
    yield from _unreachable(view)
    yield from _unasked(view)
    yield from _unraised(view)
    yield from _twins(view)
    yield from _phrases(view.base, view.places)


def _large(view: _View) -> Iterator[Problem]:
    for ruleset in view.rulesets.values():
        for name, what in over_limits(ruleset):
            yield view.at("heuristics", name, ("when",), f"rule {name!r}: {what}", "split the rule")


def example_facts(machine: Machine, rule: Rule, example: ExampleFacts) -> list[Fact]:
    """An example as facts; staged ones in the rule's stage, or the most trusted one. BadExample for what is unknown."""
    stage = rule.stage
    if stage == "any":
        stage = most_trusted(machine.base.scale)
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
            number = float(value)
        except ValueError:
            raise BadExample(f"{observable.id!r} is a number and {value!r} is none") from None
        least, most = observable.least or 0.0, observable.most or 0.0
        if not least <= number <= most:
            raise BadExample(f"{observable.id!r} is {value}; allowed: {least:g} to {most:g} {observable.unit}")
        return number
    if value not in observable.values:
        raise BadExample(f"{observable.id!r} has no value {value!r}; {advice(value, observable.values)}")
    return value


def try_examples(ruleset: Ruleset, rule: Rule, chain: Callable[[list[Fact]], Trace]) -> Iterator[Tried]:
    """Run a rule's examples on one layout, those that speak of what other layouts have left out."""
    mine = ruleset.by_rule.get(rule.rule, frozenset())
    for should_fire, examples in ((True, rule.examples.fires), (False, rule.examples.not_fires)):
        for number, example in enumerate(examples):
            if fits(ruleset.machine, example):
                fired = bool(chain(example_facts(ruleset.machine, rule, example)).fired & mine)
                yield Tried(rule.rule, ruleset.machine.layout.layout, should_fire, number, fired == should_fire)


def fits(machine: Machine, example: ExampleFacts) -> bool:
    """Does the layout have every finding and place of the example, leaving aside what is defined nowhere?"""
    base = machine.base
    for name, value in example.items():
        finding = base.findings.get(name)
        named = [name, value] if finding is not None and finding.kind == "zone" else [name]
        if any(one in base.findings and one not in machine.observables for one in named):
            return False
        if any(one in base.zones and one not in machine.zones for one in named):
            return False
    return True


def _examples(view: _View, chains: Mapping[str, Callable[[list[Fact]], Trace]]) -> Iterator[Problem]:
    for rule in view.base.rules.values():
        layouts = [layout for layout, ruleset in view.rulesets.items() if rule.rule in ruleset.by_rule]
        faulty = list(dict.fromkeys(p for layout in layouts for p in _faulty_examples(view, layout, rule)))
        yield from faulty
        if layouts and not faulty:
            tried = [t for layout in layouts for t in try_examples(view.rulesets[layout], rule, chains[layout])]
            yield from _failed(view, rule, tried)


def _failed(view: _View, rule: Rule, tried: list[Tried]) -> Iterator[Problem]:
    """The examples that did not do as they say where they had to, or fit no layout on which the rule applies."""
    for kind, examples, should_fire in (
        ("fires", rule.examples.fires, True),
        ("not-fires", rule.examples.not_fires, False),
    ):
        for number in range(len(examples)):
            label, path = f"{kind} example {number + 1}", ("examples", kind, number)
            mine = [t for t in tried if t.should_fire == should_fire and t.number == number]
            if not mine:
                what = f"rule {rule.rule!r}: its {label} fits no layout on which the rule applies"
                yield view.at("heuristics", rule.rule, path, what, "name findings and places that one vehicle has")
            elif not (_of_the_map(rule) and any(t.as_said for t in mine)):
                verb = "does not fire" if should_fire else "fires"
                for failed in mine:
                    if not failed.as_said:
                        what = f"rule {rule.rule!r} {verb} on its {label} ({failed.layout})"
                        yield view.at("heuristics", rule.rule, path, what, "mend the rule's conditions or the example")


def _of_the_map(rule: Rule) -> bool:
    """Does the rule depend on how zones lie, so that an example may hold on one layout and not on another?"""
    return bool(rule.for_each) or any(word.startswith(EVERY) for word in rule_words(rule))


def _faulty_examples(view: _View, layout: str, rule: Rule) -> Iterator[Problem]:
    """Facts of a rule's examples that no layout has, or that have no such value."""
    machine = view.rulesets[layout].machine
    for kind, examples in (("fires", rule.examples.fires), ("not-fires", rule.examples.not_fires)):
        for number, example in enumerate(examples):
            for finding, value in example.items():
                if not fits(machine, {finding: value}):
                    continue
                try:
                    example_facts(machine, rule, {finding: value})
                except BadExample as error:
                    what, _, allowed = str(error).partition("; ")
                    label = f"rule {rule.rule!r}: its {kind} example {number + 1}: {what}"
                    yield view.at("heuristics", rule.rule, ("examples", kind, number, finding), label, allowed)


def _reachable(view: _View, ruleset: Ruleset) -> set[str]:
    """The rules that can fire: questions, stated facts and other rules that can fire give all they test."""
    firing: set[int] = set()
    told: set[Fact] = set()
    grown = True
    while grown:
        new = [
            made
            for made in ruleset.rules
            if made.index not in firing and any(_can_hold(view, ruleset.machine, b, told) for b in made.branches)
        ]
        firing |= {made.index for made in new}
        told |= {fact for made in new for fact in made.derives}
        grown = bool(new)
    return {ruleset.rules[index].rule.rule for index in firing}


def _can_hold(view: _View, machine: Machine, branch: Branch, told: set[Fact]) -> bool:
    """Can all tests of a branch hold at once, given what rules can derive?"""
    together: dict[tuple[str, str], list[Test]] = {}
    for test in branch:
        if not _possible(view, machine.observables[test.finding], test, told):
            return False
        together.setdefault((test.finding, test.stage), []).append(test)
    return all(
        machine.observables[finding].many or _agree(machine.observables[finding], tests)
        for (finding, _), tests in together.items()
    )


def _possible(view: _View, observable: Observable, test: Test, told: set[Fact]) -> bool:
    """Can the test ever hold: some question or rule gives the finding such a value."""
    if observable.kind == "number":
        return _agree(observable, [test])
    asked = observable.phase or observable.words  # or stated outright
    if asked or observable.id in view.elsewhere or observable.id not in view.derived:  # the last is told of itself
        return bool(test.values)
    return any(fact.finding == test.finding and test.holds(fact.value) for fact in told)


def _agree(observable: Observable, tests: list[Test]) -> bool:
    """Is there one value that satisfies all tests of one finding?"""
    if observable.kind != "number":
        return any(all(test.holds(value) for test in tests) for value in observable.values)
    marks = sorted({observable.least or 0.0, observable.most or 0.0, *(test.number for test in tests)})
    between = [(low + high) / 2 for low, high in itertools.pairwise(marks)]
    inside = [n for n in (*marks, *between) if (observable.least or 0.0) <= n <= (observable.most or 0.0)]
    return any(all(test.holds(number) for test in tests) for number in inside)


def _unreachable(view: _View) -> Iterator[Problem]:
    reachable = {name for ruleset in view.rulesets.values() for name in _reachable(view, ruleset)}
    for name, rule in view.base.rules.items():
        if name not in reachable and not _touched(view, rule):
            yield view.at(
                "heuristics",
                name,
                ("when",),
                f"rule {name!r} can never fire on any layout",
                "its conditions contradict each other or, like its outcomes, name what no layout has",
            )


def _touched(view: _View, rule: Rule) -> bool:
    """Might the rule fire once faulty entries are mended? Selectors and variables may stand for any of them."""
    empty = any(not (layout.zones and layout.sources) for layout in map(view.base.whole, view.base.layouts))
    if not (view.places.broken_ids or empty):
        return False
    tables = (*rule.explains, *rule.favours, *rule.speaks_against)
    indirect = bool(rule.for_each) or any(who.startswith(SELECTORS) for who in tables)
    return indirect or not view.places.broken_ids.isdisjoint(rule_words(rule))


def _unasked(view: _View) -> Iterator[Problem]:
    base, rulesets = view.base, view.rulesets.values()
    tested = {t.finding for ruleset in rulesets for r in ruleset.rules for b in r.branches for t in b}
    steering = {name for stage in base.scale.stages for name in stage.entered_by}
    needed = {name for finding in base.findings.values() for name in finding.needs}
    needed |= {name for zone in base.zones.values() for name in zone.needs}
    for name, finding in base.findings.items():
        if not (finding.ask or finding.words) and name not in view.derived | view.elsewhere:
            what = f"finding {name!r}: no question asks it and no rule derives it"
            yield view.at("findings", name, (), what, "add `ask`, or a rule")
        if name not in tested | steering | needed | view.elsewhere:
            what = f"finding {name!r}: no rule looks at it"
            yield view.at("findings", name, (), what, "add a rule, or drop the finding")


def _unraised(view: _View) -> Iterator[Problem]:
    if any(word.startswith(SELECTORS) for word in view.elsewhere):
        return  # a faulty rule may speak of any source
    for layout, ruleset in view.rulesets.items():
        machine = ruleset.machine
        raised = {source for rule in ruleset.rules for source in (*rule.explains, *rule.favours)}
        lowered = {source for rule in ruleset.rules for source in (*rule.against, *rule.excludes)}
        for source in machine.sources:
            below = {zone for start in machine.sources[source].zones for zone in machine.reach[start]}
            beyond = {z for zone in below for z in (*machine.zones[zone].drains_into, *machine.zones[zone].blown_onto)}
            if source in view.elsewhere or not view.places.broken_ids.isdisjoint(beyond):
                continue
            if source not in raised:
                what = f"source {source!r}: no rule raises it ({layout})"
                yield view.at("sources", source, (), what, "add a rule that explains something by it")
            if source not in lowered:
                what = f"source {source!r}: no rule lowers it ({layout})"
                yield view.at("sources", source, (), what, "add a rule that speaks against it")


def _unplaced(view: _View) -> Iterator[Problem]:
    """Zones and sources that no vehicle has."""
    layouts = [view.base.whole(name) for name in view.base.layouts]
    for kind, names, used in (
        ("zones", view.base.zones, {zone for layout in layouts for zone in layout.zones}),
        ("sources", view.base.sources, {source for layout in layouts for source in layout.sources}),
    ):
        for name in names:
            if name not in used | view.elsewhere:
                what = f"{kind[:-1]} {name!r} is in no layout"
                yield view.at(kind, name, (), what, f"add it to the {kind} of a layout, or drop it")


def _signature(rule: GroundRule) -> tuple[object, ...]:
    tables = (rule.explains, rule.favours, rule.against)
    return (
        rule.stage,
        frozenset(map(frozenset, rule.branches)),
        *(tuple(sorted(table.items())) for table in tables),
        rule.excludes,
        rule.derives,
        rule.rule.first_do,
        rule.rule.advise,
        rule.rule.caution,
    )


def _twins(view: _View) -> Iterator[Problem]:
    for name, rule in view.base.rules.items():
        for source in rule.speaks_against:
            if source in rule.explains:
                what = f"rule {name!r} both explains by and speaks against {source!r}"
                yield view.at("heuristics", name, ("speaks-against", source), what, "keep one")
    for name, other in _said_already(view):
        place = view.places.entries["heuristics"][other]
        where = f"{place.file}:{place.lined.line(() if place.at is None else (place.at,))}"
        what = f"rule {name!r} says the same as {other!r}"
        yield view.at("heuristics", name, (), what, f"keep one of them; the other is at {where}")


def _said_already(view: _View) -> Iterator[tuple[str, str]]:
    """Rules that say nothing, on no layout, but what another says too, and that other; of two alike the later one."""
    said: dict[str, set[object]] = {}
    saying: dict[object, dict[str, None]] = {}
    for layout, ruleset in view.rulesets.items():
        for made in ruleset.rules:
            what = layout, _signature(made)
            said.setdefault(made.rule.rule, set()).add(what)
            saying.setdefault(what, {})[made.rule.rule] = None
    order = {name: at for at, name in enumerate(view.base.rules)}
    for name, all_of_it in said.items():
        others = [other for other in saying[next(iter(all_of_it))] if other != name and all_of_it <= said[other]]
        other = next((other for other in others if said[other] != all_of_it or order[other] < order[name]), None)
        if other is not None:
            yield name, other


def _baseline(view: _View, chains: Mapping[str, Callable[[list[Fact]], Trace]]) -> Iterator[Problem]:
    """On a clean, dry vehicle no rule may blame a source."""
    stage = most_trusted(view.base.scale)
    for layout, ruleset in view.rulesets.items():
        dry = [Fact(zone.zone, WETNESS[0], stage) for zone in ruleset.machine.zones.values() if zone.visible]
        for index in sorted(chains[layout](dry).fired):
            if ruleset.rules[index].explains:
                name = ruleset.rules[index].rule.rule
                what = f"rule {name!r} blames a source on a clean, dry vehicle ({layout})"
                yield view.at("heuristics", name, ("when",), what, "ask for something wet")


def _phrases(base: KnowledgeBase, places: Places) -> Iterator[Problem]:
    """One phrase must not mean two things on one vehicle, or free words could not be understood."""
    wholes = [base.whole(name) for name in base.layouts]
    everywhere = frozenset(base.layouts) or frozenset({""})
    homes = {zone: frozenset(whole.layout for whole in wholes if zone in whole.zones) for zone in base.zones}
    homes |= {name: frozenset(finding.layouts) for name, finding in base.findings.items()}
    owners: dict[str, dict[str, frozenset[str]]] = {}
    for kind, name, path, phrase, what in _all_phrases(base):
        if phrase.endswith("..."):
            continue  # names a finding for its values alone, and may name a place as well
        here = homes[name] or everywhere
        others = owners.setdefault(phrase.casefold(), {})
        first = next((other for other, there in others.items() if other != what and not here.isdisjoint(there)), None)
        others.setdefault(what, here)
        if first is not None:
            yield places.entries[kind][name].problem(
                path, f"the phrase {phrase!r} means {what} and also {first}", "make one of them longer"
            )


def _all_phrases(base: KnowledgeBase) -> Iterator[tuple[str, str, tuple[str | int, ...], str, str]]:
    """Kind, entry, path and words of each phrase, and what it means."""
    for name, zone in base.zones.items():
        for at, phrase in enumerate(zone.words):
            yield "zones", name, ("words", at), phrase, f"the zone {name!r}"
    for name, finding in base.findings.items():
        for at, phrase in enumerate(finding.words):
            yield "findings", name, ("words", at), phrase, f"the finding {name!r}"
        for value, entry in finding.values.items():
            for at, phrase in enumerate(entry.words):
                yield "findings", name, ("values", value, "words", at), phrase, f"{name!r}: {value!r}"
