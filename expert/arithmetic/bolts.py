"""Whether a tightening figure can be right for a metric bolt: what its steel is meant for."""

from __future__ import annotations

import math
import re

from expert.arithmetic.shapes import Bolts
from expert.arithmetic.spans import Span, Unusable

_BOLT = re.compile(r"m\s*([0-9]{1,2})(?:\s*[x×]\s*([0-9]{1,2}(?:\.[0-9]{1,2})?))?", re.IGNORECASE)
_THICK = 16  # mm of thread above which the second proof stress of a class holds


def read_bolt(text: str, table: Bolts) -> tuple[int, float]:
    """'M8' or 'M8x1.25' as thread and pitch in mm, the coarse pitch where none is given. Unusable otherwise."""
    found = _BOLT.fullmatch(text.strip())
    if not found:
        raise Unusable(
            f"{text.strip()!r} is no metric bolt. Write for example: M8 or M8x1.25. Inch bolts are not in the table."
        )
    thread = int(found[1])
    coarse = table.pitches.get(str(thread))
    if coarse is None:
        raise Unusable(f"M{thread} is not in the table. Allowed: {', '.join(f'M{name}' for name in table.pitches)}.")
    pitch = float(found[2]) if found[2] else coarse
    if not 0.3 * coarse <= pitch <= coarse:
        raise Unusable(f"An M{thread} bolt has a pitch of {coarse:g} mm or finer; {pitch:g} mm cannot be.")
    return thread, pitch


def stress_area(thread: float, pitch: float) -> float:
    """mm2 of a metric thread under tension: pi/4 (d - 0.9382 p)^2, as in ISO 898-1."""
    return math.pi / 4 * (thread - 0.9382 * pitch) ** 2


def proof_stress(name: str, thread: float, table: Bolts) -> float:
    """MPa that a bolt of this class bears without lasting stretch. Unusable for an unknown class."""
    for entry in table.classes:
        if entry.class_ == name.strip():
            return entry.proof[thread > _THICK]
    known = ", ".join(entry.class_ for entry in table.classes)
    raise Unusable(
        f"There is no bolt class {name.strip()!r}. Allowed: {known}. The class stands on the head of the bolt; a bolt "
        "without one is not judged here."
    )


def torque_range(thread: float, pitch: float, proof: float, load: Span, friction: Span) -> Span:
    """N·m that bring the bolt to `load` (a share of its proof load): friction x thread x pull."""
    pull = load.scaled(proof * stress_area(thread, pitch))  # N
    return pull.times(friction).scaled(thread / 1000)
