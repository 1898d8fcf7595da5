"""Several layouts in one knowledge base: what one takes over from another, and what each sees of zones, sources,
findings, phrases and rules. The layouts are made up for the purpose, beside those of tiny_rules/."""

from __future__ import annotations

import io
import shutil
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from expert import cli
from expert.chaining import chainer
from expert.diagnosis import Expert
from expert.facts import Fact
from expert.knowledge import ground, links
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.load import load, load_for
from expert.knowledge.model import Layout
from expert.knowledge.problems import KnowledgeError
from expert.lint import survey
from expert.phrases import Lexicon, understand
from expert.wording import fact_words

TINY = Path(__file__).parent / "tiny_rules"

TAPPED = """
- layout: tapped-tank
  name: a tank with a tap
  about: A tank with a tap on its back in place of the foot.
  like: tank
  without: [foot-inside, foot-hole, foot-seal]
  zones: [tap-end]
  sources: [tap-packing]
  places:
    lid-edge: {name: edge of the screwed lid, height: 0.6, drains-into: [tank-back]}
    tank-back: {where: The wall with the tap in it., drains-into: [tap-end]}
- layout: tall-tank
  name: a tall tank with a tap
  about: The same with its side and its lid higher up.
  like: tapped-tank
  without: [tap-packing]
  places:
    lid-edge: {height: 0.05}
    tank-side: {height: 0.3, side: left}
"""
TAP = """
- zone: tap-end
  name: end of the tap
  height: 0.8
  along: 1
  side: middle
  where: Below the tap.
  words: [tap end, foot hole]
"""
PACKING = """
- source: tap-packing
  name: packing of the tap
  about: The packing round the tap's stem, and the joint behind it.
  zone: [foot-inside, tap-end, tank-back]
  holds: oil
  commonness: rare
  why-it-leaks: It wears.
  basis: invented for tests
  access: outside
  confirm: Tighten it and look again.
"""
REPAIR = """
- repair: pack-the-tap
  for: tap-packing
  name: pack the tap anew
  access: outside
  hours: 1
  steps: [Fit a new packing.]
  cautions: [goggles]
  basis: invented for tests
"""
FINDING = """
- finding: tap-loose
  name: play of the tap
  phase: first
  ask: Is the tap loose?
  how: Shake it.
  where: On the back of the tank.
  layouts: [tapped-tank]
  values:
    yes: {words: [tap is loose]}
    no: {words: [tap is firm]}
"""
RULES = """
- rule: loose-tap
  because: A loose tap leaks.
  basis: invented for tests
  when: {all: [{tap-loose: yes}]}
  explains: {tap-packing: strong, foot-seal: weak}
  examples:
    fires: [{tap-loose: yes}]
    not-fires: [{tap-loose: no}]
- rule: below-is-wet
  because: What is wet below was wetted from above.
  basis: invented for tests
  when: {any: [{foot-hole: wet}, {tap-end: wet}]}
  explains: {lid-seal: weak, foot-seal: weak, tap-packing: weak}
  examples:
    fires: [{foot-hole: wet}, {tap-end: wet}]
    not-fires: [{foot-hole: dry}, {tap-end: dry}]
- rule: amber-at-the-foot
  because: Amber fluid at the foot says nothing of where there is no foot.
  basis: invented for tests
  when: {all: [{colour: amber}]}
  speaks-against: {sources that cannot wet foot-hole: weak}
  derive: {every zone that foot-inside cannot wet: dry}
  examples:
    fires: [{colour: amber}]
    not-fires: [{colour: clear}]
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The small sound folder with two more layouts, one like the first and one like that."""
    rules = shutil.copytree(TINY, tmp_path / "rules")
    more = {"layouts": TAPPED, "zones": TAP, "sources": PACKING, "repairs": REPAIR, "findings": FINDING}
    for name, text in {**more, "heuristics": RULES}.items():
        (rules / name / "tap.yaml").write_text(text, encoding="utf-8")
    return rules


@pytest.fixture
def base(folder: Path) -> KnowledgeBase:
    """The three layouts, loaded."""
    return load(folder)


def experts(base: KnowledgeBase) -> dict[str, Expert]:
    """An expert for each layout."""
    return {name: Expert(base.machine(name), chainer) for name in base.layouts}


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")


# --- what is taken over ----------------------------------------------------------------------------------


def test_the_three_layouts_are_sound(folder: Path) -> None:
    assert [str(problem) for problem in survey(folder, chainer).problems] == []


def test_zones_stand_in_order_of_height_as_they_lie_here(base: KnowledgeBase) -> None:
    assert list(base.machine("tank").zones) == ["lid-edge", "tank-side", "tank-back", "foot-inside", "foot-hole"]
    assert list(base.machine("tapped-tank").zones) == ["tank-side", "tank-back", "lid-edge", "tap-end"]
    assert list(base.machine("tall-tank").zones) == ["lid-edge", "tank-side", "tank-back", "tap-end"]


def test_sources_are_those_taken_over_then_those_added(base: KnowledgeBase) -> None:
    assert list(base.machine("tapped-tank").sources) == ["lid-seal", "side-plug", "tap-packing"]
    assert list(base.machine("tall-tank").sources) == ["lid-seal", "side-plug"]


def test_places_change_only_what_they_name_and_only_there(base: KnowledgeBase) -> None:
    first, tapped, tall = (base.machine(name).zones for name in ("tank", "tapped-tank", "tall-tank"))
    assert (first["lid-edge"].name, first["lid-edge"].height) == ("edge of the lid", 0.1)
    assert (tapped["lid-edge"].name, tapped["lid-edge"].height) == ("edge of the screwed lid", 0.6)
    # the later layout keeps what the one it is like says, and changes the height again
    assert (tall["lid-edge"].name, tall["lid-edge"].height) == ("edge of the screwed lid", 0.05)
    assert tall["lid-edge"].drains_into == ("tank-back",)
    assert (tall["tank-side"].side, tapped["tank-side"].side) == ("left", "middle")
    assert tall["lid-edge"].model_copy(update={"name": "", "height": 0, "drains_into": ()}) == first[
        "lid-edge"
    ].model_copy(update={"name": "", "height": 0, "drains_into": ()})


def test_fluid_runs_as_the_layout_says(base: KnowledgeBase) -> None:
    assert base.machine("tank").downstream["lid-edge"] == ("tank-side", "tank-back")
    tapped = base.machine("tapped-tank")
    assert tapped.downstream["lid-edge"] == ("tank-back", "tank-back")
    assert tapped.downstream["tank-side"] == ()  # the hole it drains into is not here
    assert tapped.reach["lid-edge"] == {"lid-edge": 0, "tank-back": 1, "tap-end": 2}


def test_a_source_lies_at_those_of_its_zones_that_the_layout_has(base: KnowledgeBase) -> None:
    source = base.machine("tapped-tank").sources["tap-packing"]
    assert source.zones == ("tap-end", "tank-back")
    assert source.zone == "tap-end"
    assert base.sources["tap-packing"].zones == ("foot-inside", "tap-end", "tank-back")
    assert base.machine("tapped-tank").first_seen["tap-packing"] == ("tap-end", "tank-back")


TANK = load(TINY)
NAMES = [f"zone-{letter}" for letter in "abcdef"]


@given(
    st.lists(
        st.tuples(st.sets(st.sampled_from(NAMES)), st.sets(st.sampled_from(NAMES))),
        min_size=1,
        max_size=5,
    )
)
def test_a_chain_of_layouts_is_what_is_left_and_added_in_turn(steps: list[tuple[set[str], set[str]]]) -> None:
    """Against sets: of each layout's own names, and of those before it less what it leaves out."""
    zone = TANK.zones["tank-side"]
    zones = {name: zone.model_copy(update={"zone": name, "height": at / 10}) for at, name in enumerate(reversed(NAMES))}
    layouts, left, expected = {}, set[str](), []
    for number, (without, added) in enumerate(steps):
        name = f"layout-{number}"
        layouts[name] = Layout.model_validate(
            {
                "layout": name,
                "name": name,
                "about": name,
                "zones": sorted(added),
                **({"like": f"layout-{number - 1}", "without": sorted(without)} if number else {}),
            }
        )
        left = (left - without if number else set()) | added
        expected.append(left)
    whole = KnowledgeBase(TANK.scale, {}, zones, {}, {}, layouts, {}, {}, {}, "")
    for number, names in enumerate(expected):
        found = whole.machine(f"layout-{number}").zones
        assert set(found) == names
        if number:
            assert list(found) == sorted(names, reverse=True)


# --- what rules and findings say there -------------------------------------------------------------------


def test_a_finding_of_one_layout_exists_there_only(base: KnowledgeBase) -> None:
    assert [name for name in base.layouts if "tap-loose" in base.machine(name).observables] == ["tapped-tank"]
    grounded = {name: {made.rule.rule for made in expert.ruleset.rules} for name, expert in experts(base).items()}
    assert [name for name, rules in grounded.items() if "loose-tap" in rules] == ["tapped-tank"]


def test_a_finding_of_one_layout_is_understood_there_only(base: KnowledgeBase) -> None:
    said = {name: understand(Lexicon.of(base.machine(name)), "tap is loose", "as-found").facts for name in base.layouts}
    assert said == {"tank": (), "tapped-tank": (Fact("tap-loose", "yes", ""),), "tall-tank": ()}


def test_sources_that_a_layout_lacks_drop_out_of_a_rule(base: KnowledgeBase) -> None:
    rules = {name: expert.ruleset.rules for name, expert in experts(base).items()}
    named = {
        name: {frozenset(made.explains) for made in made_here if made.rule.rule == "below-is-wet"}
        for name, made_here in rules.items()
    }
    assert named == {
        "tank": {frozenset({"lid-seal", "foot-seal"})},
        "tapped-tank": {frozenset({"lid-seal", "tap-packing"})},
        "tall-tank": {frozenset({"lid-seal"})},
    }


def test_of_a_place_that_a_layout_lacks_nothing_is_said(base: KnowledgeBase) -> None:
    """Not even that its sources cannot wet it, or that nothing else can be wet from it."""
    with_foot = [made for made in experts(base)["tank"].ruleset.rules if made.rule.rule == "amber-at-the-foot"]
    assert with_foot[0].derives
    for name in ("tapped-tank", "tall-tank"):
        assert not [made for made in experts(base)[name].ruleset.rules if made.rule.rule == "amber-at-the-foot"]


def test_each_layout_reasons_with_what_it_has(base: KnowledgeBase) -> None:
    for name, expert in experts(base).items():
        facts = [Fact("tank-back", "wet", "after-clean"), Fact("lid-edge", "dry", "after-clean")]
        belief = expert.diagnose(facts).belief
        assert set(belief.marginals) == set(base.machine(name).sources)
        assert sum(belief.chances) == pytest.approx(1)
    tapped = experts(base)["tapped-tank"]
    shown = fact_words(tapped.machine, Fact("lid-edge", "wet", "as-found"))
    assert shown == "edge of the screwed lid: wet (as found)"


# --- phrases and examples --------------------------------------------------------------------------------


def test_zones_of_different_vehicles_may_share_a_phrase(base: KnowledgeBase) -> None:
    for layout, zone in (("tank", "foot-hole"), ("tapped-tank", "tap-end")):
        reading = understand(Lexicon.of(base.machine(layout)), "foot hole wet", "as-found")
        assert reading.facts == (Fact(zone, "wet", "as-found"),)


def test_zones_of_one_vehicle_may_not(folder: Path) -> None:
    edit(folder / "layouts" / "tap.yaml", "without: [foot-inside, foot-hole, foot-seal]", "without: [foot-seal]")
    (problem,) = survey(folder, chainer).problems
    assert "the phrase 'foot hole' means the zone 'tap-end' and also the zone 'foot-hole'" in str(problem)


def test_an_example_is_tried_on_every_layout_that_it_fits(folder: Path) -> None:
    edit(
        folder / "heuristics" / "tap.yaml",
        "not-fires: [{foot-hole: dry}, {tap-end: dry}]",
        "not-fires: [{tap-end: wet}]",
    )
    found = [str(problem) for problem in survey(folder, chainer).problems]
    assert [one.partition(": ")[2] for one in found] == [
        f"rule 'below-is-wet' fires on its not-fires example 1 ({name}); mend the rule's conditions or the example"
        for name in ("tall-tank", "tapped-tank")
    ]


def test_an_example_of_the_map_may_fail_on_another_map(folder: Path) -> None:
    """The example of a rule about every feeder holds where the lid drains onto the side, and not elsewhere."""
    rule = """
- rule: wet-side-under-a-dry-lid
  because: With all above it dry it leaks there.
  basis: invented for tests
  when: {all: [{tank-side: wet}, {every zone draining into tank-side: dry}]}
  explains: {side-plug: strong}
  examples:
    fires: [{tank-side: wet, lid-edge: dry}]
    not-fires: [{tank-side: wet, lid-edge: wet}]
"""
    (folder / "heuristics" / "map.yaml").write_text(rule, encoding="utf-8")
    edit(folder / "layouts" / "tap.yaml", "  like: tapped-tank\n", "  like: tank\n")
    edit(folder / "layouts" / "tap.yaml", "  without: [tap-packing]\n", "")
    edit(
        folder / "layouts" / "tap.yaml",
        "height: 0.3, side: left}",
        "height: 0.3}\n    tank-back: {drains-into: [tank-side]}",
    )
    assert [str(problem) for problem in survey(folder, chainer).problems] == []
    edit(
        folder / "heuristics" / "map.yaml",
        "fires: [{tank-side: wet, lid-edge: dry}]\n",
        "fires: [{tank-side: wet, lid-edge: damp}]\n",
    )
    assert len(survey(folder, chainer).problems) == 2


# --- only what is used is grounded -----------------------------------------------------------------------


def spoil(folder: Path) -> None:
    """A fault that shows on the layouts with a tap only."""
    edit(
        folder / "heuristics" / "tap.yaml",
        "any: [{foot-hole: wet}, {tap-end: wet}]",
        "any: [{foot-hole: wet}, {tap-end: soaked}]",
    )


def test_rules_are_tried_on_the_layout_in_use(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[str] = []
    plain = ground.ground_rule

    def counted(machine, rule, start=0):  # type: ignore[no-untyped-def]
        seen.append(machine.layout.layout)
        return plain(machine, rule, start)

    monkeypatch.setattr(links, "ground_rule", counted)
    load_for(folder, "tall-tank")
    assert set(seen) == {"tall-tank"}
    seen.clear()
    load_for(folder, None)
    assert set(seen) == {"tank"}
    load(folder)
    assert set(seen) == {"tank", "tapped-tank", "tall-tank"}


def test_a_fault_on_one_layout_is_told_where_it_matters(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spoil(folder)
    load_for(folder, None)
    with pytest.raises(KnowledgeError, match=r"heuristics/tap\.yaml:13: rule 'below-is-wet': 'tap-end' has no value"):
        load(folder)
    assert cli.run(["facts", "--rules", str(folder), "lid edge wet"]) == 0
    assert cli.run(["facts", "--rules", str(folder), "--layout", "tapped-tank", "lid edge wet"]) == 2
    assert "heuristics/tap.yaml:13" in capsys.readouterr().err
    assert cli.run(["check", "--rules", str(folder)]) == 2


def test_a_case_of_a_layout_whose_rules_are_faulty(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(b"")))
    there = ["--rules", str(folder), "--case-dir", str(tmp_path)]
    assert cli.run(["ask", *there, "--layout", "tapped-tank", "--case", "one"]) == 0
    spoil(folder)
    assert cli.run(["cases", *there, "show", "one"]) == 2
    said = capsys.readouterr().err
    assert "The rules for layout 'tapped-tank' cannot be used: 'tap-end' has no value 'soaked'" in said
    assert "`firstwet check` says in which file and line" in said


def test_facts_are_read_for_the_layout_named(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for layout, place in (("tank", "hole in the foot"), ("tall-tank", "end of the tap")):
        assert cli.run(["facts", "--rules", str(folder), "--layout", layout, "foot hole wet"]) == 0
        assert f"Understood: {place}: wet" in capsys.readouterr().out
    assert cli.run(["facts", "--rules", str(folder), "--layout", "barrel", "foot hole wet"]) == 2
    assert "There is no layout 'barrel'. Allowed: tank, tapped-tank, tall-tank." in capsys.readouterr().err
