"""The knowledge base: everything under rules/, linked, immutable, and what one layout sees of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

from expert.knowledge.model import (
    WETNESS,
    Access,
    Caution,
    Finding,
    Layout,
    Place,
    Repair,
    Rule,
    Scale,
    Source,
    Term,
    Zone,
)

WETNESS_KIND = "wetness"


@dataclass(frozen=True)
class Observable:
    """Anything a fact can be about: a finding, or the wetness of a visible zone.

    `kind` is choice, number, zone (the value is a zone's id) or wetness (dry, damp, wet).
    `usual` gives each value's weight where none of the sources that the value speaks of leaks; it sums to one.
    `usual_in` gives it for the stages in which it differs.
    `value_words` maps each value to the phrases that mean it; `words` are phrases that name the observable.
    `trust` gives the exponent on what a value's evidence says, where that is not one.
    `phase` is "" where no question asks for it. `only_stage` is "" or the one stage in which it is asked.
    """

    id: str
    name: str
    kind: str
    values: tuple[str, ...]
    value_words: Mapping[str, tuple[str, ...]]
    value_means: Mapping[str, str]
    usual: Mapping[str, float]
    words: tuple[str, ...]
    trust: Mapping[str, float]
    staged: bool
    many: bool
    phase: str
    only_stage: str
    ask: str
    how: str
    where: str
    minutes: float
    tools: tuple[str, ...]
    cautions: tuple[str, ...]
    needs: Mapping[str, tuple[str, ...]]
    unit: str = ""
    units: Mapping[str, float] = field(default_factory=dict)
    least: float | None = None
    most: float | None = None
    bands: tuple[float, ...] = ()
    usual_in: Mapping[str, Mapping[str, float]] = field(default_factory=dict)


def _shares(values: tuple[str, ...], weights: Mapping[str, float] | Mapping[str, float | None]) -> dict[str, float]:
    """Weights scaled to sum to one; a value without a weight gets the mean of the given ones."""
    given = [w for w in weights.values() if w is not None]
    mean = sum(given) / len(given) if given else 1.0
    raw = {v: weights.get(v) or mean for v in values}
    total = sum(raw.values())
    return {v: w / total for v, w in raw.items()}


def _zone_observable(zone: Zone, scale: Scale) -> Observable:
    return Observable(
        id=zone.zone,
        name=zone.name,
        kind=WETNESS_KIND,
        values=WETNESS,
        value_words={value: scale.wetness_words[value] for value in WETNESS},
        value_means={},
        usual=_shares(WETNESS, scale.wetness_usual),
        words=zone.words,
        trust=scale.wetness_trust,
        staged=True,
        many=False,
        phase=next((p.phase for p in scale.phases if p.zones), ""),
        only_stage="",
        ask=zone.ask or f"The {zone.name}: is it dry, damp or wet?",
        usual_in={s.stage: _shares(WETNESS, s.wetness_usual) for s in scale.stages if s.wetness_usual},
        how=zone.how or "Wipe it with a clean white towel, shine a light on it, and look at the towel.",
        where=zone.where,
        minutes=zone.minutes,
        tools=zone.tools,
        cautions=zone.cautions,
        needs=zone.needs,
    )


def _finding_observable(finding: Finding, visible: tuple[Zone, ...]) -> Observable:
    if finding.kind == "zone":
        values = tuple(z.zone for z in visible)
        words = {z.zone: (z.name, *z.words) for z in visible}
        means: dict[str, str] = {z.zone: z.name for z in visible}
        weights: dict[str, float | None] = dict.fromkeys(values)
    else:
        values = tuple(finding.values)
        words = {v: entry.words for v, entry in finding.values.items()}
        means = {v: entry.means for v, entry in finding.values.items() if entry.means}
        weights = {v: entry.usual for v, entry in finding.values.items()}
    return Observable(
        id=finding.finding,
        name=finding.name,
        kind=finding.kind,
        values=values,
        value_words=words,
        value_means=means,
        usual=_shares(values, weights) if values else {},
        words=finding.words,
        trust={},
        staged=finding.staged,
        many=finding.many,
        phase=finding.phase or "",
        only_stage=finding.stage or "",
        ask=finding.ask or "",
        how=finding.how or "",
        where=finding.where or "",
        minutes=finding.minutes,
        tools=finding.tools,
        cautions=finding.cautions,
        needs=finding.needs,
        unit=finding.unit or "",
        units=finding.units,
        least=finding.least,
        most=finding.most,
        bands=finding.bands,
    )


def placed(zone: Zone, place: Place | None) -> Zone:
    """The zone as it lies in a layout with this place for it."""
    return zone.model_copy(update=place.said) if place is not None else zone


def _named_in(taken: tuple[str, ...], added: tuple[str, ...], without: tuple[str, ...]) -> tuple[str, ...]:
    """Names taken over, less those left out, then those added; each once."""
    return tuple(dict.fromkeys((*(name for name in taken if name not in without), *added)))


@dataclass(frozen=True)
class KnowledgeBase:
    """All entries by id, in the order in which files and entries stand, and the digest of the files' bytes."""

    scale: Scale
    cautions: Mapping[str, Caution]
    zones: Mapping[str, Zone]
    findings: Mapping[str, Finding]
    sources: Mapping[str, Source]
    layouts: Mapping[str, Layout]
    rules: Mapping[str, Rule]
    repairs: Mapping[str, Repair]
    terms: Mapping[str, Term]
    digest: str

    @cached_property
    def default_layout(self) -> str:
        """The layout taken where the user names none."""
        return next((name for name, entry in self.layouts.items() if entry.default), next(iter(self.layouts)))

    @cached_property
    def access(self) -> Mapping[str, Access]:
        """Access depths by id, outermost first."""
        return {entry.access: entry for entry in self.scale.access}

    def machine(self, layout: str) -> Machine:
        """What one layout sees of the knowledge. KeyError for an unknown layout."""
        return Machine(self, self.whole(layout))

    def whole(self, layout: str) -> Layout:
        """The layout as if it were written out, with all that it takes from the one it is `like`.

        Zones taken over and added stand in order of height, those of one height as they were named; a layout that
        is like no other keeps its own order. KeyError for an unknown layout; a circle of `like` (which `links`
        reports) ends where it closes.
        """
        line = [layout]
        while (like := self.layouts[line[-1]].like) is not None and like in self.layouts and like not in line:
            line.append(like)
        whole = self.layouts[line.pop()]
        for name in reversed(line):
            whole = self._joined(whole, self.layouts[name])
        return whole.model_copy(update={"like": None, "without": ()})

    def _joined(self, whole: Layout, entry: Layout) -> Layout:
        """A layout together with what it takes from another that is whole already."""
        places = {**whole.places, **entry.places}
        for name in whole.places.keys() & entry.places.keys():
            places[name] = whole.places[name].model_copy(update=entry.places[name].said)
        zones = _named_in(whole.zones, entry.zones, entry.without)
        heights = {name: placed(self.zones[name], places.get(name)).height for name in zones if name in self.zones}
        return entry.model_copy(
            update={
                "zones": tuple(sorted(zones, key=lambda name: heights.get(name, 1.0))),
                "sources": _named_in(whole.sources, entry.sources, entry.without),
                "places": {name: place for name, place in places.items() if name in zones},
            }
        )


@dataclass(frozen=True)
class Machine:
    """The knowledge as it applies to one layout: its zones, its sources and all that can be observed on it.

    `layout` is whole (see `KnowledgeBase.whole`): nothing of it is taken from another any more.
    """

    base: KnowledgeBase
    layout: Layout

    @cached_property
    def zones(self) -> Mapping[str, Zone]:
        """The layout's zones by id, placed as they lie here, hidden ones included."""
        return {name: placed(self.base.zones[name], self.layout.places.get(name)) for name in self.layout.zones}

    @cached_property
    def sources(self) -> Mapping[str, Source]:
        """The layout's sources by id, each with those of its zones that the layout has."""
        found = {}
        for name in self.layout.sources:
            source = self.base.sources[name]
            here = tuple(zone for zone in source.zones if zone in self.zones)
            found[name] = source if here == source.zones else source.model_copy(update={"zones": here})
        return found

    @cached_property
    def inseparable(self) -> Mapping[str, tuple[str, ...]]:
        """For each source the layout's others that no look parts from it, whichever of the two says so."""
        pairs = {(name, other) for name, source in self.sources.items() for other in source.inseparable_from}
        return {
            name: tuple(o for o in self.sources if o != name and ((name, o) in pairs or (o, name) in pairs))
            for name in self.sources
        }

    @cached_property
    def observables(self) -> Mapping[str, Observable]:
        """Everything a fact may be about on this layout, zones first, by id."""
        visible = tuple(zone for zone in self.zones.values() if zone.visible)
        found = {zone.zone: _zone_observable(zone, self.base.scale) for zone in visible}
        for finding in self.base.findings.values():
            if not finding.layouts or self.layout.layout in finding.layouts:
                found[finding.finding] = _finding_observable(finding, visible)
        return found

    @cached_property
    def downstream(self) -> Mapping[str, tuple[str, ...]]:
        """For each zone, the zones its fluid reaches next (drained into, then blown onto), within the layout."""
        return {
            name: tuple(z for z in (*zone.drains_into, *zone.blown_onto) if z in self.zones)
            for name, zone in self.zones.items()
        }

    @cached_property
    def feeders(self) -> Mapping[str, tuple[str, ...]]:
        """For each zone, the zones that drain into it or are blown onto it, within the layout."""
        return {name: tuple(up for up, reached in self.downstream.items() if name in reached) for name in self.zones}

    @cached_property
    def reach(self) -> Mapping[str, Mapping[str, int]]:
        """For each zone, every zone its fluid can get to, itself included, with the fewest steps (0 for itself)."""
        found: dict[str, dict[str, int]] = {}
        for start in self.zones:
            steps = {start: 0}
            edge = [start]
            while edge:
                nearer = [(low, steps[zone] + 1) for zone in edge for low in self.downstream[zone] if low not in steps]
                edge = [low for low, _ in nearer if low not in steps]
                for low, far in nearer:
                    steps.setdefault(low, far)
                edge = list(dict.fromkeys(edge))
            found[start] = steps
        return found

    @cached_property
    def first_seen(self) -> Mapping[str, tuple[str, ...]]:
        """For each source, the visible zones where its fluid first shows: its own, or the nearest below hidden ones."""
        found = {}
        for name, source in self.sources.items():
            seen: list[str] = []
            edge = list(source.zones)
            passed: set[str] = set()
            while edge:
                zone = edge.pop(0)
                if zone in passed:
                    continue
                passed.add(zone)
                if self.zones[zone].visible:
                    seen.append(zone)
                else:
                    edge.extend(self.downstream[zone])
            found[name] = tuple(seen)
        return found
