"""`facts --json`: a documented object, the same bytes every time, and the same conclusion as the text."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest
from driving import ROOT, Run, firstwet
from hypothesis import given
from hypothesis import strategies as st
from strategies import calm, facts_of

from expert.conclusion import conclude
from expert.diagnosis import Expert
from expert.inspection import stage_of
from expert.jsonform import conclusion_object
from expert.knowledge.base import KnowledgeBase
from expert.wording import percent, sure

SCHEMA = json.loads(firstwet("facts", "--schema").stdout)
EXAMPLE = "red fluid, bellhousing hole wet, rear of engine dry"

FACT = {"finding": str, "value": (str, float), "stage": str}
SOURCE = {"source": str, "name": str, "chance": float, "words": str}
REASON = {"rule": str, "source": str, "says": str, "likelihood_ratio": float, "because": str, "facts": [FACT]}
CAUTION = {"id": str, "text": str}
SHAPE: dict[str, Any] = {
    "version": int,
    "layout": str,
    "knowledge": str,
    "shop_figures": type(None),  # an overlay's are in test_learning.py
    "stage": str,
    "facts": [FACT],
    "derived": [FACT],
    "not_understood": [str],
    "uncertain": [FACT],
    "claims": [SOURCE],
    "stands_out": bool,
    "looked_after_cleaning": bool,
    "conclusion": [SOURCE],
    "chance_of_exactly_these": float,
    "inseparable": [{"source": str, "from": [str], "chance": float}],
    "chance_with_inseparable": float,
    "ranking": [SOURCE],
    "reasons": [REASON],
    "against": [REASON],
    "minimal_explanations": [[str]],
    "unexplained": [FACT],
    "would_change_its_mind": [{"finding": str, "ask": str, "minutes": (int, float), "bits": float}],
    "parts_first_two": {
        "sources": [str],
        "finding": str,
        "ask": str,
        "stage": str,
        "first": [FACT],
        "minutes": (int, float),
        "bits": float,
        "answers": [{"value": (str, float), "chances": [float]}],
    },
    "confirm": [{"source": str, "by": str}],
    "not_looked_at": [str],
    "advice": [{"rule": str, "text": str}],
    "cautions": [CAUTION],
    "repairs": [
        {
            "id": str,
            "name": str,
            "for": [str],
            "access": str,
            "hours": (int, float),
            "steps": [str],
            "parts": [str],
            "same_visit": [str],
            "cautions": [CAUTION],
        }
    ],
}


def assert_shape(value: Any, shape: Any, where: str = "") -> None:
    """Just these keys, in this order, and of these types, all the way down."""
    if value is None and where == ".parts_first_two":
        return
    if isinstance(shape, dict):
        assert isinstance(value, dict), where
        assert list(value) == list(shape), where
        for key, inner in shape.items():
            assert_shape(value[key], inner, f"{where}.{key}")
    elif isinstance(shape, list):
        assert isinstance(value, list), where
        for at, inner in enumerate(value):
            assert_shape(inner, shape[0], f"{where}[{at}]")
    else:
        assert isinstance(value, shape), where
        assert shape is bool or not isinstance(value, bool), where
        if isinstance(value, str):
            assert value or where.endswith(".stage"), where


def assert_sound(found: dict[str, Any], kb: KnowledgeBase) -> None:
    """Chances between 0 and 1, the ranking sorted, every id one that there is."""
    chances = [entry["chance"] for entry in found["ranking"]]
    assert chances == sorted(chances, reverse=True)
    assert all(0 <= chance <= 1 for chance in chances)
    assert 0 <= found["chance_of_exactly_these"] <= found["chance_with_inseparable"] <= 1
    sources = list(kb.machine(found["layout"]).sources)
    assert sorted(entry["source"] for entry in found["ranking"]) == sorted(sources)
    assert 1 <= len(found["conclusion"]) <= 3
    for entry in (*found["ranking"], *found["conclusion"]):
        assert entry["name"] == kb.sources[entry["source"]].name
        assert entry["words"]
    assert all(entry in found["ranking"] for entry in found["conclusion"])
    for reason in (*found["reasons"], *found["against"]):
        assert reason["rule"] in kb.rules
        assert reason["likelihood_ratio"] >= 1
        assert reason["facts"]
    assert all(reason["says"] == "speaks against" for reason in found["against"])
    assert all(reason["says"] in ("explains", "favours") for reason in found["reasons"])
    for cover in found["minimal_explanations"]:
        assert cover == sorted(set(cover))
    assert all(q["bits"] > 0 and q["minutes"] > 0 for q in found["would_change_its_mind"])
    mended = [source for job in found["repairs"] for source in job["for"]]
    assert sorted(mended) == sorted(entry["source"] for entry in found["conclusion"])
    for job in found["repairs"]:
        assert job["steps"]
        assert "service-data" in [caution["id"] for caution in job["cautions"]]
    json.dumps(found, allow_nan=False)


@pytest.fixture(scope="module")
def printed() -> str:
    """What the command prints."""
    done = firstwet("facts", "--json", EXAMPLE, env={"PYTHONHASHSEED": "1"})
    assert done.returncode == 0
    text: str = done.stdout
    return text


def test_the_command_prints_the_documented_object(printed: str, kb: KnowledgeBase) -> None:
    found = json.loads(printed)
    assert_shape(found, SHAPE)
    assert_sound(found, kb)
    assert found["version"] == 1
    assert found["knowledge"] == kb.digest
    assert {(fact["finding"], fact["value"]) for fact in found["facts"]} == {
        ("colour", "red"),
        ("bellhousing-hole", "wet"),
        ("engine-rear", "dry"),
    }


def test_the_bytes_are_stable(printed: str) -> None:
    """In another process, with words hashed otherwise and the facts in another order."""
    other = firstwet(
        "facts", "--json", "rear of engine dry. bellhousing hole wet; red fluid", env={"PYTHONHASHSEED": "9"}
    )
    assert other.stdout == printed


def test_text_and_object_say_the_same(printed: str) -> None:
    text = firstwet("facts", EXAMPLE).stdout
    words = " ".join(text.split())
    for entry in json.loads(printed)["ranking"][:4]:
        assert f"{percent(entry['chance'])} " in text
        assert entry["name"] in words
        assert sure(entry["chance"]) == entry["words"]
    for reason in json.loads(printed)["reasons"]:
        assert f"[{reason['rule']}]" in words


def test_what_was_not_understood_is_in_the_object() -> None:
    done = firstwet("facts", "--json", "red fluid, flurbs are glorping")
    assert json.loads(done.stdout)["not_understood"] == ["flurbs are glorping"]
    assert "glorping" in done.stderr


@pytest.mark.parametrize(
    "text",
    [
        EXAMPLE,
        "cleaned it, drove 5 miles, fill tube wet, case top dry, 25 years old",
        "red fluid, maybe pan wet, I say it is the pan gasket",
        "dry everywhere",
    ],
)
def test_what_is_printed_fits_the_published_schema(run: Run, text: str) -> None:
    found = json.loads(run("facts", "--json", text).out)
    jsonschema.validate(found, SCHEMA)
    broken = {**found, "stands_out": "perhaps"}
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(broken, SCHEMA)


def test_the_schema_is_sound_and_names_every_key(printed: str) -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert list(SCHEMA["$defs"]["conclusion"]["properties"])[2:] == list(json.loads(printed))
    assert SCHEMA["$defs"]["conclusion"]["additionalProperties"] is False


def test_what_parts_the_first_two_is_in_the_object(printed: str) -> None:
    found = json.loads(printed)
    parted = found["parts_first_two"]
    assert parted["sources"] == [entry["source"] for entry in found["ranking"][:2]]
    assert parted["bits"] > 0
    spread = [answer["chances"][0] for answer in parted["answers"]]
    assert max(spread) - min(spread) > 0.5


def test_claims_and_doubts_are_in_the_object_and_are_no_facts(run: Run) -> None:
    found = json.loads(run("facts", "--json", "red fluid, maybe pan wet, I say it is the pan gasket").out)
    assert [claim["source"] for claim in found["claims"]] == ["pan-gasket"]
    assert [fact["finding"] for fact in found["uncertain"]] == ["pan-bottom"]
    assert [fact["finding"] for fact in found["facts"]] == ["colour"]


def test_it_is_documented(printed: str) -> None:
    """Every key of the object stands in the README."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    missing = [key for key in json.loads(printed) if f"`{key}`" not in readme and f'"{key}"' not in readme]
    assert missing == []


@calm(12)
@given(data=st.data())
def test_the_object_of_any_facts_is_sound(expert: Expert, kb: KnowledgeBase, data: st.DataObject) -> None:
    facts = data.draw(facts_of(expert.ruleset))
    now = expert.diagnose(facts)
    stage = stage_of(expert, facts)
    found = json.loads(json.dumps(conclusion_object(expert, now, conclude(expert, now, stage), stage)))
    assert_shape(found, SHAPE)
    assert_sound(found, kb)
    jsonschema.validate(found, SCHEMA)
    assert len(found["facts"]) == len(set(facts))
