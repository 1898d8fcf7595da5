"""Rings, grooves, compounds, ageing and bolts.

Figures marked "computed" were worked out apart from this code; published ones name where they were read.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from expert import cli
from expert.arithmetic import ageing, bolts, gland
from expert.arithmetic.choosing import chosen, judged
from expert.arithmetic.orings import Ring, listed, millimetres, ring_from, ring_of, wanted_inner
from expert.arithmetic.orings import printed as in_mm
from expert.arithmetic.shapes import Rings, Tables, Use
from expert.arithmetic.spans import Span, Unusable, exactly, hull
from expert.arithmetic.tables import load_sizes, load_tables
from expert.knowledge.load import packaged_rules
from expert.knowledge.problems import KnowledgeError

Call = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def tables() -> Tables:
    return load_tables(packaged_rules())


@pytest.fixture(scope="module")
def rings(tables: Tables) -> Rings:
    return tables.rings


@pytest.fixture(scope="module")
def static(rings: Rings) -> Use:
    return rings.uses[0]


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str]) -> Call:
    """Runs a command line; returns its exit code and what it printed."""

    def run(*arguments: str) -> tuple[int, str, str]:
        capsys.readouterr()
        try:
            code = cli.run(list(arguments))
        except SystemExit as end:
            code = int(end.code or 0)
        out, err = capsys.readouterr()
        return code, out, err

    return run


# --- sizes -------------------------------------------------------------------------------------------------

# AS568, read in public tables: dash, inner diameter in inches and as printed in mm, section in inches, in how many
# independent tables the row was read.
READ = """
-008 .176 4.47 .070 1    -010 .239 6.07 .070 1    -012 .364 9.25 .070 1    -014 .489 12.42 .070 1
-016 .614 15.60 .070 1   -020 .864 21.95 .070 1   -024 1.114 28.30 .070 1  -030 1.614 41.00 .070 1
-110 .362 9.19 .103 2    -116 .737 18.72 .103 1   -120 .987 25.07 .103 2   -201 .171 4.34 .139 1
-210 .734 18.64 .139 2   -214 .984 24.99 .139 2   -218 1.234 31.34 .139 2  -222 1.484 37.69 .139 2
-226 1.984 50.39 .139 1  -230 2.484 63.09 .139 1  -425 4.475 113.67 .275 1
"""
ROWS = [row.split() for row in re.findall(r"-\S+ \S+ \S+ \S+ \d", READ)]


@pytest.mark.parametrize("row", ROWS, ids=[row[0] for row in ROWS])
def test_listed_sizes_are_as_read(rings: Rings, row: list[str]) -> None:
    dash, inner, printed, section, read = row
    size = next(entry for entry in rings.sizes if entry.size == dash)
    assert (size.inner, size.section, size.read) == (Decimal(inner), Decimal(section), int(read))
    assert in_mm(float(millimetres(size.inner))) == printed


def test_only_rows_that_were_read_are_listed(rings: Rings) -> None:
    """-113, -310 and -325 are known from memory only, and other public tables are wrong in places."""
    assert {entry.size for entry in rings.sizes} == {row[0] for row in ROWS}
    assert len({(entry.inner, entry.section) for entry in rings.sizes}) == len(rings.sizes)


@pytest.mark.parametrize(("inches", "printed"), [("0.475", "12.07"), ("4.475", "113.67"), ("0.070", "1.78")])
def test_millimetres_are_rounded_halves_up(inches: str, printed: str) -> None:
    """0.475 in is 12.065 mm exactly and 4.475 in 113.665 mm; binary floats round both down."""
    assert in_mm(float(millimetres(Decimal(inches)))) == printed
    if inches != "0.070":
        assert f"{float(inches) * 25.4:.2f}" != printed, "this is the trap"


@pytest.mark.parametrize(
    ("inches", "printed"), [(".070", "1.78"), (".103", "2.62"), (".139", "3.53"), (".210", "5.33"), (".275", "6.99")]
)
def test_sections(rings: Rings, inches: str, printed: str) -> None:
    """AS568 sections with their tolerances, read."""
    tolerance = {".070": ".003", ".103": ".003", ".139": ".004", ".210": ".005", ".275": ".006"}[inches]
    section = next(entry for entry in rings.sections if entry.section == Decimal(inches))
    assert section.tolerance == Decimal(tolerance)
    assert in_mm(float(millimetres(section.section))) == printed


# --- squeeze, stretch, fill --------------------------------------------------------------------------------

# The published design guide of a seal maker, read: section, use, depth, printed squeeze; and the squeeze computed from
# (section -+ tolerance - depth) / (section -+ tolerance), in inches and per cent.
GLANDS = [
    (".070", "moving", (0.055, 0.057), (15, 25), (14.9, 24.7)),
    (".103", "moving", (0.087, 0.090), (10, 18), (10.0, 17.9)),
    (".139", "moving", (0.119, 0.123), (9, 17), (8.9, 16.8)),
    (".210", "moving", (0.183, 0.188), (8.5, 15), (8.3, 14.9)),
    (".275", "moving", (0.234, 0.240), (10.5, 17), (10.8, 16.7)),
    (".070", "static", (0.050, 0.055), (18, 32), (17.9, 31.5)),
    (".103", "static", (0.080, 0.086), (14, 25), (14.0, 24.5)),
    (".139", "static", (0.110, 0.116), (14, 23), (14.1, 23.1)),
    (".210", "static", (0.170, 0.176), (14, 21), (14.1, 20.9)),
    (".275", "static", (0.225, 0.235), (13, 20), (12.6, 19.9)),
]


@pytest.mark.parametrize(("inches", "use", "depth", "printed", "computed"), GLANDS)
def test_squeeze_of_the_published_glands(
    rings: Rings,
    inches: str,
    use: str,
    depth: tuple[float, float],
    printed: tuple[float, float],
    computed: tuple[float, float],
) -> None:
    entry = next(entry for entry in rings.sections if entry.section == Decimal(inches))
    section = Span(float(entry.section - entry.tolerance), float(entry.section + entry.tolerance))
    found = gland.squeeze_range(section, Span(*depth))
    assert found == pytest.approx(computed, abs=0.051)
    assert found == pytest.approx(printed, abs=0.55)
    assert entry.glands[use].depth == depth
    assert entry.glands[use].squeeze == printed
    # What the guide recommends lies inside the limits that are applied here.
    allowed = next(other for other in rings.uses if other.use == use).squeeze
    assert allowed.low <= found.low <= found.high <= allowed.high


def test_limits_are_those_read(rings: Rings) -> None:
    """The same guide: 10 to 40 % at rest, not over 30 % moving, stretch at most 5 %, 75 % of the section held."""
    static, moving = rings.uses
    assert static.squeeze == (10, 40)
    assert moving.squeeze.high == 30
    assert rings.stretch.between.high == 5
    assert rings.held.between.low == 75
    assert "common practice, no source" in rings.fill.basis, "85 % was read nowhere"


LENGTHS = st.floats(2, 200)


@given(inner=LENGTHS, section=st.floats(1, 7), more=st.floats(0, 8))
def test_a_stretched_ring_thins_and_keeps_its_volume(inner: float, section: float, more: float) -> None:
    seat = inner * (1 + more / 100)
    thin = gland.stretched(section, inner, seat)
    assert thin <= section
    assert thin**2 * (seat + section) == pytest.approx(section**2 * (inner + section))
    assert gland.stretch_range(inner, exactly(seat)).low == pytest.approx(more, abs=1e-9)
    assert gland.stretched(section, inner, inner * 0.9) == section, "a loose ring keeps its section"


@given(section=st.floats(1, 7), error=st.floats(0, 0.1), share=st.floats(0.6, 0.95), deeper=st.floats(0.001, 0.1))
def test_a_deeper_groove_squeezes_less(section: float, error: float, share: float, deeper: float) -> None:
    thick = Span(section - error / 2, section + error / 2)
    height = exactly(section * share)
    found, less = gland.squeeze_range(thick, height), gland.squeeze_range(thick, exactly(height.low + deeper))
    assert found.low <= gland.squeeze(section, height.low) <= found.high
    assert less.low < found.low
    assert less.high < found.high
    wide = exactly(section * 1.4)
    filled = gland.fill_range(thick, height, wide)
    assert filled.low <= math.pi / 4 * section**2 / (height.low * wide.low) * 100 <= filled.high


@given(seat=st.floats(3, 300), error=st.floats(0, 0.05))
def test_the_wanted_ring_fits_every_seat_in_the_range(rings: Rings, seat: float, error: float) -> None:
    span = Span(seat - error, seat + error)
    wanted = wanted_inner(span, rings.stretch.between)
    assert wanted
    for inner in wanted:
        found = gland.stretch_range(inner, span)
        assert found.low >= -1e-9
        assert found.high <= 5 + 1e-9


# --- choosing ----------------------------------------------------------------------------------------------

FINE = Span(-0.01, 0.01)


@pytest.mark.parametrize("row", ROWS, ids=[row[0] for row in ROWS])
@pytest.mark.parametrize("use", ["static", "moving"])
def test_a_groove_made_for_a_size_gets_that_size(rings: Rings, row: list[str], use: str) -> None:
    """A groove 2 % wider than the ring, as high as the published gland of its section, half as wide again."""
    dash, inner, _, inches, _ = row
    section = next(entry for entry in rings.sections if entry.section == Decimal(inches))
    seat = float(inner) * 25.4 * 1.02
    height = section.glands[use].depth.middle * 25.4
    found = gland.gland_of(exactly(seat), exactly(seat + 2 * height), None, exactly(float(inches) * 25.4 * 1.5), FINE)
    chosen_use = next(entry for entry in rings.uses if entry.use == use)
    seats = chosen(listed(rings), found, chosen_use, rings, ())
    assert seats.fits[0].ring.name == dash
    assert not seats.fits[0].faults


def test_the_ring_nearest_to_the_usual_squeeze_comes_first(rings: Rings, static: Use) -> None:
    """A thick ring of nearly the right diameter fits too, but squeezed far more than is usual."""
    thick = Ring("thick", 18.85, 3.5306, 0.1016, "made up")
    found = gland.gland_of(exactly(18.9), exactly(18.9 + 2 * 2.2), None, None, FINE)
    names = [entry.ring.name for entry in chosen([thick, *listed(rings)], found, static, rings, ()).fits]
    assert names == ["-116", "-210", "thick"], "by stretch alone the thick one would come first"


def test_a_size_not_in_the_list_is_computed_and_said_to_be(call: Call) -> None:
    code, out, _ = call("oring", "--inner", "27 mm", "--bore", "33 mm", "--width", "4.8 mm")
    assert code == 0
    said = " ".join(out.split())
    assert "none of the listed sizes fits" in said
    assert "section 3.53 mm" in said
    assert "computed, not in the list" in said
    _, out, _ = call("oring", "--inner", "27 mm", "--bore", "33 mm", "--width", "4.8 mm", "--json")
    found = json.loads(out)
    assert found["rings"] == []
    assert found["computed"]
    assert all(entry["size"] is None for entry in found["computed"]), "no size number is made up"


def test_inches_and_millimetres_give_the_same(call: Call) -> None:
    one = call("oring", "--inner", "25.4 mm", "--bore", "31.4325 mm", "--width", "4.7625 mm", "--json")
    other = call("oring", "--inner", "1 in", "--bore", "1.2375 in", "--width", "3/16 in", "--json")
    assert one == other


def test_the_old_ring_judged(call: Call) -> None:
    groove = ("oring", "--inner", "25.2 mm", "--bore", "31.2 mm", "--width", "4.8 mm")
    for ring in (("--ring", "24.99 x 3.53 mm"), ("--size", "214"), ("--size", "-214"), ("--ring", "0.984x0.139 in")):
        code, out, _ = call(*groove, *ring, "--json")
        found = json.loads(out)
        assert (code, found["good"]) == (0, True)
        assert found["rings"][0]["outside"] == []
    for wrong, fault in (("24.99 x 2.62 mm", "squeeze"), ("20 x 3.53 mm", "stretch"), ("26 x 3.53 mm", "stretch")):
        code, out, _ = call(*groove, "--ring", wrong, "--json")
        found = json.loads(out)
        assert (code, found["good"]) == (1, False)
        assert fault in found["rings"][0]["outside"]


def test_a_groove_too_narrow_is_overfilled(call: Call) -> None:
    code, out, _ = call(
        *["oring", "--inner", "25.2 mm", "--bore", "31.2 mm", "--width", "3.6 mm", "--size", "214", "--json"]
    )
    assert code == 1
    assert json.loads(out)["rings"][0]["outside"] == ["fill"]


def test_nothing_fits_a_cavern(call: Call) -> None:
    code, out, _ = call("oring", "--inner", "20 mm", "--bore", "60 mm")
    assert code == 1
    assert "no standard section fits" in out


def test_a_shallow_groove_under_a_wide_gap_is_doubted(rings: Rings, static: Use) -> None:
    """Of the section at least 75 % has to lie in the groove itself."""
    found = gland.gland_of(exactly(25.2), exactly(31.2), exactly(2.0), None, FINE)
    ring = next(ring for ring in listed(rings) if ring.name == "-214")
    seat = judged(ring, found, static, rings, ())
    assert seat.given
    assert "held in the groove" in seat.given.doubts


def test_a_metric_ring_of_ones_own(tmp_path: Path, call: Call) -> None:
    csv, yaml = tmp_path / "own.csv", tmp_path / "own.yaml"
    csv.write_text("Size, Inner, Section, Tolerance\nM 26,26 mm,3.5 mm,0.1 mm\n\n", encoding="utf-8")
    yaml.write_text("- {size: M 26, inner: 26 mm, section: 3.5 mm, tolerance: 0.1 mm}\n", encoding="utf-8")
    wanted = (Ring("M 26", 26, 3.5, 0.1, "from your list"),)
    assert load_sizes(csv) == load_sizes(yaml) == wanted
    for file in (csv, yaml):
        code, out, _ = call("oring", "--inner", "26.5 mm", "--bore", "32.3 mm", "--json", "--sizes", str(file))
        assert code == 0
        assert [entry["size"] for entry in json.loads(out)["rings"]] == ["M 26"]


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("a.csv", "size,inner,section\nx,0 mm,3 mm\n", "a.csv:2: inner: '0 mm'"),
        ("a.csv", "size,inner,section\nx,-1 mm,3 mm\n", "a.csv:2: inner: '-1 mm'"),
        ("a.csv", "size,inner,section\n\nx,3 mm,25 mm\n", "a.csv:3: a section of 25 mm is too thick"),
        ("a.csv", "size,inner,section\nx,25,3 mm\n", "a.csv:2: inner: '25' has no unit"),
        ("a.csv", "size,inner,section\nx,25 mm\n", "a.csv:2: 'section' is missing here"),
        ("a.csv", "size,inner,section\nx,25 mm,3 mm,1,2\n", "a.csv:2: 5 cells stand here"),
        ("a.csv", "size,inner,section\nx,25 mm,3 mm\nx,26 mm,3 mm\n", "a.csv:3: the size 'x' stands twice"),
        ("a.csv", "size,inner\n", "a.csv:1: 'section' is missing"),
        ("a.csv", "size,iner,section\n", "did you mean 'inner'"),
        ("a.csv", "", "a.csv:1: there are no sizes in it"),
        ("a.csv", "size,inner,section\n", "a.csv:1: there are no sizes in it"),
        ("a.csv", 'size,inner,section\n"x,25 mm,3 mm\n', "this is not CSV"),
        ("a.csv", b"size,inner,section\n\xff,1 mm,1 mm\n", "a.csv:2: this is not UTF-8"),
        ("a.yaml", "size: x\n", "the file must be a list"),
        ("a.yaml", "- x\n", "entry 1 is not made of"),
        ("a.yaml", "- {size: x, inner: 25-26 mm, section: 3 mm}\n", "is a range; give one figure"),
        ("a.yaml", "- {size: x, inner: 25 mm, section: 3 mm, tolerance: 2 mm}\n", "too wide"),
        ("a.yaml", "- &a {size: x}\n", "a.yaml:1: the anchor"),
        ("a.txt", "x", "allowed: .yaml, .yml, .csv"),
        ("a.csv", None, "the file is missing"),
    ],
)
def test_a_faulty_list_of_sizes_is_reported_with_its_line(
    tmp_path: Path, call: Call, name: str, text: str | bytes | None, said: str
) -> None:
    file = tmp_path / name
    if text is not None:
        file.write_bytes(text if isinstance(text, bytes) else text.encode())
    code, out, err = call("oring", "--inner", "25 mm", "--bore", "31 mm", "--sizes", str(file))
    assert (code, out) == (2, "")
    assert said in err
    assert "Traceback" not in err


@given(text=st.binary(max_size=200), suffix=st.sampled_from([".csv", ".yaml"]))
def test_any_bytes_as_a_list_are_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, text: bytes, suffix: str
) -> None:
    file = tmp_path_factory.getbasetemp() / f"any{suffix}"
    file.write_bytes(text)
    try:
        assert load_sizes(file)
    except KnowledgeError as error:
        assert error.problems


@pytest.mark.parametrize("text", ["24.99", "24.99 mm", "x", "24.99 x", "3.53 x 24.99 mm", "24.99 x 3.53", "0 x 1 mm"])
def test_no_ring(text: str) -> None:
    with pytest.raises(Unusable):
        ring_from(text)


def test_a_row_needs_all_three() -> None:
    with pytest.raises(Unusable, match="'section' is missing"):
        ring_of({"size": "x", "inner": "25 mm"})


# --- compounds ---------------------------------------------------------------------------------------------


def test_every_compound_is_rated_for_every_fluid_and_marked(tables: Tables) -> None:
    for compound in tables.compounds.values():
        assert compound.basis == "common practice, no source"
        named = set(compound.ratings) - {"otherwise"}
        assert named <= set(tables.fluids), compound.compound
        assert "otherwise" in compound.ratings or named == set(tables.fluids), compound.compound


def test_what_the_trade_never_does_is_rated_poor(tables: Tables) -> None:
    """Common practice, no source: no EPDM in mineral oil, no nitrile or fluorocarbon in brake fluid."""
    for fluid in (entry for entry in tables.fluids.values() if entry.petroleum):
        assert tables.compounds["EPDM"].rating(fluid.fluid) == "poor"
        assert tables.compounds["nitrile"].rating(fluid.fluid) == "good"
    for name in ("nitrile", "fluorocarbon"):
        assert tables.compounds[name].rating("brake fluid") == "poor"
    assert tables.compounds["EPDM"].rating("brake fluid") == "good"


def test_compounds_asked_about(call: Call) -> None:
    assert call("oring", "--compound", "NBR", "--fluid", "atf")[0] == 0
    assert call("oring", "--compound", "NBR", "--fluid", "atf", "--heat", "90 C")[0] == 0
    assert call("oring", "--compound", "NBR", "--fluid", "atf", "--heat", "130 C")[0] == 1
    assert call("oring", "--compound", "EPDM", "--fluid", "atf")[0] == 1
    code, out, _ = call("oring", "--fluid", "coolant", "--json")
    assert code == 0, "a list of all compounds is no verdict"
    assert len(json.loads(out)["compounds"]) >= 8


# --- ageing ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("energy", "factors"),
    [(50, (1.967, 1.692, 1.523)), (65, (2.410, 1.981, 1.728)), (90, (3.381, 2.578, 2.132))],
)
def test_ten_degrees_more(energy: float, factors: tuple[float, ...]) -> None:
    """Computed by Arrhenius' law (ISO 11346, from memory), from 20, 60 and 100 C."""
    found = [ageing.faster(energy, celsius, celsius + 10) for celsius in (20, 60, 100)]
    assert found == pytest.approx(factors, abs=5e-4)


@pytest.mark.parametrize(("celsius", "energy"), [(20, 51.2), (60, 65.9), (100, 82.4)])
def test_ten_degrees_double_only_at_one_energy(celsius: float, energy: float) -> None:
    """Computed: the rule of thumb is exact for these activation energies (kJ/mol) alone."""
    assert ageing.doubling_energy(celsius) == pytest.approx(energy, abs=0.05)
    assert ageing.faster(ageing.doubling_energy(celsius), celsius, celsius + 10) == pytest.approx(2)


def test_energy_of_nitrile(tables: Tables, call: Call) -> None:
    """Pazur, Cormier and Korhan-Tayma, ACS Rubber Division 2012, read: 50 to 65 kJ/mol in hydraulic fluid. By
    elongation in air 22 kcal/mol were found, which is 92.0 kJ/mol (Sandia 1993, read)."""
    nitrile = tables.compounds["nitrile"]
    assert nitrile.activation == (50, 65)
    assert "2012" in str(nitrile.activation_basis)
    _, out, _ = call("oring", "--heat", "110 C", "--usual", "90 C", "--energy", "22 kcal/mol", "--json")
    assert json.loads(out)["ageing"]["energy_kj_mol"] == pytest.approx([92.0, 92.0], abs=0.05)
    _, out, _ = call(
        *["oring", "--compound", "nbr", "--heat", "110 C", "--usual", "100 C", "--for", "1000 h", "--json"]
    )
    found = json.loads(out)["ageing"]
    assert found["times_faster"] == pytest.approx([1.523, 1.728], abs=5e-4)
    assert found["like_hours"] == pytest.approx([1523, 1728], abs=0.5)


@given(energy=st.floats(30, 120), cool=st.floats(0, 100), more=st.floats(0.1, 60), still=st.floats(0.1, 20))
def test_hotter_ages_faster(energy: float, cool: float, more: float, still: float) -> None:
    found = ageing.faster(energy, cool, cool + more)
    assert found > 1
    assert ageing.faster(energy, cool, cool + more + still) > found
    assert ageing.faster(energy + 5, cool, cool + more) > found
    assert found * ageing.faster(energy, cool + more, cool) == pytest.approx(1)
    span = ageing.faster_range(Span(energy, energy + 5), exactly(cool), exactly(cool + more))
    assert span.low == pytest.approx(found)
    assert span.low < span.high


# --- bolts -------------------------------------------------------------------------------------------------

# SAE J1701M (1996), as printed in a machine maker's manual, read: thread, pitch, torque in N·m for 8.8 and 10.9.
J1701M = [
    (6, 1.0, 8, 11),
    (8, 1.25, 20, 27),
    (10, 1.5, 39, 54),
    (12, 1.75, 68, 94),
    (14, 2.0, 109, 151),
    (16, 2.0, 169, 234),
]
# Another maker's table for dry bolts at 75 % of the proof load, read: the same, without M14.
DRY = [(8, 1.25, 26, 38), (10, 1.5, 52, 73), (12, 1.75, 90, 126), (16, 2.0, 225, 310)]


def meant(tables: Tables, thread: int, pitch: float, name: str) -> Span:
    table = tables.bolts
    proof = bolts.proof_stress(name, thread, table)
    return bolts.torque_range(thread, pitch, proof, table.load.between, table.friction.between)


@pytest.mark.parametrize(("thread", "pitch", "of_88", "of_109"), J1701M)
def test_torques_of_the_standard_are_the_lower_end(
    tables: Tables, thread: int, pitch: float, of_88: float, of_109: float
) -> None:
    for name, torque in (("8.8", of_88), ("10.9", of_109)):
        # They are printed in whole N·m.
        assert meant(tables, thread, pitch, name).low == pytest.approx(torque, rel=0.05, abs=0.5)
    assert bolts.read_bolt(f"M{thread}", tables.bolts) == (thread, pitch)


@pytest.mark.parametrize(("thread", "pitch", "of_88", "of_109"), DRY)
def test_torques_of_dry_bolts_are_the_upper_end(
    tables: Tables, thread: int, pitch: float, of_88: float, of_109: float
) -> None:
    for name, torque in (("8.8", of_88), ("10.9", of_109)):
        assert meant(tables, thread, pitch, name).high == pytest.approx(torque, rel=0.05)


def test_proof_stress_of_thick_bolts(tables: Tables) -> None:
    """ISO 898-1:2013, read in a bolt supplier's copy: class 8.8 bears 580 MPa to 16 mm, 600 MPa above."""
    assert bolts.proof_stress("8.8", 16, tables.bolts) == 580
    assert bolts.proof_stress("8.8", 18, tables.bolts) == 600


@given(thread=st.sampled_from([5, 6, 8, 10, 12, 14, 16]), finer=st.floats(0.4, 0.99))
def test_thicker_finer_and_stronger_bolts_bear_more(tables: Tables, thread: int, finer: float) -> None:
    pitch = tables.bolts.pitches[str(thread)]
    here = meant(tables, thread, pitch, "8.8")
    assert 0 < here.low < here.high
    assert meant(tables, thread, pitch * finer, "8.8").low > here.low
    assert meant(tables, thread, pitch, "10.9").low > here.low
    assert meant(tables, thread, pitch, "4.6").high < here.high


@pytest.mark.parametrize(
    ("torque", "verdict", "exit_code"), [("8 Nm", "low", 0), ("22 Nm", "high", 0), ("60 Nm", "too high", 1)]
)
def test_torque_asked_about(call: Call, torque: str, verdict: str, exit_code: int) -> None:
    code, out, _ = call("oring", "--bolt", "M8", "--class", "8.8", "--torque", torque, "--json")
    assert (code, json.loads(out)["bolt"]["verdict"]) == (exit_code, verdict)
    _, text, _ = call("oring", "--bolt", "M8", "--class", "8.8", "--torque", torque)
    assert "service data" in text
    assert "not the figure to use" in " ".join(text.split())


# --- the command -------------------------------------------------------------------------------------------

GROOVE = ["--inner", "25.2 mm", "--bore", "31.2 mm"]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ([], "Say what you measured"),
        (["--inner", "25"], "no unit"),
        (["--inner", "-25 mm", "--bore", "31 mm"], "cannot be"),
        (["--inner", "0 mm", "--bore", "31 mm"], "cannot be"),
        (["--inner", "25 mm"], "give --bore"),
        (["--inner", "31 mm", "--bore", "25 mm"], "were they swapped"),
        (["--inner", "25 mm", "--bore", "25.1 mm"], "error of measuring"),
        ([*GROOVE, "--depth", "5 mm"], "would not go into the bore"),
        ([*GROOVE, "--width", "0.04 mm"], "error of measuring"),
        (["--bore", "25 mm"], "--bore goes with --inner"),
        (["--face", "--depth", "3 mm"], "--inner"),
        ([*GROOVE, "--face"], "--depth"),
        ([*GROOVE, "--face", "--depth", "3 mm"], "has no bore"),
        ([*GROOVE, "--use", "spinning"], "Allowed: static, moving"),
        ([*GROOVE, "--size", "999"], "Allowed: -008"),
        ([*GROOVE, "--size", "214", "--ring", "25 x 3.5 mm"], "give one of them"),
        ([*GROOVE, "--ring", "25 mm"], "no ring size"),
        ([*GROOVE, "--ring", "3 x 25 mm"], "swapped"),
        (["--compound", "cheese"], "Allowed: nitrile"),
        (["--compound", "fkm", "--heat", "110 C", "--usual", "90 C"], "give --energy"),
        (["--heat", "90 C", "--usual", "110 C", "--energy", "60 kJ/mol"], "were they swapped"),
        (["--usual", "90 C"], "--usual goes with --heat"),
        (["--bolt", "M8"], "--bolt goes with --class"),
        (["--bolt", "M7", "--class", "8.8"], "Allowed: M5"),
        (["--bolt", "3/8", "--class", "8.8"], "Inch bolts"),
        (["--bolt", "M8x2", "--class", "8.8"], "cannot be"),
        (["--bolt", "M8", "--class", "9.9"], "Allowed: 4.6"),
        (["--bolt", "M8", "--class", "8.8", "--torque", "-5 Nm"], "cannot be"),
        (["--bolt", "M8", "--class", "8.8", "--torque", "5 stone"], "no unit of torque"),
    ],
)
def test_bad_input_is_refused_in_words(call: Call, line: list[str], said: str) -> None:
    code, out, err = call("oring", *line)
    assert (code, out) == (2, "")
    assert said in err
    assert "Traceback" not in err


def test_output_fits_the_width_and_carries_cautions(call: Call, tables: Tables) -> None:
    for line in (
        [*GROOVE, "--width", "4.8 mm"],
        ["--bolt", "M8", "--class", "8.8"],
        ["--fluid", "atf", "--heat", "110 C"],
    ):
        _, out, err = call("oring", *line)
        assert err == ""
        assert max(map(len, out.splitlines())) <= 76
    _, out, _ = call("oring", *GROOVE)
    assert out.index("! CAUTION") < out.index(tables.rings.fitting[:12]), "a caution before whatever needs it"


def test_every_key_of_the_object_is_in_the_readme_and_no_other(call: Call) -> None:
    line = [*GROOVE, "--width", "4.8 mm", "--compound", "nbr", "--heat", "95 C", "--usual", "80 C", "--for", "9 h"]
    _, out, _ = call("oring", *line, "--bolt", "M8", "--class", "8.8", "--torque", "9 Nm", "--json")
    found = json.loads(out)
    keys = set(found)
    for name, part in found.items():
        if isinstance(part, dict):
            keys |= {f"{name}.{key}" for key in part}
        if isinstance(part, list) and part and isinstance(part[0], dict) and name != "computed":
            keys |= {f"{name}[].{key}" for key in part[0]}
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    part = readme.split("\n## Rings, compounds and bolts\n")[1].split("\n## ")[0]
    rows = re.findall(r"^\| (`.*?`) \|", part, re.MULTILINE)
    said = {name for row in rows for name in re.findall(r"`([^`]+)`", row) if not name.startswith("--")}
    assert said == keys


def test_the_same_bytes_every_time(call: Call) -> None:
    line = ("oring", *GROOVE, "--fluid", "atf", "--heat", "110 C", "--bolt", "M8", "--class", "8.8", "--json")
    assert call(*line) == call(*line)


@given(seat=st.floats(3, 120), height=st.floats(1, 7), accuracy=st.floats(0, 0.1))
def test_any_sound_groove_gets_an_answer_within_its_limits(
    rings: Rings, static: Use, seat: float, height: float, accuracy: float
) -> None:
    error = Span(-accuracy, accuracy)
    found = gland.gland_of(exactly(seat), exactly(seat + 2 * height), None, exactly(height * 1.8), error)
    seats = chosen(listed(rings), found, static, rings, ())
    for entry in seats.fits:
        assert entry.faults == ()
        for span, limits in ((entry.squeeze, static.squeeze), (entry.stretch, rings.stretch.between)):
            assert span.low <= span.high
            assert limits.low <= span.middle <= limits.high
    for want in seats.wanted:
        assert hull(want.inner) == want.inner
        assert "squeeze" not in want.fit.faults
