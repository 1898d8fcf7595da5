"""durable-rules against the plain reference chainer: equal traces on the real rules and on bases of any shape."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from strategies import answers_of, base, calm, facts_of, finding, keys_of, knowledge_bases, machine_of, source, zone
from strategies import rule as rule_of

from expert import reference
from expert.chaining import MOST_CONDITIONS, MOST_VALUES, DurableChainer, EngineLimit, chainer, over_limits
from expert.diagnosis import Expert
from expert.engine import DURABLE
from expert.facts import Fact
from expert.knowledge.conditions import Test as Condition
from expert.knowledge.ground import Ruleset, ground
from expert.knowledge.model import Finding, Rule
from expert.reference import extend
from expert.trace import Trace, fires, remember

durable = pytest.mark.skipif(not DURABLE, reason="durable-rules cannot be imported on this Python (3.13 and later)")

Chain = Callable[[Iterable[Fact]], Trace]


def assert_same(engine: Trace, plain: Trace) -> None:
    """Equal facts, equal conclusions, the same firings in the same order, each on the same facts."""
    assert engine.stated == plain.stated
    assert engine.derived == plain.derived
    assert [(f.rule.key, f.matched) for f in engine.firings] == [(f.rule.key, f.matched) for f in plain.firings]
    assert engine == plain
    assert hash(engine) == hash(plain)


def ruleset_of(rules: list[Rule], findings: list[Finding] = ()) -> Ruleset:  # type: ignore[assignment]
    """The rules on two zones, `top` above `low`, with one source in each."""
    zones = [zone("top", drains_into=["low"]), zone("low")]
    return ground(machine_of(base(zones, [source("seal", "top"), source("gasket", "low")], list(findings), rules)))


@pytest.fixture
def both() -> Iterator[Callable[[Ruleset, list[Fact]], Trace]]:
    """Chain with the engine and with the reference chainer, and see that they agree; hosts are freed at the end."""
    made: dict[int, DurableChainer] = {}

    def chain(ruleset: Ruleset, facts: list[Fact]) -> Trace:
        if id(ruleset) not in made:
            made[id(ruleset)] = DurableChainer(ruleset)
        trace = made[id(ruleset)].chain(facts)
        assert_same(trace, reference.chain(ruleset, facts))
        return trace

    yield chain
    for engine in made.values():
        engine.close()


# --- the meaning of a run, without any engine -------------------------------------------------------------


def assert_is_closure(trace: Trace) -> None:
    """Fired is exactly what the final facts satisfy; each conclusion can be reached step by step from what was said."""
    said = {(fact.finding, fact.stage) for fact in trace.stated}
    rules = trace.ruleset.rules

    def new(index: int) -> set[Fact]:
        return {fact for fact in rules[index].derives if (fact.finding, fact.stage) not in said}

    assert trace.fired == {rule.index for rule in rules if fires(rule, trace.memory)}
    concluded = {fact for index in trace.fired for fact in new(index)}
    assert trace.facts == trace.stated | concluded
    reached, left = set(trace.stated), set(trace.fired)
    while ready := {index for index in left if fires(rules[index], remember(reached))}:
        reached |= {fact for index in ready for fact in new(index)}
        left -= ready
    assert not left
    assert reached == trace.facts


def assert_matched(trace: Trace) -> None:
    """Every firing names facts that are known and that satisfy one branch of the rule, test by test."""
    for firing in trace.firings:
        assert set(firing.matched) <= trace.facts
        assert fires(firing.rule, remember(firing.matched))
        for fact in firing.matched:
            tests = [test for branch in firing.rule.branches for test in branch]
            assert any((t.finding, t.stage) == (fact.finding, fact.stage) and t.holds(fact.value) for t in tests)


@calm(30)
@given(data=st.data())
def test_a_run_of_the_real_rules_is_the_least_closure(expert: Expert, data: st.DataObject) -> None:
    trace = expert.chain(data.draw(facts_of(expert.ruleset)))
    assert_is_closure(trace)
    assert_matched(trace)


@calm(80)
@given(data=st.data())
def test_a_run_of_any_rules_is_the_least_closure(data: st.DataObject) -> None:
    ruleset = ground(machine_of(data.draw(knowledge_bases())))
    trace = reference.chain(ruleset, data.draw(facts_of(ruleset)))
    assert_is_closure(trace)
    assert_matched(trace)


@calm(80)
@given(data=st.data())
def test_extending_step_by_step_equals_chaining_at_once_on_any_rules(data: st.DataObject) -> None:
    ruleset = ground(machine_of(data.draw(knowledge_bases())))
    facts = data.draw(facts_of(ruleset))
    trace = reference.chain(ruleset, [])
    for count, fact in enumerate(facts, start=1):
        trace = extend(trace, fact)
        assert_same(trace, reference.chain(ruleset, facts[:count]))
        assert extend(trace, fact) == trace


def test_a_stated_finding_is_not_derived_over() -> None:
    rules = [
        rule_of("oil", {"all": [{"top": "wet"}]}, derive={"fluid": "oil"}),
        rule_of("advice", {"all": [{"fluid": "oil"}]}, advise="oil"),
    ]
    ruleset = ruleset_of(rules, [finding("fluid", ["oil", "water"], many=True)])
    wet = Fact("top", "wet", "washed")
    free = reference.chain(ruleset, [wet])
    assert free.derived == {Fact("fluid", "oil")}
    assert [firing.rule.rule.rule for firing in free.firings] == ["oil", "advice"]
    said = reference.chain(ruleset, [wet, Fact("fluid", "water")])
    assert said.derived == frozenset()
    assert [firing.rule.rule.rule for firing in said.firings] == ["oil"]
    assert extend(free, Fact("fluid", "water")) == said


# --- the engine against the reference ---------------------------------------------------------------------


@durable
@calm(60)
@given(data=st.data())
def test_the_engine_agrees_on_the_real_rules(expert: Expert, data: st.DataObject) -> None:
    facts = data.draw(facts_of(expert.ruleset, most=20))
    assert_same(expert.chain(facts), reference.chain(expert.ruleset, facts))


@durable
def test_the_engine_agrees_on_every_branch_of_every_real_rule(expert: Expert) -> None:
    """Each branch fires on just what it asks for; as many at a time as do not contradict each other."""
    waiting = [
        (made.index, facts)
        for made in expert.ruleset.rules
        for branch in made.branches
        if (facts := [fact for test in branch if (fact := meeting(test)) is not None]) and len(facts) == len(branch)
    ]
    assert {index for index, _ in waiting} == {made.index for made in expert.ruleset.rules}
    while waiting:
        said: dict[tuple[str, str], set[Fact]] = {}
        firing, later = set(), []
        for index, facts in waiting:
            many = {fact: expert.machine.observables[fact.finding].many for fact in facts}
            if all(many[f] or said.get((f.finding, f.stage), {f}) == {f} for f in facts):
                for fact in facts:
                    said.setdefault((fact.finding, fact.stage), set()).add(fact)
                firing.add(index)
            else:
                later.append((index, facts))
        stated = [fact for facts in said.values() for fact in facts]
        plain = reference.chain(expert.ruleset, stated)
        assert firing <= plain.fired
        assert_same(expert.chain(stated), plain)
        waiting = later


def meeting(test: Condition) -> Fact | None:
    """A fact that satisfies the test; None where nothing does."""
    if test.op:
        return Fact(test.finding, test.number + {">": 1.0, "<": -1.0}.get(test.op, 0.0), test.stage)
    return Fact(test.finding, min(test.values), test.stage) if test.values else None


@durable
@calm(60)
@given(data=st.data())
def test_the_engine_agrees_on_any_rules(data: st.DataObject) -> None:
    ruleset = ground(machine_of(data.draw(knowledge_bases())))
    with closing(DurableChainer(ruleset)) as engine:
        for facts in (data.draw(facts_of(ruleset)) for _ in range(3)):
            assert_same(engine.chain(facts), reference.chain(ruleset, facts))


class Conversation(RuleBasedStateMachine):
    """A person states, takes back and corrects facts; after each step engine and reference say the same."""

    ruleset: Ruleset
    engine: Chain

    def start(self, ruleset: Ruleset, engine: Chain) -> None:
        self.ruleset, self.engine = ruleset, engine
        self.facts: list[Fact] = []
        self.stepwise = reference.chain(ruleset, [])

    @rule(data=st.data())
    def state(self, data: st.DataObject) -> None:
        """Say something of which nothing was said yet."""
        known = {(fact.finding, fact.stage) for fact in self.facts}
        open_keys = [key for key in keys_of(self.ruleset.machine) if (key[0].id, key[1]) not in known]
        if open_keys:
            self.add(data.draw(answers_of(self.ruleset, *data.draw(st.sampled_from(open_keys)))))

    @rule(data=st.data())
    def state_what_a_rule_asks_for(self, data: st.DataObject) -> None:
        """Say everything that one rule needs and that contradicts nothing."""
        if self.ruleset.rules:
            self.add(data.draw(facts_of(self.ruleset, most=0)))

    def add(self, facts: Iterable[Fact]) -> None:
        for fact in facts:
            mine = [f for f in self.facts if (f.finding, f.stage) == (fact.finding, fact.stage)]
            if fact not in mine and (not mine or self.ruleset.machine.observables[fact.finding].many):
                self.facts.append(fact)
                self.stepwise = extend(self.stepwise, fact)

    @precondition(lambda self: self.facts)
    @rule(data=st.data())
    def retract(self, data: st.DataObject) -> None:
        """Take a fact back."""
        self.facts.remove(data.draw(st.sampled_from(self.facts)))
        self.stepwise = reference.chain(self.ruleset, self.facts)

    @precondition(lambda self: self.facts)
    @rule(data=st.data())
    def correct(self, data: st.DataObject) -> None:
        """Say another value of something said before."""
        wrong = data.draw(st.sampled_from(self.facts))
        observable = self.ruleset.machine.observables[wrong.finding]
        right = data.draw(answers_of(self.ruleset, observable, wrong.stage))
        self.facts = [f for f in self.facts if (f.finding, f.stage) != (wrong.finding, wrong.stage)]
        self.stepwise = reference.chain(self.ruleset, self.facts)
        self.add(right)

    @invariant()
    def all_agree(self) -> None:
        plain = reference.chain(self.ruleset, self.facts)
        assert_same(self.engine(self.facts), plain)
        assert_same(self.stepwise, plain)


@durable
def test_a_conversation_over_the_real_rules(expert: Expert) -> None:
    class Real(Conversation):
        @initialize()
        def begin(self) -> None:
            self.start(expert.ruleset, expert.chain)

    run_state_machine_as_test(Real, settings=calm(10, stateful_step_count=12))


@durable
def test_a_conversation_over_any_rules() -> None:
    class Any(Conversation):
        made: DurableChainer | None = None

        @initialize(kb=knowledge_bases())
        def begin(self, kb: object) -> None:
            ruleset = ground(machine_of(kb))  # type: ignore[arg-type]
            self.made = DurableChainer(ruleset)
            self.start(ruleset, self.made.chain)

        def teardown(self) -> None:
            if self.made is not None:
                self.made.close()

    run_state_machine_as_test(Any, settings=calm(25, stateful_step_count=12))


# --- constructs that durable-rules was seen to get wrong ----------------------------------------------------


@durable
@pytest.mark.parametrize(("age", "right"), [(4.9, 0), (5.0, 1), (7.0, 1), (10.0, 1), (10.1, 0)])
def test_one_number_may_meet_two_comparisons_of_a_rule(
    both: Callable[[Ruleset, list[Fact]], Trace], age: float, right: int
) -> None:
    """The engine itself never lets one fact match two patterns: a range would never fire."""
    middle = rule_of("middle", {"all": [{"age": ">= 5"}, {"age": "<= 10"}]}, advise="middle-aged")
    ages = finding("age", kind="number", unit="year", least=0, most=99, bands=[1, 7])
    assert len(both(ruleset_of([middle], [ages]), [Fact("age", age)]).fired) == right


@durable
def test_one_value_may_meet_two_conditions_of_a_rule(both: Callable[[Ruleset, list[Fact]], Trace]) -> None:
    narrowed = rule_of("narrowed", {"all": [{"low": ["wet", "damp"]}], "not": [{"low": "wet"}]}, advise="damp")
    ruleset = ruleset_of([narrowed])
    assert both(ruleset, [Fact("low", "damp", "washed")]).fired
    assert not both(ruleset, [Fact("low", "wet", "washed")]).fired


@durable
def test_two_values_of_one_finding_may_meet_one_condition_each(
    both: Callable[[Ruleset, list[Fact]], Trace],
) -> None:
    two = rule_of("two", {"all": [{"fluid": ["oil", "water"]}, {"fluid": ["water", "fuel"]}]}, advise="two leaks")
    ruleset = ruleset_of([two], [finding("fluid", ["oil", "water", "fuel"], many=True)])
    values = ("oil", "water", "fuel")
    for said in itertools.chain.from_iterable(itertools.combinations(values, size) for size in range(4)):
        trace = both(ruleset, [Fact("fluid", value) for value in said])
        assert bool(trace.fired) == ("water" in said or {"oil", "fuel"} <= set(said))


@durable
@pytest.mark.parametrize("number", [1e-05, 1.6667e-05, 5e-324, 0.0, -0.0, 1e-06, 0.5, 1e15, 1e16, 1e22, 1.7e308, -1e-7])
def test_the_engine_compares_numbers_of_any_size(both: Callable[[Ruleset, list[Fact]], Trace], number: float) -> None:
    """Its own parser refuses or misreads numbers that are written with an exponent."""
    wanted = ["> 0.00001", "< 0.00001", ">= 0", "<= 0", "> 1", "< 999999999"]
    rules = [rule_of(f"r{at}", {"all": [{"rate": words}]}, advise=words) for at, words in enumerate(wanted)]
    rate = finding("rate", kind="number", unit="drop", least=-1, most=1e308, bands=[0, 1])
    assert both(ruleset_of(rules, [rate]), [Fact("rate", number)]).fired


@durable
def test_one_fact_may_meet_very_many_comparisons(both: Callable[[Ruleset, list[Fact]], Trace]) -> None:
    """More than 64 tests met by one fact at one level are error 303 in the engine, so rules go to several sets."""
    rules = [rule_of(f"r{at}", {"all": [{"rate": f"> {at}"}]}, advise="more") for at in range(150)]
    ruleset = ruleset_of(rules, [finding("rate", kind="number", unit="drop", least=0, most=999, bands=[0, 1])])
    for number in (0.0, 75.0, 75.5, 149.0, 500.0):
        assert len(both(ruleset, [Fact("rate", number)]).fired) == sum(number > at for at in range(150))


@durable
def test_one_fact_may_meet_very_many_choices(both: Callable[[Ruleset, list[Fact]], Trace]) -> None:
    others = [f"v{number}" for number in range(8)]
    picks = [pick for size in range(1, 8) for pick in itertools.combinations(others, size)][:200]
    rules = [
        rule_of(f"r{at}", {"all": [{"thing": ["this", *pick]}]}, derive={"seen": "yes"})
        for at, pick in enumerate(picks)
    ]
    things = [finding("thing", ["this", *others]), finding("seen", ["yes", "no"])]
    ruleset = ruleset_of(rules, things)
    assert len(both(ruleset, [Fact("thing", "this")]).fired) == len(rules)
    both(ruleset, [Fact("thing", "v3")])


@durable
def test_very_many_rules_may_begin_with_one_condition(both: Callable[[Ruleset, list[Fact]], Trace]) -> None:
    """256 rules with one first pattern are error 108 in the engine."""
    rules = [rule_of(f"r{at}", {"all": [{"top": "wet"}, {"low": "dry"}]}, advise="more") for at in range(300)]
    ruleset = ruleset_of(rules)
    assert not both(ruleset, [Fact("top", "wet", "washed")]).fired
    assert len(both(ruleset, [Fact("top", "wet", "washed"), Fact("low", "dry", "washed")]).fired) == 300


@durable
def test_a_condition_that_no_value_meets_never_fires(both: Callable[[Ruleset, list[Fact]], Trace]) -> None:
    never = rule_of("never", {"all": [{"top": "wet"}], "not": [{"low": ["dry", "damp", "wet"]}]}, advise="never")
    for wetness in ("dry", "damp", "wet"):
        trace = both(ruleset_of([never]), [Fact("top", "wet", "washed"), Fact("low", wetness, "washed")])
        assert not trace.fired


@durable
def test_nothing_said_and_no_rules_at_all(both: Callable[[Ruleset, list[Fact]], Trace]) -> None:
    """A session in which no action ever fired crashes the engine when it is deleted."""
    assert not both(ruleset_of([]), []).facts
    assert both(ruleset_of([]), [Fact("top", "wet", "washed")]).facts
    assert not both(ruleset_of([rule_of("r", {"all": [{"top": "wet"}]}, advise="a")]), []).fired


@durable
def test_more_runs_than_the_engine_holds_sessions() -> None:
    """1,024 live sessions are its limit, so each run must end its own."""
    ruleset = ruleset_of([rule_of("r", {"all": [{"top": "wet"}]}, advise="a")])
    with closing(DurableChainer(ruleset)) as engine:
        for number in range(1100):
            stage = "washed" if number % 2 else "found"
            assert len(engine.chain([Fact("top", "wet", stage)]).fired) == 1


@durable
def test_a_rule_with_too_many_conditions_is_named() -> None:
    words = [f"v{number}" for number in range(MOST_CONDITIONS + 1)]
    findings = [finding(f"f-{word}", ["yes", "no"]) for word in words]
    most = ruleset_of([rule_of("most", {"all": [{f"f-{w}": "yes"} for w in words[1:]]}, advise="a")], findings)
    assert over_limits(most) == ()
    with closing(DurableChainer(most)) as engine:
        facts = [Fact(f"f-{word}", "yes") for word in words[1:]]
        assert_same(engine.chain(facts), reference.chain(most, facts))
        assert engine.chain(facts).fired
    over = ruleset_of([rule_of("over", {"all": [{f"f-{w}": "yes"} for w in words]}, advise="a")], findings)
    assert [name for name, _ in over_limits(over)] == ["over"]
    with pytest.raises(EngineLimit, match=r"'over'.*17 conditions"):
        DurableChainer(over)


@durable
def test_a_test_with_too_many_values_is_named() -> None:
    words = [f"v{number}" for number in range(MOST_VALUES + 2)]
    findings = [finding("many", words)]
    most = ruleset_of([rule_of("most", {"all": [{"many": words[:MOST_VALUES]}]}, advise="a")], findings)
    with closing(DurableChainer(most)) as engine:
        for word, fires in ((words[MOST_VALUES - 1], True), (words[-1], False)):
            assert_same(engine.chain([Fact("many", word)]), reference.chain(most, [Fact("many", word)]))
            assert bool(engine.chain([Fact("many", word)]).fired) == fires
    over = ruleset_of([rule_of("over", {"all": [{"many": words[:-1]}]}, advise="a")], findings)
    with pytest.raises(EngineLimit, match=r"'over'.*301 values"):
        DurableChainer(over)


@durable
def test_a_failing_action_is_raised_with_the_name_of_its_rule() -> None:
    class Broken(tuple):  # type: ignore[type-arg]
        def __iter__(self) -> Iterator[Fact]:
            raise ValueError("broken conclusion")

    made = ruleset_of([rule_of("bad", {"all": [{"top": "wet"}]}, advise="a")])
    bad = [dataclasses.replace(made.rules[0], derives=Broken())]
    with closing(DurableChainer(dataclasses.replace(made, rules=tuple(bad)))) as engine:
        with pytest.raises(RuntimeError, match="rule bad@found failed while firing: broken conclusion"):
            engine.chain([Fact("top", "wet", "found")])
        assert not engine.chain([]).fired  # and the engine is fit for the next run


@durable
def test_chainer_gives_the_engine(expert: Expert) -> None:
    small = ruleset_of([rule_of("r", {"all": [{"top": "wet"}]}, advise="a")])
    chain = chainer(small)
    assert isinstance(chain.__self__, DurableChainer)  # type: ignore[attr-defined]
    chain.__self__.close()  # type: ignore[attr-defined]


@pytest.mark.skipif(DURABLE, reason="here durable-rules is the engine")
@calm(20)
@given(data=st.data())
def test_without_durable_rules_the_reference_is_the_engine(data: st.DataObject) -> None:
    ruleset = ground(machine_of(data.draw(knowledge_bases())))
    assume(ruleset.rules)
    facts = data.draw(facts_of(ruleset))
    assert chainer(ruleset)(facts) == reference.chain(ruleset, facts)
