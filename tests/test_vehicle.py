"""The simulated vehicle: fluid is conserved and falls, answers are repeatable, errors are those of people."""

from __future__ import annotations

import dataclasses
import itertools
import math
import random
import shutil
import statistics
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from expert.knowledge.base import Machine
from expert.knowledge.load import load, packaged_rules
from expert.knowledge.model import WETNESS, Commonness, Strength
from expert.knowledge.problems import KnowledgeError
from expert.vehicle import Vehicle, World, imagine, load_tables, misfits, packaged_tables
from expert.vehicle.eyes import wetness
from expert.vehicle.flow import MOST_STEPS, Scene, carry

STAGES = ("as-found", "after-clean", "after-long-drive")
LAYOUTS = sorted(path.stem for path in (packaged_rules() / "layouts").glob("*.yaml"))


@pytest.fixture(scope="module")
def machine() -> Machine:
    kb = load(packaged_rules())
    return kb.machine(kb.default_layout)


@pytest.fixture(scope="module")
def world(machine: Machine) -> World:
    return World(machine)


@pytest.fixture(scope="module")
def worlds(machine: Machine) -> dict[str, World]:
    """Every layout's, by its id."""
    found = {name: World(machine.base.machine(name)) for name in machine.base.layouts}
    assert sorted(found) == LAYOUTS
    return found


@pytest.fixture(scope="module")
def vehicles(world: World) -> list[Vehicle]:
    rng = random.Random(3)
    return [world.imagine(rng) for _ in range(400)]


@pytest.fixture(scope="module")
def singles(world: World) -> list[Vehicle]:
    rng = random.Random(4)
    return [world.imagine(rng, 1) for _ in range(3000)]


def within(count: int, trials: int, chance: float, sigmas: float = 4.5) -> bool:
    """Whether a count is what a coin of this chance gives, up to so many standard deviations."""
    return abs(count - trials * chance) <= sigmas * math.sqrt(trials * chance * (1 - chance)) + 1e-9


# ---- tables ----------------------------------------------------------------------------------------------


def test_tables_fit_every_layout(machine: Machine) -> None:
    assert misfits(packaged_tables(), machine.base) == []


@pytest.mark.parametrize(
    ("path", "old", "new", "said"),
    [
        ("physics.yaml", "{leak: pan-gasket,", "{leak: pan-basket,", "'pan-basket' is not defined"),
        ("physics.yaml", "usual-regime: splashed", "usual-regime: splatted", "'splatted' is not defined"),
        ("physics.yaml", "pan-rear: 2", "pan-roof: 2", "'pan-roof' is not defined"),
        ("observations.yaml", "- observe: vacuum-test", "- observe: vacuum-toast", "no such finding"),
        ("observations.yaml", "- observe: vacuum-test", "- observe: vacuum-toast", "'vacuum-test' is not defined"),
        (
            "observations.yaml",
            "{wet: [bellhousing-inside]",
            "{wet: [bellhouse]",
            "'bellhouse' is not defined",
        ),
        ("observations.yaml", "give: {falls: 0.95", "give: {fell: 0.95", "'fell' is not defined"),
        (
            "observations.yaml",
            "with: {transmission-level: low}",
            "with: {smoke: yes}",
            "must be a lasting entry",
        ),
        ("observations.yaml", "blown: back from", "sucked: back from", "'sucked' is not defined"),
        ("by-layout.yaml", "[double-clutch]", "[triple-clutch]", "'triple-clutch' is not defined"),
    ],
)
def test_misfits_are_named(tmp_path, machine: Machine, path: str, old: str, new: str, said: str) -> None:
    folder = packaged_rules() / "simulation"
    for file in folder.iterdir():
        text = file.read_text()
        assert file.name != path or old in text
        (tmp_path / file.name).write_text(text.replace(old, new) if file.name == path else text)
    found = misfits(load_tables(tmp_path), machine.base)
    assert any(said in one for one in found), found


@pytest.mark.parametrize(
    ("path", "old", "new", "said"),
    [
        ("physics.yaml", "chance: 0.45", "chance: often", "physics.yaml:"),
        ("observations.yaml", "- observe: smoke", "- observe: puddle", "stands twice"),
        ("observations.yaml", "draw: trail", "draw: tail", "observations.yaml:"),
        ("observations.yaml", "draw: trail", "drawn: trail", "observations.yaml:"),
    ],
)
def test_malformed_tables_are_refused(tmp_path, path: str, old: str, new: str, said: str) -> None:
    for file in (packaged_rules() / "simulation").iterdir():
        text = file.read_text()
        (tmp_path / file.name).write_text(text.replace(old, new) if file.name == path else text)
    with pytest.raises(KnowledgeError) as error:
        load_tables(tmp_path)
    assert said in str(error.value)


def test_a_missing_table_is_reported(tmp_path) -> None:
    with pytest.raises(KnowledgeError, match=r"simulation:1: it holds no tables; put at least one \.yaml file there"):
        load_tables(tmp_path)


MORE = """
basis: invented for tests
leaks:
  - {leak: tail-plug, regime: wept, places: {tail-joint: 1}}
regimes:
  - {regime: wept, because: For the test., running: 0.2, parked: 1}
flung-from: [tail-joint]
observations:
- observe: tail-tap
  because: For the test.
  draw: one
  cases: [{give: {yes: 1}}]
- observe: puddle
  also: yes
  spots: {below the tail: [tail-joint]}
- observe: colour
  also: yes
  cases: [{leaking: tail-plug, give: {clear: 1}}]
- observe: recent-work
  also: yes
  cases: [{leaking: tail-plug, give: {fluid change: 1}}]
"""


def with_more(folder: Path, **files: str) -> Path:
    """The tables that travel with the program, and these files beside them."""
    shutil.copytree(packaged_rules() / "simulation", folder, dirs_exist_ok=True)
    for name, text in files.items():
        (folder / f"{name}.yaml").write_text(text, encoding="utf-8")
    return folder


def test_tables_go_on_in_other_files(tmp_path: Path) -> None:
    other = MORE.replace("tail", "nose").replace("wept", "seeped")
    plain, more = packaged_tables(), load_tables(with_more(tmp_path, aaa_first=MORE, zzz_last=other))
    for key in ("leaks", "regimes", "flung_from"):
        mine, before = getattr(more.physics, key), getattr(plain.physics, key)
        assert mine[1 : len(before) + 1] == before
        assert len(mine) == len(before) + 2
    assert [more.physics.leaks[at].leak for at in (0, -1)] == ["tail-plug", "nose-plug"]
    assert (
        more.physics.model_copy(update={key: getattr(plain.physics, key) for key in ("leaks", "regimes", "flung_from")})
        == plain.physics
    )
    assert set(more.observations) == {*plain.observations, "tail-tap", "nose-tap"}

    # the first case that holds gives the colour, so what is added comes before what the entry itself says, in the
    # order of the files; of recent work the last one counts, so what is added comes after it
    begun = tmp_path / "begun"
    begun.mkdir()
    for name in ("physics.yaml", "observations.yaml"):
        shutil.copy(packaged_rules() / "simulation" / name, begun)
    alone = load_tables(begun).observations
    plugs = [("tail-plug",), ("nose-plug",)]
    for name in ("colour", "recent-work"):
        cases, before = more.observations[name].cases, plain.observations[name].cases
        assert [case.leaking for case in cases if case.leaking in plugs] == plugs
        assert tuple(case for case in cases if case.leaking not in plugs) == before
        own, tail, nose = alone[name].cases, *(at for at, case in enumerate(cases) if case.leaking in plugs)
        if name == "colour":
            assert (tail, nose) == (0, len(cases) - len(own) - 1) and cases[-len(own) :] == own
        else:
            assert (tail, nose) == (len(own), len(cases) - 1) and cases[: len(own)] == own

    spots, before = more.observations["puddle"].spots, plain.observations["puddle"].spots
    assert {name: spots[name] for name in before} == before
    assert spots["below the tail"] == ("tail-joint",)
    assert spots["below the nose"] == ("nose-joint",)
    untouched = set(plain.observations) - {"colour", "recent-work", "puddle"}
    assert {name: more.observations[name] for name in untouched} == {n: plain.observations[n] for n in untouched}


WRONG = {
    "usual-regime: splashed": r"more\.yaml:2: the key 'usual-regime' stands in simulation/aaa\.yaml:1 too; keep one",
    "leak: []": r"more\.yaml:2: the key 'leak' is not known here; did you mean 'former-leak' or 'leaks'",
    "leaks: pan": r"more\.yaml:2: leaks is no list; allowed: a list",
    "leaks:\n  - {leak: x, regime: splashed}\n  - {leak: y}": r"more\.yaml:4: the key 'regime' is missing in leaks",
    "observations: [{observe: colours, also: yes}]": r"more\.yaml:2: there is no 'colours' to go on with; did you",
    "observations: [{observe: colour, also: no}]": r"more\.yaml:2: colour: also is 'no'; allowed: 'yes'",
    "observations:\n- observe: colour\n  also: yes\n  draw: one": r"more\.yaml:5: colour: the key 'draw' is not known",
    "observations:\n- colour": r"more\.yaml:3: this is not made of `key: value` lines",
    "leaks: [": r"more\.yaml:\d+: ",
}


@pytest.mark.parametrize("wrong", WRONG)
def test_malformed_further_tables_are_refused(tmp_path: Path, wrong: str) -> None:
    folder = with_more(tmp_path, more=f"basis: invented for tests\n{wrong}\n")
    (folder / "physics.yaml").rename(folder / "aaa.yaml")
    text = (folder / "aaa.yaml").read_text(encoding="utf-8").replace("\nusual-regime: splashed\n", "\n")
    (folder / "aaa.yaml").write_text(f"usual-regime: splashed\n{text}", encoding="utf-8")
    with pytest.raises(KnowledgeError, match=rf"(?m)^simulation/{WRONG[wrong]}"):
        load_tables(folder)


@pytest.mark.parametrize(
    ("text", "said"),
    [("usual-regime: x\n", "the key 'basis' is missing"), ("- one\n", "the file is not made of `key: value` lines")],
)
def test_a_further_table_is_a_mapping_with_a_basis(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(KnowledgeError, match=rf"(?m)^simulation/aaa\.yaml:1: {said}"):
        load_tables(with_more(tmp_path, aaa=text))


def test_a_table_that_no_file_has_is_reported(tmp_path: Path) -> None:
    file = with_more(tmp_path) / "physics.yaml"
    text = file.read_text(encoding="utf-8")
    assert "\nusual-regime: splashed\n" in text
    file.write_text(text.replace("\nusual-regime: splashed\n", "\n"), encoding="utf-8")
    with pytest.raises(KnowledgeError, match=r"simulation:1: the key 'usual-regime' is missing in every file; add it"):
        load_tables(tmp_path)


def test_answers_that_depend_on_themselves_are_misfits(tmp_path: Path, machine: Machine) -> None:
    more = """
basis: invented for tests
observations:
- observe: vehicle-age
  also: yes
  cases: [{with: {heat-history: normal}, between: [1, 2]}]
- observe: heat-history
  also: yes
  cases: [{with: {long-storage: 'yes'}, give: {normal: 1}}]
- observe: long-storage
  also: yes
  cases: [{with: {heat-history: normal}, give: {'yes': 1}}]
"""
    found = misfits(load_tables(with_more(tmp_path, more=more)), machine.base)
    assert [one for one in found if "depend on itself" in one] == [
        "heat-history: its cases depend on itself, by way of heat-history, long-storage",
        "long-storage: its cases depend on itself, by way of heat-history, long-storage",
    ]


def test_a_source_at_several_zones_needs_places(machine: Machine) -> None:
    tables, layout = packaged_tables(), machine.layout.layout
    wide = [name for name, source in machine.sources.items() if len(source.zones) > 1]
    assert wide
    alone = dataclasses.replace(machine.base, layouts={layout: machine.layout})
    without = tables.physics.model_copy(update={"leaks": tuple(k for k in tables.physics.leaks if k.leak not in wide)})
    bare = tables.physics.model_copy(
        update={"leaks": tuple(k.model_copy(update={"places": {}}) for k in tables.physics.leaks)}
    )
    for physics, said in ((without, "no entry of `leaks` says"), (bare, "its `places` names none of them")):
        found = [
            one for one in misfits(tables.model_copy(update={"physics": physics}), alone) if "several zones" in one
        ]
        assert len(found) == len(wide)
        assert all(f"{layout}: {name!r}" in one and said in one for one, name in zip(found, wide, strict=True))


def test_the_rules_and_wordings_are_never_read(machine: Machine, vehicles: list[Vehicle]) -> None:
    """Same seed, same vehicle and answers, with no rules and quite other strengths and usual values."""
    base = machine.base
    strengths = tuple(Strength(strength=s.strength, ratio=900, means=s.means) for s in base.scale.strengths)
    scale = base.scale.model_copy(update={"strengths": strengths, "wetness_usual": {"dry": 1, "damp": 1, "wet": 98}})
    bare = dataclasses.replace(base, rules={}, repairs={}, cautions={}, terms={}, scale=scale)
    other = World(bare.machine(machine.layout.layout))
    rng = random.Random(3)
    for vehicle in vehicles[:40]:
        twin = other.imagine(rng)
        assert twin.truth == vehicle.truth
        for name, observable in machine.observables.items():
            assert twin.observe(other.machine.observables[name], "after-clean") == vehicle.observe(
                observable, "after-clean"
            )


# ---- fluid -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("stage", STAGES)
def test_parcels_are_conserved(vehicles: list[Vehicle], stage: str) -> None:
    for vehicle in vehicles:
        scene = vehicle.scene(stage)
        by_zone = [sum(held[at] for held in scene.held) for at in range(len(scene.total))]
        assert by_zone == scene.total and min(scene.total) >= 0 and min(map(min, scene.held)) >= 0
        accounted = sum(scene.total) + sum(scene.ground) + scene.washed + scene.dried
        assert scene.carried_in + scene.emitted == accounted
    assert any(sum(v.scene(stage).ground) for v in vehicles)


@pytest.mark.parametrize("stage", STAGES)
def test_fluid_is_found_only_where_it_can_get_to(world: World, vehicles: list[Vehicle], stage: str) -> None:
    """Along the zones' own ways, or sprayed onto a low part further back than where it let go."""
    machine, terrain = world.machine, world.terrain
    low = world.tables.physics.sprayed_below
    dry_somewhere = 0
    for vehicle in vehicles:
        for leak, held in zip(vehicle.origins, vehicle.scene(stage).held, strict=True):
            reach = set(machine.reach[terrain.names[leak.zone]])
            foremost = min(machine.zones[z].along for z in reach)
            sprayed = {
                z for z, zone in machine.zones.items() if zone.visible and zone.height >= low and zone.along > foremost
            }
            for zone in sprayed:
                reach |= set(machine.reach[zone])
            wet = {terrain.names[at] for at, parcels in enumerate(held) if parcels}
            assert wet <= reach
            dry_somewhere += len(reach) < len(machine.zones)
    assert dry_somewhere == sum(len(v.origins) for v in vehicles)


def test_without_spray_fluid_keeps_to_the_zones_ways(world: World) -> None:
    """Gravity, airflow and fling alone: nothing above or beside the ways out of the zone gets wet."""
    terrain = world.terrain
    period = world.periods["as-found"].model_copy(update={"sprayed": 0.0})
    for name, reach in world.machine.reach.items():
        scene = Scene.clean(1, len(terrain.names))
        start = [(0, terrain.number[name], True)] * 150
        carry(terrain, scene, [2] * len(terrain.names), 0.85, period, start, random.Random(name))
        assert {terrain.names[at] for at, parcels in enumerate(scene.total) if parcels} == set(reach)


def test_a_film_fills_before_it_runs_on(world: World) -> None:
    terrain = world.terrain
    scene = Scene.clean(1, len(terrain.names))
    top = terrain.number["fill-tube-base"]
    parked = world.periods["after-clean"]
    carry(terrain, scene, [3] * len(terrain.names), 1.0, parked, [(0, top, False)] * 7, random.Random(0))
    wet = {terrain.names[at]: parcels for at, parcels in enumerate(scene.total) if parcels}
    assert wet == {"fill-tube-base": 3, "case-right": 3, "pan-rim-right": 1}
    assert [terrain.names[at] for at in scene.order] == ["fill-tube-base", "case-right", "pan-rim-right"]


def test_a_loop_of_zones_lets_the_parcel_fall(world: World) -> None:
    """Bad data must not hang the benchmark."""
    looped = dataclasses.replace(world.terrain, drains=tuple((at,) for at in range(len(world.terrain.names))))
    scene = Scene.clean(1, len(looped.names))
    carry(
        looped,
        scene,
        [0] * len(looped.names),
        1.0,
        world.periods["after-clean"],
        [(0, 0, False)],
        random.Random(0),
    )
    assert scene.ground[0] == 1 and len(looped.names) < MOST_STEPS


def test_torn_diaphragm_wets_nothing_outside(world: World) -> None:
    rng = random.Random(5)
    smoke = world.machine.observables["smoke"]
    said = Counter()
    for _ in range(300):
        vehicle = world.with_leaks(["modulator-diaphragm"], rng)
        said[vehicle.observe(smoke, "as-found")] += 1
        for stage in STAGES:
            assert not any(vehicle.scene(stage).held[0])
    assert said["yes"] > 0.7 * 300


def test_spilled_fluid_is_gone_after_cleaning(world: World) -> None:
    rng = random.Random(6)
    left = 0
    for _ in range(300):
        vehicle = world.with_leaks(["spilled-fluid"], rng)
        assert any(vehicle.scene("as-found").held[0])
        left += sum(vehicle.scene("after-clean").held[0])
        assert sum(vehicle.scene("after-clean").held[0]) <= len(world.terrain.visible)
        assert vehicle.scene("after-clean").emitted == 0 or vehicle.former is not None
    assert 0 < left < 300


def test_a_hidden_leak_shows_first_at_the_bellhousing_hole(world: World) -> None:
    rng = random.Random(7)
    first = Counter()
    for _ in range(300):
        vehicle = world.with_leaks(["front-pump-seal"], rng)
        assert [world.terrain.names[at] for at in vehicle.leaks[0].seen] == ["bellhousing-hole"]
        first[(vehicle.wetted("after-clean") or ("nowhere",))[0]] += 1
    assert first["bellhousing-hole"] > 0.9 * 300
    assert "bellhousing-inside" not in first


def test_vent_overflow_starts_on_top(world: World) -> None:
    rng = random.Random(8)
    for _ in range(100):
        vehicle = world.with_leaks(["vent-overflow"], rng)
        assert vehicle.wetted("after-clean")[0] == "case-top"
        assert set(vehicle.wetted("as-found")) & {"case-left", "case-right"}


def test_a_long_drive_and_months_wet_more_than_a_short_drive(singles: list[Vehicle]) -> None:
    wet = {
        stage: sum(sum(map(bool, v.scene(stage).held[0])) for v in singles if not v.leaks[0].old) for stage in STAGES
    }
    assert wet["after-clean"] * 1.4 < wet["after-long-drive"] < wet["as-found"]


def test_fluids_are_kept_apart(world: World) -> None:
    vehicle = world.with_leaks(["fill-tube-o-ring", "valve-cover-gasket"], random.Random(9))
    fluids = vehicle.fluids("as-found")
    assert "transmission fluid" in fluids["fill-tube-base"]
    assert fluids["valve-cover-rear"].keys() == {"engine oil"}
    total = sum(sum(by.values()) for by in fluids.values())
    assert total == sum(vehicle.scene("as-found").total)


# ---- repeatable ------------------------------------------------------------------------------------------


def test_same_seed_same_vehicle_same_answers_in_any_order(machine: Machine) -> None:
    for seed in range(25):
        one, two = imagine(machine, random.Random(seed)), imagine(machine, random.Random(seed))
        assert (one.seed, one.truth, one.leaks, one.former) == (two.seed, two.truth, two.leaks, two.former)
        questions = [(o, s) for o in machine.observables.values() for s in STAGES]
        heard = {(o.id, s): one.observe(o, s) for o, s in questions}
        random.Random(seed).shuffle(questions)
        assert {(o.id, s): two.observe(o, s) for o, s in questions} == heard
        assert {(o.id, s): two.observe(o, s) for o, s in questions} == heard


def test_another_seed_another_vehicle(machine: Machine) -> None:
    rng = random.Random(1)
    assert len({imagine(machine, rng).seed for _ in range(100)}) == 100


@pytest.mark.parametrize("layout", LAYOUTS)
def test_history_does_not_change_between_stages(worlds: dict[str, World], layout: str) -> None:
    world, rng = worlds[layout], random.Random(18)
    lasting = {name for name, entry in world.tables.observations.items() if entry.lasting}
    asked = [observable for name, observable in world.machine.observables.items() if name in lasting]
    assert "vehicle-age" in {observable.id for observable in asked}
    for vehicle in (world.imagine(rng) for _ in range(100)):
        for observable in asked:
            assert len({vehicle.observe(observable, stage) for stage in STAGES}) == 1, observable.id


def test_another_person_sees_the_same_vehicle_a_little_differently(world: World, vehicles: list[Vehicle]) -> None:
    zones = [o for o in world.machine.observables.values() if o.kind == "wetness"]
    rng = random.Random(2)
    same = differ = 0
    for vehicle in vehicles[:100]:
        for zone in zones:
            agree = vehicle.observe(zone, "after-clean", rng) == vehicle.observe(zone, "after-clean")
            same, differ = same + agree, differ + (not agree)
    assert 0 < differ < 0.12 * (same + differ)


# ---- how often -------------------------------------------------------------------------------------------


def odds_of(machine: Machine) -> dict[str, float]:
    chance = {c.commonness: c.chance for c in machine.base.scale.commonness}
    chances = {name: chance[source.commonness] for name, source in machine.sources.items()}
    return {name: c / (1 - c) for name, c in chances.items()}


def test_single_leaks_follow_commonness(machine: Machine, singles: list[Vehicle]) -> None:
    odds = odds_of(machine)
    total = sum(odds.values())
    counts = Counter(v.truth for v in singles)
    assert all(len(truth) == 1 for truth in counts)
    for name, odd in odds.items():
        assert within(counts[(name,)], len(singles), odd / total), name
    most = {truth[0] for truth, _ in counts.most_common(3)}
    assert most == {"front-pump-seal", "pan-gasket", "fill-tube-o-ring"}


def test_one_to_three_leaks_are_independent_given_their_number(machine: Machine, world: World) -> None:
    """Against a sum over every set, written without the recursion that the choosing uses."""
    odds = odds_of(machine)
    ways = {n: sum(math.prod(c) for c in itertools.combinations(odds.values(), n)) for n in (1, 2, 3)}
    others = [odd for name, odd in odds.items() if name != "front-pump-seal"]
    rng = random.Random(10)
    drawn = [world.choose(rng, None) for _ in range(6000)]
    for n in ways:
        assert within(sum(len(d) == n for d in drawn), len(drawn), ways[n] / sum(ways.values()))
    pairs = [world.choose(rng, 2) for _ in range(6000)]
    assert all(len(set(pair)) == 2 for pair in pairs)
    with_pump = odds["front-pump-seal"] * sum(others) / ways[2]
    assert within(sum("front-pump-seal" in pair for pair in pairs), len(pairs), with_pump)


@pytest.mark.parametrize("leaks", [0, -1, 1000])
def test_a_number_of_leaks_that_cannot_be_is_refused(world: World, leaks: int) -> None:
    with pytest.raises(ValueError, match="leaks asked for"):
        world.imagine(random.Random(0), leaks)


def test_equal_commonness_gives_equal_shares(machine: Machine) -> None:
    words = tuple(Commonness(commonness=c.commonness, chance=0.05) for c in machine.base.scale.commonness)
    scale = machine.base.scale.model_copy(update={"commonness": words})
    even = World(dataclasses.replace(machine.base, scale=scale).machine(machine.layout.layout))
    rng = random.Random(11)
    counts = Counter(even.choose(rng, 1)[0] for _ in range(6400))
    assert all(within(counts[name], 6400, 1 / len(machine.sources)) for name in machine.sources)


def highest_is_true(vehicles: list[Vehicle], stage: str) -> float:
    """Share of vehicles whose highest wet place, as stated, is where the one leak is first seen."""
    right = asked = 0
    for vehicle in vehicles:
        leak, world = vehicle.leaks[0], vehicle.world
        if leak.seen and not leak.old:
            said = vehicle.observe(world.machine.observables["highest-wet"], stage)
            right += said in {world.terrain.names[at] for at in leak.seen}
            asked += 1
    assert asked > 0.9 * len(vehicles)
    return right / asked


def test_the_look_that_counts_is_after_cleaning_and_a_short_drive(singles: list[Vehicle]) -> None:
    found, clean, long = (highest_is_true(singles, stage) for stage in STAGES)
    assert 0.80 < clean < 0.95
    assert 0.40 < found < long < clean
    assert found < clean - 0.15


def test_a_leak_wets_its_own_place_first(singles: list[Vehicle]) -> None:
    first = [v.wetted("after-clean")[:1] for v in singles if v.leaks[0].seen and not v.leaks[0].old and not v.former]
    own = [v for v in singles if v.leaks[0].seen and not v.leaks[0].old and not v.former]
    right = sum(f[:1] == (v.world.terrain.names[v.leaks[0].seen[0]],) for f, v in zip(first, own, strict=True))
    assert right > 0.95 * len(own)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_source_of_every_layout_wets_its_own_place(worlds: dict[str, World], layout: str) -> None:
    """After cleaning and a short drive it shows where it first can, but for what never shows outside or is gone."""
    world, rng = worlds[layout], random.Random(17)
    for source in world.sources:
        made = [world.with_leaks([source], rng) for _ in range(60)]
        leak = made[0].leaks[0]
        wet = [any(v.scene("after-clean").held[0][at] for at in v.leaks[0].seen) for v in made]
        if not leak.regime.outside:
            assert not any(v.leaks[0].seen for v in made), source
        elif leak.regime.once:
            assert sum(wet) < 0.3 * len(wet), source
        else:
            assert all(v.leaks[0].seen for v in made), source
            assert sum(wet) > 0.8 * len(wet), (source, leak.regime.regime)


def test_severity_and_pressure_rule_the_flow(singles: list[Vehicle]) -> None:
    out: dict[str, list[int]] = {}
    for vehicle in singles:
        if vehicle.leaks[0].seen and not vehicle.leaks[0].old:
            out.setdefault(vehicle.leaks[0].severity.severity, []).append(sum(vehicle.scene("after-clean").held[0]))
    mean = {severity: sum(many) / len(many) for severity, many in out.items()}
    assert mean["seep"] < mean["drip"] < mean["stream"]


# ---- answers ---------------------------------------------------------------------------------------------


def fit_answers(machine: Machine, vehicles: list[Vehicle], stages: tuple[str, ...]) -> dict[str, set[object]]:
    """Every answer that was heard to each question; each must be one that the question allows."""
    heard: dict[str, set[object]] = {name: set() for name in machine.observables}
    for stage, vehicle in itertools.product(stages, vehicles):
        for name, observable in machine.observables.items():
            answer = vehicle.observe(observable, stage)
            if answer is None:
                continue
            if observable.kind == "number":
                assert isinstance(answer, float)
                assert observable.least is None or answer >= observable.least
                assert observable.most is None or answer <= observable.most
                heard[name].add(answer)
            elif observable.many:
                assert isinstance(answer, tuple) and answer and len(set(answer)) == len(answer)
                assert set(answer) <= set(observable.values)
                assert "none" not in answer or len(answer) == 1
                heard[name] |= set(answer)
            else:
                assert answer in observable.values
                heard[name].add(answer)
    return heard


@pytest.mark.parametrize("stage", STAGES)
def test_every_question_gets_a_fit_answer(machine: Machine, vehicles: list[Vehicle], stage: str) -> None:
    heard = fit_answers(machine, vehicles, (stage,))
    asked = [name for name, observable in machine.observables.items() if observable.ask]
    silent = [name for name in asked if not heard[name]]
    assert silent == []
    # What is always answered alike could not part anything; the stage itself is the one such question.
    assert [name for name in asked if len(heard[name]) < 2] == ["cleaned-and-driven"]


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_question_of_every_layout_gets_fit_and_various_answers(worlds: dict[str, World], layout: str) -> None:
    world, rng = worlds[layout], random.Random(16)
    heard = fit_answers(world.machine, [world.imagine(rng) for _ in range(120)], STAGES)
    asked = [observable for observable in world.machine.observables.values() if observable.ask]
    # A place may be the only one: a layout can have one source of coolant.
    fewest = {"zone": 1}
    assert [one.id for one in asked if len(heard[one.id]) < fewest.get(one.kind, 2)] == []


def test_hidden_zones_and_unknown_findings_are_not_known(machine: Machine, vehicles: list[Vehicle]) -> None:
    seen = machine.observables["bellhousing-hole"]
    hidden = dataclasses.replace(seen, id="bellhousing-inside")
    elsewhere = dataclasses.replace(seen, id="boot-lid")
    strange = dataclasses.replace(machine.observables["smoke"], id="noise")
    for vehicle in vehicles[:50]:
        for observable in (hidden, elsewhere, strange):
            assert vehicle.observe(observable, "as-found") is None


def test_eyes_err_as_often_as_the_tables_say(world: World, vehicles: list[Vehicle]) -> None:
    eye = world.tables.physics.eye
    easy = [at for at in world.terrain.visible if world.terrain.zones[at].minutes < eye.hard_minutes]
    pairs = Counter()
    for vehicle in vehicles:
        said = vehicle.looks("after-clean")
        grime = vehicle.scene("after-clean").grime
        pairs.update((wetness(vehicle, "after-clean", at), said[at]) for at in easy if at not in grime)
    for true in WETNESS:
        trials = sum(n for (was, _), n in pairs.items() if was == true)
        assert trials > 100
        assert within(pairs[true, None], trials, eye.unknown)
        for other, chance in eye.misjudged[true].items():
            assert within(pairs[true, other], trials, (1 - eye.unknown) * chance), (true, other)


def test_dirt_passes_for_damp_before_cleaning_only(vehicles: list[Vehicle]) -> None:
    false = Counter()
    for vehicle in vehicles:
        for stage in ("as-found", "after-clean"):
            for at, said in vehicle.looks(stage).items():
                false[stage] += said in ("damp", "wet") and wetness(vehicle, stage, at) == "dry"
    assert false["as-found"] > 5 * false["after-clean"] > 0


def test_questions_about_the_fluid_are_about_one_drop(world: World) -> None:
    rng = random.Random(12)
    ask = world.machine.observables
    kinds = Counter()
    for _ in range(600):
        vehicle = world.with_leaks(["coolant-leak", "engine-oil-pan-gasket"], rng)
        colour = vehicle.observe(ask["colour"], "after-clean")
        feel = vehicle.observe(ask["feel"], "after-clean")
        if colour == "green or orange" and feel is not None:
            assert feel in ("watery and sticky", "plain water")
            kinds["coolant"] += 1
        kinds["oil"] += feel == "thick and slippery"
    assert min(kinds["coolant"], kinds["oil"]) > 30


def test_what_is_there_follows_from_the_leak(world: World) -> None:
    """Each pair: what leaks, the question, the answer that must be commoner by far than without it."""
    rng = random.Random(13)
    ask = world.machine.observables
    for source, finding, value in [
        ("front-pump-seal", "hub-trail", "fresh wet line from the hub"),
        ("engine-rear-main-seal", "converter-look", "wet on the engine side"),
        ("modulator-diaphragm", "vacuum-test", "falls"),
        ("fill-tube-o-ring", "fill-tube-sealant", "yes"),
        ("vent-overflow", "transmission-level", "overfull"),
        ("kickdown-solenoid-o-rings", "solenoid-wire", "oily inside"),
        ("engine-rear-main-seal", "drop-matches", "engine-oil dipstick"),
        ("output-seal", "dye-at", "output-seal-area"),
        ("output-seal", "streak", "flung in a ring"),
        ("front-pump-seal", "powder-at", "bellhousing-hole"),
        ("pan-gasket", "low-level-test", "leak goes on"),
    ]:
        leaking = [world.with_leaks([source], rng).observe(ask[finding], "after-clean") for _ in range(150)]
        without = [
            vehicle.observe(ask[finding], "after-clean")
            for vehicle in (world.imagine(rng, 1) for _ in range(300))
            if source not in vehicle.truth
        ]
        assert leaking.count(value) / len(leaking) > 1.5 * without.count(value) / len(without), (
            source,
            finding,
        )


SIGNS = {
    "front-drive-transaxle": [
        ("axle-seal-left", "cover-trail", "round the shaft"),
        ("diff-cover-o-ring", "cover-trail", "at the outer edge"),
        ("axle-seal-right", "drip-by-wheel", "right wheel"),
        ("axle-seal-right", "streak", "flung in a ring"),
        ("stub-shaft-ring-left", "shaft-work", "left shaft"),
        ("cv-boot", "boot-look", "split with grease"),
        ("cv-boot", "consistency", "paste or wax"),
        ("bolt-on-cooler-o-rings", "cooler-trail", "at its foot"),
        ("bolt-on-cooler-o-rings", "cooler-kind", "bolted to the case"),
        ("power-steering-leak", "steering-turn", "gets wet"),
        ("pressure-tap-plugs", "front-dot", "at a small plug"),
        ("heater-hose", "cooling-pressure", "falls and drips"),
    ],
    "continuously-variable": [
        ("overflow-plug-washer", "plug-drips", "overflow plug"),
        ("pan-drain-plug", "plug-drips", "drain plug"),
        ("filter-housing-o-ring", "filter-work", "old ring"),
        ("vent-overflow", "set-temperature", "too cold or unmeasured"),
        ("wiring-plug-seal", "plug-inside", "oily inside"),
    ],
    "double-clutch": [
        ("mechatronic-cover-gasket", "mechatronic-bolts", "loose"),
        ("clutch-hub-seal", "converter-look", "wet on the transmission side"),
        ("overflow-plug-washer", "plug-ring", "used again"),
        ("angle-drive-leak", "wheels-driven", "all four"),
        ("angle-drive-leak", "smell", "sharp sulphur"),
    ],
    "four-wheel-drive": [
        ("adapter-output-seal", "level-migration", "into the transfer case"),
        ("transfer-input-seal", "level-migration", "into the transmission"),
        ("adapter-output-seal", "transfer-level", "runs out"),
        ("transfer-drain-plug-seal", "transfer-level", "below the edge"),
        ("transfer-input-seal", "weep-hole-fluid", "like the transfer case's"),
        ("transfer-switch-seal", "actuator-plug", "oil in the switch's plug"),
        ("transfer-front-output-seal", "streak", "flung in a ring"),
        ("front-axle-pinion-seal", "smell", "sharp sulphur"),
    ],
    "manual-gearbox": [
        ("gearbox-input-seal", "guide-tube-look", "wet at its open end"),
        ("guide-tube-gasket", "guide-tube-look", "wet at its foot"),
        ("inside-release-cylinder", "clutch-actuation", "cylinder inside"),
        ("outside-release-cylinder", "release-boot", "wet"),
        ("outside-release-cylinder", "drop-in-water", "mixes"),
        ("clutch-master-cylinder", "clutch-fluid-level", "falling"),
        ("gearbox-output-seal", "drop-matches", "transmission dipstick"),
        ("gearbox-vent-overflow", "gear-oil-level", "overfull"),
        ("gearbox-output-seal", "dye-at", "output-seal-area"),
        ("brake-hydraulics", "brake-pedal", "sinks"),
    ],
    "rear-drive-electronic": [
        ("connector-pins", "connector-look", "fluid among the pins"),
        ("connector-sleeve-o-rings", "connector-look", "wet outside only"),
        ("connector-pins", "control-unit-plug", "oily"),
        ("plastic-pan-seal", "pan-flatness", "stands off"),
        ("plastic-pan-crack", "pan-underside", "at a crack or scrape"),
        ("output-flange-spline", "flange-look", "from the middle"),
        ("pressure-port-plug", "pressure-tested", "yes"),
    ],
    "rear-drive-four-speed": [
        ("oil-filter-seal", "filter-look", "filter rim"),
        ("oil-pressure-switch", "switch-plug", "oily inside"),
        ("fuel-line", "fuel-smell", "yes"),
        ("condensate-or-rain", "drips-with", "air conditioning"),
        ("condensate-or-rain", "spot-next-day", "gone"),
        ("radiator-tank", "coolant-crust", "radiator tank"),
        ("pump-housing-o-ring", "bellhousing-endoscope", "at the edge of the pump"),
        ("valve-cover-gasket", "engine-dye-at", "valve-cover-rear"),
        ("heater-hose", "cooling-pressure-at", "heater-hoses"),
        ("pan-gasket", "strip-at", "pan-rim-left"),
        ("pinion-seal", "axle-oil-level", "low"),
        ("wax-or-grease", "consistency", "paste or wax"),
        ("spilled-fluid", "wiped-highest", "stays dry"),
        ("turbo-oil-drain", "turbocharger", "yes"),
    ],
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_what_is_there_follows_from_the_leak_in_every_layout(worlds: dict[str, World], layout: str) -> None:
    """Each of SIGNS: what leaks, the question, the answer that must be commoner by far than without it."""
    world, rng = worlds[layout], random.Random(19)
    ask = world.machine.observables

    def said(vehicle: Vehicle, finding: str, value: str) -> bool:
        answer = vehicle.observe(ask[finding], "after-clean")
        return value in answer if isinstance(answer, tuple) else answer == value

    others = [world.imagine(rng, 1) for _ in range(300)]
    for source, finding, value in SIGNS[layout]:
        leaking = [said(world.with_leaks([source], rng), finding, value) for _ in range(120)]
        without = [said(vehicle, finding, value) for vehicle in others if source not in vehicle.truth]
        assert sum(leaking) / len(leaking) > max(0.1, 1.5 * sum(without) / len(without)), (source, finding)


def test_a_case_for_one_layout_holds_in_no_other(worlds: dict[str, World]) -> None:
    """The same leak, the same question: what the unit is filled with depends on the kind of vehicle."""
    fresh: dict[str, Counter[object]] = {}
    for layout in ("front-drive-transaxle", "continuously-variable", "double-clutch"):
        world, rng = worlds[layout], random.Random(21)
        colour = world.machine.observables["colour"]
        made = [world.with_leaks(["axle-seal-left"], rng) for _ in range(200)]
        fresh[layout] = Counter(vehicle.observe(colour, "after-clean") for vehicle in made)
    usual = {layout: said.most_common(1)[0][0] for layout, said in fresh.items()}
    assert usual == {
        "front-drive-transaxle": "red",
        "continuously-variable": "green or orange",
        "double-clutch": "amber",
    }


@pytest.mark.parametrize(
    ("layout", "parts"),
    [
        ("double-clutch", {"pan gasket", "fill-tube O-ring", "cooler-line washers", "modulator", "front pump seal"}),
        ("continuously-variable", {"fill-tube O-ring", "cooler-line washers", "cooler hoses", "modulator"}),
        ("front-drive-transaxle", {"modulator", "output seal"}),
        ("four-wheel-drive", {"modulator"}),
    ],
)
def test_no_part_is_renewed_that_the_vehicle_has_not(worlds: dict[str, World], layout: str, parts: set[str]) -> None:
    world, rng = worlds[layout], random.Random(22)
    asked = world.machine.observables["replaced-in-vain"]
    heard: set[object] = set()
    for _ in range(400):
        answer = world.imagine(rng).observe(asked, "as-found")
        heard.update(answer if isinstance(answer, tuple) else ())
    assert len(heard) > 3 and not heard & parts


def test_a_rear_axle_and_a_wheel_alone_drip_where_no_one_asks(worlds: dict[str, World]) -> None:
    """Every other place from which drops fall to the ground belongs to an answer of the question where it drips."""
    for world in worlds.values():
        spots = world.tables.observations["drip-place"].spots
        named = {zone for zones in spots.values() for zone in zones}
        terrain = world.terrain
        ends = {terrain.names[at] for at in terrain.visible if not terrain.drains[at]}
        assert ends - named <= {"differential-nose", "wheel-inside"}


@pytest.mark.parametrize(
    ("layout", "source", "place"),
    [
        ("front-drive-transaxle", "side-cover-gasket", "under the pan"),
        ("front-drive-transaxle", "diff-cover-o-ring", "under the tail"),
        ("double-clutch", "clutch-hub-seal", "under the bellhousing"),
        ("double-clutch", "mechatronic-cover-gasket", "under the pan"),
        ("four-wheel-drive", "transfer-front-output-seal", "under the tail"),
        ("four-wheel-drive", "front-axle-pinion-seal", "under the engine"),
        ("manual-gearbox", "gearbox-input-seal", "under the bellhousing"),
        ("manual-gearbox", "selector-rod-seal", "under the tail"),
        ("rear-drive-electronic", "connector-sleeve-o-rings", "under the pan"),
    ],
)
def test_drops_fall_where_the_layout_lets_them(worlds: dict[str, World], layout: str, source: str, place: str) -> None:
    world, rng = worlds[layout], random.Random(20)
    ask = world.machine.observables["drip-place"]
    said: Counter[str] = Counter()
    for _ in range(200):
        said.update(world.with_leaks([source], rng).observe(ask, "as-found") or ())
    assert said.most_common(1)[0][0] == place, said


def test_drops_fall_below_the_lowest_place_reached(world: World) -> None:
    rng = random.Random(14)
    ask = world.machine.observables["drip-place"]
    for source, place in [
        ("fill-tube-o-ring", "under the pan"),
        ("front-pump-seal", "under the bellhousing"),
        ("engine-oil-pan-gasket", "under the engine"),
        ("tail-housing-gasket", "under the tail"),
    ]:
        said = Counter()
        for _ in range(200):
            said.update(world.with_leaks([source], rng).observe(ask, "as-found") or ())
        assert said.most_common(1)[0][0] == place, (source, said)


# ---- speed -----------------------------------------------------------------------------------------------


def test_a_vehicle_is_cheap(machine: Machine) -> None:
    """A vehicle, its three stages and thirty answers cost less than summing 50,000 random numbers.

    Compared with a fixed piece of Python on the same machine at the same time, so that a slow or busy
    computer does not fail it; the benchmark needs thousands.
    """
    observables = list(machine.observables.values())
    rng = random.Random(15)
    imagine(machine, rng)

    def vehicle() -> None:
        one = imagine(machine, rng)
        for stage in STAGES:
            one.scene(stage)
        for observable in observables[:30]:
            one.observe(observable, "after-clean")

    def yardstick() -> None:
        chance = random.Random(0).random
        sum(chance() for _ in range(50_000))

    def usual_cost(work: Callable[[], None], times: int) -> float:
        costs = []
        for _ in range(times):
            start = time.process_time()
            work()
            costs.append(time.process_time() - start)
        return statistics.median(costs)

    assert usual_cost(vehicle, 100) < usual_cost(yardstick, 15)
