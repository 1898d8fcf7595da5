"""`firstwet explain`: one layout, source, rule, finding, zone or term of the knowledge, printed well."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping

from expert import bodymap
from expert.knowledge.base import KnowledgeBase, Machine, Observable
from expert.knowledge.ground import Ruleset, ground, ground_rule
from expert.knowledge.model import Condition, Finding, Rule, Source, Term, When, Zone
from expert.knowledge.problems import nearest
from expert.wording import joined, wrap

INDENT = "  "


def names(base: KnowledgeBase) -> tuple[str, ...]:
    """Everything that can be explained, by id."""
    return tuple(dict.fromkeys(name for kind in _kinds(base).values() for name in kind))


def explain(base: KnowledgeBase, layout: str, name: str, width: int) -> str | None:
    """The text of all that has this id, or where nothing has, this name or phrase; None where nothing has that either.

    `layout` is the one to speak of. What it does not have is shown on the first layout that has it.
    """
    found = [(kind, name) for kind, entries in _kinds(base).items() if name in entries] or _called(base, name)
    if not found:
        return None
    teller = _Teller(base, layout, width)
    return "\n\n".join(teller.told(kind, ident) for kind, ident in found)


def suggestions(base: KnowledgeBase, name: str) -> tuple[str, ...]:
    """The nearest names to one that nothing has."""
    return nearest(name, names(base))


def _kinds(base: KnowledgeBase) -> Mapping[str, Mapping[str, object]]:
    return {
        "layout": base.layouts,
        "source": base.sources,
        "rule": base.rules,
        "finding": base.findings,
        "place": base.zones,
        "term": base.terms,
    }


def _called(base: KnowledgeBase, said: str) -> list[tuple[str, str]]:
    """What is called so in the trade, as kind and id."""
    said = said.casefold()
    found = []
    for kind, entries in _kinds(base).items():
        for ident, entry in entries.items():
            phrases = (ident, getattr(entry, "name", ""), *getattr(entry, "words", ()))
            if said in (phrase.casefold() for phrase in phrases):
                found.append((kind, ident))
    return found


class _Teller:
    """One explanation being written: the knowledge, the layout spoken of, the width."""

    def __init__(self, base: KnowledgeBase, layout: str, width: int) -> None:
        self.base, self.layout, self.width = base, layout, width

    def told(self, kind: str, ident: str) -> str:
        """The text of one entry."""
        tellers: Mapping[str, Callable[[str], list[str]]] = {
            "layout": self._layout,
            "source": self._source,
            "rule": self._rule,
            "finding": self._finding,
            "place": self._place,
            "term": self._term,
        }
        return "\n".join([f"{kind} {ident}", *tellers[kind](ident)])

    # --- lines ---------------------------------------------------------------------------------------------

    def _line(self, text: str, deeper: int = 0) -> str:
        return wrap(text, self.width, INDENT * (1 + deeper), INDENT * (2 + deeper))

    def _listed(self, title: str, items: Iterable[str], deeper: int = 0) -> list[str]:
        """`Title: one; two`, or nothing where there is none. Names may hold commas."""
        items = list(items)
        return [self._line(f"{title}: {'; '.join(items)}", deeper)] if items else []

    def _counted(self, title: str, ids: Iterable[str]) -> list[str]:
        """`Title (2): one, two`, or nothing where there is none."""
        ids = list(ids)
        return [self._line(f"{title} ({len(ids)}): {', '.join(ids)}")] if ids else []

    def _cautions(self, names: Iterable[str]) -> list[str]:
        known = self.base.cautions
        first = sorted(names, key=lambda name: (known[name].order, name))
        return [wrap(f"CAUTION: {known[name].text}", self.width, f"{INDENT}! ", f"{INDENT}! ") for name in first]

    def _where(self, has: Callable[[Machine], bool]) -> tuple[list[str], Machine | None]:
        """The layouts that have something, and the one to show it on: the one spoken of, or the first."""
        machines = {name: self.base.machine(name) for name in self.base.layouts}
        having = [name for name, machine in machines.items() if has(machine)]
        shown = self.layout if self.layout in having else next(iter(having), None)
        return having, machines[shown] if shown is not None else None

    # --- layouts -------------------------------------------------------------------------------------------

    def _layout(self, ident: str) -> list[str]:
        entry, machine = self.base.layouts[ident], self.base.machine(ident)
        lines = [self._line(f"{entry.name}. {entry.about}")]
        if entry.like is not None:
            less = f", without {', '.join(entry.without)}" if entry.without else ""
            lines.append(self._line(f"Made from {entry.like}{less}."))
        lines.append(f"{INDENT}{len(machine.sources)} sources, by what must be opened to mend them:")
        for access in self.base.access.values():
            here = [source.name for source in machine.sources.values() if source.access == access.access]
            lines += self._listed(f"{access.name} ({len(here)})", here, 1)
        places = [zone.name for zone in machine.zones.values()]
        lines += self._listed(f"{len(places)} places, from top to bottom", places)
        lines += self._listed("Called", entry.words)
        return lines

    # --- sources -------------------------------------------------------------------------------------------

    def _source(self, ident: str) -> list[str]:
        base, entry = self.base, self.base.sources[ident]
        having, machine = self._where(lambda machine: ident in machine.sources)
        lines = [
            self._line(f"{entry.name}. {entry.about}"),
            self._line(f"Why it leaks: {entry.why_it_leaks} [{entry.basis}]"),
            self._line(
                f"Holds: {entry.holds}. How common: {entry.commonness}. Access: {base.access[entry.access].name}."
            ),
            self._line(f"Settled by: {entry.confirm}"),
        ]
        for name in having:
            lines.append(self._line(f"Where on {name}: {_escapes(base.machine(name), ident)}"))
        lines += self._listed("Easily mistaken for", (base.sources[s].name for s in entry.alike))
        says = {s for s, other in base.sources.items() if ident in other.inseparable_from}
        apart = [other.name for s, other in base.sources.items() if s in (*entry.inseparable_from, *says)]
        lines += self._listed("No look can tell it, before it is taken apart, from", apart)
        for repair in base.repairs.values():
            if ident in repair.sources:
                access = base.access[repair.access].name
                lines.append(self._line(f"Repair: {repair.name} ({access}; about {repair.hours:g} h)"))
        if machine is not None:
            lines += self._rules_of(machine, entry)
            marked = dict.fromkeys((*machine.sources[ident].zones, *machine.first_seen[ident]))
            lines += [f"{INDENT}On the map of {machine.layout.layout}:", ""]
            lines.append(bodymap.draw(machine, {}, self.width, list(marked)))
        return lines

    def _rules_of(self, machine: Machine, entry: Source) -> Iterator[str]:
        """The rules for and against a source: those that name it, and those that speak of it among others."""
        ruleset, ident = ground(machine), entry.source
        raised = _speaking(ruleset, ident, raising=True)
        lowered = _speaking(ruleset, ident, raising=False)
        for verb, rules in (("raise", raised), ("lower", lowered)):
            own = [name for name in rules if _names(self.base.rules[name], ident)]
            yield from self._counted(f"Rules that name it and {verb} it", own)
            yield from self._counted(f"Rules that {verb} it among others", (name for name in rules if name not in own))

    # --- rules ---------------------------------------------------------------------------------------------

    def _rule(self, ident: str) -> list[str]:
        rule = self.base.rules[ident]
        lines = [wrap(rule.because, self.width, INDENT), self._line(f"Basis: {rule.basis}"), f"{INDENT}When:"]
        lines += self._when(rule.when, 1)
        if rule.for_each:
            lines.append(self._line("For each " + joined(f"{n}: {relation}" for n, relation in rule.for_each.items())))
        if rule.stage != "any":
            lines.append(self._line(f"In stage: {rule.stage}"))
        if rule.trust == "full":
            lines.append(self._line("It counts in full in every stage."))
        for label, table in (
            ("Explained by", rule.explains),
            ("Makes likelier", rule.favours),
            ("Speaks against", rule.speaks_against),
        ):
            lines += [self._line(f"{label}: {who} ({word})") for who, word in table.items()]
        lines += [self._line(f"Rules out: {who}") for who in rule.excludes]
        lines += [self._line(f"Concludes: {name}: {value}") for name, value in rule.derive.items()]
        lines += [self._line(f"First do: {rule.first_do}")] if rule.first_do else []
        lines += [self._line(f"Advises: {rule.advise}")] if rule.advise else []
        lines += self._cautions(rule.caution)
        having, _ = self._where(lambda machine: _applies(machine, rule))
        if len(having) < len(self.base.layouts):
            lines.append(self._line(f"Applies to: {', '.join(having) or 'no layout'}"))
        return lines

    def _when(self, when: When, deeper: int) -> Iterator[str]:
        for label, parts in (("all of", when.all), ("any of", when.any), ("none of", when.none)):
            if parts:
                yield f"{INDENT * (1 + deeper)}{label}:"
                for part in parts:
                    if isinstance(part, When):
                        yield from self._when(part, deeper + 1)
                    else:
                        yield self._line(_condition(part), deeper + 1)

    # --- what can be seen ----------------------------------------------------------------------------------

    def _finding(self, ident: str) -> list[str]:
        entry = self.base.findings[ident]
        having, machine = self._where(lambda machine: ident in machine.observables)
        lines = [self._line(entry.name)]
        if machine is not None:
            lines += self._asked(machine.observables[ident])
            lines += self._values(entry, machine.observables[ident])
        if entry.layouts:
            lines.append(self._line(f"Only on: {', '.join(having)}"))
        return [*lines, *self._looking(ident, machine)]

    def _asked(self, observable: Observable) -> Iterator[str]:
        """The question with all that belongs to it."""
        if not observable.ask:
            yield self._line("Not asked: rules conclude it, or it is stated outright.")
            return
        scale = self.base.scale
        phase = next((phase for phase in scale.phases if phase.phase == observable.phase), None)
        if phase is not None:
            only = observable.only_stage
            stages = [s.name for s in scale.stages if s.stage in phase.stages and only in ("", s.stage)]
            yield self._line(f"Asked in: {phase.name} ({', '.join(stages)})")
        yield self._line(f"Question: {observable.ask}")
        yield from self._cautions(observable.cautions)
        yield self._line(f"How: {observable.how}")
        yield self._line(f"Where: {observable.where}")
        yield self._line(f"Effort: about {observable.minutes:g} min")
        yield from self._listed("Tools", observable.tools)
        yield from self._listed(
            "Asked only when", (f"{name} is {' or '.join(values)}" for name, values in observable.needs.items())
        )

    def _values(self, entry: Finding, observable: Observable) -> Iterator[str]:
        if entry.kind == "number":
            units = f"; also in {', '.join(entry.units)}" if entry.units else ""
            yield self._line(f"Answer: a number from {entry.least:g} to {entry.most:g} {entry.unit}{units}")
        elif entry.kind == "zone":
            yield self._line(f"Answer: one of the {len(observable.values)} places that can be seen")
        else:
            yield f"{INDENT}Answers{' (several may hold)' if entry.many else ''}:"
            for name, value in entry.values.items():
                yield self._line(f"{name}: {value.means}" if value.means else name, 1)

    def _looking(self, ident: str, machine: Machine | None) -> list[str]:
        """The rules that look at a finding or place, and those that conclude it."""
        if machine is None:
            return []
        rules = ground(machine).rules
        looking = dict.fromkeys(r.rule.rule for r in rules if any(t.finding == ident for b in r.branches for t in b))
        concluding = dict.fromkeys(r.rule.rule for r in rules if any(f.finding == ident for f in r.derives))
        return [
            *self._counted("Rules that look at it", looking),
            *self._counted("Rules that conclude it", concluding),
        ]

    def _place(self, ident: str) -> list[str]:
        having, machine = self._where(lambda machine: ident in machine.zones)
        zone = machine.zones[ident] if machine is not None else self.base.zones[ident]
        lines = [self._line(f"{zone.name}. {zone.where}"), self._line(f"It lies {_position(zone)}.")]
        if machine is None:
            return lines
        below = dict.fromkeys(machine.downstream[ident])
        lines += self._listed("Fluid goes on to", (machine.zones[z].name for z in below))
        lines += self._listed("Fluid comes from", (machine.zones[z].name for z in machine.feeders[ident]))
        seen = [machine.sources[s].name for s, zones in machine.first_seen.items() if ident in zones]
        lines += self._listed("First seen here", seen)
        if zone.visible:
            lines += self._asked(machine.observables[ident])
        else:
            lines.append(self._line("It cannot be seen."))
        lines += self._listed("On", having)
        return [*lines, *self._looking(ident, machine)]

    def _term(self, ident: str) -> list[str]:
        term: Term = self.base.terms[ident]
        lines = [self._line(term.means)]
        if term.zone is not None:
            lines.append(self._line(f"See the place {term.zone}."))
        return lines


def _escapes(machine: Machine, source: str) -> str:
    """Where a source's fluid comes out on one layout, and where it first shows if that cannot be seen."""
    at = [machine.zones[zone] for zone in machine.sources[source].zones]
    said = " or ".join(f"{zone.name} ({_position(zone)})" for zone in at)
    shows = [machine.zones[zone].name for zone in machine.first_seen[source]]
    if any(not zone.visible for zone in at):
        said += f", which cannot be seen; it first shows at {joined(shows, 'or')}" if shows else ", and shows nowhere"
    return said


def _position(zone: Zone) -> str:
    """A place in a few words: how high, how far back, on which side."""
    height = ("high up", "half-way up", "low down")[min(int(zone.height * 3), 2)]
    along = ("at the front", "half-way back", "at the rear")[min(int(zone.along * 3), 2)]
    side = {"left": "on the left", "right": "on the right", "middle": "in the middle"}[zone.side]
    return f"{height}, {along}, {side}"


def _speaking(ruleset: Ruleset, source: str, raising: bool) -> tuple[str, ...]:
    """The rules that raise a source, or that lower it."""
    return tuple(
        dict.fromkeys(
            made.rule.rule
            for made in ruleset.rules
            if (raising and (source in made.explains or source in made.favours))
            or (not raising and (source in made.against or source in made.excludes))
        )
    )


def _names(rule: Rule, source: str) -> bool:
    return source in (*rule.explains, *rule.favours, *rule.speaks_against, *rule.excludes)


def _applies(machine: Machine, rule: Rule) -> bool:
    if rule.layouts and machine.layout.layout not in rule.layouts:
        return False
    return any(True for _ in ground_rule(machine, rule))


def _condition(condition: Condition) -> str:
    return ", ".join(
        f"{name}: {wanted if isinstance(wanted, str) else ' or '.join(wanted)}" for name, wanted in condition.items()
    )
