"""Python's own way in: typed, lazy, documented, and the same result as the command's."""

from __future__ import annotations

import doctest
import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from driving import ROOT, firstwet

import expert
from expert import Fact, FactsError, KnowledgeBase, KnowledgeError, diagnose

README = (ROOT / "README.md").read_text(encoding="utf-8")
EXAMPLE = "red fluid, bellhousing hole wet, rear of engine dry"


@pytest.fixture(scope="module")
def known() -> KnowledgeBase:
    """The installed knowledge."""
    return KnowledgeBase.load()


@pytest.mark.parametrize("text", [EXAMPLE, "cleaned it, drove 5 miles, fill tube wet, case top dry, zorkmids"])
def test_it_is_the_commands_own_result(known: KnowledgeBase, text: str) -> None:
    result = diagnose(known, text)
    assert result.to_json() + "\n" == firstwet("facts", "--json", text).stdout
    assert result.to_dict() == json.loads(result.to_json())
    assert result.to_text() in firstwet("facts", text).stdout


def test_fields_say_what_the_object_says(known: KnowledgeBase) -> None:
    result = diagnose(known, EXAMPLE)
    shown = result.to_dict()
    assert [(s, round(c, 6)) for s, c in result.ranking] == [(e["source"], e["chance"]) for e in shown["ranking"]]
    assert [source for source, _ in result.conclusion] == [e["source"] for e in shown["conclusion"]]
    assert (result.layout, result.stage) == (shown["layout"], shown["stage"])
    assert result.stands_out == shown["stands_out"]
    assert round(result.chance, 6) == shown["chance_of_exactly_these"]
    assert [r.rule for r in (*result.reasons, *result.against)] == [
        e["rule"] for e in (*shown["reasons"], *shown["against"])
    ]


def test_words_mapping_and_facts_are_one(known: KnowledgeBase) -> None:
    said = diagnose(known, EXAMPLE)
    seen = {"colour": "red", "bellhousing-hole": "wet", "engine-rear": "dry"}
    given = [
        Fact("colour", "red"),
        Fact("bellhousing-hole", "wet", "as-found"),
        {"finding": "engine-rear", "value": "dry"},
    ]
    for facts in (seen, given):
        assert diagnose(known, facts).to_json() == said.to_json()
    assert diagnose(known, seen, stage="after-clean").stage == "after-clean"


def test_every_layout_can_be_asked(known: KnowledgeBase) -> None:
    assert known.default_layout in known.layouts
    for layout in known.layouts:
        assert diagnose(known, "red fluid", layout=layout).layout == layout


def test_what_cannot_be_used_is_a_value_error_that_says_why(known: KnowledgeBase, tmp_path: Path) -> None:
    with pytest.raises(FactsError, match=r"There is no layout 'boat'\. Allowed: "):
        diagnose(known, "red fluid", layout="boat")
    with pytest.raises(FactsError, match="There is no finding 'paint'"):
        diagnose(known, {"paint": "red"})
    with pytest.raises(FactsError, match="Nothing in that was understood"):
        diagnose(known, {})
    assert issubclass(FactsError, ValueError)
    with pytest.raises(KnowledgeError):
        KnowledgeBase.load(tmp_path)


def test_importing_it_loads_nothing_else() -> None:
    """`firstwet --version` must not wait for the reasoning to load."""
    code = (
        "import sys, expert; print(sorted(m for m in sys.modules if m.startswith(('expert.', 'numpy', 'pydantic'))));"
        "print(expert.KnowledgeBase.__name__, 'numpy' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout == "[]\nKnowledgeBase True\n"


def test_what_is_public_is_there_and_nothing_else_is_promised() -> None:
    for name in expert.__all__:
        assert getattr(expert, name).__name__ == name
    with pytest.raises(AttributeError, match="has no attribute 'xyzzy'"):
        _ = expert.xyzzy
    assert (ROOT / "expert" / "py.typed").exists()


def test_the_example_of_the_readme_is_right() -> None:
    example = "\n".join(re.findall(r"^```pycon\n(.*?)^```$", README, re.MULTILINE | re.DOTALL))
    assert "from expert import KnowledgeBase, diagnose" in example
    parsed = doctest.DocTestParser().get_doctest(example, {}, "README", "README.md", 0)
    runner = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE)
    assert runner.run(parsed) == doctest.TestResults(failed=0, attempted=len(parsed.examples))
    assert len(parsed.examples) >= 5
