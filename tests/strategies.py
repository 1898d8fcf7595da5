"""Facts, and small knowledge bases of any shape, made at random and always well formed.

Everything is drawn from a ruleset, so the same strategies serve the real knowledge and the random one.
"""

from __future__ import annotations

import math
from functools import cache
from typing import Any

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st

from expert.facts import Fact, Scalar
from expert.knowledge.base import KnowledgeBase, Machine, Observable
from expert.knowledge.conditions import Test
from expert.knowledge.ground import EVERY, GroundRule, Ruleset
from expert.knowledge.load import load, packaged_rules
from expert.knowledge.model import WETNESS, Finding, Layout, Rule, Scale, Source, Zone

MOST_ZONES = 5
CHAIN = 3  # how many rules deep the facts that satisfy a rule are sought


def calm(examples: int, **more: Any) -> settings:
    """Settings of every property test here: the same examples on every machine, and no clock.

    The phase that explains a failure is left out: with the whole knowledge among the arguments it takes minutes.
    """
    return settings(
        max_examples=examples,
        deadline=None,
        derandomize=True,
        phases=[Phase.generate, Phase.shrink],
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
        **more,
    )


# --- facts -------------------------------------------------------------------------------------------------


def keys_of(machine: Machine) -> list[tuple[Observable, str]]:
    """Everything that can be said on a machine: each observable in each stage in which it can be seen."""
    stages = tuple(entry.stage for entry in machine.base.scale.stages)
    return [(o, stage) for o in machine.observables.values() for stage in (stages if o.staged else ("",))]


def numbers_of(observable: Observable, ruleset: Ruleset) -> st.SearchStrategy[float]:
    """Numbers within bounds: the bounds, the bands, what rules compare with and its neighbours, and any other."""
    least, most = observable.least or 0.0, observable.most or 0.0
    told = {
        test.number
        for rule in ruleset.rules
        for branch in rule.branches
        for test in branch
        if test.op and test.finding == observable.id
    }
    edges = {least, most, *map(float, observable.bands), *told}
    edges |= {math.nextafter(edge, way) for edge in tuple(edges) for way in (-math.inf, math.inf)}
    near = [edge for edge in sorted(edges) if least <= edge <= most]
    return st.one_of(st.sampled_from(near), st.floats(least, most), st.floats(least, most).map(lambda x: round(x, 2)))


def values_of(observable: Observable, ruleset: Ruleset) -> st.SearchStrategy[Scalar]:
    """Any value that the observable can have."""
    if observable.kind == "number":
        return numbers_of(observable, ruleset)
    return st.sampled_from(observable.values)


def _meeting(test: Test, observable: Observable, ruleset: Ruleset) -> st.SearchStrategy[Scalar]:
    """A value that satisfies the test, where it has one."""
    if observable.kind == "number":
        return numbers_of(observable, ruleset)
    return st.sampled_from(sorted(test.values) or list(observable.values))


@st.composite
def answers_of(draw: st.DrawFn, ruleset: Ruleset, observable: Observable, stage: str) -> tuple[Fact, ...]:
    """One value of a finding, or up to three where several may hold at once."""
    most = 3 if observable.many else 1
    values = draw(st.lists(values_of(observable, ruleset), min_size=1, max_size=most, unique=True))
    return tuple(Fact(observable.id, value, stage) for value in values)


@st.composite
def facts_of(draw: st.DrawFn, ruleset: Ruleset, most: int = 10) -> list[Fact]:
    """Consistent facts in any order: what satisfies a few of the rules, or nearly so, and a few of any kind."""
    machine = ruleset.machine
    said: dict[tuple[str, str], list[Fact]] = {}

    def say(fact: Fact) -> None:
        mine = said.setdefault((fact.finding, fact.stage), [])
        if fact not in mine and (not mine or machine.observables[fact.finding].many):
            mine.append(fact)

    def satisfy(rule: GroundRule, depth: int) -> None:
        for test in draw(st.sampled_from(rule.branches)):
            # What other rules can conclude is mostly left for them to conclude.
            makers = [r for r in ruleset.rules if any(_is(fact, test) for fact in r.derives)] if depth else []
            if makers and draw(st.integers(0, 4)):
                satisfy(draw(st.sampled_from(makers)), depth - 1)
            else:
                say(Fact(test.finding, draw(_meeting(test, machine.observables[test.finding], ruleset)), test.stage))

    if ruleset.rules:
        for rule in draw(st.lists(st.sampled_from(ruleset.rules), max_size=5)):
            satisfy(rule, CHAIN)
    for observable, stage in draw(st.lists(st.sampled_from(keys_of(machine)), max_size=most, unique_by=_name)):
        for fact in draw(answers_of(ruleset, observable, stage)):
            say(fact)
    return list(draw(st.permutations([fact for facts in said.values() for fact in facts])))


def _is(fact: Fact, test: Test) -> bool:
    return (fact.finding, fact.stage) == (test.finding, test.stage) and test.holds(fact.value)


def _name(key: tuple[Observable, str]) -> tuple[str, str]:
    return key[0].id, key[1]


@st.composite
def unsaid(draw: st.DrawFn, ruleset: Ruleset, facts: list[Fact]) -> Fact:
    """One more fact, about something of which nothing was said."""
    known = {(fact.finding, fact.stage) for fact in facts}
    open_keys = [(o, stage) for o, stage in keys_of(ruleset.machine) if (o.id, stage) not in known]
    observable, stage = draw(st.sampled_from(open_keys))
    return Fact(observable.id, draw(values_of(observable, ruleset)), stage)


# --- knowledge bases ---------------------------------------------------------------------------------------

# Words that a careless compiler would take for something else.
ODD_VALUES = ("yes", "no", "1", "true", "9", 'it is "wet"', "naïve – é", "back\\slash", "a, b", "null", "$or", "{x}")
THRESHOLDS = ("-3", "0", "0.3", "0.5", "2", "7.25", "20")
FLUIDS = ("red fluid", "black oil")


def scale(trusts: tuple[float, ...] = (0.5, 1.0, 0.4)) -> Scale:
    """A scale with three stages of the given trust; the second and third are entered by saying so."""
    stages: list[dict[str, Any]] = [
        {"stage": "found", "name": "as found", "trust": trusts[0]},
        {"stage": "washed", "name": "after washing", "trust": trusts[1], "entered-by": {"washing": "yes"}},
        {"stage": "driven", "name": "after a drive", "trust": trusts[2], "entered-by": {"washing": "long ago"}},
    ]
    everywhere = ["found", "washed", "driven"]
    told = {
        "strengths": [
            {"strength": "weak", "ratio": 3, "means": "small"},
            {"strength": "moderate", "ratio": 7, "means": "moderate"},
            {"strength": "strong", "ratio": 20, "means": "large"},
        ],
        "commonness": [
            {"commonness": "common", "chance": 0.1},
            {"commonness": "uncommon", "chance": 0.03},
            {"commonness": "rare", "chance": 0.005},
        ],
        "fluids": {fluid: [fluid] for fluid in FLUIDS},
        "stages": stages,
        "phases": [
            {"phase": "talk", "name": "talk", "stages": everywhere, "worth": 0.001, "most": 9, "zones": True},
            {"phase": "wash", "name": "wash", "stages": ["found", "driven"], "worth": 0, "most": 2, "must": True},
            {"phase": "look", "name": "look", "stages": everywhere, "worth": 0.001, "most": 99, "zones": True},
        ],
        "access": [{"access": "outside", "name": "from outside"}],
        "stands-out": 0.75,
        "wrong-costs": 600,
        "wetness-usual": {"dry": 0.7, "damp": 0.1, "wet": 0.2},
        "wetness-trust": {"dry": 1, "damp": 0.4, "wet": 1},
    }
    return Scale.model_validate(_real_scale() | told)


@cache
def _real_scale() -> dict[str, Any]:
    """The words and numbers of the real scale, for all that no test here depends on."""
    return load(packaged_rules()).scale.model_dump(by_alias=True)


def zone(name: str, **more: Any) -> Zone:
    """A zone with what matters given (keys with underscores)."""
    found = {"zone": name, "name": f"zone {name}", "height": 0.5, "along": 0.5, "side": "middle", "where": "there"}
    return Zone.model_validate(found | _dashed(more))


def source(name: str, *zones: str, **more: Any) -> Source:
    """A source that leaks at any of the zones."""
    found = {
        "source": name,
        "name": f"source {name}",
        "about": "made up",
        "zone": list(zones),
        "holds": FLUIDS[0],
        "commonness": "common",
        "why-it-leaks": "it is made to",
        "basis": "made up for a test",
        "access": "outside",
        "confirm": "look",
    }
    return Source.model_validate(found | _dashed(more))


def finding(name: str, values: list[str] | dict[str, Any] | None = None, **more: Any) -> Finding:
    """A finding that is asked in the phase `talk`, a choice unless `kind` says otherwise."""
    table = values if isinstance(values, dict) else {value: {} for value in values or ()}
    found = {"finding": name, "name": f"finding {name}", "values": table, "phase": "talk", "ask": "What of it?"}
    return Finding.model_validate(found | {"how": "look", "where": "there"} | _dashed(more))


def rule(name: str, when: dict[str, Any], **more: Any) -> Rule:
    """A rule with its conditions as an author writes them."""
    found = {
        "rule": name,
        "because": "made up",
        "basis": "made up for a test",
        "when": when,
        "examples": {"fires": [{}], "not-fires": [{}]},
    }
    return Rule.model_validate(found | _dashed(more))


def _dashed(fields: dict[str, Any]) -> dict[str, Any]:
    return {key.replace("_", "-"): value for key, value in fields.items()}


def base(
    zones: list[Zone],
    sources: list[Source],
    findings: list[Finding],
    rules: list[Rule],
    layout_zones: list[str] | None = None,
    trusts: tuple[float, ...] = (0.5, 1.0, 0.4),
) -> KnowledgeBase:
    """A knowledge base as `load` would have built it. Its one layout has all zones unless told, and what they hold."""
    layout_zones = [z.zone for z in zones] if layout_zones is None else layout_zones
    layout = Layout.model_validate(
        {
            "layout": "tiny",
            "name": "tiny layout",
            "about": "made up",
            "zones": layout_zones,
            "sources": [s.source for s in sources if set(s.zones) <= set(layout_zones)],
            "default": True,
        }
    )
    return KnowledgeBase(
        scale=scale(trusts),
        cautions={},
        zones={z.zone: z for z in zones},
        findings={f.finding: f for f in [*findings, WASHING]},
        sources={s.source: s for s in sources},
        layouts={"tiny": layout},
        rules={r.rule: r for r in rules},
        repairs={},
        terms={},
        digest="made up",
    )


WASHING = finding("washing", ["yes", "long ago", "no"], phase="wash")


class _Author:
    """Draws the entries of one base; knows what it has defined so far."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.zones = self._zones()
        self.visible = [z.zone for z in self.zones if z.visible]
        self.findings = self._findings()
        self.conclusions = [f for f in self.findings if f.finding.startswith("d")]
        self.sources = self._sources()

    def some(self, things: list[str], least: int = 0, most: int = 2) -> list[str]:
        return self.draw(st.lists(st.sampled_from(things), min_size=least, max_size=most, unique=True))

    def one(self, things: Any) -> Any:
        return self.draw(st.sampled_from(things))

    def _zones(self) -> list[Zone]:
        names = [f"z{number}" for number in range(self.draw(st.integers(2, MOST_ZONES)))]
        seen = self.one(names)  # at least one can be seen
        return [
            zone(
                name,
                height=self.one([0.1, 0.5, 0.9]),
                along=self.one([0.1, 0.5, 0.9]),
                side=self.one(["left", "middle", "right"]),
                # Any zone may drain into any other: cycles, forks, and even into itself.
                drains_into=self.some(names),
                blown_onto=self.some(names, most=1),
                visible=name == seen or bool(self.draw(st.integers(0, 3))),
            )
            for name in names
        ]

    def _findings(self) -> list[Finding]:
        found = [
            finding(
                f"f{number}",
                self.some(list(ODD_VALUES), 2, 4),
                many=self.draw(st.booleans()),
                staged=self.draw(st.booleans()),
            )
            for number in range(self.draw(st.integers(1, 5)))
        ]
        # What rules conclude from each other, in chains; a case may state them outright all the same.
        found += [finding(f"d{number}", ["yes", "no"], many=number == 0) for number in range(3)]
        if self.draw(st.booleans()):
            found.append(finding("count", kind="number", unit="drop", least=-5, most=30, bands=[-4, 0.3, 2, 21]))
        if self.draw(st.booleans()):
            found.append(finding("topmost", kind="zone", staged=self.draw(st.booleans())))
        return found

    def _sources(self) -> list[Source]:
        names = [z.zone for z in self.zones]
        return [
            source(
                f"s{number}",
                *self.some(names, 1, 3),
                holds=self.one(FLUIDS),
                commonness=self.one(["common", "uncommon", "rare"]),
            )
            for number in range(self.draw(st.integers(1, 5)))
        ]

    def layout(self) -> list[str]:
        """The zones of the sources, a visible one, and any others."""
        needed = {place for s in self.sources for place in s.zones} | {self.visible[0]}
        return [z.zone for z in self.zones if z.zone in needed or self.draw(st.integers(0, 3))]

    def rule(self, number: int) -> Rule:
        relation = self.one(["zone draining into", "zone above", "zone ahead of"])
        variables = self.one(
            [
                {},
                {},
                {"A": "zone"},
                {"A": "zone", "B": f"{relation} A"},
                {"A": f"{relation} B", "B": "zone"},
            ]
        )
        self.every_allowed = True  # one such condition a rule: each may stand for as many as there are zones
        when: dict[str, Any] = {
            "all": [self.part(variables) for _ in range(self.draw(st.integers(0, 2)))],
            "any": [self.part(variables) for _ in range(self.one([0, 0, 2]))],
            "not": [self.condition(variables) for _ in range(self.one([0, 0, 1, 2]))],
        }
        if not any(when.values()):
            when["all"] = [self.condition(variables)]
        return rule(
            f"r{number}",
            when,
            for_each=variables,
            stage=self.one(["any", "any", "found", "washed"]),
            explains=self.table(variables),
            favours=self.table(variables) if self.draw(st.booleans()) else {},
            speaks_against=self.table(variables) if self.draw(st.booleans()) else {},
            excludes=self.some([s.source for s in self.sources], most=1) if not self.draw(st.integers(0, 4)) else [],
            derive=self.derived(variables),
            advise="something",
        )

    def part(self, variables: dict[str, str]) -> dict[str, Any]:
        kind = self.draw(st.integers(0, 5))
        if kind == 0:
            return {"any": [self.condition(variables), self.condition(variables)]}
        if kind == 1:
            return {"all": [self.condition(variables)], "not": [self.condition(variables)]}
        return self.condition(variables)

    def condition(self, variables: dict[str, str]) -> dict[str, Any]:
        places = [*variables, *variables, *self.visible]
        kind = self.draw(st.integers(0, 3))
        if kind == 0:
            return {self.one(places): self.some(list(WETNESS), 1, 3)}
        if kind == 1 and self.every_allowed:
            self.every_allowed = False
            anywhere = [*variables, *(z.zone for z in self.zones)]
            return {EVERY + self.one(anywhere): self.some(list(WETNESS), 1, 2)}
        about = self.one([*self.findings, *self.conclusions])
        if about.kind == "number":
            return {"count": f"{self.one(['>', '>=', '<', '<='])} {self.one(THRESHOLDS)}"}
        if about.kind == "zone":
            return {"topmost": self.some(list(dict.fromkeys(places)), 1, 2)}
        return {about.finding: self.some(list(about.values), 1, 3)}

    def table(self, variables: dict[str, str]) -> dict[str, str]:
        anywhere = [*variables, *(z.zone for z in self.zones)]
        who = [
            *(s.source for s in self.sources),
            f"sources holding {self.one(FLUIDS)}",
            f"sources first seen at {self.one(anywhere)}",
            f"sources draining onto {self.one(anywhere)}",
            f"sources that cannot wet {self.one(anywhere)}",
            "other sources",
        ]
        return {name: self.one(["weak", "moderate", "strong"]) for name in self.some(who, most=3)}

    def derived(self, variables: dict[str, str]) -> dict[str, str]:
        if not self.draw(st.integers(0, 2)):
            return {}
        about = self.one([*self.conclusions * 3, *(f for f in self.findings if f.kind != "number")])
        if about.kind == "zone":
            return {"topmost": self.one([*variables, *self.visible])}
        return {about.finding: self.one(list(about.values))}


@st.composite
def knowledge_bases(draw: st.DrawFn, most_rules: int = 12) -> KnowledgeBase:
    """A small base of any shape: cyclic drainage, hidden zones, a layout that may lack some, chained rules."""
    author = _Author(draw)
    rules = [author.rule(number) for number in range(draw(st.integers(1, most_rules)))]
    trusts = (draw(st.sampled_from([0.0, 0.5])), 1.0, 0.4)
    return base(author.zones, author.sources, author.findings, rules, author.layout(), trusts)


def machine_of(kb: KnowledgeBase) -> Machine:
    """The base's only layout."""
    return kb.machine(kb.default_layout)
