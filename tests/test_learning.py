"""Learning from confirmed cases: the arithmetic against outside figures, the overlay file, and its use."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from driving import Result, Run
from hypothesis import given
from hypothesis import strategies as st
from strategies import calm

from expert import store
from expert.chaining import chainer
from expert.diagnosis import Expert, chances_of
from expert.knowledge.base import KnowledgeBase, Machine
from expert.learning import WEIGHT, Beta, after_cases, believed, learn
from expert.overlay import OverlayError, Shop, from_record, is_overlay, parse, written
from expert.wording import source_name

CHANCES = {"this": 0.1, "that": 0.05, "other": 0.008}
cases = st.lists(st.sets(st.sampled_from([*CHANCES, "unheard of"]), min_size=1, max_size=3), max_size=30)
weights = st.floats(1, 1000)
shapes = st.floats(0.2, 400)


# --- the arithmetic ------------------------------------------------------------------------------------------


def test_the_worked_example_of_the_textbook() -> None:
    """437 girls of 980 births with placenta previa, uniform prior.

    Posterior Beta(438, 544), mean 0.446, central 95% interval 0.415 to 0.477: Gelman et al., Bayesian Data Analysis,
    3rd ed., section 2.4 (figures from memory).
    """
    after = after_cases(Beta(1, 1), 437, 980)
    assert after == Beta(438, 544)
    assert round(after.mean, 3) == 0.446
    assert tuple(round(end, 3) for end in after.interval()) == (0.415, 0.477)


@pytest.mark.parametrize(("seen", "times"), [(0, 0), (0, 5), (3, 3), (7, 19)])
def test_laplace_rule_of_succession(seen: int, times: int) -> None:
    """(s + 1) / (n + 2) from a uniform prior: Laplace, Essai philosophique sur les probabilités (from memory)."""
    assert after_cases(Beta(1, 1), seen, times).mean == pytest.approx((seen + 1) / (times + 2))


@calm(60)
@given(chance=st.floats(0.01, 0.9), weight=st.floats(10, 1000), times=st.integers(0, 12), data=st.data())
def test_the_posterior_is_the_one_that_enumeration_gives(
    chance: float, weight: float, times: int, data: st.DataObject
) -> None:
    """Prior density times binomial likelihood on a fine grid, normalised: its mean is the posterior's."""
    seen = data.draw(st.integers(0, times))
    before = believed(chance, weight)
    after = after_cases(before, seen, times)
    # Values of the chance in equal steps of its log odds, so that both ends are fine enough.
    odds = np.linspace(-250, 250, 500_001)
    log_p, log_q = -np.logaddexp(0, -odds), -np.logaddexp(0, odds)
    log_weight = before.a * log_p + before.b * log_q + seen * log_p + (times - seen) * log_q
    weight_of = np.exp(log_weight - log_weight.max())
    mean = float((weight_of * np.exp(log_p)).sum() / weight_of.sum())
    assert after.mean == pytest.approx(mean, rel=1e-6)


@calm(60)
@given(a=st.integers(1, 60), b=st.integers(1, 60), chance=st.floats(0.001, 0.999))
def test_the_incomplete_beta_function_is_the_binomial_tail(a: int, b: int, chance: float) -> None:
    """I_x(a, b) = P(at least a successes in a + b - 1 trials): DLMF 8.17.5 (from memory), summed term by term."""
    times = a + b - 1
    tail = math.fsum(math.comb(times, j) * chance**j * (1 - chance) ** (times - j) for j in range(a, times + 1))
    assert Beta(a, b).below(chance) == pytest.approx(tail, abs=1e-12)


@calm(40)
@given(a=shapes, b=shapes, chance=st.floats(0.02, 0.98))
def test_the_incomplete_beta_function_is_the_integral(a: float, b: float, chance: float) -> None:
    """The area under the density, by Simpson's rule in the log odds."""
    logit = math.log(chance / (1 - chance))

    def area(least: float, most: float) -> float:
        odds = np.linspace(least, most, 40_001)
        log = -a * np.logaddexp(0, -odds) - b * np.logaddexp(0, odds)
        log -= math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)
        factor = np.ones(odds.size)
        factor[1:-1:2], factor[2:-1:2] = 4, 2
        return float((np.exp(log) * factor).sum() * (odds[1] - odds[0]) / 3)

    assert Beta(a, b).below(chance) == pytest.approx(area(-120, logit), abs=1e-7)


@pytest.mark.parametrize("beta", [Beta(1, 1), Beta(0.4, 49.6), Beta(5, 45), Beta(438, 544), Beta(8e3, 1e6)])
def test_an_interval_holds_what_it_says(beta: Beta) -> None:
    for credible in (0.5, 0.95):
        least, most = beta.interval(credible)
        assert beta.below(most) - beta.below(least) == pytest.approx(credible, abs=1e-9)
        assert beta.below(least) == pytest.approx((1 - credible) / 2, abs=1e-9)
    assert beta.quantile(0.5) == pytest.approx(beta.mean, abs=0.02)
    assert beta.below(0) == 0
    assert beta.below(1) == 1


def test_the_uniform_and_the_power_have_closed_forms() -> None:
    for share in (0.025, 0.3, 0.975):
        assert Beta(1, 1).quantile(share) == pytest.approx(share)
        assert Beta(3, 1).quantile(share) == pytest.approx(share ** (1 / 3))
        assert Beta(1, 4).quantile(share) == pytest.approx(1 - (1 - share) ** 0.25)


# --- learning ------------------------------------------------------------------------------------------------


@calm(60)
@given(proved=cases, order=st.randoms(use_true_random=False), weight=weights)
def test_the_order_of_cases_does_not_matter(proved: list[set[str]], order: Any, weight: float) -> None:
    other = list(proved)
    order.shuffle(other)
    assert learn(CHANCES, proved, weight) == learn(CHANCES, other, weight)


@calm(60)
@given(proved=cases, weight=weights)
def test_one_confirmation_more_raises_that_source_and_lowers_the_others(proved: list[set[str]], weight: float) -> None:
    before, after = learn(CHANCES, proved, weight), learn(CHANCES, [*proved, {"this"}], weight)
    for old, new in zip(before, after, strict=True):
        grown = old.source == "this"
        assert (new.after.mean > old.after.mean) == grown
        assert new.confirmed == old.confirmed + grown
        if not grown:
            assert new.after.mean < old.after.mean


@calm(60)
@given(first=cases, then=cases, weight=weights)
def test_learning_in_two_goes_is_learning_at_once(first: list[set[str]], then: list[set[str]], weight: float) -> None:
    """What came out of the first cases is what the second ones start from."""
    whole = learn(CHANCES, [*first, *then], weight)
    half = {one.source: one.after for one in learn(CHANCES, first, weight)}
    for one in whole:
        seen = sum(one.source in case for case in then)
        later = after_cases(half[one.source], seen, len(then))
        assert (later.a, later.b) == (pytest.approx(one.after.a), pytest.approx(one.after.b))


@calm(30)
@given(weight=weights)
def test_no_cases_leave_the_knowledge_as_it_is(weight: float) -> None:
    for one in learn(CHANCES, [], weight):
        assert one.after == one.before
        assert one.after.mean == pytest.approx(CHANCES[one.source])


@calm(60)
@given(proved=cases, weight=weights)
def test_the_outcome_lies_between_the_knowledge_and_the_cases(proved: list[set[str]], weight: float) -> None:
    for one in learn(CHANCES, proved, weight):
        seen = one.confirmed / len(proved) if proved else CHANCES[one.source]
        least, most = sorted((seen, CHANCES[one.source]))
        assert least - 1e-12 <= one.after.mean <= most + 1e-12


def test_a_source_named_twice_in_a_case_counts_once() -> None:
    assert [one.confirmed for one in learn(CHANCES, [["this", "this"], ["this", "that"]])] == [2, 1, 0]


# --- the overlay file ----------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def some(machine: Machine) -> tuple[str, str]:
    """Two sources of the layout."""
    first, *_, last = machine.sources
    return first, last


@pytest.fixture(scope="session")
def overlay(machine: Machine, some: tuple[str, str]) -> str:
    """The overlay of five cases."""
    proved = [[some[0]]] * 4 + [list(some)]
    return written(learn(chances_of(machine), proved), machine, len(proved), WEIGHT)


def test_what_is_written_reads_back(machine: Machine, overlay: str, some: tuple[str, str]) -> None:
    shop = parse(overlay.encode(), "o.yaml", machine)
    known = chances_of(machine)
    assert (shop.cases, shop.knowledge) == (5, machine.base.digest)
    assert list(shop.chances) == list(machine.sources)
    for source, chance in shop.chances.items():
        seen = {some[0]: 5, some[1]: 1}.get(source, 0)
        assert chance == pytest.approx((known[source] * WEIGHT + seen) / (WEIGHT + 5), rel=1e-8)
    assert is_overlay(overlay.encode())
    assert not is_overlay(b"just: yaml\n")
    assert not is_overlay(b"{")


def test_it_is_kept_whole_in_a_case_file(machine: Machine, overlay: str, some: tuple[str, str]) -> None:
    shop = parse(overlay.encode(), "o.yaml", machine)
    record = json.loads(json.dumps(shop.recorded()))
    assert from_record(record, machine.sources) == (shop, ())
    fewer = [source for source in machine.sources if source != some[1]]
    left, gone = from_record(record, fewer)
    assert gone == (some[1],)
    assert list(left.chances) == fewer


@pytest.mark.parametrize(
    ("change", "to", "says"),
    [
        (r"^overlay: 1$", "overlay: 2", r"3: overlay is '2'; allowed: '1'"),
        (r"^overlay: 1\n", "", r"1: this is no overlay: it has no key 'overlay'; make one with `firstwet learn`"),
        (r"^cases: 5$", "cases: 0", r"7: cases is '0'; allowed: 1 or more"),
        (r"^cases: 5$", "case: 5", r"7: the key 'case' is not known here; did you mean 'cases'"),
        (r"^cases: 5\n", "", r"\d+: the key 'cases' is missing; add it"),
        (r"^weight: 50$", "weight: none", r"6: weight is 'none'; allowed: a number"),
        (r"^weight: 50$", "weight: .inf", r"6: weight is '.inf'; allowed: a number"),
        (r"confirmed: 5", "confirmed: 6", r"9: '[\w-]+' was confirmed 6 times in 5 cases; allowed: at most 5"),
        (r"confirmed: 5", "confirmed: -1", r"9: sources.[\w-]+.confirmed is '-1'; allowed: 0 or more"),
        (r"chance: [0-9.]+}", "chance: 1}", r"9: sources.[\w-]+.chance is '1'; allowed: less than 1"),
        (r"chance: [0-9.]+}", "chance: 0}", r"9: sources.[\w-]+.chance is '0'; allowed: more than 0"),
        (r"^layout: .*$", "layout: sledge", r"4: the figures are those of layout 'sledge'"),
        (r"^  [\w-]+: {c", "  no-such-part: {c", r"9: there is no source 'no-such-part' in layout"),
        (r"^sources:\n(.*\n)*", "sources: {}\n", r"8: sources is "),
        (r"^sources:", "sources: [", r": this is not YAML"),
    ],
)
def test_a_wrong_overlay_is_told_by_file_and_line(
    machine: Machine, overlay: str, change: str, to: str, says: str
) -> None:
    text, changed = re.subn(change, to, overlay, count=1, flags=re.MULTILINE)
    assert changed == 1
    with pytest.raises(OverlayError) as told:
        parse(text.encode(), "o.yaml", machine)
    assert re.search(rf"^o\.yaml:{says}", str(told.value), re.MULTILINE) or re.search(says, str(told.value))
    assert str(told.value).startswith("o.yaml:")


def test_a_source_that_an_overlay_does_not_name_keeps_its_chance(machine: Machine, some: tuple[str, str]) -> None:
    known = chances_of(machine)
    prior = Expert(machine, chainer, {some[0]: 0.5}).sets
    plain = Expert(machine, chainer).sets
    alone = {prior.names(at): float(prior.log_prior[at] - plain.log_prior[at]) for at in range(len(known))}
    assert alone[(some[0],)] == pytest.approx(math.log(1 / 1) - math.log(known[some[0]] / (1 - known[some[0]])))
    assert {shift for names, shift in alone.items() if names != (some[0],)} == {0.0}


# --- the command ---------------------------------------------------------------------------------------------


def closed(folder: Path, name: str, *confirmed: list[str], layout: str) -> Path:
    """A case file in which these sources were confirmed, one list after the other."""
    with store.create(folder, name, {"layout": layout, "knowledge": "of some day"}) as keep:
        keep.append({"said": "25", "facts": []})
        for sources in confirmed:
            keep.append({"said": "confirmed", "facts": [], "confirmed": sources})
        return keep.path


@pytest.fixture
def shop(tmp_path: Path, machine: Machine, some: tuple[str, str]) -> Path:
    """A folder of cases: three confirmed, one corrected, and one of each kind that does not count."""
    layout = machine.layout.layout
    first, last = some
    for number in range(3):
        closed(tmp_path, f"good{number}", [first], layout=layout)
    closed(tmp_path, "corrected", [first], [last], layout=layout)
    closed(tmp_path, "open", layout=layout)
    closed(tmp_path, "taken-back", [first], [], layout=layout)
    closed(tmp_path, "elsewhere", [first], layout="sledge")
    closed(tmp_path, "outdated", ["no-such-part"], layout=layout)
    torn = closed(tmp_path, "torn", [first], layout=layout)
    torn.write_bytes(torn.read_bytes() + b'{"check":"0')
    changed = closed(tmp_path, "changed", [first], layout=layout)
    changed.write_bytes(changed.read_bytes().replace(b'"25"', b'"26"'))
    return tmp_path


def learnt(run: Run, folder: Path, *more: str) -> Result:
    """`learn` on a folder."""
    return run("learn", "--case-dir", str(folder), *more)


def test_learn_counts_what_was_confirmed_last(
    run: Run, shop: Path, machine: Machine, some: tuple[str, str], kb: KnowledgeBase
) -> None:
    done = learnt(run, shop)
    assert done.code == 0
    assert "4 confirmed cases" in done.out
    read = parse((shop / f"overlay-{machine.layout.layout}.yaml").read_bytes(), "", machine)
    known = chances_of(machine)
    assert read.cases == 4
    assert read.knowledge == kb.digest
    for source, seen in ((some[0], 3), (some[1], 1)):
        after = (known[source] * WEIGHT + seen) / (WEIGHT + 4)
        assert read.chances[source] == pytest.approx(after, rel=1e-8)
        least, most = after_cases(believed(known[source]), seen, 4).interval()
        row = re.search(
            rf"^ +{seen} +{known[source]:.1%} +{after:.1%} +{least:.1%} to {most:.1%}  (.*(?:\n {{40,}}\S.*)*)",
            done.out,
            re.MULTILINE,
        )
        assert row, done.out
        assert " ".join(row[1].split()) == source_name(machine, source)


def test_learn_names_every_case_left_out_and_why(run: Run, shop: Path) -> None:
    done = learnt(run, shop, "--dry-run")
    lines = [line for line in done.err.splitlines() if line.startswith("Left out: ")]
    told = {line.split(": ")[1]: line for line in lines}
    assert set(told) == {"open", "taken-back", "elsewhere", "outdated", "torn", "changed"}
    assert "nothing was confirmed" in told["open"]
    assert "nothing was confirmed" in told["taken-back"]
    assert "another layout, sledge" in told["elsewhere"]
    assert "no-such-part" in told["outdated"]
    assert "cut short" in told["torn"]
    assert "line 2" in told["changed"]


def test_learning_again_gives_the_same_bytes_and_touches_nothing_else(run: Run, shop: Path) -> None:
    before = {path.name: path.read_bytes() for path in shop.iterdir()}
    first = learnt(run, shop)
    (new,) = {path.name for path in shop.iterdir()} - set(before)
    text = (shop / new).read_bytes()
    assert learnt(run, shop) == first
    assert (shop / new).read_bytes() == text
    assert {path.name: path.read_bytes() for path in shop.iterdir() if path.name != new} == before


def test_a_dry_run_writes_nothing_and_says_the_same(run: Run, shop: Path, tmp_path: Path) -> None:
    before = sorted(tmp_path.iterdir())
    dry = learnt(run, shop, "--dry-run")
    assert sorted(tmp_path.iterdir()) == before
    assert (dry.code, "Nothing was written" in dry.out) == (0, True)
    assert learnt(run, shop).out.startswith(dry.out.split("\nNothing")[0])


def test_the_more_the_knowledge_weighs_the_less_it_moves(
    run: Run, shop: Path, machine: Machine, some: tuple[str, str]
) -> None:
    moved = []
    for weight in ("1", "10", "50", "1000"):
        out = shop / f"{weight}.yaml"
        assert learnt(run, shop, "--weight", weight, "--out", str(out)).code == 0
        moved.append(parse(out.read_bytes(), "", machine).chances[some[0]] - chances_of(machine)[some[0]])
    assert moved == sorted(moved, reverse=True)
    assert moved[-1] > 0


def test_nothing_confirmed_is_a_negative_result(run: Run, tmp_path: Path, machine: Machine) -> None:
    closed(tmp_path, "open", layout=machine.layout.layout)
    for folder in (tmp_path, tmp_path / "nowhere"):
        done = learnt(run, folder)
        assert (done.code, done.out) == (1, "")
        assert "Nothing to learn from" in done.err
    assert [path.name for path in tmp_path.iterdir()] == ["open.jsonl"]


@pytest.mark.parametrize("weight", ["0", "0.5", "-3", "nan", "inf", "many", "2000000"])
def test_a_wrong_weight_is_refused(run: Run, weight: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        run("learn", f"--weight={weight}")
    assert left.value.code == 2
    assert "allowed: 1 to 1000000" in capsys.readouterr().err


def test_learn_writes_over_nothing_but_an_overlay(run: Run, shop: Path, rules: Path) -> None:
    mine = shop / "notes.yaml"
    mine.write_text("my: notes\n", encoding="utf-8")
    for out, says in (
        (mine, "is no overlay, so it is not overwritten"),
        (shop, "is a folder"),
        (rules / "overlay.yaml", "no part of the knowledge"),
        (rules / "sources" / "overlay.yaml", "no part of the knowledge"),
        (shop / "no" / "such" / "folder.yaml", "cannot be written"),
        (mine / "inside", "cannot be written"),
    ):
        done = learnt(run, shop, "--out", str(out))
        assert (done.code, says in done.err) == (2, True), done.err
    assert mine.read_text(encoding="utf-8") == "my: notes\n"
    assert not (rules / "overlay.yaml").exists()


# --- using it ------------------------------------------------------------------------------------------------


@pytest.fixture
def file(tmp_path: Path, overlay: str) -> Path:
    """The overlay as a file."""
    path = tmp_path / "figures.yaml"
    path.write_text(overlay, encoding="utf-8")
    return path


def test_facts_by_a_shops_figures(run: Run, file: Path, machine: Machine, some: tuple[str, str]) -> None:
    digest = parse(file.read_bytes(), "", machine).digest
    text = run("facts", "--overlay", str(file), "25 years old")
    assert f"5 confirmed cases; overlay {digest}" in " ".join(text.out.split())
    by_shop = json.loads(run("facts", "--json", "--overlay", str(file), "25 years old").out)
    plain = json.loads(run("facts", "--json", "25 years old").out)
    assert by_shop["shop_figures"] == {"overlay": digest, "cases": 5}
    assert plain["shop_figures"] is None
    moved, still = ({entry["source"]: entry["chance"] for entry in found["ranking"]} for found in (by_shop, plain))
    assert moved[some[0]] > still[some[0]]
    assert "shop" not in run("facts", "25 years old").out


def test_an_overlay_of_other_knowledge_is_used_and_told(run: Run, file: Path, kb: KnowledgeBase) -> None:
    file.write_text(file.read_text(encoding="utf-8").replace(kb.digest, "of-last-year"), encoding="utf-8")
    done = run("facts", "--overlay", str(file), "25 years old")
    assert done.code == 0
    assert f"made for other knowledge (of-last-year); today's is {kb.digest}" in done.err


@pytest.mark.parametrize("command", ["facts", "ask", "replay"])
def test_an_overlay_that_cannot_be_used(run: Run, tmp_path: Path, file: Path, command: str, machine: Machine) -> None:
    case = closed(tmp_path, "one", layout=machine.layout.layout)
    more = {"facts": ["25 years old"], "ask": ["--case-dir", str(tmp_path / "new")], "replay": [str(case)]}[command]
    file.write_text(file.read_text(encoding="utf-8").replace("weight: 50", "weight: heavy"), encoding="utf-8")
    wrong = run(command, "--overlay", str(file), *more)
    assert (wrong.code, wrong.out) == (2, "")
    assert f"{file}:6: weight is 'heavy'; allowed: a number" in wrong.err
    for missing in (tmp_path / "none.yaml", tmp_path):
        told = run(command, "--overlay", str(missing), *more)
        assert (told.code, told.out) == (2, "")
        assert "There is no overlay file" in told.err
    assert not (tmp_path / "new").exists()


def test_a_case_keeps_the_figures_it_was_begun_with(run: Run, tmp_path: Path, file: Path, machine: Machine) -> None:
    """It prints again byte for byte when the overlay file is gone, and goes on by the same figures."""
    folder = ["--case-dir", str(tmp_path)]
    said = run("ask", *folder, "--case", "one", "--overlay", str(file), stdin="25\nso far\n")
    plain = run("ask", *folder, "--case", "two", stdin="25\nso far\n")
    assert "(5 confirmed cases" in " ".join(said.out.split())
    assert said.out != plain.out
    shop = parse(file.read_bytes(), "", machine)
    header = store.read(tmp_path / "one.jsonl").header
    assert header["overlay"] == shop.recorded()
    assert "overlay" not in store.read(tmp_path / "two.jsonl").header
    other = tmp_path / "other.yaml"
    other.write_text(file.read_text(encoding="utf-8").replace("cases: 5", "cases: 9"), encoding="utf-8")
    again = file.rename(tmp_path / "moved.yaml")
    replayed = run("replay", str(tmp_path / "one.jsonl"))
    assert (replayed.out, replayed.err, replayed.code) == (said.out, "", 0)
    ranking = said.out.split("> so far\n")[1]
    gone_on = run("ask", *folder, "--resume", "one", stdin="so far\n")
    assert gone_on.out.split("> so far\n")[1] == ranking
    assert run("ask", *folder, "--resume", "one", "--overlay", str(again), stdin="").code == 0
    for name, overlay in (("one", other), ("two", again)):
        refused = run("ask", *folder, "--resume", name, "--overlay", str(overlay), stdin="")
        assert refused.code == 2
        assert "keeps the figures it was begun with" in refused.err
    tried = run("replay", str(tmp_path / "two.jsonl"), "--overlay", str(again))
    assert "Recorded without an overlay; replayed with overlay" in tried.err
    assert tried.out == said.out


@pytest.mark.parametrize(
    "kept",
    [
        "text",
        {},
        {"digest": "a", "knowledge": "b", "cases": 1},
        {"digest": "a", "knowledge": "b", "cases": 0, "chances": {}},
        {"digest": "a", "knowledge": "b", "cases": True, "chances": {}},
        {"digest": "a", "knowledge": "b", "cases": 1, "chances": {"x": 1.0}},
        {"digest": "a", "knowledge": "b", "cases": 1, "chances": {"x": "0.5"}},
        {"digest": 1, "knowledge": "b", "cases": 1, "chances": {}},
    ],
)
def test_a_case_file_keeps_no_other_figures(tmp_path: Path, kept: Any) -> None:
    with pytest.raises(store.StoreError, match="a shop's figures"):
        store.create(tmp_path, "one", {"layout": "a", "knowledge": "b", "overlay": kept})
    assert not list(tmp_path.iterdir())


def test_figures_of_a_source_that_is_gone_are_left_out_and_told(run: Run, tmp_path: Path, machine: Machine) -> None:
    kept = Shop("abc", "def", 3, {"no-such-part": 0.2, next(iter(machine.sources)): 0.3})
    header = {"layout": machine.layout.layout, "knowledge": machine.base.digest, "overlay": kept.recorded()}
    with store.create(tmp_path, "one", header) as keep:
        keep.append({"said": "so far", "facts": []})
    done = run("replay", str(keep.path))
    assert done.code == 0
    assert "figures left out, for the knowledge no longer has the source: no-such-part." in done.err


@pytest.mark.parametrize("confirmed", ["pan", 3, [1], [["x"]], None, {"a": 1}])
def test_a_case_file_keeps_no_other_confirmation(tmp_path: Path, confirmed: Any) -> None:
    with store.create(tmp_path, "one", {"layout": "a", "knowledge": "b"}) as keep:
        with pytest.raises(store.StoreError, match='"confirmed" is not a list of texts'):
            keep.append({"said": "x", "facts": [], "confirmed": confirmed})
        keep.append({"said": "x", "facts": [], "confirmed": ["a", "b"]})
        keep.append({"said": "y", "facts": []})
    assert store.read(keep.path).confirmed == ("a", "b")
    assert [entry.confirmed for entry in store.listing(tmp_path)] == [("a", "b")]
