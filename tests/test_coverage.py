"""The coverage of a layout: what parts two sources, and which pairs nothing does; and the report of it."""

from __future__ import annotations

import itertools
import math
import re
import shutil
import time
from functools import partial
from pathlib import Path

import pytest
from hypothesis import given
from strategies import base, calm, finding, knowledge_bases, machine_of, rule, source, zone

from expert import cli
from expert.coverage import FACTOR, Coverage, Pair, coverage
from expert.coverage_text import coverage_text, pairs_text
from expert.diagnosis import Expert
from expert.facts import Fact
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.model import Rule, Source
from expert.questions import askable, key_of, possible_answers
from expert.reference import chain as chain_plainly

TINY = Path(__file__).parent / "tiny_rules"

WET = rule("wet", {"all": [{"Z": "wet"}]}, for_each={"Z": "zone"}, explains={"sources first seen at Z": "strong"})
DRY = rule("dry", {"all": [{"Z": "dry"}]}, for_each={"Z": "zone"}, speaks_against={"sources first seen at Z": "strong"})


def expert_of(kb: KnowledgeBase) -> Expert:
    return Expert(machine_of(kb), lambda ruleset: partial(chain_plainly, ruleset))


def looked_over(sources: list[Source], *more: Rule, findings: tuple[str, ...] = ("noise", "smell")) -> Coverage:
    """The coverage of sources at the top and at the foot, with rules about wet and dry places and these."""
    zones = [zone("top", drains_into=["foot"], height=0.1), zone("foot", height=0.9)]
    asked = [finding(name, ["yes", "no"]) for name in findings]
    return coverage(expert_of(base(zones, sources, asked, [WET, DRY, *more])))


def named(pairs: tuple[Pair, ...]) -> list[tuple[str, str]]:
    return [(pair.one, pair.other) for pair in pairs]


def odds(expert: Expert, facts: list[Fact], one: str, other: str) -> float:
    """Log odds of `one` leaking alone against `other`, by the whole belief over sets."""
    belief = expert.diagnose(facts).belief
    weight = {belief.sets.names(at): belief.log_weight[at] for at in range(len(belief.sets))}
    return float(weight[(one,)] - weight[(other,)])


# --- pairs -----------------------------------------------------------------------------------------------


def test_sources_at_different_places_are_parted_by_looking() -> None:
    found = looked_over([source("cap", "top"), source("plug", "foot")])
    assert (found.unexplained, found.inseparable, found.doubtful) == ((), (), ())
    (cap, plug) = found.sources
    assert (cap.raised, cap.lowered) == (("wet",), ("dry",))
    assert cap.lookalike is not None
    assert (cap.lookalike.one, cap.lookalike.other, cap.said) == ("cap", "plug", False)
    assert [(p.fact.finding, p.towards, round(p.factor, 6)) for p in cap.lookalike.partings] == [
        ("foot", "cap", 20),
        ("top", "plug", 20),
    ]
    assert plug.lookalike is not None
    assert plug.lookalike.other == "cap"


def test_sources_that_nothing_parts_are_found() -> None:
    found = looked_over([source("ring", "foot"), source("seal", "foot"), source("cap", "top")])
    assert named(found.unexplained) == [("ring", "seal")]
    assert found.unexplained[0].partings == ()


@pytest.mark.parametrize("both", [False, True])
def test_sources_said_to_be_inseparable_are_explained(both: bool) -> None:
    """It is enough if one of the two says so."""
    seal = source("seal", "foot", inseparable_from=["ring"] if both else [])
    found = looked_over([source("ring", "foot", inseparable_from=["seal"]), seal])
    assert (named(found.unexplained), named(found.inseparable)) == ([], [("ring", "seal")])


def test_a_rule_that_tells_them_apart_mends_it() -> None:
    rings = [source("ring", "foot"), source("seal", "foot")]
    hiss = rule("hiss", {"all": [{"noise": "yes"}]}, explains={"ring": "moderate"})
    found = looked_over(rings, hiss)
    assert found.unexplained == ()
    pair = found.sources[0].lookalike
    assert pair is not None
    (parting,) = pair.partings
    assert (parting.fact, parting.given, parting.towards) == (Fact("noise", "yes", ""), (), "ring")
    assert parting.factor == pytest.approx(7)


def test_and_makes_an_entry_doubtful() -> None:
    rings = [source("ring", "foot", inseparable_from=["seal"]), source("seal", "foot")]
    found = looked_over(rings, rule("hiss", {"all": [{"noise": "yes"}]}, speaks_against={"seal": "moderate"}))
    assert named(found.doubtful) == [("ring", "seal")]
    assert (found.unexplained, found.inseparable) == ((), ())


def test_a_hint_below_the_factor_parts_nothing() -> None:
    """A moderate and a strong ratio for the two are 20/7 apart, over the factor; at half the trust not any more."""
    rings = [source("ring", "top"), source("seal", "top")]

    def seen(stage: str) -> Coverage:
        apart = rule("drips", {"all": [{"drip": "yes"}]}, explains={"ring": "strong", "seal": "moderate"}, stage=stage)
        drip = finding("drip", ["yes", "no"], staged=True)
        return coverage(expert_of(base([zone("top")], rings, [drip], [apart])))

    assert 20 / 7 > FACTOR > math.sqrt(20 / 7)
    assert seen("washed").unexplained == ()
    assert named(seen("found").unexplained) == [("ring", "seal")]


def test_a_rule_of_several_conditions_parts_by_its_last_answer() -> None:
    rings = [source("ring", "foot"), source("seal", "foot")]
    both = rule("both", {"all": [{"noise": "yes"}, {"smell": "yes"}]}, explains={"ring": "strong"})
    pair = looked_over(rings, both).sources[1].lookalike
    assert pair is not None
    assert [(p.fact.finding, [g.finding for g in p.given]) for p in pair.partings] == [
        ("noise", ["smell"]),
        ("smell", ["noise"]),
    ]
    alone = rule("alone", {"all": [{"smell": "yes"}]}, explains={"ring": "moderate"})
    pair = looked_over(rings, both, alone).sources[1].lookalike
    assert pair is not None
    assert [(p.fact.finding, len(p.given), round(p.factor)) for p in pair.partings] == [
        ("smell", 0, 7),
        ("noise", 1, 20),
    ]


def test_what_rules_conclude_parts_by_what_they_conclude_it_from() -> None:
    rings = [source("ring", "foot"), source("seal", "foot")]
    concluded = finding("kind", ["red", "green"], ask=None, phase=None, how=None, where=None)
    kb = base(
        [zone("foot")],
        rings,
        [finding("smell", ["yes", "no"]), concluded],
        [
            rule("smells", {"all": [{"smell": "yes"}]}, derive={"kind": "red"}),
            rule("red", {"all": [{"kind": "red"}]}, explains={"ring": "strong"}),
        ],
    )
    pair = coverage(expert_of(kb)).sources[0].lookalike
    assert pair is not None
    assert [p.fact for p in pair.partings] == [Fact("smell", "yes", "")]


def test_a_rule_about_what_cannot_be_asked_or_concluded_parts_nothing() -> None:
    rings = [source("ring", "foot"), source("seal", "foot")]
    silent = finding("kind", ["red", "green"], ask=None, phase=None, how=None, where=None)
    rules = [rule("red", {"all": [{"kind": "red"}, {"foot": "wet"}]}, explains={"ring": "strong"})]
    found = coverage(expert_of(base([zone("foot")], rings, [silent], rules)))
    assert named(found.unexplained) == [("ring", "seal")]


def test_a_question_of_one_stage_is_not_tried_in_another() -> None:
    rings = [source("ring", "foot"), source("seal", "foot")]
    early = finding("drip", ["yes", "no"], staged=True, stage="found")
    rules = [rule("late", {"all": [{"drip": "yes"}]}, explains={"ring": "strong"}, stage="washed")]
    found = coverage(expert_of(base([zone("foot")], rings, [early], rules)))
    assert named(found.unexplained) == [("ring", "seal")]


def test_ruling_a_part_out_parts_nothing() -> None:
    """That this vehicle has no such seal tells vehicles apart, not the two leaks on one that has both."""
    rings = [source("ring", "foot"), source("seal", "foot"), source("cap", "top")]
    found = looked_over(rings, rule("none", {"all": [{"noise": "no"}]}, excludes=["seal"]))
    assert named(found.unexplained) == [("ring", "seal")]
    assert found.sources[1].lowered == ("dry", "none")


def test_the_look_alike_is_the_named_one_that_is_hardest_to_part() -> None:
    rings = [source("ring", "foot", alike=["seal", "cap"]), source("seal", "foot"), source("cap", "top")]
    hiss = rule("hiss", {"all": [{"noise": "yes"}]}, explains={"ring": "moderate"})
    ring, _, cap = looked_over(rings, hiss).sources
    assert ring.lookalike is not None
    assert (ring.lookalike.other, ring.said) == ("seal", True)
    rings[0] = source("ring", "foot", alike=["cap"])
    ring, _, cap = looked_over(rings, hiss).sources
    assert ring.lookalike is not None
    assert (ring.lookalike.other, ring.said) == ("cap", True)
    assert cap.lookalike is not None
    assert not cap.said


def test_a_layout_of_one_source_has_nothing_to_part() -> None:
    found = looked_over([source("cap", "top")])
    assert found.sources[0].lookalike is None
    assert "Told from" not in coverage_text(machine_of(base([zone("top")], [source("cap", "top")], [], [])), found)


# --- against the whole belief ----------------------------------------------------------------------------


def check_against_belief(expert: Expert, pairs: list[Pair]) -> None:
    """What is said to part two sources moves the odds of the whole belief by just that factor."""
    for pair in pairs:
        other = {pair.one: pair.other, pair.other: pair.one}
        for parting in pair.partings:
            before = odds(expert, [*parting.given], parting.towards, other[parting.towards])
            after = odds(expert, [*parting.given, parting.fact], parting.towards, other[parting.towards])
            assert after - before == pytest.approx(math.log(parting.factor), abs=1e-6)
            assert parting.factor > FACTOR


@given(knowledge_bases())
@calm(60)
def test_partings_move_the_belief_by_their_factor(kb: KnowledgeBase) -> None:
    expert = expert_of(kb)
    found = coverage(expert)
    pairs = [covered.lookalike for covered in found.sources if covered.lookalike is not None]
    check_against_belief(expert, [*pairs, *found.doubtful])
    # and no answer by itself parts what is said not to be parted
    empty = expert.diagnose([])
    for pair in (*found.unexplained, *found.inseparable):
        start = odds(expert, [], pair.one, pair.other)
        for stage in (entry.stage for entry in expert.scale.stages):
            for observable in expert.machine.observables.values():
                if not askable(expert, empty.trace, observable, stage, ()):
                    continue
                for fact, _ in possible_answers(observable, stage):
                    if {pair.one, pair.other} & {s for r in expert.diagnose([fact]).trace.rules for s in r.excludes}:
                        continue
                    assert abs(odds(expert, [fact], pair.one, pair.other) - start) <= math.log(FACTOR) + 1e-6


def test_the_shipped_layouts_are_covered(experts: dict[str, Expert]) -> None:
    taken = 0.0
    for expert in experts.values():
        started = time.process_time()
        found = coverage(expert)
        taken += time.process_time() - started
        assert named(found.unexplained) == [], found.layout
        assert [covered.source for covered in found.sources] == list(expert.machine.sources)
        assert [c.source for c in found.sources if not (c.raised and c.lowered)] == []
        check_against_belief(expert, [c.lookalike for c in found.sources[:1] if c.lookalike is not None])
        keys = {key_of(o, s.stage) for o in expert.machine.observables.values() for s in expert.scale.stages}
        pairs = [c.lookalike for c in found.sources if c.lookalike is not None]
        assert {p.fact.key for pair in pairs for p in pair.partings} <= keys
    assert taken < 5 * len(experts)  # seconds; a tenth of it is usual


# --- the report ------------------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the small sound folder."""
    return shutil.copytree(TINY, tmp_path / "rules")


TWIN = """
- source: side-ring
  name: ring of the side plug
  about: The ring under the plug in the side.
  zone: tank-side
  holds: oil
  commonness: rare
  why-it-leaks: It hardens.
  basis: invented for tests
  access: outside
  confirm: Take the plug out.
"""
HISS = """
- rule: amber-ring
  because: What leaks at the ring is amber.
  basis: invented for tests
  when: {all: [{colour: amber}]}
  explains: {side-ring: strong}
  examples:
    fires: [{colour: amber}]
    not-fires: [{colour: clear}]
"""


def with_twin(folder: Path) -> Path:
    """A source more that is at the same place as another, and of which rules say the same."""
    (folder / "sources" / "twin.yaml").write_text(TWIN, encoding="utf-8")
    for name, old, new in (
        ("layouts/one.yaml", "side-plug, foot-seal]", "side-plug, side-ring, foot-seal]"),
        ("repairs/all.yaml", "for: [side-plug, foot-seal]", "for: [side-plug, side-ring, foot-seal]"),
    ):
        text = (folder / name).read_text(encoding="utf-8")
        assert old in text
        (folder / name).write_text(text.replace(old, new), encoding="utf-8")
    return folder


def reported(folder: Path, capsys: pytest.CaptureFixture[str], *options: str) -> tuple[int, str, str]:
    code = cli.run(["check", "--report", "--rules", str(folder), *options])
    out, err = capsys.readouterr()
    report = out[out.index("LAYOUT") :] if "LAYOUT" in out else ""
    assert [line for line in report.splitlines() if len(line) > 76] == []
    return code, " ".join(out.split()), err


def test_the_report_of_the_small_folder(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = reported(folder, capsys)
    assert code == 0
    assert "LAYOUT tank: a tank, 3 sources" in out
    assert (
        "lid-seal Raised by 1 rule: wet-place-own-sources Lowered by 2 rules: dry-place-clears-its-sources, "
        "no-oil-no-leak Told from side-plug (said to be alike) by 4 questions: lid-edge dry (after-clean): "
        "20-fold for side-plug" in out
    )
    assert "first-wet tank-side (after-clean), given lid-edge dry (after-clean): 20-fold for side-plug" in out
    assert "Named `inseparable-from`, though a question parts them: side-plug and foot-seal (foot-hole dry" in out
    assert "All other pairs can be parted: some answer moves their odds more than 2-fold." in out


def test_a_pair_that_nothing_parts_is_a_negative_result(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = reported(with_twin(folder), capsys)
    assert code == 1
    assert "NOT PARTED: side-plug and side-ring. No answer to any question moves the odds between them" in out
    assert "can be parted" not in out
    assert err == "1 pair of sources that no question parts; see NOT PARTED above.\n"
    assert cli.run(["check", "--rules", str(folder)]) == 0


def test_until_the_knowledge_says_so(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with_twin(folder)
    path = folder / "sources" / "twin.yaml"
    path.write_text(f"{TWIN}  inseparable-from: [side-plug]\n", encoding="utf-8")
    code, out, err = reported(folder, capsys)
    assert (code, err) == (0, "")
    assert "No question parts these, as the knowledge says (`inseparable-from`): side-plug and side-ring." in out


def test_or_a_rule_parts_them(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with_twin(folder)
    (folder / "heuristics" / "hiss.yaml").write_text(HISS, encoding="utf-8")
    code, out, _ = reported(folder, capsys)
    assert code == 0
    assert "colour amber: 20-fold for side-ring" in out
    assert "NOT PARTED" not in out


def test_the_report_of_one_layout_and_of_all(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "layouts" / "two.yaml").write_text(
        "- {layout: low-tank, name: a low tank, about: A tank without a lid., like: tank, without: [lid-seal]}\n",
        encoding="utf-8",
    )
    code, out, _ = reported(folder, capsys)
    assert code == 0
    assert re.findall(r"LAYOUT (\S+):", out) == ["tank", "low-tank"]
    code, out, _ = reported(folder, capsys, "--layout", "low-tank")
    assert re.findall(r"LAYOUT (\S+):", out) == ["low-tank"]
    assert "lid-seal Raised" not in out
    code, _, err = reported(folder, capsys, "--layout", "barrel")
    assert code == 2
    assert "There is no layout 'barrel'. Allowed: tank, low-tank." in err


def test_the_report_comes_beside_other_problems(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = folder / "heuristics" / "all.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("fires: [{colour: amber}]", "fires: [{colour: clear}]", 1), encoding="utf-8")
    code, out, err = reported(folder, capsys)
    assert code == 1
    assert "does not fire on its fires example 1" in err
    assert "LAYOUT tank" in out


def test_every_pair_is_told(folder: Path) -> None:
    """The text of pairs names each of them once, whatever their number."""
    names = [f"ring-{letter}" for letter in "abcd"]
    found = looked_over([source(name, "foot") for name in names])
    text = " ".join(pairs_text(found, 76).split())
    assert [text.count(f"NOT PARTED: {a} and {b}.") for a, b in itertools.combinations(names, 2)] == [1] * 6
