"""Whether the simulation's tables fit a knowledge base: ids and values exist, all questions are answered."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from expert.knowledge.base import KnowledgeBase
from expert.knowledge.model import WETNESS, Finding
from expert.vehicle.flow import BLOWN, DRAINED, FLUNG
from expert.vehicle.tables import Case, Observation, Physics, Tables


def misfits(tables: Tables, base: KnowledgeBase) -> list[str]:
    """Everything that does not fit, in words; empty when the tables can serve every layout of the base."""
    return [*_physics(tables.physics, base), *_placeless(tables.physics, base), *_observations(tables, base)]


def _unknown(what: str, names: Iterable[str], allowed: Iterable[str]) -> Iterator[str]:
    known = set(allowed)
    yield from (f"{what}: {name!r} is not defined" for name in names if name not in known)


def _physics(physics: Physics, base: KnowledgeBase) -> Iterator[str]:
    regimes = [r.regime for r in physics.regimes]
    stages = [s.stage for s in base.scale.stages]
    yield from _unknown("periods", [p.stage for p in physics.periods], stages)
    yield from _unknown("stages without a period", stages, [p.stage for p in physics.periods])
    yield from _unknown("usual-regime", [physics.usual_regime], regimes)
    yield from _unknown("flung-from", physics.flung_from, base.zones)
    yield from _unknown("eye", physics.eye.misjudged, WETNESS)
    for kind in physics.leaks:
        yield from _unknown("leaks", [kind.leak], base.sources)
        yield from _unknown(kind.leak, [kind.regime], regimes)
        yield from _unknown(kind.leak, kind.places, base.zones)


def _placeless(physics: Physics, base: KnowledgeBase) -> Iterator[str]:
    """Sources that lie at several zones of a layout, where the tables do not say at which of them one may leak."""
    kinds = {kind.leak: kind for kind in physics.leaks}
    for layout in base.layouts:
        for name, source in base.machine(layout).sources.items():
            if len(source.zones) < 2:
                continue
            if name not in kinds:
                yield f"{layout}: {name!r} lies at several zones and no entry of `leaks` says where it begins"
            elif kinds[name].places.keys().isdisjoint(source.zones):
                yield f"{layout}: {name!r} lies at several zones and its `places` names none of them"


def _observations(tables: Tables, base: KnowledgeBase) -> Iterator[str]:
    lasting = {name for name, entry in tables.observations.items() if entry.lasting}
    for name, entry in tables.observations.items():
        finding = base.findings.get(name)
        if finding is None:
            yield f"{name}: no such finding"
            continue
        yield from _values(entry, finding, base)
        for case in entry.cases:
            yield from _case(entry, case, tables.physics, base, lasting)
    yield from _circles(tables)
    asked = [name for name, finding in base.findings.items() if finding.ask]
    yield from _unknown("findings that no table answers", asked, tables.observations)


def _circles(tables: Tables) -> Iterator[str]:
    """Entries whose answer would depend on itself."""
    needs = {
        name: {other for case in entry.cases for other in case.known} for name, entry in tables.observations.items()
    }
    for name in needs:
        below, edge = set(), set(needs[name])
        while edge:
            below |= edge
            edge = {other for one in edge for other in needs.get(one, ())} - below
        if name in below:
            yield f"{name}: its cases depend on itself, by way of {', '.join(sorted(below))}"


def _values(entry: Observation, finding: Finding, base: KnowledgeBase) -> Iterator[str]:
    allowed = list(finding.values) if finding.kind == "choice" else list(base.zones)
    said = [*entry.misjudged, *(other for row in entry.misjudged.values() for other in row)]
    fixed = [v for v in (entry.otherwise, entry.several) if v is not None]
    given = [v for case in entry.cases for v in case.give]
    yield from _unknown(entry.observe, [*said, *fixed, *given, *entry.spots, *entry.ways.values()], allowed)
    yield from _unknown(entry.observe, [z for zones in entry.spots.values() for z in zones], base.zones)
    ways = ("none", "one", "several") if entry.draw == "trails" else (DRAINED, BLOWN, FLUNG)
    yield from _unknown(f"{entry.observe}, ways", entry.ways, ways)
    if (finding.kind == "zone") != (entry.draw == "place"):
        yield f"{entry.observe}: only findings of the kind zone are drawn as a place"
    if (finding.kind == "number") != entry.draw.startswith("number"):
        yield f"{entry.observe}: only findings of the kind number are drawn as a number"
    if entry.draw in ("one a leak", "each value") and not finding.many:
        yield f"{entry.observe}: it has several values here and only one in the findings"


def _case(entry: Observation, case: Case, physics: Physics, base: KnowledgeBase, lasting: set[str]) -> Iterator[str]:
    yield from _unknown(entry.observe, case.leaking, base.sources)
    yield from _unknown(entry.observe, case.regime, [r.regime for r in physics.regimes])
    yield from _unknown(entry.observe, case.severity, [s.severity for s in physics.severities])
    yield from _unknown(entry.observe, case.fluid, base.scale.fluids)
    yield from _unknown(entry.observe, case.stage, [s.stage for s in base.scale.stages])
    yield from _unknown(entry.observe, case.wet, base.zones)
    yield from _unknown(entry.observe, case.layout, base.layouts)
    for name, values in case.known.items():
        if name not in lasting:
            yield f"{entry.observe}: {name!r} must be a lasting entry"
        else:
            yield from _unknown(f"{entry.observe}, {name}", values, base.findings[name].values)
