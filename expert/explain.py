"""`firstwet explain`: one source, rule, finding, zone or term of the knowledge, printed well."""

from __future__ import annotations

from expert.knowledge.base import KnowledgeBase, Observable
from expert.knowledge.ground import ground
from expert.knowledge.model import Condition, Rule, When
from expert.knowledge.problems import nearest
from expert.wording import joined, wrap


def names(base: KnowledgeBase) -> tuple[str, ...]:
    """Everything that can be explained, by id."""
    return (*base.sources, *base.rules, *base.findings, *base.zones, *base.terms)


def explain(base: KnowledgeBase, layout: str, name: str, width: int) -> str | None:
    """The text for an id (or a term), or None where nothing has that name."""
    if name in base.sources:
        return _source(base, layout, name, width)
    if name in base.rules:
        return _rule(base.rules[name], width)
    observables = base.machine(layout).observables
    if name in observables:
        return _observable(observables[name], width)
    if name in base.zones:
        return wrap(f"{name}: {base.zones[name].where}", width)
    if name in base.terms:
        return wrap(f"{name}: {base.terms[name].means}", width)
    return None


def suggestions(base: KnowledgeBase, name: str) -> tuple[str, ...]:
    """The nearest names to one that nothing has."""
    return nearest(name, dict.fromkeys(names(base)))


def _source(base: KnowledgeBase, layout: str, name: str, width: int) -> str:
    source = base.sources[name]
    lines = [
        f"source {name}",
        wrap(f"{source.name}. {source.about}", width, "  "),
        wrap(f"Why it leaks: {source.why_it_leaks} [{source.basis}]", width, "  "),
        f"  Holds: {source.holds}. How common: {source.commonness}. Access: {base.access[source.access].name}.",
        wrap(f"Escapes at: {joined(base.zones[zone].name for zone in source.zones)}.", width, "  "),
        wrap(f"Settled by: {source.confirm}", width, "  "),
    ]
    if source.alike:
        lines.append(wrap(f"Easily mistaken for: {joined(base.sources[s].name for s in source.alike)}.", width, "  "))
    rules = ground(base.machine(layout)).rules
    raising = dict.fromkeys(r.rule.rule for r in rules if name in r.explains or name in r.favours)
    lowering = dict.fromkeys(r.rule.rule for r in rules if name in r.against or name in r.excludes)
    lines += [
        wrap(f"Raised by: {', '.join(raising)}", width, "  ", "    "),
        wrap(f"Lowered by: {', '.join(lowering)}", width, "  ", "    "),
    ]
    return "\n".join(lines)


def _rule(rule: Rule, width: int) -> str:
    lines = [f"rule {rule.rule}", wrap(rule.because, width, "  "), f"  Basis: {rule.basis}", "  When:"]
    lines += _when(rule.when, "    ")
    if rule.for_each:
        lines.append("  For each " + joined(f"{n}: {relation}" for n, relation in rule.for_each.items()))
    if rule.stage != "any":
        lines.append(f"  In stage: {rule.stage}")
    for label, table in (
        ("Explained by", rule.explains),
        ("Makes likelier", rule.favours),
        ("Speaks against", rule.speaks_against),
    ):
        lines += [f"  {label}: {who} ({word})" for who, word in table.items()]
    lines += [f"  Rules out: {who}" for who in rule.excludes]
    lines += [f"  Concludes: {name}: {value}" for name, value in rule.derive.items()]
    lines += [wrap(f"First do: {rule.first_do}", width, "  ", "    ")] if rule.first_do else []
    lines += [wrap(f"Advises: {rule.advise}", width, "  ", "    ")] if rule.advise else []
    return "\n".join(lines)


def _when(when: When, indent: str) -> list[str]:
    lines = []
    for label, parts in (("all of", when.all), ("any of", when.any), ("none of", when.none)):
        if parts:
            lines.append(f"{indent}{label}:")
            for part in parts:
                lines += _when(part, indent + "  ") if isinstance(part, When) else [indent + "  " + _condition(part)]
    return lines


def _condition(condition: Condition) -> str:
    return ", ".join(
        f"{name}: {wanted if isinstance(wanted, str) else ' or '.join(wanted)}" for name, wanted in condition.items()
    )


def _observable(observable: Observable, width: int) -> str:
    lines = [f"finding {observable.id}", wrap(observable.name, width, "  ")]
    if observable.ask:
        lines.append(wrap(f"Asked: {observable.ask} (about {observable.minutes:g} min)", width, "  ", "    "))
    if observable.how:
        lines.append(wrap(f"How: {observable.how}", width, "  ", "    "))
    if observable.where:
        lines.append(wrap(f"Where: {observable.where}", width, "  ", "    "))
    if observable.kind == "number":
        lines.append(f"  Values: {observable.least:g} to {observable.most:g} {observable.unit}")
    else:
        lines.append(wrap(f"Values: {', '.join(observable.values)}", width, "  ", "    "))
    return "\n".join(lines)
