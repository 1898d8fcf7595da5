"""Rules made concrete on a tiny unit: a row of zones, a hidden pocket, a few sources, everything seen at a glance.

::

    vent (top, front) ----> left ---> low <--- hub (hidden) <--- front
                      \\---> right --/

`left` blows onto `tail`; nothing drains into `front`; `far` belongs to no layout.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from strategies import base, finding, machine_of, rule, source, zone

from expert.facts import Fact
from expert.knowledge.base import Machine
from expert.knowledge.conditions import BadCondition, parse
from expert.knowledge.ground import GroundRule, bindings, ground, ground_rule, select
from expert.knowledge.model import Rule
from expert.reference import chain

ZONES = [
    zone("vent", height=0.1, along=0.1, side="middle", drains_into=["left", "right"]),
    zone("left", height=0.4, along=0.3, side="left", drains_into=["low"], blown_onto=["tail"]),
    zone("right", height=0.4, along=0.5, side="right", drains_into=["low"]),
    zone("front", height=0.2, along=0.0, side="middle", drains_into=["hub"]),
    zone("hub", height=0.5, along=0.2, side="middle", drains_into=["low"], visible=False),
    zone("low", height=0.9, along=0.4, side="middle"),
    zone("tail", height=0.8, along=0.9, side="left"),
    zone("far", height=0.3, along=0.7, side="right"),
]
SOURCES = [
    source("cap", "vent"),
    source("plug", "left"),
    source("seal", "hub"),  # hidden: it first shows at `low`
    source("rim", "left", "right", "low"),  # leaks at any of three places
    source("engine-seal", "front", holds="black oil"),
]
FINDINGS = [
    finding("fluid", ["red", "black", "clear"], many=True),
    finding("age", kind="number", unit="year", least=0, most=99, bands=[2, 20]),
    finding("topmost", kind="zone", staged=True),
    finding("streak", ["down", "back", "none"], staged=True),
    finding("vane", ["up", "level", "down"]),
]
LAYOUT = ["vent", "left", "right", "front", "hub", "low", "tail"]
VISIBLE = ["vent", "left", "right", "front", "low", "tail"]
STAGES = ("found", "washed", "driven")


def machine(*rules: Rule, layout: list[str] | None = None, trusts: tuple[float, ...] = (0.5, 1.0, 0.4)) -> Machine:
    """The tiny unit with the rules given."""
    return machine_of(base(ZONES, SOURCES, FINDINGS, list(rules), LAYOUT if layout is None else layout, trusts))


def made(when: dict[str, Any], **more: Any) -> list[GroundRule]:
    """The ground rules of one rule on the tiny unit; it only gives advice unless told otherwise."""
    return list(ground_rule(machine(), rule("r", when, **({"advise": "look"} | more))))


def washed(when: dict[str, Any], **more: Any) -> GroundRule:
    """The one ground rule in the stage after washing."""
    (one,) = made(when, stage="washed", **more)
    return one


def in_words(one: GroundRule) -> list[list[tuple[str, str, set[str]]]]:
    """Its branches in plain form."""
    return [[(t.finding, t.stage, set(t.values)) for t in branch] for branch in one.branches]


def fires_on(one: GroundRule, **said: str | float | list[str]) -> bool:
    """Does it fire on these findings (keys with underscores; staged ones as seen after washing)?"""
    observables = machine().observables
    facts = [
        Fact(name.replace("_", "-"), value, "washed" if observables[name.replace("_", "-")].staged else "")
        for name, values in said.items()
        for value in (values if isinstance(values, list) else [values])
    ]
    unit = machine(one.rule)
    return bool(chain(ground(unit), facts).fired & {g.index for g in ground(unit).rules if g.binding == one.binding})


WET = {"all": [{"low": "wet"}]}


# --- which sources a selector stands for ------------------------------------------------------------------


def selected(who: str, binding: Mapping[str, str] | None = None, **tables: dict[str, str]) -> set[str]:
    """The sources that `who` stands for in a rule with these tables."""
    return set(select(machine(), rule("r", WET, **tables), who, binding or {}))


@pytest.mark.parametrize(
    ("who", "sources"),
    [
        ("plug", {"plug"}),
        ("sources holding red fluid", {"cap", "plug", "seal", "rim"}),
        ("sources holding black oil", {"engine-seal"}),
        # `seal` lies in a pocket that cannot be seen: its fluid first shows where that drains.
        ("sources first seen at low", {"seal", "rim"}),
        ("sources first seen at left", {"plug", "rim"}),
        ("sources first seen at hub", set()),
        ("sources first seen at front", {"engine-seal"}),
        # Only what comes from elsewhere: `rim` and `seal` are first seen at `low` themselves.
        ("sources draining onto low", {"cap", "plug", "engine-seal"}),
        ("sources draining onto left", {"cap"}),
        ("sources draining onto tail", {"cap", "plug", "rim"}),  # blown on
        ("sources draining onto vent", set()),
        ("sources first seen at far", set()),  # the layout lacks it
        ("sources that cannot wet low", set()),
        ("sources that cannot wet tail", {"seal", "engine-seal"}),
        ("sources that cannot wet vent", {"plug", "seal", "rim", "engine-seal"}),
    ],
)
def test_selectors(who: str, sources: set[str]) -> None:
    assert selected(who) == sources


def test_selectors_follow_the_zone_variables() -> None:
    assert selected("sources first seen at A", {"A": "left"}) == {"plug", "rim"}
    assert selected("sources draining onto B", {"A": "vent", "B": "left"}) == {"cap"}


def test_other_sources_are_those_named_in_no_table() -> None:
    tables = {"explains": {"plug": "weak", "other sources": "weak"}, "speaks_against": {"rim": "weak"}}
    assert selected("other sources", **tables, favours={"seal": "weak"}) == {"cap", "engine-seal"}


def test_an_id_beats_a_selector_and_an_earlier_selector_a_later_one() -> None:
    one = washed(
        WET,
        explains={
            "sources first seen at left": "weak",  # plug, rim
            "sources holding red fluid": "moderate",  # cap, plug, seal, rim
            "rim": "strong",
        },
    )
    assert one.explains == {"plug": 3.0, "rim": 20.0, "cap": 7.0, "seal": 7.0}


def test_an_id_beats_a_selector_of_another_table() -> None:
    one = washed(
        WET,
        explains={"sources holding red fluid": "moderate"},
        speaks_against={"plug": "weak", "other sources": "moderate"},
    )
    assert one.explains == {"cap": 7.0, "seal": 7.0, "rim": 7.0}
    assert one.against["plug"] == 3.0
    assert "plug" not in one.explains


@pytest.mark.parametrize(
    ("who", "message"),
    [
        ("plugg", "no source 'plugg'.*plug"),
        ("sources holding beer", "'beer' is no fluid.*red fluid"),
        ("sources first seen at lowe", "'sources first seen at lowe' names no zone.*low"),
        ("sources draining onto Q", "'sources draining onto Q' names no zone"),
    ],
)
def test_a_selector_that_means_nothing_is_told(who: str, message: str) -> None:
    with pytest.raises(BadCondition, match=message):
        made(WET, explains={who: "weak"})


# --- how strongly ------------------------------------------------------------------------------------------


def test_a_part_with_several_places_is_cleared_in_part_by_one_dry_look() -> None:
    one = washed({"all": [{"left": "dry"}]}, speaks_against={"sources first seen at left": "strong"})
    assert one.against == {"plug": pytest.approx(20.0), "rim": pytest.approx(20 ** (1 / 3))}


def test_only_a_dry_look_at_a_place_clears_in_part() -> None:
    """Named outright, or held fluid, or wet there: then the strength is what the author wrote."""
    outright = washed({"all": [{"left": "dry"}]}, speaks_against={"rim": "strong"})
    holding = washed({"all": [{"left": "dry"}]}, speaks_against={"sources holding red fluid": "strong"})
    explained = washed({"all": [{"left": "wet"}]}, explains={"sources first seen at left": "strong"})
    assert outright.against == {"rim": 20.0}
    assert holding.against["rim"] == 20.0
    assert explained.explains == {"plug": 20.0, "rim": 20.0}


def test_three_dry_places_clear_a_part_with_three_places() -> None:
    clears = {"sources first seen at A": "strong"}
    rules = made({"all": [{"A": "dry"}]}, for_each={"A": "zone"}, stage="washed", speaks_against=clears)
    ratios = [one.against["rim"] for one in rules if "rim" in one.against]
    assert len(ratios) == 3
    assert ratios[0] * ratios[1] * ratios[2] == pytest.approx(20)


def test_a_stage_is_trusted_as_the_scale_says() -> None:
    found, after, driven = made({"all": [{"left": "wet"}]}, explains={"plug": "strong"}, favours={"cap": "weak"})
    assert [one.stage for one in (found, after, driven)] == list(STAGES)
    assert [one.explains["plug"] for one in (found, after, driven)] == pytest.approx([20**0.5, 20, 20**0.4])
    assert [one.favours["cap"] for one in (found, after, driven)] == pytest.approx([3**0.5, 3, 3**0.4])


def test_trust_and_places_work_together() -> None:
    found, *_ = made({"all": [{"left": "dry"}]}, speaks_against={"sources first seen at left": "strong"})
    assert found.against == {"plug": pytest.approx(20**0.5), "rim": pytest.approx(20 ** (0.5 / 3))}


def test_what_is_not_seen_in_a_stage_is_trusted_in_full() -> None:
    (one,) = made({"all": [{"fluid": "red"}]}, explains={"plug": "strong"})
    assert (one.stage, one.explains) == ("", {"plug": 20.0})


def test_a_rule_may_claim_full_trust_in_every_stage() -> None:
    rules = made({"all": [{"left": "wet"}]}, explains={"plug": "strong"}, trust="full")
    assert [one.explains["plug"] for one in rules] == [20.0, 20.0, 20.0]


def test_a_stage_without_trust_says_nothing_of_sources() -> None:
    quiet = machine(trusts=(0.0, 1.0, 0.4))
    told = rule("r", WET, explains={"plug": "strong"}, speaks_against={"cap": "strong"}, advise="look")
    found, after, _ = ground_rule(quiet, told)
    assert (found.explains, found.favours, found.against) == ({}, {}, {})
    assert after.explains == {"plug": 20.0}
    only_evidence = rule("r", WET, explains={"plug": "strong"})
    assert [one.stage for one in ground_rule(quiet, only_evidence)] == ["washed", "driven"]


def test_a_word_that_is_no_strength_is_told() -> None:
    with pytest.raises(BadCondition, match=r"'stong' is no strength.*strong"):
        made(WET, explains={"plug": "stong"})


# --- conditions --------------------------------------------------------------------------------------------


def test_all_and_any_become_branches() -> None:
    one = washed({"all": [{"low": ["wet", "damp"]}, {"any": [{"fluid": "red"}, {"fluid": "clear"}]}]})
    assert in_words(one) == [
        [("low", "washed", {"wet", "damp"}), ("fluid", "", {"red"})],
        [("low", "washed", {"wet", "damp"}), ("fluid", "", {"clear"})],
    ]
    assert fires_on(one, low="wet", fluid="red")
    assert fires_on(one, low="damp", fluid=["clear", "black"])
    assert not fires_on(one, low="wet", fluid="black")
    assert not fires_on(one, fluid="red")


def test_any_of_any_and_all_within_any() -> None:
    one = washed(
        {
            "any": [
                {"all": [{"low": "wet"}, {"any": [{"left": "wet"}, {"right": "wet"}]}]},
                {"tail": "wet"},
            ]
        }
    )
    assert [len(branch) for branch in one.branches] == [2, 2, 1]
    assert fires_on(one, low="wet", right="wet")
    assert fires_on(one, tail="wet")
    assert not fires_on(one, low="wet")


def test_equal_branches_and_tests_are_kept_once() -> None:
    one = washed({"all": [{"low": "wet"}, {"low": "wet"}, {"any": [{"tail": "wet"}, {"tail": "wet"}]}]})
    assert in_words(one) == [[("low", "washed", {"wet"}), ("tail", "washed", {"wet"})]]


def test_not_means_known_and_none_of_these_values() -> None:
    one = washed({"all": [{"low": "wet"}], "not": [{"vane": ["up", "level"]}, {"age": "> 5"}, {"tail": "dry"}]})
    assert in_words(one)[0][:2] == [("low", "washed", {"wet"}), ("vane", "", {"down"})]
    assert one.branches[0][2].op == "<="
    assert in_words(one)[0][3] == ("tail", "washed", {"damp", "wet"})
    assert fires_on(one, low="wet", vane="down", age=5.0, tail="damp")
    assert not fires_on(one, low="wet", vane="up", age=5.0, tail="damp")
    assert not fires_on(one, low="wet", vane="down", age=5.1, tail="damp")
    # What is unknown never satisfies.
    assert not fires_on(one, low="wet", age=5.0, tail="damp")
    assert not fires_on(one, low="wet", vane="down", tail="damp")
    assert not fires_on(one, low="wet", vane="down", age=5.0)


@pytest.mark.parametrize(("op", "opposite"), [(">", "<="), (">=", "<"), ("<", ">="), ("<=", ">")])
def test_the_opposite_of_a_comparison_holds_just_where_it_does_not(op: str, opposite: str) -> None:
    age = machine().observables["age"]
    plain, negated = (parse(age, f"{op} 5", "", negated) for negated in (False, True))
    assert (plain.op, negated.op) == (op, opposite)
    for number in (4.0, 4.999, 5.0, 5.001, 6.0):
        assert plain.holds(number) != negated.holds(number)
    assert not plain.holds("5")
    assert not negated.holds("5")


def test_a_complement_of_all_values_never_fires() -> None:
    one = washed({"all": [{"low": "wet"}], "not": [{"vane": ["up", "level", "down"]}]})
    for value in ("up", "level", "down"):
        assert not fires_on(one, low="wet", vane=value)


def test_every_zone_draining_into_asks_for_each_feeder_that_can_be_seen() -> None:
    one = washed({"all": [{"low": "wet"}, {"every zone draining into low": ["dry", "damp"]}]})
    assert in_words(one) == [
        [("low", "washed", {"wet"}), ("left", "washed", {"dry", "damp"}), ("right", "washed", {"dry", "damp"})]
    ]
    assert fires_on(one, low="wet", left="dry", right="damp")
    assert not fires_on(one, low="wet", left="dry")  # the other was not looked at
    assert not fires_on(one, low="wet", left="dry", right="wet")


def test_every_zone_draining_into_a_hidden_zone_asks_for_its_feeders() -> None:
    assert in_words(washed({"all": [{"every zone draining into hub": "dry"}]})) == [[("front", "washed", {"dry"})]]


def test_a_zone_that_nothing_drains_into_has_no_such_rule() -> None:
    rules = made({"all": [{"A": "wet"}, {"every zone draining into A": "dry"}]}, for_each={"A": "zone"}, stage="washed")
    assert [dict(one.binding)["A"] for one in rules] == ["left", "right", "low", "tail"]
    assert made({"all": [{"every zone draining into vent": "dry"}]}) == []


def test_a_zone_as_a_value_may_be_a_variable() -> None:
    rules = made({"all": [{"A": "wet"}, {"topmost": "A"}]}, for_each={"A": "zone"}, stage="washed")
    assert len(rules) == len(VISIBLE)
    for one in rules:
        place = dict(one.binding)["A"]
        assert in_words(one) == [[(place, "washed", {"wet"}), ("topmost", "washed", {place})]]


def test_a_variable_may_be_derived_and_excluded_sources_are_the_layouts() -> None:
    rules = made({"all": [{"A": "wet"}]}, for_each={"A": "zone"}, derive={"topmost": "A"}, excludes=["plug", "cap"])
    assert {one.derives for one in rules if one.stage == "found"} == {
        (Fact("topmost", name, "found"),) for name in VISIBLE
    }
    assert rules[0].excludes == ("plug", "cap")
    lacking = machine(layout=["vent", "hub", "low", "front"])
    (one,) = ground_rule(lacking, rule("r", {"all": [{"fluid": "red"}]}, excludes=["plug", "cap"]))
    assert one.excludes == ("cap",)


# --- stages ------------------------------------------------------------------------------------------------


def test_all_staged_conditions_of_a_rule_share_its_stage() -> None:
    for one, stage in zip(made({"all": [{"low": "wet"}, {"streak": "back"}, {"fluid": "red"}]}), STAGES, strict=True):
        assert [(t.finding, t.stage) for t in one.branches[0]] == [("low", stage), ("streak", stage), ("fluid", "")]
        assert one.key == f"r@{stage}"


def test_a_rule_of_one_stage_and_a_rule_of_none() -> None:
    assert [one.stage for one in made(WET, stage="driven")] == ["driven"]
    assert [(one.stage, one.key) for one in made({"all": [{"fluid": "red"}]}, stage="driven")] == [("", "r")]
    with pytest.raises(BadCondition, match=r"stage 'wash' is not known.*washed"):
        made(WET, stage="wash")


def test_what_is_derived_of_a_staged_finding_holds_in_the_rules_stage() -> None:
    rules = made({"all": [{"low": "wet"}]}, derive={"streak": "down", "fluid": "red"})
    assert [one.derives for one in rules] == [(Fact("streak", "down", s), Fact("fluid", "red")) for s in STAGES]


# --- zone variables ----------------------------------------------------------------------------------------


def pairs(relation: str) -> set[tuple[str, str]]:
    """All (A, B) for which A stands in the relation to B."""
    found = [(b["A"], b["B"]) for b in bindings(machine(), {"B": "zone", "A": relation})]
    assert len(set(found)) == len(found)
    return set(found)


def test_draining_into_is_one_step_down_or_blown_between_zones_that_can_be_seen() -> None:
    assert pairs("zone draining into B") == {
        ("vent", "left"),
        ("vent", "right"),
        ("left", "low"),
        ("right", "low"),
        ("left", "tail"),
    }


def test_above_is_higher_on_the_same_side_or_in_the_middle() -> None:
    above = pairs("zone above B")
    assert ("vent", "left") in above
    assert ("vent", "low") in above
    assert ("left", "low") in above
    assert ("left", "tail") in above
    assert ("tail", "low") in above
    assert ("right", "tail") not in above  # the other side
    assert ("low", "left") not in above
    assert ("left", "right") not in above  # equally high
    assert not {pair for pair in above if "hub" in pair or "far" in pair}
    heights = {z.zone: z.height for z in ZONES}
    assert all(heights[a] < heights[b] for a, b in above)


def test_ahead_of_is_further_forward_on_any_side() -> None:
    places = {z.zone: z.along for z in ZONES}
    assert pairs("zone ahead of B") == {(a, b) for a in VISIBLE for b in VISIBLE if places[a] < places[b]}


def test_the_order_in_which_variables_are_written_does_not_matter() -> None:
    one = [dict(sorted(b.items())) for b in bindings(machine(), {"A": "zone above B", "B": "zone"})]
    other = [dict(sorted(b.items())) for b in bindings(machine(), {"B": "zone", "A": "zone above B"})]
    assert sorted(map(str, one)) == sorted(map(str, other))


def test_three_variables_are_three_zones() -> None:
    chains = list(bindings(machine(), {"A": "zone", "B": "zone draining into A", "C": "zone draining into B"}))
    assert [(b["C"], b["B"], b["A"]) for b in chains] == [
        ("vent", "left", "low"),
        ("vent", "right", "low"),
        ("vent", "left", "tail"),
    ]


def test_a_binding_is_named_in_the_key() -> None:
    rules = made({"all": [{"B": "wet"}]}, for_each={"B": "zone", "A": "zone draining into B"}, stage="washed")
    assert "r[A=left,B=low]@washed" in {one.key for one in rules}
    assert len({one.key for one in rules}) == len(rules) == 5


@pytest.mark.parametrize(
    "relation", ["zone below B", "zone above C", "zone above A", "above B", "zones", "zone  above B"]
)
def test_a_relation_that_means_nothing_is_told(relation: str) -> None:
    with pytest.raises(BadCondition, match=r"for-each A: .* is no relation between zones.*'zone above Z'"):
        list(bindings(machine(), {"A": relation, "B": "zone"}))


# --- what the layout lacks ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "when",
    [
        {"all": [{"far": "wet"}]},
        {"all": [{"low": "wet"}, {"far": "wet"}]},
        {"all": [{"low": "wet"}], "not": [{"far": "wet"}]},
        {"all": [{"topmost": "far"}]},
        {"all": [{"every zone draining into far": "wet"}]},
        {"any": [{"far": "wet"}, {"topmost": "far"}]},
    ],
)
def test_a_rule_that_needs_a_zone_of_another_layout_does_not_apply(when: dict[str, Any]) -> None:
    assert made(when) == []


def test_an_alternative_that_the_layout_lacks_leaves_the_others() -> None:
    assert in_words(washed({"any": [{"far": "wet"}, {"low": "wet"}]})) == [[("low", "washed", {"wet"})]]
    assert in_words(washed({"all": [{"topmost": ["far", "low"]}]})) == [[("topmost", "washed", {"low"})]]


def test_a_conclusion_about_a_zone_of_another_layout_does_not_apply() -> None:
    assert made(WET, derive={"topmost": "far"}) == []
    assert made(WET, derive={"far": "wet"}) == []


def test_a_rule_about_sources_that_the_layout_lacks_says_nothing() -> None:
    lacking = machine(layout=["vent", "hub", "low", "front"])
    assert list(ground_rule(lacking, rule("r", WET, explains={"plug": "strong"}, excludes=["rim"]))) == []
    both = rule("r", WET, explains={"plug": "strong", "seal": "weak"}, stage="washed")
    assert [one.explains for one in ground_rule(lacking, both)] == [{"seal": 3.0}]


def test_a_rule_of_other_layouts_is_left_out() -> None:
    elsewhere, here = (rule(n, WET, layouts=[n], advise="look", stage="washed") for n in ("elsewhere", "tiny"))
    assert [one.rule.rule for one in ground(machine(elsewhere, here)).rules] == ["tiny"]


def test_ground_numbers_its_rules_in_order_and_knows_who_watches_what() -> None:
    ruleset = ground(machine(rule("a", WET, advise="x"), rule("b", {"all": [{"vane": "up"}]}, derive={"fluid": "red"})))
    assert [one.index for one in ruleset.rules] == [0, 1, 2, 3]
    assert [one.key for one in ruleset.rules] == ["a@found", "a@washed", "a@driven", "b"]
    assert [one.key for one in ruleset.watchers[("low", "washed")]] == ["a@washed"]
    assert ("fluid", "") not in ruleset.watchers
    assert ruleset.derivable == {"fluid"}


# --- faults of the author ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("when", "message"),
    [
        ({"all": [{"hub": "wet"}]}, "the zone 'hub' cannot be seen; use a zone into which it drains"),
        ({"all": [{"lowe": "wet"}]}, r"no finding or zone 'lowe'.*'low'"),
        ({"all": [{"low": "soaked"}]}, r"'low' has no value 'soaked'.*dry, damp, wet"),
        ({"all": [{"vane": ["up", "sideways"]}]}, "'vane' has no value 'sideways'"),
        ({"all": [{"topmost": "nowhere"}]}, "'topmost' has no value 'nowhere'"),
        ({"all": [{"topmost": "hub"}]}, "'topmost' has no value 'hub'"),
        ({"all": [{"age": "old"}]}, "'age' is a number and 'old' is no comparison"),
        ({"all": [{"age": ["> 5", "< 9"]}]}, "'age' is a number and '> 5, < 9' is no comparison"),
        ({"all": [{"age": "> 0.0000001"}]}, "no comparison.*six behind the point"),
        ({"all": [{"every zone draining into nowhere": "dry"}]}, "'every zone draining into nowhere' names no zone"),
        ({"any": [{"low": "wet"}, {"low": "soaked"}]}, "'low' has no value 'soaked'"),
    ],
)
def test_a_condition_that_cannot_be_understood_is_told(when: dict[str, Any], message: str) -> None:
    with pytest.raises(BadCondition, match=message):
        made(when)


@pytest.mark.parametrize(
    ("derive", "message"),
    [
        ({"age": "5"}, "'age' is no finding with words for values"),
        ({"colour": "red"}, "'colour' is no finding with words for values"),
        ({"hub": "wet"}, "'hub' is no finding with words for values"),
        ({"fluid": "blue"}, r"'fluid' has no value 'blue'; .*red, black, clear"),
        ({"topmost": "hub"}, "'topmost' has no value 'hub'"),
    ],
)
def test_a_conclusion_that_cannot_be_is_told(derive: dict[str, str], message: str) -> None:
    with pytest.raises(BadCondition, match=message):
        made(WET, derive=derive)


def test_an_excluded_source_that_there_is_not_is_told() -> None:
    with pytest.raises(BadCondition, match="there is no source 'plugg'"):
        made(WET, excludes=["plugg"])


# --- what evidence is about --------------------------------------------------------------------------------


def test_evidence_is_about_the_first_condition() -> None:
    assert washed({"all": [{"low": "wet"}, {"fluid": "red"}]}).observed == ("low", "washed", "")
    (one,) = made({"all": [{"fluid": "red"}, {"vane": "up"}]})
    assert one.observed[:2] == ("fluid", "")


def test_each_value_of_a_finding_that_may_have_several_is_an_observation_of_its_own() -> None:
    (red,), (black,) = (made({"all": [{"fluid": value}]}) for value in ("red", "black"))
    (up,), (down,) = (made({"all": [{"vane": value}]}) for value in ("up", "down"))
    assert red.observed != black.observed
    assert up.observed == down.observed


def test_more_conditions_are_more_special_but_variables_count_half_after_the_first() -> None:
    plain = washed({"all": [{"low": "wet"}]})
    special = washed({"all": [{"low": "wet"}, {"fluid": "red"}]})
    (general, *_) = made({"all": [{"A": "wet"}, {"every zone draining into A": "dry"}]}, for_each={"A": "zone"})
    either = washed({"all": [{"low": "wet"}, {"any": [{"fluid": "red"}, {"vane": "up"}]}]})
    assert plain.size < general.size < special.size
    assert either.size == special.size
