"""References between entries: everything named somewhere must be defined, and rules must ground."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from expert.knowledge.base import KnowledgeBase
from expert.knowledge.conditions import BadCondition
from expert.knowledge.ground import SELECTORS, ground_rule
from expert.knowledge.problems import Problem, advice

if TYPE_CHECKING:
    from expert.knowledge.load import Where


@dataclass(frozen=True)
class Places:
    """Where the scale and every entry (by kind and id) stand."""

    scale: Where
    entries: Mapping[str, Mapping[str, Where]]


def check(base: KnowledgeBase, places: Places) -> Iterator[Problem]:
    """Every broken reference, with file and line."""
    yield from _scale(base, places.scale)
    yield from _zones(base, places.entries["zones"])
    yield from _findings(base, places.entries["findings"])
    yield from _sources(base, places.entries["sources"])
    yield from _layouts(base, places.entries["layouts"])
    yield from _repairs(base, places.entries["repairs"])
    yield from _terms(base, places.entries["glossary.yaml"])
    broken = list(_layouts(base, places.entries["layouts"]))
    if not broken:  # a layout that names missing zones cannot be grounded; its own problem is told above
        yield from _rules(base, places.entries["heuristics"])


def _missing(
    where: Where, path: tuple[str | int, ...], label: str, names: Iterable[str], known: Iterable[str], kind: str
) -> Iterator[Problem]:
    known = list(known)
    for name in names:
        if name not in known:
            yield where.problem(path, f"{label}: there is no {kind} {name!r}", advice(name, known))


def _scale(base: KnowledgeBase, where: Where) -> Iterator[Problem]:
    scale = base.scale
    stages = [entry.stage for entry in scale.stages]
    for at, phase in enumerate(scale.phases):
        yield from _missing(where, ("phases", at), f"phase {phase.phase!r}", phase.stages, stages, "stage")
    for at, entry in enumerate(scale.access):
        known = [a.access for a in scale.access]
        yield from _missing(where, ("access", at), f"access {entry.access!r}", entry.opens, known, "access")
    for at, stage in enumerate(scale.stages):
        for name, value in stage.entered_by.items():
            path = ("stages", at, "entered-by")
            yield from _missing(where, path, f"stage {stage.stage!r}", [name], base.findings, "finding")
            if name in base.findings:
                values = base.findings[name].values
                yield from _missing(where, path, f"stage {stage.stage!r}", [value], values, f"value of {name!r}")
    if not any(stage.entered_by == {} for stage in scale.stages):
        yield where.problem(("stages",), "no stage is the one in which a case begins", "leave `entered-by` out of it")


def _needs(base: KnowledgeBase, where: Where, label: str, needs: Mapping[str, tuple[str, ...]]) -> Iterator[Problem]:
    known = {
        **dict.fromkeys(base.zones, ("dry", "damp", "wet")),
        **{f: tuple(e.values) for f, e in base.findings.items()},
    }
    for name, values in needs.items():
        yield from _missing(where, ("needs",), label, [name], known, "finding or zone")
        if name in known and (name in base.zones or base.findings[name].kind == "choice"):
            yield from _missing(where, ("needs", name), label, values, known[name], f"value of {name!r}")


def _zones(base: KnowledgeBase, places: Mapping[str, Where]) -> Iterator[Problem]:
    for name, zone in base.zones.items():
        label = f"zone {name!r}"
        yield from _missing(places[name], ("drains-into",), label, zone.drains_into, base.zones, "zone")
        yield from _missing(places[name], ("blown-onto",), label, zone.blown_onto, base.zones, "zone")
        yield from _missing(places[name], ("cautions",), label, zone.cautions, base.cautions, "caution")
        yield from _needs(base, places[name], label, zone.needs)
        if name in base.findings:
            yield places[name].problem((), f"{label} has the name of a finding", "rename one of them")


def _findings(base: KnowledgeBase, places: Mapping[str, Where]) -> Iterator[Problem]:
    phases = [phase.phase for phase in base.scale.phases]
    stages = [entry.stage for entry in base.scale.stages]
    for name, finding in base.findings.items():
        where, label = places[name], f"finding {name!r}"
        yield from _missing(where, ("cautions",), label, finding.cautions, base.cautions, "caution")
        yield from _needs(base, where, label, finding.needs)
        if finding.phase:
            yield from _missing(where, ("phase",), label, [finding.phase], phases, "phase")
        if finding.stage:
            yield from _missing(where, ("stage",), label, [finding.stage], stages, "stage")
        if finding.ask and not (finding.phase and finding.how and finding.where):
            yield where.problem((), f"{label} is asked but lacks phase, how or where", "add them")
        if finding.kind == "choice" and len(finding.values) < 2:
            yield where.problem((), f"{label} has fewer than two values", "give each value it can have")
        if finding.kind != "choice" and finding.values:
            yield where.problem(("values",), f"{label} is a {finding.kind} and lists values", "leave `values` out")
        if finding.kind == "number" and (
            not finding.unit or finding.least is None or finding.most is None or len(finding.bands) < 2
        ):
            yield where.problem((), f"{label} is a number without unit, least, most or two bands", "add them")
        elif finding.kind == "number" and not all(
            (finding.least or 0) <= band <= (finding.most or 0) for band in finding.bands
        ):
            yield where.problem(("bands",), f"{label} has a band outside least to most", "move it inside")


def _sources(base: KnowledgeBase, places: Mapping[str, Where]) -> Iterator[Problem]:
    common = [entry.commonness for entry in base.scale.commonness]
    repaired = {source for repair in base.repairs.values() for source in repair.sources}
    for name, source in base.sources.items():
        where, label = places[name], f"source {name!r}"
        yield from _missing(where, ("zone",), label, source.zones, base.zones, "zone")
        yield from _missing(where, ("holds",), label, [source.holds], base.scale.fluids, "fluid")
        yield from _missing(where, ("commonness",), label, [source.commonness], common, "commonness")
        yield from _missing(where, ("access",), label, [source.access], base.access, "access")
        yield from _missing(where, ("alike",), label, source.alike, base.sources, "source")
        yield from _missing(where, ("inseparable-from",), label, source.inseparable_from, base.sources, "source")
        if name not in repaired:
            yield where.problem((), f"{label} has no repair", "add one under repairs/ with `for: [this source]`")


def _layouts(base: KnowledgeBase, places: Mapping[str, Where]) -> Iterator[Problem]:
    for name, layout in base.layouts.items():
        where, label = places[name], f"layout {name!r}"
        yield from _missing(where, ("zones",), label, layout.zones, base.zones, "zone")
        yield from _missing(where, ("sources",), label, layout.sources, base.sources, "source")
        for source in layout.sources:
            for zone in base.sources[source].zones if source in base.sources else ():
                if zone in layout.zones or zone not in base.zones:
                    continue
                yield where.problem(
                    ("sources",), f"{label}: {source!r} lies at {zone!r}, which is not among its zones", "add the zone"
                )


def _repairs(base: KnowledgeBase, places: Mapping[str, Where]) -> Iterator[Problem]:
    for name, repair in base.repairs.items():
        where, label = places[name], f"repair {name!r}"
        yield from _missing(where, ("for",), label, repair.sources, base.sources, "source")
        yield from _missing(where, ("access",), label, [repair.access], base.access, "access")
        yield from _missing(where, ("cautions",), label, repair.cautions, base.cautions, "caution")


def _terms(base: KnowledgeBase, places: Mapping[str, Where]) -> Iterator[Problem]:
    for name, term in base.terms.items():
        if term.zone is not None:
            yield from _missing(places[name], ("zone",), f"term {name!r}", [term.zone], base.zones, "zone")


def _rules(base: KnowledgeBase, places: Mapping[str, Where]) -> Iterator[Problem]:
    machines = [base.machine(name) for name in base.layouts]
    for name, rule in base.rules.items():
        where, label = places[name], f"rule {name!r}"
        yield from _missing(where, ("layouts",), label, rule.layouts, base.layouts, "layout")
        yield from _missing(where, ("caution",), label, rule.caution, base.cautions, "caution")
        for table in (rule.explains, rule.favours, rule.speaks_against):
            names = [who for who in table if not who.startswith(SELECTORS)]
            yield from _missing(where, (), label, names, base.sources, "source")
        for machine in machines:
            try:
                list(ground_rule(machine, rule))
            except BadCondition as error:
                yield where.problem(("when",), f"{label}: {error.what}", error.allowed)
