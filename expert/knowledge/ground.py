"""Rules made concrete for one layout: one ground rule for each zone binding and each stage it can be seen in.

Everything that depends only on the knowledge (zones, drainage, selectors, strength words) is settled here,
so that what is left for the chainers is propositional: facts in, rules whose tests all hold fire.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

from expert.facts import Fact
from expert.knowledge.base import Machine
from expert.knowledge.conditions import BadCondition, Test, parse
from expert.knowledge.model import Condition, Rule, When
from expert.knowledge.problems import advice

Binding = Mapping[str, str]
Branch = tuple[Test, ...]

RELATIONS = ("zone", "zone draining into", "zone above", "zone ahead of")
SELECTORS = (
    "sources holding",
    "sources first seen at",
    "sources draining onto",
    "sources that cannot wet",
    "other sources",
)
EVERY = "every zone draining into "
CANNOT_WET = ("every zone that ", " cannot wet")


class NotHere(Exception):
    """The rule speaks of something that this layout lacks; it simply does not apply there."""


@dataclass(frozen=True, eq=False)
class GroundRule:
    """A rule with its zones and stage filled in.

    `branches` is the condition in disjunctive form; the rule fires when every test of any branch holds.
    `observed` is what its evidence is about: finding and stage of the first condition, and its values where
    several values of that finding may hold at once (else ""), so that each of them is an observation of its own.
    `size` is how specific the rule is.
    The ratios in `explains`, `favours` and `against` are likelihood ratios above one, trust of the stage applied.
    """

    index: int
    rule: Rule
    binding: tuple[tuple[str, str], ...]
    stage: str
    branches: tuple[Branch, ...]
    observed: tuple[str, str, str]
    size: float
    derives: tuple[Fact, ...]
    explains: Mapping[str, float]
    favours: Mapping[str, float]
    against: Mapping[str, float]
    excludes: tuple[str, ...]

    @cached_property
    def lookups(self) -> tuple[tuple[tuple[tuple[str, str], Test], ...], ...]:
        """The branches with each test beside the (finding, stage) it looks up, made once: tests run often."""
        return tuple(tuple(((test.finding, test.stage), test) for test in branch) for branch in self.branches)

    @cached_property
    def weights(self) -> tuple[tuple[str, str, float, float], ...]:
        """All that it says of sources: outcome (`explains`, `favours`, `against`), source, ratio, its logarithm."""
        tables = (("explains", self.explains), ("favours", self.favours), ("against", self.against))
        return tuple((kind, who, ratio, math.log(ratio)) for kind, table in tables for who, ratio in table.items())

    @cached_property
    def key(self) -> str:
        """Unique, readable name: rule id, zones, stage."""
        zones = ",".join(f"{name}={zone}" for name, zone in self.binding)
        return self.rule.rule + (f"[{zones}]" if zones else "") + (f"@{self.stage}" if self.stage else "")


@dataclass(frozen=True, eq=False)
class Ruleset:
    """All ground rules of one layout, and which of them look at a finding in a stage."""

    machine: Machine
    rules: tuple[GroundRule, ...]

    @cached_property
    def watchers(self) -> Mapping[tuple[str, str], tuple[GroundRule, ...]]:
        """Ground rules by the (finding, stage) they test."""
        found: dict[tuple[str, str], dict[int, GroundRule]] = {}
        for rule in self.rules:
            for test in itertools.chain.from_iterable(rule.branches):
                found.setdefault((test.finding, test.stage), {})[rule.index] = rule
        return {key: tuple(rules.values()) for key, rules in found.items()}

    @cached_property
    def by_rule(self) -> Mapping[str, frozenset[int]]:
        """The indexes of each rule's ground rules, by the rule's id; rules that do not apply here are left out."""
        found: dict[str, set[int]] = {}
        for made in self.rules:
            found.setdefault(made.rule.rule, set()).add(made.index)
        return {name: frozenset(indexes) for name, indexes in found.items()}

    @cached_property
    def derivable(self) -> frozenset[str]:
        """Findings that some rule can derive."""
        return frozenset(fact.finding for rule in self.rules for fact in rule.derives)


def ground(machine: Machine) -> Ruleset:
    """Every rule of the base that applies to the layout, grounded. Raises BadCondition for a faulty rule."""
    rules: list[GroundRule] = []
    for rule in machine.base.rules.values():
        if rule.layouts and machine.layout.layout not in rule.layouts:
            continue
        rules.extend(ground_rule(machine, rule, len(rules)))
    return Ruleset(machine, tuple(rules))


def ground_rule(machine: Machine, rule: Rule, start: int = 0) -> Iterator[GroundRule]:
    """The ground rules of one rule, indexed from `start`; none where the layout lacks what it needs."""
    index = start
    for binding in bindings(machine, rule.for_each):
        for stage in stages_of(machine, rule):
            try:
                made = _ground_one(machine, rule, binding, stage, index)
            except NotHere:
                continue
            yield made
            index += 1


def bindings(machine: Machine, for_each: Mapping[str, str]) -> Iterator[dict[str, str]]:
    """Every way to fill the rule's zone variables (visible zones only), in the layout's order."""
    if not for_each:
        yield {}
        return
    visible = [name for name, zone in machine.zones.items() if zone.visible]
    names = list(for_each)
    for zones in itertools.product(visible, repeat=len(names)):
        filled = dict(zip(names, zones, strict=True))
        if len(set(zones)) == len(zones) and all(_related(machine, filled, name, for_each[name]) for name in names):
            yield filled


def _related(machine: Machine, filled: Binding, name: str, relation: str) -> bool:
    if relation == "zone":
        return True
    words, _, other = relation.rpartition(" ")
    if words not in RELATIONS or other not in filled or other == name:
        raise BadCondition(
            f"for-each {name}: {relation!r} is no relation between zones",
            "allowed: 'zone', or "
            + ", ".join(f"'{r} Z'" for r in RELATIONS[1:])
            + " with Z another variable of this rule",
        )
    here, there = machine.zones[filled[name]], machine.zones[filled[other]]
    if words == "zone draining into":
        return filled[other] in machine.downstream[filled[name]]
    if words == "zone ahead of":
        return here.along < there.along
    sides = {here.side, there.side}
    return here.height < there.height and (len(sides) == 1 or "middle" in sides)


def stages_of(machine: Machine, rule: Rule) -> tuple[str, ...]:
    """The stages a rule is grounded in: ("",) where none of its conditions carries a stage."""
    stages = tuple(entry.stage for entry in machine.base.scale.stages)
    if not any(_staged(machine, rule, key) for key in _keys(rule.when)):
        return ("",)
    if rule.stage == "any":
        return stages
    if rule.stage not in stages:
        raise BadCondition(f"stage {rule.stage!r} is not known", advice(rule.stage, ["any", *stages]))
    return (rule.stage,)


def _keys(when: When, one_branch: bool = False) -> Iterator[str]:
    """The findings a condition looks at; of alternatives all, or with `one_branch` the first only."""
    for part in (*when.all, *(when.any[:1] if one_branch else when.any), *when.none):
        if isinstance(part, When):
            yield from _keys(part, one_branch)
        else:
            yield from part


def _staged(machine: Machine, rule: Rule, key: str) -> bool:
    if key.startswith(EVERY) or key in rule.for_each:
        return True
    return key in machine.observables and machine.observables[key].staged


def _ground_one(machine: Machine, rule: Rule, binding: Binding, stage: str, index: int) -> GroundRule:
    branches = tuple(dict.fromkeys(tuple(dict.fromkeys(b)) for b in _branches(machine, rule.when, binding, stage)))
    if not branches or not all(branches):
        raise NotHere
    first = branches[0][0]
    by_stage = next((s.trust for s in machine.base.scale.stages if s.stage == stage), 1.0)
    trust = 1.0 if rule.trust == "full" else by_stage
    explains, favours, against = (
        _strengths(machine, rule, table, binding, trust) for table in (rule.explains, rule.favours, rule.speaks_against)
    )
    derives = tuple(
        _derived(machine, finding, value, binding, stage)
        for name, value in rule.derive.items()
        for finding in _derivable(machine, name, binding)
    )
    made = GroundRule(
        index=index,
        rule=rule,
        binding=tuple(sorted(binding.items())),
        stage=stage,
        branches=branches,
        observed=(first.finding, first.stage, _observed_value(machine, first)),
        size=_specificity(rule),
        derives=derives,
        explains=explains,
        favours=favours,
        against=against,
        excludes=tuple(s for s in _named(machine, rule, rule.excludes) if s in machine.sources),
    )
    says = bool(rule.first_do or rule.caution or rule.advise)
    if not (derives or says or explains or favours or against or made.excludes):
        raise NotHere
    return made


def _observed_value(machine: Machine, first: Test) -> str:
    return "\n".join(sorted(first.values)) if machine.observables[first.finding].many else ""


def _specificity(rule: Rule) -> float:
    """How specific a rule is: its conditions, but what it says of any zone at all counts half after the first.

    A rule for every zone is general however many zones it compares: what is known of one named part beats it.
    """
    keys = list(_keys(rule.when, one_branch=True))
    general = [key for key in keys if key.startswith(EVERY) or key in rule.for_each]
    return len(keys) - max(0, len(general) - 1) / 2


def _branches(machine: Machine, when: When, binding: Binding, stage: str) -> list[Branch]:
    """The condition as a list of conjunctions."""
    branches: list[Branch] = [()]
    for part in when.all:
        options = _part(machine, part, binding, stage)
        branches = [(*branch, *option) for branch in branches for option in options]
    if when.any:
        options = [option for part in when.any for option in _part_or_none(machine, part, binding, stage)]
        if not options:
            raise NotHere
        branches = [(*branch, *option) for branch in branches for option in options]
    for condition in when.none:
        (option,) = _part(machine, condition, binding, stage, negated=True)
        branches = [(*branch, *option) for branch in branches]
    return branches


def _part_or_none(machine: Machine, part: Condition | When, binding: Binding, stage: str) -> list[Branch]:
    """An alternative the layout lacks is no alternative, but does not take the others with it."""
    try:
        return _part(machine, part, binding, stage)
    except NotHere:
        return []


def _part(
    machine: Machine, part: Condition | When, binding: Binding, stage: str, negated: bool = False
) -> list[Branch]:
    if isinstance(part, When):
        return _branches(machine, part, binding, stage)
    tests: list[Test] = []
    for key, wanted in part.items():
        for finding in _findings(machine, key, binding):
            tests.append(_test(machine, finding, wanted, binding, stage, negated))
    return [tuple(tests)]


def _findings(machine: Machine, key: str, binding: Binding) -> tuple[str, ...]:
    if key.startswith(EVERY):
        zone = _zone(machine, key.removeprefix(EVERY), binding, key)
        feeders = tuple(z for z in machine.feeders.get(zone, ()) if machine.zones[z].visible)
        if not feeders:
            raise NotHere
        return feeders
    return (binding.get(key, key),)


def _zone(machine: Machine, name: str, binding: Binding, said: str) -> str:
    """The zone that a name or variable stands for; `said` is the whole phrase, for the message if it is none."""
    zone = binding.get(name, name)
    if zone not in machine.base.zones:
        raise BadCondition(f"{said!r} names no zone", advice(zone, [*binding, *machine.base.zones]))
    return zone


def _derivable(machine: Machine, key: str, binding: Binding) -> tuple[str, ...]:
    """The findings that a key under `derive` stands for; none where it speaks of zones and there are none."""
    if key.startswith(CANNOT_WET[0]) and key.endswith(CANNOT_WET[1]):
        zone = _zone(machine, key.removeprefix(CANNOT_WET[0]).removesuffix(CANNOT_WET[1]), binding, key)
        if zone not in machine.zones:
            return ()
        return tuple(z for z, entry in machine.zones.items() if entry.visible and z not in machine.reach[zone])
    try:
        return _findings(machine, key, binding)
    except NotHere:
        return ()


def _test(machine: Machine, finding: str, wanted: str | list[str], binding: Binding, stage: str, negated: bool) -> Test:
    observable = machine.observables.get(finding)
    if observable is None:
        if finding in machine.base.findings:  # which other layouts have
            raise NotHere
        zone = machine.base.zones.get(finding)
        if zone is None:
            known = [*machine.base.findings, *machine.base.zones]
            raise BadCondition(f"there is no finding or zone {finding!r}", advice(finding, known))
        if not zone.visible:
            raise BadCondition(f"the zone {finding!r} cannot be seen", "use a zone into which it drains")
        raise NotHere
    words = [wanted] if isinstance(wanted, str) else wanted
    if observable.kind == "zone":
        words = [binding.get(word, word) for word in words]
        unknown = [w for w in words if w not in machine.base.zones or not machine.base.zones[w].visible]
        if not unknown and not set(words) & set(observable.values):
            raise NotHere
        words = unknown or [w for w in words if w in observable.values]
    return parse(observable, words if len(words) > 1 else words[0], stage if observable.staged else "", negated)


def _derived(machine: Machine, name: str, value: str, binding: Binding, stage: str) -> Fact:
    observable = machine.observables.get(name)
    if observable is None or observable.kind == "number":
        if (observable is None and name in machine.base.findings) or _elsewhere(machine, name):
            raise NotHere
        choices = [o.id for o in machine.observables.values() if o.kind != "number"]
        raise BadCondition(f"derive: {name!r} is no finding with words for values", advice(name, choices))
    value = binding.get(value, value)
    if value not in observable.values:
        if observable.kind == "zone" and _elsewhere(machine, value):
            raise NotHere
        raise BadCondition(f"derive: {name!r} has no value {value!r}", advice(value, observable.values))
    return Fact(name, value, stage if observable.staged else "")


def _elsewhere(machine: Machine, zone: str) -> bool:
    return zone not in machine.zones and zone in machine.base.zones and machine.base.zones[zone].visible


def _strengths(
    machine: Machine, rule: Rule, table: Mapping[str, str], binding: Binding, trust: float
) -> dict[str, float]:
    """Ratio by source id; one named outright (in any table) beats a selector, an earlier selector a later one."""
    ratios = {entry.strength: entry.ratio for entry in machine.base.scale.strengths}
    outright = {name for every in (rule.explains, rule.favours, rule.speaks_against) for name in every}
    found: dict[str, float] = {}
    for who, word in sorted(table.items(), key=lambda item: _is_selector(item[0])):
        if word not in ratios:
            raise BadCondition(f"{word!r} is no strength", advice(word, ratios))
        for source in select(machine, rule, who, binding):
            if _is_selector(who) and source in outright:
                continue
            # A part that leaks at one of several places is cleared by a dry look at one of them only in part.
            places = len(machine.first_seen[source]) if table is rule.speaks_against and _is_place(who) else 1
            ratio = ratios[word] ** (trust / max(places, 1))
            if ratio > 1:  # in a stage of no trust nothing is said
                found.setdefault(source, ratio)
    return dict(sorted(found.items()))


def _is_selector(who: str) -> bool:
    return who.startswith(SELECTORS)


def _is_place(who: str) -> bool:
    return who.startswith("sources first seen at ")


def select(machine: Machine, rule: Rule, who: str, binding: Binding) -> tuple[str, ...]:
    """The layout's sources that a source id or a selector stands for."""
    if who == "other sources":
        named = {n for t in (rule.explains, rule.favours, rule.speaks_against) for n in t}
        return tuple(name for name in machine.sources if name not in named)
    for words in SELECTORS[:-1]:
        if who.startswith(words + " "):
            return _selected(machine, words, who.removeprefix(words + " "), binding)
    return tuple(s for s in _named(machine, rule, (who,)) if s in machine.sources)


def _named(machine: Machine, rule: Rule, names: tuple[str, ...]) -> tuple[str, ...]:
    for name in names:
        if name not in machine.base.sources:
            raise BadCondition(
                f"there is no source {name!r}",
                advice(name, [*machine.base.sources, *(f"{s} …" for s in SELECTORS[:-1])]),
            )
    return names


def _selected(machine: Machine, words: str, of: str, binding: Binding) -> tuple[str, ...]:
    if words == "sources holding":
        if of not in machine.base.scale.fluids:
            raise BadCondition(f"{of!r} is no fluid", advice(of, machine.base.scale.fluids))
        return tuple(name for name, source in machine.sources.items() if source.holds == of)
    zone = _zone(machine, of, binding, f"{words} {of}")
    if zone not in machine.zones:
        return ()  # of a place that the vehicle lacks nothing is said, not even that nothing can wet it
    if words == "sources first seen at":
        return tuple(name for name, seen in machine.first_seen.items() if zone in seen)
    wetting = {n for n, source in machine.sources.items() if any(zone in machine.reach[z] for z in source.zones)}
    if words == "sources that cannot wet":
        return tuple(name for name in machine.sources if name not in wetting)
    return tuple(name for name in machine.sources if name in wetting and zone not in machine.first_seen[name])
