"""The wet map: nothing lost, nothing too wide, everything where its position says."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Any, cast

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from expert.bodymap import MARKED, MARKS, draw, keys
from expert.knowledge.base import KnowledgeBase, Machine
from expert.knowledge.model import Layout, Zone

RULES = Path(__file__).parent.parent / "rules"
CELL = re.compile(r"([A-Z]\d+|[A-Z2-9])([#+.-])(\*?)")


def machine_of(zones: list[Zone]) -> Machine:
    """A machine that has nothing but zones, which is all that a map is drawn from."""
    names = tuple(zone.zone for zone in zones)
    base = KnowledgeBase(
        scale=cast(Any, None),
        cautions={},
        zones={zone.zone: zone for zone in zones},
        findings={},
        sources={},
        layouts={},
        rules={},
        repairs={},
        terms={},
        digest="",
    )
    layout = Layout(layout="made-up", name="made up", about="made up", zones=names, sources=())
    return Machine(base, layout)


def zone(name: str, height: float, along: float, side: str, visible: bool = True, called: str = "") -> Zone:
    return Zone.model_validate(
        {
            "zone": name,
            "name": called or f"place {name}",
            "height": height,
            "along": along,
            "side": side,
            "visible": visible,
            "where": "there",
        }
    )


def real_machines() -> list[Machine]:
    """The machines of the layouts in rules/, zones only."""
    entries = [
        entry for path in sorted((RULES / "zones").glob("*.yaml")) for entry in yaml.safe_load(path.read_text("utf-8"))
    ]
    zones = {entry["zone"]: Zone.model_validate(entry) for entry in entries}
    layouts = [
        entry
        for path in sorted((RULES / "layouts").glob("*.yaml"))
        for entry in yaml.safe_load(path.read_text("utf-8"))
    ]
    assert layouts
    return [machine_of([zones[name] for name in layout["zones"]]) for layout in layouts]


position = st.floats(0, 1) | st.sampled_from([0.0, 0.5, 0.5001, 1.0])


@st.composite
def machines(draw_from: st.DrawFn, most: int = 60) -> Machine:
    rows = draw_from(
        st.lists(
            st.tuples(
                position,
                position,
                st.sampled_from(["left", "middle", "right"]),
                st.integers(0, 9),
                st.text(min_size=1, max_size=40),
            ),
            min_size=1,
            max_size=most,
        )
    )
    return machine_of([zone(f"z{n}", h, a, s, hidden > 0, called) for n, (h, a, s, hidden, called) in enumerate(rows)])


@st.composite
def cases(draw_from: st.DrawFn) -> tuple[Machine, dict[str, str], list[str]]:
    machine = draw_from(machines())
    states = draw_from(st.lists(st.sampled_from([*MARKS, None]), min_size=60, max_size=60))
    wetness = {name: state for name, state in zip(keys(machine), states, strict=False) if state is not None}
    marked = draw_from(st.lists(st.sampled_from(list(machine.zones)), max_size=60))
    return machine, wetness, marked


def views(drawing: str, width: int) -> tuple[list[str], list[str], list[str]]:
    """The left view, the right view and the legend of a drawing, each view with its title and ground."""
    lines = drawing.split("\n")
    ground = [number for number, line in enumerate(lines) if "===" in line]
    if lines[0].count("SIDE") == 2:
        second = lines[0].index("RIGHT SIDE")
        assert second == (width - 2) // 2 + 2
        both = lines[: ground[0] + 1]
        return [line[:second] for line in both], [line[second:] for line in both], lines[ground[0] + 1 :]
    return lines[: ground[0] + 1], lines[ground[0] + 1 : ground[1] + 1], lines[ground[1] + 1 :]


def places(view: list[str]) -> dict[str, tuple[int, int]]:
    """Row and column of every cell of a view, by key; no key may stand twice."""
    found = [(cell[1], (row, cell.start())) for row, line in enumerate(view[1:-1]) for cell in CELL.finditer(line)]
    assert len(found) == len(dict(found))
    return dict(found)


@given(cases(), st.integers(40, 200))
@settings(max_examples=150, deadline=None)
def test_every_visible_zone_stands_once_in_each_view_it_belongs_to(
    case: tuple[Machine, dict[str, str], list[str]], width: int
) -> None:
    machine, wetness, marked = case
    key = keys(machine)
    drawing = draw(machine, wetness, width, marked)
    left, right, _ = views(drawing, width)
    for view, side in ((left, "left"), (right, "right")):
        cells = Counter(match.groups() for line in view[1:-1] for match in CELL.finditer(line))
        assert cells == Counter(
            (short, MARKS[wetness.get(name, "unknown")], MARKED if name in marked else "")
            for name, short in key.items()
            if machine.zones[name].side in (side, "middle")
        )


@given(cases(), st.integers(40, 200))
@settings(max_examples=150, deadline=None)
def test_lines_are_ascii_without_trailing_blanks_and_within_the_width(
    case: tuple[Machine, dict[str, str], list[str]], width: int
) -> None:
    machine, wetness, marked = case
    drawing = draw(machine, wetness, width, marked)
    assert drawing == draw(machine, dict(reversed(wetness.items())), width, marked)
    for line in drawing.split("\n"):
        assert line == line.rstrip()
        assert len(line) <= width
        assert line.isascii() and line.isprintable()
    if width >= 72:
        assert drawing.count("\n") < 20


@given(cases(), st.integers(40, 200))
@settings(max_examples=100, deadline=None)
def test_every_cell_lies_within_the_outline(case: tuple[Machine, dict[str, str], list[str]], width: int) -> None:
    machine, wetness, marked = case
    for view in views(draw(machine, wetness, width, marked), width)[:2]:
        for line in view[1:-1]:
            bare = CELL.sub(lambda cell: " " * len(cell[0]), line)
            assert set(bare) <= set("|_' ")
            for cell in CELL.finditer(line):
                # The nearest thing on either side that is no cell is the outline's wall.
                assert bare[: cell.start()].rstrip()[-1] == "|"
                assert bare[cell.end() :].lstrip()[0] == "|"


@given(cases(), st.integers(40, 200), st.data())
@settings(max_examples=60, deadline=None)
def test_a_new_look_changes_one_mark_and_moves_nothing(
    case: tuple[Machine, dict[str, str], list[str]], width: int, data: st.DataObject
) -> None:
    machine, wetness, marked = case
    if not keys(machine):
        return
    name = data.draw(st.sampled_from(list(keys(machine))))
    before = views(draw(machine, wetness | {name: "dry"}, width, marked), width)
    after = views(draw(machine, wetness | {name: "wet"}, width, marked), width)
    for old, new in zip(before[:2], after[:2], strict=True):
        assert places(old) == places(new)
        key = keys(machine)[name]
        assert [re.sub(rf"(?<![A-Z]){key}-", f"{key}#", line) for line in old] == new


@given(machines(most=20), st.integers(40, 200))
@settings(max_examples=60, deadline=None)
def test_zones_well_apart_stand_as_their_positions_say(crowd: Machine, width: int) -> None:
    """Higher is higher on both views; nearer the front is further left, mirrored on the right."""
    kept: list[Zone] = []
    for place in crowd.zones.values():
        if all(abs(place.height - one.height) > 0.25 or abs(place.along - one.along) > 0.25 for one in kept):
            kept.append(place)
    machine = machine_of(kept)
    key = keys(machine)
    left, right, _ = views(draw(machine, {}, width), width)
    for view, side, sign in ((left, "left", 1), (right, "right", -1)):
        found = places(view)
        here = [machine.zones[name] for name in key if machine.zones[name].side in (side, "middle")]
        assert len(found) == len(here)
        for one in here:
            for two in here:
                (row_one, column_one), (row_two, column_two) = found[key[one.zone]], found[key[two.zone]]
                assert row_one <= row_two or one.height > two.height
                assert sign * column_one <= sign * column_two or one.along > two.along


@pytest.mark.parametrize("width", [*range(40, 100, 3), 120, 160, 200])
@pytest.mark.parametrize("spread", [0.0, 0.02])
def test_sixty_zones_in_one_corner_are_all_drawn(width: int, spread: float) -> None:
    machine = machine_of([zone(f"z{n}", spread * (n % 5), 1 - spread * (n % 7), "middle") for n in range(60)])
    drawing = draw(machine, dict.fromkeys(keys(machine), "damp"), width, list(keys(machine)))
    left, right, legend = views(drawing, width)
    assert set(places(left)) == set(places(right)) == set(keys(machine).values())
    if width >= 72:
        assert len(drawing.split("\n")) <= 20
        assert set(keys(machine).values()) <= {match[1] for match in CELL.finditer(" ".join(legend))}


SMALL = [
    zone("lid", 0.1, 0.0, "middle", called="lid seam"),
    zone("inside", 0.4, 0.2, "middle", visible=False, called="inside of the housing"),
    zone("port", 0.4, 0.6, "left", called="oil port"),
    zone("plug", 0.4, 0.6, "left", called="plug"),
    zone("sump", 0.9, 0.4, "middle", called="sump  d’acier é"),
    zone("flange", 0.5, 1.0, "right", called="rear flange"),
]


def test_a_small_drawing_as_a_person_sees_it() -> None:
    drawn = draw(machine_of(SMALL), {"sump": "wet", "port": "damp", "lid": "dry"}, 76, ["port", "inside"])
    assert (
        drawn
        == """\
LEFT SIDE                              RIGHT SIDE
 ___                                                                    ___
|A- |                                                                  |A- |
|   |_____________________                       ______________________|   |
|                   C.    |_________    ________|                          |
|                   B+*             |  |                                   |
|                                   |  |E.                                 |
 ''''''''|          |'''''''''''''''    '''''''''''''''|         |'''''''''
         |          |                                  |         |
          ''|    |''                                    ''|   |''
            |D#  |                                        |D# |
             ''''                                          '''
<= FRONT ==================== REAR =>  <= REAR ==================== FRONT =>
# wet: 1   + damp: 1   - dry: 1   . not looked at: 2   * look here: 2
B+* oil port   * inside of the housing (cannot be seen)   D# sump d?acier e"""
    )


def test_the_marked_come_first_then_wet_then_damp_from_the_top() -> None:
    machine = machine_of(SMALL)
    wetness = {"sump": "damp", "port": "wet", "lid": "wet", "flange": "dry"}
    legend = views(draw(machine, wetness, 40, ["flange", "inside"]), 40)[2]
    assert legend == [
        "# wet: 2   + damp: 1   - dry: 1",
        ". not looked at: 1   * look here: 2",
        "E-* rear flange",
        "* inside of the housing (cannot be seen)",
        "A# lid seam   B# oil port",
        "D+ sump d?acier e",
    ]


@pytest.mark.parametrize("state", ["wet", "unknown"])
def test_the_real_layouts_fit_a_terminal(state: str) -> None:
    for machine in real_machines():
        wetness = dict.fromkeys(keys(machine), state)
        drawing = draw(machine, wetness, 76, list(machine.zones)[:2])
        lines = drawing.split("\n")
        assert len(lines) <= 20 and max(map(len, lines)) <= 76
        # No wet zone goes unmentioned: it is there by name, or by its key in the last lines.
        legend = {match[1] for match in CELL.finditer(" ".join(views(drawing, 76)[2]))}
        assert state != "wet" or set(keys(machine).values()) <= legend


def test_narrow_and_wide_name_every_wet_zone_in_full() -> None:
    for machine in real_machines():
        wetness = dict.fromkeys(keys(machine), "wet")
        text = " ".join(draw(machine, wetness, 40).split())
        for name in keys(machine):
            assert " ".join(machine.zones[name].name.split()) in text
        assert "also:" not in text
    # Side by side there is not room for every name of the larger layouts.
    assert any("also:" in draw(m, dict.fromkeys(keys(m), "wet"), 76) for m in real_machines())


@pytest.mark.parametrize(("count", "length"), [(1, 1), (34, 1), (35, 2), (60, 2), (234, 2), (235, 3), (700, 3)])
def test_keys_are_short_different_and_in_layout_order(count: int, length: int) -> None:
    zones = [zone(f"z{n}", 0.5, 0.5, "left") for n in range(count)]
    found = keys(machine_of(zones))
    assert list(found) == [place.zone for place in zones]
    assert len(set(found.values())) == count
    assert {len(short) for short in found.values()} == {length}
    drawn = views(draw(machine_of(zones), {}, 76), 76)[0]
    assert set(places(drawn)) == set(found.values())


def test_a_unit_with_nothing_visible_still_draws() -> None:
    drawing = draw(machine_of([zone("in", 0.5, 0.5, "middle", visible=False)]), {}, 76, ["in"])
    assert "* place in (cannot be seen)" in drawing


def test_what_cannot_be_drawn_is_refused() -> None:
    machine = machine_of(SMALL)
    with pytest.raises(ValueError, match="40 columns, not 39"):
        draw(machine, {}, 39)
    for wetness, marked in [
        ({"no-zone": "wet"}, []),
        ({"inside": "wet"}, []),
        ({"lid": "moist"}, []),
        ({}, ["no-zone"]),
    ]:
        with pytest.raises(KeyError):
            draw(machine, wetness, 76, marked)


def test_the_drawing_does_not_depend_on_the_hash_seed() -> None:
    code = (
        "from tests.test_bodymap import real_machines, draw, keys\n"
        "for m in real_machines():\n"
        "    print(draw(m, dict.fromkeys(list(keys(m))[:9], 'damp'), 80, list(keys(m))[3:5]))"
    )
    drawn = {
        subprocess.run(
            [sys.executable, "-c", code],
            env=os.environ | {"PYTHONHASHSEED": seed},
            cwd=RULES.parent,
            capture_output=True,
            check=True,
            timeout=120,
        ).stdout
        for seed in ("1", "2")
    }
    assert len(drawn) == 1 and next(iter(drawn)).strip()
