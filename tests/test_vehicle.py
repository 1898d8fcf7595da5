"""The simulated vehicle: fluid is conserved and falls, answers are repeatable, errors are those of people."""

from __future__ import annotations

import dataclasses
import itertools
import math
import random
import statistics
import time
from collections import Counter
from collections.abc import Callable

import pytest

from expert.knowledge.base import Machine
from expert.knowledge.load import load, packaged_rules
from expert.knowledge.model import WETNESS, Commonness, Strength
from expert.knowledge.problems import KnowledgeError
from expert.vehicle import Vehicle, World, imagine, load_tables, misfits, packaged_tables
from expert.vehicle.eyes import wetness
from expert.vehicle.flow import MOST_STEPS, Scene, carry

STAGES = ("as-found", "after-clean", "after-long-drive")


@pytest.fixture(scope="module")
def machine() -> Machine:
    kb = load(packaged_rules())
    return kb.machine(kb.default_layout)


@pytest.fixture(scope="module")
def world(machine: Machine) -> World:
    return World(machine)


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
        ("observations.yaml", "- observe: smoke", "- observe: smoking", "no such finding"),
        ("observations.yaml", "- observe: smoke", "- observe: smoking", "'smoke' is not defined"),
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
    with pytest.raises(KnowledgeError, match=r"physics\.yaml:1: it cannot be read"):
        load_tables(tmp_path)


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


def test_history_does_not_change_between_stages(world: World, vehicles: list[Vehicle]) -> None:
    lasting = [name for name, entry in world.tables.observations.items() if entry.lasting]
    assert "vehicle-age" in lasting
    for vehicle in vehicles[:100]:
        for name in lasting:
            answers = {vehicle.observe(world.machine.observables[name], stage) for stage in STAGES}
            assert len(answers) == 1


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


def test_severity_and_pressure_rule_the_flow(singles: list[Vehicle]) -> None:
    out: dict[str, list[int]] = {}
    for vehicle in singles:
        if vehicle.leaks[0].seen and not vehicle.leaks[0].old:
            out.setdefault(vehicle.leaks[0].severity.severity, []).append(sum(vehicle.scene("after-clean").held[0]))
    mean = {severity: sum(many) / len(many) for severity, many in out.items()}
    assert mean["seep"] < mean["drip"] < mean["stream"]


# ---- answers ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("stage", STAGES)
def test_every_question_gets_a_fit_answer(machine: Machine, vehicles: list[Vehicle], stage: str) -> None:
    heard: dict[str, set[object]] = {name: set() for name in machine.observables}
    for vehicle in vehicles:
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
    asked = [name for name, observable in machine.observables.items() if observable.ask]
    silent = [name for name in asked if not heard[name]]
    assert silent == []
    # What is always answered alike could not part anything; the stage itself is the one such question.
    assert [name for name in asked if len(heard[name]) < 2] == ["cleaned-and-driven"]


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
