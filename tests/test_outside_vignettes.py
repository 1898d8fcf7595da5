"""Leaks as the trade and public-domain manuals tell them: is the part that leaked put first?

`vignettes.yaml` was written before any of it was tried on the program, and is not fitted to it. Each vignette has the
account in words and the same as facts, so that reasoning is measured apart from reading.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml
from driving import Say

from expert.consult import Consultant, FactsError
from expert.diagnosis import Expert
from expert.knowledge.base import KnowledgeBase
from expert.phrases import Lexicon

FILE = Path(__file__).parent / "vignettes.yaml"
RIGHT = 0.85  # the share that reasoning must get right
# Reading is the weaker half: when the vignettes were first tried, 31 of 41 came out right from the words alone. This
# catches a reading that gets much worse; it is no aim.
RIGHT_FROM_WORDS = 0.6


@pytest.fixture(scope="module")
def vignettes() -> list[dict[str, Any]]:
    """All of them."""
    found: list[dict[str, Any]] = yaml.safe_load(FILE.read_text(encoding="utf-8"))
    return found


@pytest.fixture(scope="module")
def consultants(kb: KnowledgeBase, experts: dict[str, Expert]) -> dict[str, Consultant]:
    """An expert for each layout."""
    return {name: Consultant(expert, Lexicon.of(expert.machine)) for name, expert in experts.items()}


def leaking(vignette: dict[str, Any]) -> list[str]:
    """The part that leaked, or those of which one did."""
    return [vignette["leaks"]] if isinstance(vignette["leaks"], str) else vignette["leaks"]


def test_there_are_enough_from_every_layout_and_each_says_where_it_is_from(
    vignettes: list[dict[str, Any]], kb: KnowledgeBase
) -> None:
    assert len(vignettes) >= 30
    assert {v["layout"] for v in vignettes} == set(kb.layouts)
    assert len({v["vignette"] for v in vignettes}) == len(vignettes)
    assert sum(v["basis"] != "common practice, no source" for v in vignettes) >= 10
    for vignette in vignettes:
        assert set(leaking(vignette)) <= set(kb.machine(vignette["layout"]).sources), vignette["vignette"]
        assert vignette["basis"] == "common practice, no source" or "US Army" in vignette["basis"]


def test_reasoning_puts_the_part_that_leaked_first(
    vignettes: list[dict[str, Any]], consultants: dict[str, Consultant], say: Say
) -> None:
    wrong = {}
    for vignette in vignettes:
        consultant = consultants[vignette["layout"]]
        facts = consultant.facts_of(vignette["seen"], vignette["stage"])
        first, _ = consultant.expert.diagnose(facts).belief.ranking[0]
        if first not in leaking(vignette):
            wrong[vignette["vignette"]] = first
    say(f"vignettes, from facts: {len(vignettes) - len(wrong)} of {len(vignettes)} right; wrong: {wrong}")
    assert 1 - len(wrong) / len(vignettes) >= RIGHT


def test_words_alone_put_the_part_that_leaked_first_nearly_as_often(
    vignettes: list[dict[str, Any]], consultants: dict[str, Consultant], say: Say
) -> None:
    wrong = []
    for vignette in vignettes:
        consultant = consultants[vignette["layout"]]
        try:
            stated = consultant.stated(consultant.read(vignette["says"]))
            right = consultant.expert.diagnose(stated.facts).belief.ranking[0][0] in leaking(vignette)
        except FactsError:
            right = False
        if not right:
            wrong.append(vignette["vignette"])
    say(f"vignettes, from words: {len(vignettes) - len(wrong)} of {len(vignettes)} right; wrong: {', '.join(wrong)}")
    assert 1 - len(wrong) / len(vignettes) >= RIGHT_FROM_WORDS
