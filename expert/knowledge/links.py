"""References between entries: everything named somewhere must be defined, and rules must ground."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

from expert.knowledge.base import KnowledgeBase, Machine
from expert.knowledge.conditions import BadCondition
from expert.knowledge.ground import ground_rule
from expert.knowledge.model import WETNESS, Layout, Place, Rule, When
from expert.knowledge.problems import Problem, advice

if TYPE_CHECKING:
    from expert.knowledge.load import Where

PathInEntry = tuple[str | int, ...]

# More would make so many ground rules, or so many branches, that the knowledge could not be loaded at all.
MOST_VARIABLES = 3
MOST_BRANCHES = 64
NAMED_BY_RULES = ("zones", "findings", "sources", "layouts")
PLACE_KEYS = tuple(field.alias or name for name, field in Place.model_fields.items())


@dataclass(frozen=True)
class Places:
    """Where the scale and every sound entry (by kind and id) stand, and what could not be understood.

    `broken` holds the faulty entries as they were written, by kind and id; `incomplete` the kinds of which
    whole files are missing: what they might have defined is not missed a second time.
    """

    scale: Where
    entries: Mapping[str, Mapping[str, Where]]
    broken: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    incomplete: frozenset[str] = frozenset()

    @cached_property
    def broken_ids(self) -> frozenset[str]:
        """The ids of the faulty entries that rules may name."""
        return frozenset(name for kind in NAMED_BY_RULES for name in self.broken.get(kind, ()))

    @cached_property
    def broken_words(self) -> frozenset[str]:
        """Everything that the faulty entries say, so that nobody is told to add what stands there."""
        return frozenset(word for entries in self.broken.values() for raw in entries.values() for word in _words(raw))

    def ids(self, kind: str, sound: Iterable[str]) -> Collection[str] | None:
        """All ids of a kind, the faulty entries' too; None where that cannot be told."""
        return None if kind in self.incomplete else (*sound, *self.broken.get(kind, ()))


def _words(raw: Any) -> Iterator[str]:
    if isinstance(raw, dict):
        for key, value in raw.items():
            yield key
            yield from _words(value)
    elif isinstance(raw, list):
        for value in raw:
            yield from _words(value)
    elif isinstance(raw, str):
        yield raw


def check(base: KnowledgeBase, places: Places, layouts: Collection[str]) -> Iterator[Problem]:
    """Every broken reference, with file and line. Rules are grounded on these of the layouts only: that takes time."""
    yield from _Links(base, places).check(layouts)


def pared(base: KnowledgeBase) -> KnowledgeBase:
    """The base with each layout written out and reduced to what exists, so that rules can be grounded on it."""
    layouts = {}
    for name in base.layouts:
        layout = base.whole(name)
        zones = tuple(zone for zone in layout.zones if zone in base.zones)
        sources = tuple(
            s for s in layout.sources if s in base.sources and not set(base.sources[s].zones).isdisjoint(zones)
        )
        layouts[name] = layout.model_copy(update={"zones": zones, "sources": sources})
    return replace(base, layouts=layouts)


def sound(base: KnowledgeBase, places: Places) -> tuple[KnowledgeBase, frozenset[str]]:
    """The part of a faulty base whose rules can be judged, and every word that the rest says."""
    part = pared(base)
    machines = [part.machine(name) for name in part.layouts]
    kept, words = {}, set(places.broken_words)
    for name, rule in base.rules.items():
        if (
            _too_large(rule)
            or not set(rule.layouts) <= set(base.layouts)
            or any(_fault(machine, rule) for machine in machines)
        ):
            words |= rule_words(rule)
        else:
            kept[name] = rule
    return replace(part, rules=kept), frozenset(words)


def _missing(
    where: Where, path: PathInEntry, label: str, names: Iterable[str], known: Collection[str] | None, kind: str
) -> Iterator[Problem]:
    """The names that are not known; the problem stands at the name's own line where it has one."""
    if known is None:
        return
    for at, name in enumerate(names):
        if name not in known:
            yield where.problem((*path, at), f"{label}: there is no {kind} {name!r}", advice(name, known))


def _twice(where: Where, path: PathInEntry, label: str, names: Iterable[str]) -> Iterator[Problem]:
    seen: set[str] = set()
    for at, name in enumerate(names):
        if name in seen:
            yield where.problem((*path, at), f"{label}: {name!r} is named twice", "keep one of them")
        seen.add(name)


class _Links:
    """One check of one base; the ids of all kinds gathered once."""

    def __init__(self, base: KnowledgeBase, places: Places) -> None:
        self.base, self.places = base, places
        self.zones = places.ids("zones", base.zones)
        self.findings = places.ids("findings", base.findings)
        self.sources = places.ids("sources", base.sources)
        self.cautions = places.ids("cautions", base.cautions)
        self.layouts = places.ids("layouts", base.layouts)

    def check(self, layouts: Collection[str]) -> Iterator[Problem]:
        yield from self._scale()
        yield from self._zones()
        yield from self._findings()
        yield from self._sources()
        yield from self._layouts()
        yield from self._repairs()
        yield from self._terms()
        yield from self._rules(layouts)

    def _scale(self) -> Iterator[Problem]:
        scale, where = self.base.scale, self.places.scale
        stages = [entry.stage for entry in scale.stages]
        access = [entry.access for entry in scale.access]
        ids = {
            "strengths": [entry.strength for entry in scale.strengths],
            "commonness": [entry.commonness for entry in scale.commonness],
            "stages": stages,
            "phases": [entry.phase for entry in scale.phases],
            "access": access,
        }
        for key, names in ids.items():
            yield from _twice(where, (key,), key, names)
            if not names:
                yield where.problem((key,), f"{key} is empty", "write at least one entry")
        for at, phase in enumerate(scale.phases):
            path: PathInEntry = ("phases", at, "stages")
            yield from _missing(where, path, f"phase {phase.phase!r}", phase.stages, stages, "stage")
        for at, entry in enumerate(scale.access):
            yield from _missing(
                where, ("access", at, "opens"), f"access {entry.access!r}", entry.opens, access, "access"
            )
        for at, stage in enumerate(scale.stages):
            for name, value in stage.entered_by.items():
                path, label = ("stages", at, "entered-by", name), f"stage {stage.stage!r}"
                yield from _missing(where, path, label, [name], self.findings, "finding")
                if name in self.base.findings:
                    values = self.base.findings[name].values
                    yield from _missing(where, path, label, [value], values, f"value of {name!r}")
        for at, stage in enumerate(scale.stages):
            for value, weight in stage.wetness_usual.items():
                if not weight > 0:
                    what = f"stage {stage.stage!r}: wetness-usual: {value} is {weight:g}"
                    yield where.problem(("stages", at, "wetness-usual", value), what, "allowed: more than 0")
        if stages and all(stage.entered_by for stage in scale.stages):
            what = "no stage is the one in which a case begins"
            yield where.problem(("stages",), what, "leave `entered-by` out of it")
        for value, weight in scale.wetness_usual.items():
            if not weight > 0:
                what = f"wetness-usual: {value} is {weight:g}"
                yield where.problem(("wetness-usual", value), what, "allowed: more than 0")

    def _needs(self, where: Where, label: str, needs: Mapping[str, tuple[str, ...]]) -> Iterator[Problem]:
        known = None if self.zones is None or self.findings is None else (*self.findings, *self.zones)
        for name, values in needs.items():
            yield from _missing(where, ("needs", name), label, [name], known, "finding or zone")
            finding = self.base.findings.get(name)
            allowed: Collection[str] | None = WETNESS if name in self.base.zones else None
            if finding is not None:
                allowed = {"choice": tuple(finding.values), "zone": self.zones}.get(finding.kind)
                if finding.kind == "number":
                    what = f"{label} needs {name!r}, which is a number"
                    yield where.problem(("needs", name), what, "allowed: findings with words for values")
            yield from _missing(where, ("needs", name), label, values, allowed, f"value of {name!r}")

    def _zones(self) -> Iterator[Problem]:
        for name, zone in self.base.zones.items():
            where, label = self.places.entries["zones"][name], f"zone {name!r}"
            for key, names in (("drains-into", zone.drains_into), ("blown-onto", zone.blown_onto)):
                yield from _missing(where, (key,), label, names, self.zones, "zone")
                if name in names:
                    yield where.problem((key,), f"{label}: {key} names the zone itself", "name the zones below it")
            yield from _missing(where, ("cautions",), label, zone.cautions, self.cautions, "caution")
            yield from self._needs(where, label, zone.needs)
            if self.findings is not None and name in self.findings:
                yield where.problem((), f"{label} has the name of a finding", "rename one of them")

    def _findings(self) -> Iterator[Problem]:
        phases = [phase.phase for phase in self.base.scale.phases]
        stages = [entry.stage for entry in self.base.scale.stages]
        for name, finding in self.base.findings.items():
            where, label = self.places.entries["findings"][name], f"finding {name!r}"
            yield from _missing(where, ("cautions",), label, finding.cautions, self.cautions, "caution")
            yield from self._needs(where, label, finding.needs)
            if finding.phase:
                yield from _missing(where, ("phase",), label, [finding.phase], phases, "phase")
            if finding.stage:
                yield from _missing(where, ("stage",), label, [finding.stage], stages, "stage")
            yield from _missing(where, ("layouts",), label, finding.layouts, self.layouts, "layout")
            yield from _twice(where, ("layouts",), label, finding.layouts)
            lacks = [key for key in ("phase", "how", "where") if finding.ask and not getattr(finding, key)]
            if lacks:
                yield where.problem(("ask",), f"{label} is asked but lacks {', '.join(lacks)}", "add what is lacking")
            if finding.kind == "choice" and len(finding.values) < 2:
                yield where.problem((), f"{label} has fewer than two values", "give each value it can have")
            if finding.kind != "choice" and finding.values:
                yield where.problem(("values",), f"{label} is a {finding.kind} and lists values", "leave `values` out")
            if finding.kind == "number":
                yield from self._number(where, label, name)

    def _number(self, where: Where, label: str, name: str) -> Iterator[Problem]:
        finding = self.base.findings[name]
        if not finding.unit or finding.least is None or finding.most is None or len(finding.bands) < 2:
            yield where.problem((), f"{label} is a number without unit, least, most or two bands", "add them")
        elif not finding.least < finding.most:
            yield where.problem(("least",), f"{label}: least is not below most", "exchange or mend them")
        elif not all(finding.least <= band <= finding.most for band in finding.bands):
            yield where.problem(("bands",), f"{label} has a band outside least to most", "move it inside")
        for unit, factor in finding.units.items():
            if not factor > 0:
                yield where.problem(
                    ("units", unit), f"{label}: the unit {unit!r} is {factor:g}", "allowed: more than 0"
                )

    def _sources(self) -> Iterator[Problem]:
        base, places = self.base, self.places
        common = [entry.commonness for entry in base.scale.commonness]
        repaired = {source for repair in base.repairs.values() for source in repair.sources} | places.broken_words
        for name, source in base.sources.items():
            where, label = places.entries["sources"][name], f"source {name!r}"
            yield from _missing(where, ("zone",), label, source.zones, self.zones, "zone")
            yield from _missing(where, ("holds",), label, [source.holds], base.scale.fluids, "fluid")
            yield from _missing(where, ("commonness",), label, [source.commonness], common, "commonness")
            yield from _missing(where, ("access",), label, [source.access], base.access, "access")
            yield from _missing(where, ("alike",), label, source.alike, self.sources, "source")
            yield from _missing(where, ("inseparable-from",), label, source.inseparable_from, self.sources, "source")
            if name not in repaired and "repairs" not in places.incomplete:
                yield where.problem((), f"{label} has no repair", "add one under repairs/ with `for: [this source]`")

    def _layouts(self) -> Iterator[Problem]:
        base = self.base
        for name, layout in base.layouts.items():
            where, label = self.places.entries["layouts"][name], f"layout {name!r}"
            yield from _missing(where, ("zones",), label, layout.zones, self.zones, "zone")
            yield from _missing(where, ("sources",), label, layout.sources, self.sources, "source")
            yield from _twice(where, ("zones",), label, layout.zones)
            yield from _twice(where, ("sources",), label, layout.sources)
            yield from _twice(where, ("without",), label, layout.without)
            whole = base.whole(name)
            for key, names in (("zones", whole.zones), ("sources", whole.sources)):
                if not names and not self._unsettled(layout):
                    yield where.problem((key,), f"{label} has no {key}", "name at least one")
            yield from self._like(where, label, layout)
            yield from self._places(where, label, layout, whole)
            yield from self._zones_of_sources(where, label, layout, whole)
        defaults = [name for name, layout in base.layouts.items() if layout.default]
        for name in defaults[1:]:
            where = self.places.entries["layouts"][name]
            what = f"layout {name!r} is a second default beside {defaults[0]!r}"
            yield where.problem(("default",), what, "keep one default")

    def _unsettled(self, layout: Layout) -> bool:
        """Does it take over what cannot be told, because some layout that it is like is faulty or missing?"""
        passed: list[Layout] = []
        while layout.like is not None:
            if layout.like not in self.base.layouts or layout in passed:
                return True
            passed.append(layout)
            layout = self.base.layouts[layout.like]
        return False

    def _like(self, where: Where, label: str, layout: Layout) -> Iterator[Problem]:
        """What is taken over from another layout, left out of it and added to it."""
        base = self.base
        if layout.like is None:
            if layout.without:
                what = f"{label} leaves something out and is like no other layout"
                yield where.problem(("without",), what, "say which with `like`, or drop `without`")
            return
        others = None if self.layouts is None else [name for name in self.layouts if name != layout.layout]
        if layout.like != layout.layout:
            yield from _missing(where, ("like",), label, [layout.like], others, "layout")
        if layout.like not in base.layouts:
            return
        circle = self._circle(layout)
        if circle is not None:
            between = f" by way of {' and '.join(map(repr, circle))}" if circle else ""
            allowed = "one of them must name all its own zones and sources"
            yield where.problem(("like",), f"{label} is like itself{between}", allowed)
            return
        taken = base.whole(layout.like)
        known = (*taken.zones, *taken.sources)
        if not self._unsettled(layout):
            for at, name in enumerate(layout.without):
                if name not in known:
                    what = f"{label}: without names {name!r}, which {layout.like!r} does not have"
                    yield where.problem(("without", at), what, advice(name, known))
        for key, names, there in (("zones", layout.zones, taken.zones), ("sources", layout.sources, taken.sources)):
            for at, name in enumerate(names):
                if name in layout.without:
                    what = f"{label}: {name!r} is left out and named again"
                    yield where.problem((key, at), what, "keep one: in `without`, or here")
                elif name in there:
                    what = f"{label}: {layout.like!r} has {name!r} already"
                    yield where.problem((key, at), what, "drop it here; what differs belongs into `places`")

    def _circle(self, layout: Layout) -> tuple[str, ...] | None:
        """The layouts by way of which this one is like itself; None where it is not."""
        passed: list[str] = []
        at = layout.like
        while at is not None and at in self.base.layouts and at not in passed:
            passed.append(at)
            at = self.base.layouts[at].like
        return tuple(passed[: passed.index(layout.layout)]) if layout.layout in passed else None

    def _places(self, where: Where, label: str, layout: Layout, whole: Layout) -> Iterator[Problem]:
        """What a layout says of where its zones lie."""
        for name, place in layout.places.items():
            if self.zones is not None and name not in self.zones:
                yield from _missing(where, ("places", name), label, [name], self.zones, "zone")
            elif name not in whole.zones and not self._unsettled(layout):
                what = f"{label}: places names {name!r}, which is not among its zones"
                yield where.problem(("places", name), what, advice(name, whole.zones))
            elif not place.said:
                what = f"{label}: places says nothing of {name!r}"
                yield where.problem(("places", name), what, f"allowed: {', '.join(PLACE_KEYS)}")
            for key, names in (("drains-into", place.drains_into or ()), ("blown-onto", place.blown_onto or ())):
                path: PathInEntry = ("places", name, key)
                yield from _missing(where, path, f"{label}: places: {name!r}", names, self.zones, "zone")
                if name in names:
                    what = f"{label}: places: {name!r}: {key} names the zone itself"
                    yield where.problem(path, what, "name the zones below it")

    def _zones_of_sources(self, where: Where, label: str, layout: Layout, whole: Layout) -> Iterator[Problem]:
        """Each source must lie at some zone that the layout has."""
        for source in () if self._unsettled(layout) else whole.sources:
            zones = self.base.sources[source].zones if source in self.base.sources else ()
            here = [
                zone for zone in zones if zone in whole.zones or (self.zones is not None and zone not in self.zones)
            ]
            if here or not zones:
                continue
            which = "which is not" if len(zones) == 1 else "none of which is"
            what = f"{label}: {source!r} lies at {', '.join(map(repr, zones))}, {which} among its zones"
            if source in layout.sources:
                yield where.problem(("sources", layout.sources.index(source)), what, "add the zone")
            else:
                yield where.problem(("without",), what, f"leave {source!r} out too, or keep one of its zones")

    def _repairs(self) -> Iterator[Problem]:
        for name, repair in self.base.repairs.items():
            where, label = self.places.entries["repairs"][name], f"repair {name!r}"
            yield from _missing(where, ("for",), label, repair.sources, self.sources, "source")
            yield from _missing(where, ("access",), label, [repair.access], self.base.access, "access")
            yield from _missing(where, ("cautions",), label, repair.cautions, self.cautions, "caution")

    def _terms(self) -> Iterator[Problem]:
        for name, term in self.base.terms.items():
            if term.zone is not None:
                where = self.places.entries["glossary.yaml"][name]
                yield from _missing(where, ("zone",), f"term {name!r}", [term.zone], self.zones, "zone")

    def _rules(self, layouts: Collection[str]) -> Iterator[Problem]:
        grounded = pared(self.base)
        machines = [grounded.machine(name) for name in grounded.layouts if name in layouts]
        for name, rule in self.base.rules.items():
            where, label = self.places.entries["heuristics"][name], f"rule {name!r}"
            yield from _missing(where, ("layouts",), label, rule.layouts, self.layouts, "layout")
            yield from _missing(where, ("caution",), label, rule.caution, self.cautions, "caution")
            if not _outcomes(rule):
                what = "explains, favours, speaks-against, excludes, derive, first-do, caution or advise"
                yield where.problem((), f"{label} has no outcome", f"add {what}")
            if not any(True for _ in _conditions(rule.when, ("when",))):
                yield where.problem(("when",), f"{label} has no condition", "say what must be seen for it to fire")
            large = _too_large(rule)
            if large is not None:
                path, what, allowed = large
                yield where.problem(path, f"{label}: {what}", allowed)
            elif self.places.incomplete.isdisjoint(NAMED_BY_RULES):
                for machine in machines:
                    yield from self._grounding(machine, rule, where, label)

    def _grounding(self, machine: Machine, rule: Rule, where: Where, label: str) -> Iterator[Problem]:
        """What keeps a rule from being grounded: all of it, each fault at its own line."""
        faulty = self.places.broken_ids
        if faulty.isdisjoint(rule_words(rule)) and not _fault(machine, rule):
            return
        for path, piece in _pieces(machine, rule):
            error = _fault(machine, piece)
            if error is not None and faulty.isdisjoint(rule_words(piece)):
                yield where.problem(path, f"{label}: {error.what}", error.allowed)


def _fault(machine: Machine, rule: Rule) -> BadCondition | None:
    try:
        for _ in ground_rule(machine, rule):
            pass
    except BadCondition as error:
        return error
    return None


def _outcomes(rule: Rule) -> bool:
    tables = rule.explains or rule.favours or rule.speaks_against or rule.excludes or rule.derive
    return bool(tables or rule.first_do or rule.caution or rule.advise)


def _conditions(when: When, path: PathInEntry) -> Iterator[tuple[PathInEntry, str, str | list[str]]]:
    """Every condition with its path, name and wanted values."""
    for key, parts in (("all", when.all), ("any", when.any), ("not", when.none)):
        for at, part in enumerate(parts):
            if isinstance(part, When):
                yield from _conditions(part, (*path, key, at))
            else:
                yield from (((*path, key, at, name), name, wanted) for name, wanted in part.items())


def _branches(when: When) -> int:
    """How many conjunctions the condition comes to when it is written out."""
    count = sum(_branches(part) if isinstance(part, When) else 1 for part in when.any) or 1
    for part in when.all:
        count *= _branches(part) if isinstance(part, When) else 1
    return count


def _too_large(rule: Rule) -> tuple[PathInEntry, str, str] | None:
    """Where, what and the limit, for a rule that would take too long to ground."""
    if len(rule.for_each) > MOST_VARIABLES:
        return ("for-each",), f"it has {len(rule.for_each)} variables", f"allowed: at most {MOST_VARIABLES}"
    if (count := _branches(rule.when)) > MOST_BRANCHES:
        return ("when",), f"its condition has {count} branches", f"allowed: at most {MOST_BRANCHES}; split the rule"
    return None


def rule_words(rule: Rule) -> frozenset[str]:
    """Every name in a rule that could be an id, those inside selectors too."""
    words = set(_words(rule.model_dump(include=_NAMING, mode="json")))
    return frozenset(words | {part for word in words for part in word.split()})


_NAMING = {"layouts", "for_each", "when", "explains", "favours", "speaks_against", "excludes", "derive"}


def _pieces(machine: Machine, rule: Rule) -> Iterator[tuple[PathInEntry, Rule]]:
    """The rule as many small ones, each with one part that may be faulty and the path of that part."""
    zone = next((name for name, entry in machine.zones.items() if entry.visible), None)
    if zone is None:
        yield (), rule
        return
    nothing = {
        "for_each": {},
        "when": When(all=({zone: WETNESS[0]},)),
        "stage": "any",
        "explains": {},
        "favours": {},
        "speaks_against": {},
        "excludes": (),
        "derive": {},
        "advise": rule.because,
    }

    def piece(**part: object) -> Rule:
        return rule.model_copy(update={**nothing, **part})

    yield ("stage",), piece(stage=rule.stage)
    zones = dict.fromkeys(rule.for_each, "zone")
    related = [(name, piece(for_each={**zones, name: relation})) for name, relation in rule.for_each.items()]
    for name, small in related:
        yield ("for-each", name), small
    if any(_fault(machine, small) for _, small in related):
        return  # without its variables nothing else of the rule can be judged
    nothing["for_each"] = rule.for_each
    for path, name, wanted in _conditions(rule.when, ("when",)):
        yield path, piece(when=When(all=({name: wanted},)))
    tables = {"explains": rule.explains, "favours": rule.favours, "speaks_against": rule.speaks_against}
    for key, table in {**tables, "derive": rule.derive}.items():
        for name, word in table.items():
            yield (key.replace("_", "-"), name), piece(**{key: {name: word}})
    for at, source in enumerate(rule.excludes):
        yield ("excludes", at), piece(excludes=(source,))
