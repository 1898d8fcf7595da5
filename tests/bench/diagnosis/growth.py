"""Layouts of any number of sources, made from a real one: what is missing is copied under new names.

A copy is a second transmission beside the first: its zones, its sources and every rule that names one of them, while
findings such as the fluid's colour, and rules that name none, serve them all.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from expert.knowledge.base import KnowledgeBase, Machine
from expert.knowledge.ground import SELECTORS
from expert.knowledge.model import Rule
from expert.vehicle.tables import Tables

from .bench import Bench, restricted

Names = Mapping[str, str]


def grown(bench: Bench, tables: Tables, count: int) -> tuple[Machine, Tables]:
    """The layout with exactly `count` sources, the commonest of each copy first, and the tables for its vehicles."""
    layout = bench.setting.layout
    most = sorted(bench.machine.sources, key=lambda s: -bench.commonness[s])
    base, zones, sources = bench.machine.base, list(bench.machine.zones), list(most)
    number = 1
    while len(sources) < count:
        number += 1
        base, tables, names = _with_copy(base, bench.machine, tables, number)
        zones += [names[zone] for zone in bench.machine.zones]
        sources += [names[source] for source in most]
    whole = bench.machine.layout.model_copy(update={"zones": tuple(zones), "sources": tuple(sources)})
    base = replace(base, layouts={**base.layouts, layout: whole})
    return restricted(base, layout, tuple(sources[:count])).machine(layout), tables


def _with_copy(
    base: KnowledgeBase, machine: Machine, tables: Tables, number: int
) -> tuple[KnowledgeBase, Tables, Names]:
    """The base and the tables with one more copy of the machine's zones, sources and rules; new names by old."""
    names = {name: f"{name}-copy-{number}" for name in (*machine.zones, *machine.sources)}
    zones, sources, rules = dict(base.zones), dict(base.sources), dict(base.rules)
    for name, zone in machine.zones.items():
        new = {"zone": names[name], "drains_into": _all(zone.drains_into, names)}
        zones[names[name]] = zone.model_copy(update=new | {"blown_onto": _all(zone.blown_onto, names)})
    for name, source in machine.sources.items():
        new = {"source": names[name], "zones": _all(source.zones, names)}
        sources[names[name]] = source.model_copy(update=new)
    for name, rule in machine.base.rules.items():
        copy = _renamed(machine, rule, names)
        if copy is not None:
            rules[f"{name}-copy-{number}"] = copy
    physics = tables.physics
    leaks = [k for k in physics.leaks if k.leak in names]
    kinds = [
        k.model_copy(update={"leak": names[k.leak], "places": {names[z]: w for z, w in k.places.items() if z in names}})
        for k in leaks
    ]
    flung = (*physics.flung_from, *(names[z] for z in machine.zones if z in physics.flung_from))
    physics = physics.model_copy(update={"leaks": (*physics.leaks, *kinds), "flung_from": flung})
    more = replace(base, zones=zones, sources=sources, rules=rules)
    return more, tables.model_copy(update={"physics": physics}), names


def _all(ids: tuple[str, ...], names: Names) -> tuple[str, ...]:
    return tuple(names.get(one, one) for one in ids)


def _renamed(machine: Machine, rule: Rule, names: Names) -> Rule | None:
    """The rule for a copy; None where it names no zone or source, and so serves all copies as it is."""
    raw = rule.model_dump(by_alias=True, mode="json", exclude_none=True)
    new = {
        **raw,
        "when": _condition(machine, raw["when"], names),
        "derive": {_name(k, names): _value(machine, k, v, names) for k, v in raw["derive"].items()},
        "excludes": [_name(who, names) for who in raw["excludes"]],
        **{
            kind: {_name(w, names): s for w, s in raw[kind].items()}
            for kind in ("explains", "favours", "speaks-against")
        },
    }
    return None if new == raw else Rule.model_validate(new)


def _condition(machine: Machine, part: Any, names: Names) -> Any:
    if isinstance(part, list):
        return [_condition(machine, one, names) for one in part]
    if set(part) <= {"all", "any", "not"}:
        return {key: _condition(machine, parts, names) for key, parts in part.items()}
    return {_name(key, names): _value(machine, key, value, names) for key, value in part.items()}


def _value(machine: Machine, key: str, value: Any, names: Names) -> Any:
    """Values are names of places only in findings of that kind."""
    observable = machine.observables.get(key)
    if observable is None or observable.kind != "zone":
        return value
    return _name(value, names) if isinstance(value, str) else [_name(one, names) for one in value]


def _name(words: str, names: Names) -> str:
    """A zone or source, alone or at the end of a phrase (`sources first seen at Z`, `every zone that Z cannot wet`)."""
    if words in names:
        return names[words]
    if not words.startswith((*SELECTORS, "every zone ")):
        return words
    return " ".join(names.get(word, word) for word in words.split(" "))
