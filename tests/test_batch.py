"""`facts --batch`: one result a line, whatever the lines hold, equal to what the engine concludes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from driving import ROOT, Run, firstwet
from hypothesis import given
from hypothesis import strategies as st
from strategies import calm, facts_of

from expert.batch import answer, stepwise
from expert.consult import Consultant, FactsError
from expert.diagnosis import Expert
from expert.dialogue import Talk
from expert.facts import Fact
from expert.knowledge.base import KnowledgeBase

SCHEMA = json.loads((ROOT / "expert" / "schema" / "facts.schema.json").read_text(encoding="utf-8"))
LONGEST = 10_000


def case_schema() -> dict[str, Any]:
    """What a line of a batch may be."""
    return {"$schema": SCHEMA["$schema"], "$defs": SCHEMA["$defs"], "$ref": "#/$defs/case"}


@pytest.fixture(scope="module")
def quick(expert: Expert, talk: Talk) -> Consultant:
    """The default layout's expert as a batch uses it."""
    return Consultant(Expert(expert.machine, stepwise), talk.lexicon)


@pytest.fixture(scope="module")
def slow(expert: Expert, talk: Talk) -> Consultant:
    """The same on the engine that this Python has."""
    return Consultant(expert, talk.lexicon)


def one(consultant: Consultant, case: object) -> dict[str, Any]:
    """The result of one line."""

    def for_layout(layout: str | None) -> Consultant:
        if layout not in (None, consultant.expert.machine.layout.layout):
            raise FactsError(f"There is no layout {layout!r}.")
        return consultant

    line = case if isinstance(case, str) else json.dumps(case)
    return answer(for_layout, line, 7, LONGEST)


def as_objects(facts: list[Fact]) -> list[dict[str, Any]]:
    """Facts as a batch takes them."""
    return [{"finding": f.finding, "value": f.value, **({"stage": f.stage} if f.stage else {})} for f in facts]


@calm(25)
@given(data=st.data())
def test_the_stepwise_chainer_is_equal_to_the_engine(expert: Expert, quick: Consultant, data: st.DataObject) -> None:
    facts = data.draw(facts_of(expert.ruleset, most=14))
    stepped, chained = quick.expert.chain(facts), expert.chain(facts)
    assert (stepped.stated, stepped.facts) == (chained.stated, chained.facts)
    assert stepped.fired == chained.fired
    assert stepped.memory == chained.memory


@calm(10)
@given(data=st.data())
def test_a_result_is_the_engines_and_the_commands(slow: Consultant, quick: Consultant, data: st.DataObject) -> None:
    facts = data.draw(facts_of(slow.expert.ruleset, most=8).filter(bool))
    found = one(quick, {"facts": as_objects(facts)})
    stated = slow.facts_of(as_objects(facts))
    if "error" in found:
        with pytest.raises(FactsError, match="contradict"):
            slow.stated(slow.read(""), None, stated)
        return
    done = slow.conclude(slow.stated(slow.read(""), None, stated))
    full = json.loads(json.dumps(slow.as_object(done)))
    ahead = {"would_change_its_mind", "parts_first_two", "cautions"}
    assert {k: v for k, v in found.items() if k not in {*ahead, "line", "id"}} == {
        k: v for k, v in full.items() if k not in ahead
    }
    assert found["would_change_its_mind"] is found["parts_first_two"] is None
    warned = [caution["id"] for caution in full["cautions"]]
    assert {caution["id"] for caution in found["cautions"]} <= set(warned)
    jsonschema.validate(found, SCHEMA)


def test_words_and_facts_go_together_and_labels_come_back(quick: Consultant) -> None:
    case = {"id": "blue", "text": "red fluid", "facts": {"bellhousing-hole": "wet"}, "stage": "after-clean"}
    jsonschema.validate(case, case_schema())
    found = one(quick, case)
    assert (found["line"], found["id"], found["stage"]) == (7, "blue", "after-clean")
    assert found["facts"] == [
        {"finding": "bellhousing-hole", "value": "wet", "stage": "after-clean"},
        {"finding": "colour", "value": "red", "stage": ""},
    ]


def test_facts_that_enter_a_stage_say_when_the_others_were_seen(quick: Consultant) -> None:
    found = one(quick, {"facts": {"fill-tube-base": "wet", "cleaned-and-driven": "short drive"}})
    assert found["stage"] == "after-clean"
    assert {"finding": "fill-tube-base", "value": "wet", "stage": "after-clean"} in found["facts"]


def test_results_can_be_put_in_again(quick: Consultant) -> None:
    found = one(quick, {"text": "cleaned it, drove 5 miles, red fluid, fill tube wet, 25 years old"})
    again = one(quick, {"facts": found["facts"]})
    assert again == {**found, "not_understood": again["not_understood"]}


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("", "This is no JSON"),
        ("{", "This is no JSON"),
        ("[1]", "A case is a JSON object"),
        ('"red fluid"', "A case is a JSON object"),
        ("{}", "'text', 'facts' or both"),
        ('{"text": 3}', "'text' is a text"),
        ('{"text": "red fluid", "id": [1]}', "'id' is a text or a whole number"),
        ('{"text": "red fluid", "txt": "x"}', "no key 'txt'. Allowed: id, text, facts, layout, stage"),
        ('{"text": "red fluid", "text": "x"}', "stands twice"),
        ('{"text": "red fluid", "stage": "later"}', "no stage 'later'. Allowed: as-found"),
        ('{"text": "red fluid", "layout": "boat"}', "no layout 'boat'"),
        ('{"text": "blorb frotz"}', "Nothing in that was understood"),
        ('{"text": "fill tube wet, fill tube dry"}', "contradict each other"),
        ('{"text": "fill tube wet", "facts": {"fill-tube-base": "dry"}}', "contradict each other"),
        ('{"facts": {"fill-tube-bas": "wet"}}', "Near it: fill-tube-base"),
        ('{"facts": {"fill-tube-base": "soggy"}}', "Allowed: dry, damp, wet"),
        ('{"facts": {"fill-tube-base": true}}', "no value True"),
        ('{"facts": {"vehicle-age": "old"}}', "is a number (in: year), not 'old'"),
        ('{"facts": {"vehicle-age": 1e9}}', "Allowed: 0 to"),
        ('{"facts": {"vehicle-age": NaN}}', "NaN is no JSON number"),
        ('{"facts": {"vehicle-age": true}}', "is a number"),
        ('{"facts": "wet"}', "Facts are an object"),
        ('{"facts": [{"finding": "colour"}]}', "A fact is an object with finding and value"),
        ('{"facts": [{"finding": "colour", "value": "red", "stage": "as-found"}]}', "carries no stage"),
        ('{"facts": [{"finding": "colour", "value": "red", "when": "x"}]}', "no key 'when'"),
        ('{"text": "\\ud800 red fluid"}', "surrogate"),
        ("[" * 100_000, "nested too deeply"),
        (json.dumps({"text": "red " * LONGEST}), "at most 10000 are read"),
    ],
)
def test_a_bad_line_is_told_on_its_line(quick: Consultant, line: str, told: str) -> None:
    found = one(quick, line)
    assert list(found) == ["line", "id", "version", "error"]
    assert told in found["error"]
    assert "\n" not in found["error"]
    jsonschema.validate(found, SCHEMA)


@calm(60)
@given(line=st.one_of(st.text(), st.recursive(st.none() | st.booleans() | st.floats() | st.text(), lambda v: (
    st.lists(v, max_size=3) | st.dictionaries(st.sampled_from(["id", "text", "facts", "layout", "stage", "colour"]), v)
)).map(json.dumps)))  # fmt: skip
def test_any_line_has_a_result(quick: Consultant, line: str) -> None:
    found = one(quick, line)
    jsonschema.validate(json.loads(json.dumps(found)), SCHEMA)


def test_the_command_goes_through_a_file_and_exits_by_what_it_held(run: Run, kb: KnowledgeBase, tmp_path: Path) -> None:
    path = tmp_path / "cases.jsonl"
    other = next(name for name in kb.layouts if name != kb.default_layout)
    good = [
        '{"id": 1, "text": "red fluid, bellhousing hole wet"}',
        "",
        json.dumps({"text": "red fluid", "layout": other}),
    ]
    path.write_text("\ufeff" + "\n".join(good), encoding="utf-8")
    done = run("facts", "--batch", str(path))
    found = [json.loads(line) for line in done.out.splitlines()]
    assert (done.code, done.err) == (0, "")
    assert [(f["line"], f["id"], f["layout"]) for f in found] == [(1, 1, kb.default_layout), (3, None, other)]

    path.write_bytes(b'{"text": "red fluid"}\n\xff\xfe\n' + b"x" * 400_000 + b'\n{"text": "red fluid"}\n')
    done = run("facts", "--batch", str(path))
    found = [json.loads(line) for line in done.out.splitlines()]
    assert done.code == 1
    assert [f.get("error", "")[:20] for f in found] == ["", "The line is not UTF-", "The line is too long", ""]
    assert [f["line"] for f in found] == [1, 2, 3, 4]
    assert "2 of 4 cases could not be used" in done.err

    assert run("facts", "--batch", "-", stdin="nonsense\n").code == 2
    empty = run("facts", "--batch", "-", stdin="\n \n")
    assert (empty.code, empty.out) == (2, "")
    assert "no line with anything on it" in empty.err
    missing = run("facts", "--batch", str(tmp_path / "none"))
    assert missing.code == 2
    assert "cannot be read: No such file" in missing.err


def test_results_come_as_the_lines_do() -> None:
    """In a process of its own, and the same bytes when words are hashed otherwise."""
    lines = '{"text": "red fluid, pan wet"}\n{"text": "fill tube wet"}\n'
    first, second = (firstwet("facts", "--batch", "-", stdin=lines, env={"PYTHONHASHSEED": seed}) for seed in "19")
    assert first.returncode == 0
    assert first.stdout == second.stdout
    assert len(first.stdout.splitlines()) == 2
