"""`firstwet explain`: every kind of entry, on whichever layout has it."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from expert import cli
from expert.explain import explain, names
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.load import load
from expert.wording import WIDTH

TINY = Path(__file__).parent / "tiny_rules"
LOW = """
- layout: low-tank
  name: a low tank
  about: A tank without a lid.
  like: tank
  without: [lid-edge, lid-seal]
  words: [low tank]
"""


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> KnowledgeBase:
    """The small sound folder with a second layout."""
    folder = shutil.copytree(TINY, tmp_path_factory.mktemp("explain") / "rules")
    (folder / "layouts" / "two.yaml").write_text(LOW, encoding="utf-8")
    return load(folder)


def told(base: KnowledgeBase, name: str, layout: str = "tank") -> str:
    text = explain(base, layout, name, WIDTH)
    assert text is not None
    return text


def flat(text: str) -> str:
    return " ".join(text.split())


def test_a_layout(tiny: KnowledgeBase) -> None:
    text = flat(told(tiny, "tank"))
    assert text.startswith("layout tank a tank. A tank on a bench. 3 sources, by what must be opened to mend them:")
    assert "from outside (2): lid seal; side plug foot off (1): foot seal" in text
    assert "5 places, from top to bottom: edge of the lid; side of the tank; back of the tank;" in text
    text = flat(told(tiny, "low-tank"))
    assert "Made from tank, without lid-edge, lid-seal." in text
    assert "from outside (1): side plug foot off (1): foot seal 4 places" in text
    assert text.endswith("Called: low tank")


def test_a_source(tiny: KnowledgeBase) -> None:
    text = flat(told(tiny, "foot-seal"))
    assert "foot seal. The seal in the foot. Why it leaks: It wears. [invented for tests]" in text
    assert "Holds: oil. How common: rare. Access: foot off. Settled by: Take the foot off." in text
    where = (
        "inside of the foot (low down, half-way back, in the middle), which cannot be seen; it first shows at hole in"
    )
    assert f"Where on tank: {where} the foot Where on low-tank: {where} the foot" in text
    assert "No look can tell it, before it is taken apart, from: side plug" in text
    assert "Repair: tighten the plug or renew the foot seal (foot off; about 2 h)" in text
    assert "Rules that name it and raise it (1): fast-drip-from-below" in text
    assert "Rules that raise it among others (2): wet-place-own-sources, first-wet-place-below-a-dry-one" in text
    assert "Rules that lower it among others (2): dry-place-clears-its-sources, no-oil-no-leak" in text
    assert "On the map of tank:" in text
    # either of two inseparable sources says so
    assert "No look can tell it, before it is taken apart, from: foot seal" in flat(told(tiny, "side-plug"))


def test_a_source_of_another_layout_is_shown_there(tiny: KnowledgeBase) -> None:
    text = flat(told(tiny, "lid-seal", "low-tank"))
    assert "Where on tank: edge of the lid (high up, half-way back, in the middle)" in text
    assert "Where on low-tank" not in text
    assert "Easily mistaken for: side plug" in text
    assert "Rules that raise it among others (1): wet-place-own-sources" in text
    assert "On the map of tank:" in text


def test_the_map_marks_where_it_escapes_and_shows(tiny: KnowledgeBase) -> None:
    drawing = told(tiny, "foot-seal").partition("On the map of tank:")[2]
    assert re.search(r"\w\.\*", drawing)
    assert "hole in the foot" in flat(drawing)
    assert "inside of the foot (cannot be seen)" in flat(drawing)


def test_a_finding_warns_before_it_says_how(tiny: KnowledgeBase) -> None:
    text = told(tiny, "first-wet")
    assert text.index("CAUTION: Wear goggles.") < text.index("How: Wipe all dry")
    said = flat(text)
    assert "Asked in: the look (as found, after cleaning) Question: Which place gets wet first?" in said
    assert "Effort: about 5 min" in said
    assert "Asked only when: cleaned is yes" in said
    assert "Answer: one of the 4 places that can be seen" in said
    assert "Rules that look at it (1): first-wet-place-below-a-dry-one" in said


def test_the_answers_of_a_finding(tiny: KnowledgeBase) -> None:
    assert "Answers: amber: Light brown. clear Rules that look at it (1): amber-is-oil" in flat(told(tiny, "colour"))
    text = flat(told(tiny, "drips"))
    assert "Answer: a number from 0 to 100 drops a minute; also in drops an hour" in text
    text = flat(told(tiny, "fluid"))
    assert "Not asked: rules conclude it, or it is stated outright. Answers (several may hold): oil water" in text
    assert "Rules that conclude it (1): amber-is-oil" in text


def test_a_place(tiny: KnowledgeBase) -> None:
    text = flat(told(tiny, "foot-hole"))
    assert text.startswith("place foot-hole hole in the foot. At the lowest point of the foot. It lies low down,")
    assert "Fluid comes from: side of the tank; inside of the foot First seen here: foot seal" in text
    assert "On: tank; low-tank" in text
    assert "Fluid goes on to: side of the tank; back of the tank" in flat(told(tiny, "lid-edge"))
    assert "It cannot be seen." in told(tiny, "foot-inside")


def test_a_rule(tiny: KnowledgeBase) -> None:
    text = told(tiny, "fast-drip-from-below")
    assert "    all of:\n      drips: > 20\n      any of:\n        foot-hole: wet\n        foot-hole: damp\n" in text
    assert "In stage: after-clean" in text
    assert "Explained by: foot-seal (strong)" in text
    assert "! CAUTION: Let the oil cool." in text
    assert "Applies to" not in text


def test_a_rule_of_some_layouts(tiny: KnowledgeBase, tmp_path: Path) -> None:
    folder = shutil.copytree(TINY, tmp_path / "rules")
    (folder / "layouts" / "two.yaml").write_text(LOW, encoding="utf-8")
    rule = (folder / "heuristics" / "all.yaml").read_text(encoding="utf-8")
    rule += """
- rule: wet-lid
  because: A wet lid leaks.
  basis: invented for tests
  when: {all: [{lid-edge: wet}]}
  trust: full
  explains: {lid-seal: strong}
  advise: Look at the lid.
  examples:
    fires: [{lid-edge: wet}]
    not-fires: [{lid-edge: dry}]
"""
    (folder / "heuristics" / "all.yaml").write_text(rule, encoding="utf-8")
    text = flat(told(load(folder), "wet-lid"))
    assert "It counts in full in every stage." in text
    assert "Advises: Look at the lid. Applies to: tank" in text


def test_what_has_no_such_id_is_looked_up_by_its_name_and_phrases(tiny: KnowledgeBase) -> None:
    assert told(tiny, "Foot seal").startswith("source foot-seal\n")
    assert told(tiny, "kind of fluid").startswith("finding fluid\n")
    assert told(tiny, "Tank side").startswith("place tank-side\n")
    assert explain(tiny, "tank", "barrel", WIDTH) is None


def test_everything_can_be_explained_within_the_width(tiny: KnowledgeBase) -> None:
    for layout in tiny.layouts:
        for name in names(tiny):
            text = told(tiny, name, layout)
            assert [line for line in text.splitlines() if len(line) > WIDTH] == []
            assert len(text.splitlines()) >= 2


def test_what_is_shipped_is_explained_within_the_width(kb: KnowledgeBase) -> None:
    some = [*kb.layouts, *list(kb.sources)[::9], *list(kb.findings)[::9], *list(kb.zones)[::9], *list(kb.rules)[::40]]
    for name in some:
        text = told(kb, name, kb.default_layout)
        assert [line for line in text.splitlines() if len(line) > WIDTH] == [], name


def test_a_fault_on_another_layout_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = shutil.copytree(TINY, tmp_path / "rules")
    (folder / "layouts" / "two.yaml").write_text(
        LOW.replace("without: [lid-edge, lid-seal]", "zones: [tap]"), encoding="utf-8"
    )
    (folder / "zones" / "two.yaml").write_text(
        "- {zone: tap, name: tap, height: 1, along: 1, side: left, where: Below.}\n", encoding="utf-8"
    )
    path = folder / "heuristics" / "all.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("{foot-hole: damp}]}", "{tap: soaked}]}", 1), encoding="utf-8")
    assert cli.run(["explain", "--rules", str(folder), "colour"]) == 0
    capsys.readouterr()
    assert cli.run(["explain", "--rules", str(folder), "fast-drip-from-below"]) == 2
    assert "'tap' has no value 'soaked'" in capsys.readouterr().err
