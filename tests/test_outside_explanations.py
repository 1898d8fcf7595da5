"""Smallest explanations against the polybox of de Kleer and Williams, Peng and Reggia's covers, and brute force.

Titles and pages of the works named are from memory. The sets asserted do not rest on memory: each is recomputed here
from the circuit or the table by trying every subset.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from expert.belief import MOST_AT_ONCE, minimal_explanations

Sets = set[frozenset[str]]


def subsets(of: Iterable[str]) -> list[frozenset[str]]:
    members = sorted(of)
    return [frozenset(c) for size in range(len(members) + 1) for c in itertools.combinations(members, size)]


def minimal(sets: Collection[frozenset[str]]) -> Sets:
    return {one for one in sets if not any(other < one for other in sets)}


def covers(sights: Sequence[frozenset[str]], sources: Iterable[str]) -> Sets:
    """Every set of sources, of any size, that explains every sight."""
    return {one for one in subsets(sources) if all(sight & one for sight in sights)}


# ---- the polybox ----------------------------------------------------------------------------------------------

# J. de Kleer and B. C. Williams, "Diagnosing Multiple Faults", Artificial Intelligence 32 (1987) 97-130: three
# multipliers and two adders, X = A*C (M1), Y = B*D (M2), Z = C*E (M3), F = X+Y (A1), G = Y+Z (A2) with
# A=3 B=2 C=2 D=3 E=3. The first row's diagnoses are the paper's; the other rows are computed for the same circuit.
PARTS = ("A1", "A2", "M1", "M2", "M3")
POLYBOX = [
    ("F=10 G=12", ["A1 M1 M2", "A1 A2 M1 M3"], ["A1", "M1", "A2 M2", "M2 M3"], 27),
    ("F=10 G=12 X=4", ["M1"], ["M1"], 16),
    ("F=10 G=12 X=6", ["A1 M2", "A1 A2 M3"], ["A1", "A2 M2", "M2 M3"], 22),
    ("F=10 G=12 Y=6", ["A1 M1"], ["A1", "M1"], 24),
    ("F=10 G=12 Y=4", ["M2", "A2 M3"], ["A2 M2", "M2 M3"], 12),
    ("F=10 G=12 X=6 Y=6", ["A1"], ["A1"], 16),
    ("F=10 G=10", ["A1 M1 M2", "A2 M2 M3"], ["M2", "A1 A2", "A1 M3", "A2 M1", "M1 M3"], 25),
    ("F=12 G=12", [], [""], 32),
]
BY_OBSERVED = pytest.mark.parametrize(("observed", "conflicts", "diagnoses", "consistent"), POLYBOX)


def consistent_with(observed: str) -> Callable[[frozenset[str]], bool]:
    """Can these parts all be healthy? Linear equations over X, Y, Z, F, G, solvable iff the ranks agree."""
    law = {
        "M1": ([1, 0, 0, 0, 0], 6),
        "M2": ([0, 1, 0, 0, 0], 6),
        "M3": ([0, 0, 1, 0, 0], 6),
        "A1": ([1, 1, 0, -1, 0], 0),
        "A2": ([0, 1, 1, 0, -1], 0),
    }
    readings = [
        ([int(probe == name) for probe in "XYZFG"], int(value))
        for name, value in (word.split("=") for word in observed.split())
    ]

    def check(healthy: frozenset[str]) -> bool:
        rows = [*readings, *(law[part] for part in sorted(healthy))]
        left = np.array([row for row, _ in rows], dtype=float)
        whole = np.array([[*row, value] for row, value in rows], dtype=float)
        return bool(np.linalg.matrix_rank(left) == np.linalg.matrix_rank(whole))

    return check


def as_sets(words: Iterable[str]) -> Sets:
    return {frozenset(word.split()) for word in words}


@BY_OBSERVED
def test_polybox_table_follows_from_the_circuit(
    observed: str, conflicts: list[str], diagnoses: list[str], consistent: int
) -> None:
    """The oracle first: conflicts and diagnoses by trying all 32 sets of healthy parts, no hitting sets involved."""
    possible = consistent_with(observed)
    everything = subsets(PARTS)
    assert minimal([healthy for healthy in everything if not possible(healthy)]) == as_sets(conflicts)
    faults = [broken for broken in everything if possible(frozenset(PARTS) - broken)]
    assert len(faults) == consistent
    assert minimal(faults) == as_sets(diagnoses)


@BY_OBSERVED
def test_polybox_diagnoses_explain_the_conflicts(
    observed: str, conflicts: list[str], diagnoses: list[str], consistent: int
) -> None:
    # The minimal diagnoses are the minimal sets that meet every conflict (Reiter 1987; de Kleer and Williams 1987).
    sights = [frozenset(conflict.split()) for conflict in conflicts]
    found = minimal_explanations(sights, PARTS)
    assert set(found) == as_sets(diagnoses)
    assert len(found) == len(set(found))
    # Conflicts that are not minimal add nothing.
    possible = consistent_with(observed)
    all_conflicts = [healthy for healthy in subsets(PARTS) if not possible(healthy)]
    assert set(minimal_explanations(all_conflicts, PARTS)) == as_sets(diagnoses)


# ---- parsimonious covering ------------------------------------------------------------------------------------

# Y. Peng and J. Reggia, Abductive Inference Models for Diagnostic Problem-Solving, Springer 1990, the running
# example (table from memory; the answers hold for the table as typed here).
EFFECTS: Mapping[str, set[int]] = {
    "d1": {1, 4},
    "d2": {1, 3, 4},
    "d3": {1, 3},
    "d4": {1, 6},
    "d5": {2, 3, 4},
    "d6": {2, 3},
    "d7": {2, 5},
    "d8": {4, 5, 6},
    "d9": {2, 5},
}
PRESENT = (1, 4, 5)
MANIFESTATIONS = [frozenset(d for d, effects in EFFECTS.items() if m in effects) for m in PRESENT]
MINIMUM = as_sets(["d1 d7", "d1 d8", "d1 d9", "d2 d7", "d2 d8", "d2 d9", "d3 d8", "d4 d8"])
IRREDUNDANT = MINIMUM | as_sets(["d3 d5 d7", "d3 d5 d9", "d4 d5 d7", "d4 d5 d9"])


def test_covers_of_the_running_example_by_brute_force() -> None:
    every = covers(MANIFESTATIONS, EFFECTS)
    assert len(every) == 402
    assert minimal(every) == IRREDUNDANT
    assert {cover for cover in every if len(cover) == min(map(len, every))} == MINIMUM
    assert (len(IRREDUNDANT), len(MINIMUM)) == (12, 8)


def test_irredundant_covers_of_the_running_example() -> None:
    found = minimal_explanations(MANIFESTATIONS, EFFECTS)
    assert len(found) == 12
    assert set(found) == IRREDUNDANT
    # Smallest first, so the minimum covers come before all others.
    assert set(found[:8]) == MINIMUM
    # The book's generator form: products of alternatives.
    generators = (("d1 d2", "d7 d8 d9"), ("d3 d4", "d8"), ("d3 d4", "d5", "d7 d9"))
    products = {frozenset(one) for g in generators for one in itertools.product(*(part.split() for part in g))}
    assert set(found) == products


def test_single_fault_restriction_of_the_running_example_has_no_answer() -> None:
    # No disease causes 1, 4 and 5 together: one source must not be made to explain what it cannot.
    assert minimal_explanations(MANIFESTATIONS, EFFECTS, most=1) == ()
    assert set(minimal_explanations(MANIFESTATIONS, EFFECTS, most=2)) == MINIMUM


@pytest.mark.parametrize("size", range(1, 6))
def test_disjoint_sights_multiply(size: int) -> None:
    # Known by counting: two sights with n sources each, none shared, have n * n explanations; with one shared
    # source, that one alone and (n - 1)^2 pairs.
    left = frozenset(f"a{at}" for at in range(size))
    right = frozenset(f"b{at}" for at in range(size))
    assert len(minimal_explanations([left, right], sorted(left | right))) == size**2
    shared = [left | {"both"}, right | {"both"}]
    found = minimal_explanations(shared, sorted(left | right | {"both"}))
    assert found[0] == {"both"}
    assert len(found) == 1 + size**2


# ---- brute force ----------------------------------------------------------------------------------------------

SOURCES = tuple(f"s{at}" for at in range(7))
SIGHTS = st.lists(st.frozensets(st.sampled_from(SOURCES), max_size=5), max_size=6)


@settings(max_examples=400, deadline=None)
@given(SIGHTS, st.integers(1, 7))
def test_minimal_explanations_are_the_minimal_covers(sights: list[frozenset[str]], most: int) -> None:
    wanted = {cover for cover in minimal(covers(sights, SOURCES)) if len(cover) <= most}
    found = minimal_explanations(sights, SOURCES, most)
    assert set(found) == wanted
    assert len(found) == len(wanted)
    assert [len(cover) for cover in found] == sorted(len(cover) for cover in found)


@settings(max_examples=200, deadline=None)
@given(SIGHTS, st.permutations(SOURCES))
def test_neither_the_order_of_sights_nor_of_sources_matters(sights: list[frozenset[str]], shuffled: list[str]) -> None:
    straight = set(minimal_explanations(sights, SOURCES))
    assert set(minimal_explanations(sights[::-1], SOURCES)) == straight
    assert set(minimal_explanations([*sights, *sights], shuffled)) == straight
    assert all(len(cover) <= MOST_AT_ONCE for cover in straight)
    # Every member is needed: it alone of the set explains some sight.
    assert all(any(sight & cover == {member} for sight in sights) for cover in straight for member in cover)


def test_a_sight_that_nothing_explains_leaves_no_explanation() -> None:
    assert minimal_explanations([frozenset({"s0"}), frozenset()], SOURCES) == ()
    assert minimal_explanations([frozenset({"elsewhere"})], SOURCES) == ()
    assert minimal_explanations([], SOURCES) == (frozenset(),)
