"""What to do about the sources believed: their repairs, and what else the same access lays bare."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from expert.knowledge.base import Machine
from expert.knowledge.model import Repair


@dataclass(frozen=True)
class Job:
    """One repair, the sources it mends, and other sources worth renewing while the same access is open."""

    repair: Repair
    sources: tuple[str, ...]
    same_access: tuple[str, ...]


def depth(machine: Machine, access: str) -> int:
    """How deep an access lies: 0 for the outermost."""
    return list(machine.base.access).index(access)


def jobs(
    machine: Machine, sources: Iterable[str], marginals: Mapping[str, float], worth: float = 0.03
) -> tuple[Job, ...]:
    """The repairs for the sources, deepest access first, since the deepest decides what else is open anyway.

    `same_access` lists sources that lie exactly as deep, are not sure enough to be repaired for themselves,
    but have at least the posterior `worth`; an outside repair lays nothing else bare, so it lists none.
    """
    wanted = list(sources)
    found: dict[str, list[str]] = {}
    for source in wanted:
        repair = next(r for r in machine.base.repairs.values() if source in r.sources)
        found.setdefault(repair.repair, []).append(source)
    made = []
    for name, mended in found.items():
        repair = machine.base.repairs[name]
        deep = depth(machine, repair.access)
        near = [
            source
            for source, entry in machine.sources.items()
            if deep > 0 and entry.access == repair.access and source not in wanted and marginals[source] >= worth
        ]
        made.append(Job(repair, tuple(mended), tuple(sorted(near, key=lambda s: -round(marginals[s], 9)))))
    return tuple(sorted(made, key=lambda job: (-depth(machine, job.repair.access), job.repair.repair)))
