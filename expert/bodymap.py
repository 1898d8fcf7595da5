"""The wet map in plain characters: the unit's outside, drawn from its zones' positions, as two side views.

The left view has the front on the left, the right view on the right, as a person
looking at that side sees it. Nothing here knows any layout: outline, keys and places all come from the zones'
heights and distances along.
"""

from __future__ import annotations

import string
import textwrap
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from expert.knowledge.base import Machine
from expert.knowledge.model import Zone

LEAST_WIDTH = 40  # columns
MARKS = {"wet": "#", "damp": "+", "dry": "-", "unknown": "."}
MARKED = "*"

_MARK_WORDS = {"wet": "wet", "damp": "damp", "dry": "dry", "unknown": "not looked at"}

_SIDE_BY_SIDE = 72  # from this width on the views stand side by side
_MOST_ROWS = 20  # of a drawing with the views side by side
_GAP = 2  # columns between two views
_ROWS = 9  # of a view, without title, outline and ground
_NOTCH = 5  # notches of the outline up to about two parts in five of its length are filled
_BETWEEN = "   "  # entries of the legend
_SINGLE_KEYS = string.ascii_uppercase + "23456789"  # no 0 and 1, which look like letters

_Place = tuple[int, int]  # row from the top, slot from the front
_Span = tuple[int, int]  # first and last row


@dataclass(frozen=True)
class _Grid:
    """Where cells can stand: `rows`, and in each `slots` of `cell` columns, spread over `width` columns."""

    width: int
    cell: int
    rows: int
    slots: int

    def column(self, slot: int) -> int:
        """The first column of a slot, counted from the left; the end columns stay free for the outline."""
        spare = self.width - 2 - self.slots * self.cell
        return 1 + slot * self.cell + slot * spare // max(1, self.slots - 1)


def keys(machine: Machine) -> dict[str, str]:
    """The short key of each visible zone on the map, by zone id, in the layout's order."""
    visible = [name for name, zone in machine.zones.items() if zone.visible]
    if len(visible) <= len(_SINGLE_KEYS):
        return dict(zip(visible, _SINGLE_KEYS, strict=False))
    letters = string.ascii_uppercase
    digits = 1
    while len(letters) * (10**digits - 1) < len(visible):
        digits += 1
    numbers = [f"{number:0{digits}}" for number in range(1, 10**digits)]
    every = (letter + number for letter in letters for number in numbers)
    return dict(zip(visible, every, strict=False))


def draw(machine: Machine, wetness: Mapping[str, str], width: int = 76, marked: Sequence[str] = ()) -> str:
    """The map of a machine: two side views and a legend, in ASCII, no line longer than `width` columns.

    `wetness` gives wet, damp, dry or unknown by the id of a visible zone; one not named was not looked at.
    `marked` are ids of zones to point out, such as those to look at next; hidden ones are named only.
    From 72 columns on the views stand side by side, and the drawing has at most 20 rows (for up to 60 zones):
    should there be more names than fit, the rest are given by their keys. Below 72 the views are stacked.
    ValueError for a width under 40; KeyError for a zone or a wetness that there is not.
    """
    if width < LEAST_WIDTH:
        raise ValueError(f"the map needs {LEAST_WIDTH} columns, not {width}")
    key = keys(machine)
    strange = [*(name for name in wetness if name not in key), *(n for n in marked if n not in machine.zones)]
    if strange:
        raise KeyError(f"{strange[0]} is no zone to draw")
    cells = {
        name: short + MARKS[wetness.get(name, "unknown")] + (MARKED if name in marked else "")
        for name, short in key.items()
    }
    beside = width >= _SIDE_BY_SIDE
    across = (width - _GAP) // 2 if beside else width
    left, right = _views(machine, cells, across)
    if beside:
        lines = [f"{one:<{across + _GAP}}{two}" for one, two in zip(left, right, strict=True)]
    else:
        lines = [*left, *right]
    lines += _flow(_counts(key, wetness, marked), width, _BETWEEN)
    lines += _legend(_named(machine, cells, wetness, marked), width, _MOST_ROWS - len(lines) if beside else None)
    return "\n".join(line.rstrip() for line in lines)


# --- the two views --------------------------------------------------------------------------------


def _views(machine: Machine, cells: Mapping[str, str], width: int) -> tuple[list[str], list[str]]:
    """The left and the right view: equally many lines, of at most `width` columns."""
    visible = [machine.zones[name] for name in cells]
    on_left, on_right = ([zone for zone in visible if zone.side in (side, "middle")] for side in ("left", "right"))
    cell = max(map(len, keys(machine).values()), default=1) + len(MARKS["wet"]) + len(MARKED)
    slots = (width - 2) // cell
    rows = max(_ROWS, -(-max(len(on_left), len(on_right)) // slots))
    grid = _Grid(width, cell, rows, slots)
    ideal = _ideal_places(visible, grid)
    left, right = _spread(on_left, ideal, grid), _spread(on_right, ideal, grid)
    # One unit has one silhouette, from whichever side it is seen.
    spans = _spans([*left.values(), *right.values()], slots)
    mirrored = {name: (row, slots - 1 - slot) for name, (row, slot) in right.items()}
    return (
        ["LEFT SIDE", *_view(left, cells, spans, grid), _ground("<= FRONT ", " REAR =>", width)],
        ["RIGHT SIDE", *_view(mirrored, cells, spans[::-1], grid), _ground("<= REAR ", " FRONT =>", width)],
    )


def _ground(left: str, right: str, width: int) -> str:
    return left + "=" * (width - len(left) - len(right)) + right


def _ideal_places(zones: Sequence[Zone], grid: _Grid) -> dict[str, _Place]:
    """Where each zone would stand if it were alone: the zones' own extents fill the grid."""
    heights = _shares([zone.height for zone in zones])
    alongs = _shares([zone.along for zone in zones])
    return {
        zone.zone: (round(height * (grid.rows - 1)), round(along * (grid.slots - 1)))
        for zone, height, along in zip(zones, heights, alongs, strict=True)
    }


def _shares(values: Sequence[float]) -> list[float]:
    """Each value's place between the least (0) and the greatest (1); all in the middle if all are equal."""
    least, most = min(values, default=0.0), max(values, default=0.0)
    return [(value - least) / (most - least) if most > least else 0.5 for value in values]


def _spread(zones: Sequence[Zone], ideal: Mapping[str, _Place], grid: _Grid) -> dict[str, _Place]:
    """A place of its own for every zone, as near to the ideal one as is free; higher zones choose first."""
    free = [(row, slot) for row in range(grid.rows) for slot in range(grid.slots)]
    found: dict[str, _Place] = {}
    for zone in sorted(zones, key=lambda zone: (*ideal[zone.zone], zone.height, zone.along)):
        row, slot = ideal[zone.zone]

        def far(place: _Place, row: int = row, slot: int = slot) -> tuple[int, _Place]:
            # A row is about two columns high.
            return (2 * (place[0] - row)) ** 2 + (grid.cell * (place[1] - slot)) ** 2, place

        found[zone.zone] = min(free, key=far)
        free.remove(found[zone.zone])
    return found


def _spans(places: Iterable[_Place], slots: int) -> list[_Span | None]:
    """The unit's rows at each slot, narrow notches filled; none before the first zone and after the last."""
    rows: dict[int, list[int]] = {}
    for row, slot in places:
        rows.setdefault(slot, []).append(row)
    if not rows:
        return [None] * slots
    tops = _contour({slot: min(found) for slot, found in rows.items()}, slots)
    # Seen upside down, the underside is a top.
    ends = [-row for row in _contour({slot: -max(found) for slot, found in rows.items()}, slots)]
    first, last = min(rows), max(rows)
    return [None] * first + list(zip(tops, ends, strict=True)) + [None] * (slots - 1 - last)


def _contour(known: Mapping[int, int], slots: int) -> list[int]:
    """The unit's top row from the first known slot to the last, straight in between, without notches."""
    rows = [known[min(known)]]
    for before, after in pairwise(sorted(known)):
        rise, run = known[after] - known[before], after - before
        rows += [known[before] + rise * step // run for step in range(1, run + 1)]
    reach = max(1, slots // _NOTCH)
    widened = [min(rows[max(0, at - reach) : at + reach + 1]) for at in range(len(rows))]
    return [max(widened[max(0, at - reach) : at + reach + 1]) for at in range(len(rows))]


def _view(
    places: Mapping[str, _Place], cells: Mapping[str, str], spans: Sequence[_Span | None], grid: _Grid
) -> list[str]:
    """One view: the outline round the spans, and the cells in it. Two more lines than the grid has rows."""
    inside = _inside(spans, grid)
    canvas = [[_outline(inside, row, column) for column in range(grid.width)] for row in range(-1, grid.rows + 1)]
    for name, (row, slot) in places.items():
        start = grid.column(slot)
        canvas[row + 1][start : start + len(cells[name])] = cells[name]
    return ["".join(line) for line in canvas]


def _inside(spans: Sequence[_Span | None], grid: _Grid) -> set[tuple[int, int]]:
    """All (row, column) that belong to the unit: each slot's span, up to where the next slot begins."""
    ends = [*(grid.column(slot) for slot in range(1, grid.slots)), grid.width - 1]
    return {
        (row, column)
        for slot, span in enumerate(spans)
        if span is not None
        for row in range(span[0], span[1] + 1)
        for column in range(grid.column(slot), ends[slot])
    }


def _outline(inside: set[tuple[int, int]], row: int, column: int) -> str:
    """What stands at a place: a blank, or a piece of the outline beside, above or below the unit."""
    if (row, column) in inside:
        return " "
    if (row, column - 1) in inside or (row, column + 1) in inside:
        return "|"
    if (row + 1, column) in inside:
        return "_"
    return "'" if (row - 1, column) in inside else " "


# --- the legend -----------------------------------------------------------------------------------


def _counts(key: Mapping[str, str], wetness: Mapping[str, str], marked: Sequence[str]) -> list[str]:
    """Each mark with its meaning and how many zones bear it."""
    states = [wetness.get(name, "unknown") for name in key]
    counts = [f"{MARKS[state]} {words}: {states.count(state)}" for state, words in _MARK_WORDS.items()]
    return counts + ([f"{MARKED} look here: {len(set(marked))}"] if marked else [])


def _named(
    machine: Machine, cells: Mapping[str, str], wetness: Mapping[str, str], marked: Sequence[str]
) -> list[tuple[str, str]]:
    """The zones to name, as cell and name: marked, wet, damp; wet and damp ones from the top and front."""
    by_height = sorted(cells, key=lambda name: (machine.zones[name].height, machine.zones[name].along))
    wet, damp = ([name for name in by_height if wetness.get(name) == state] for state in ("wet", "damp"))
    return [
        (cells[name], _plain(machine.zones[name].name))
        if name in cells
        else (MARKED, f"{_plain(machine.zones[name].name)} (cannot be seen)")
        for name in dict.fromkeys([*marked, *wet, *damp])
    ]


def _legend(named: Sequence[tuple[str, str]], width: int, most: int | None) -> list[str]:
    """The names in lines; where `most` lines do not hold them all, the rest by their cells only."""
    for count in range(len(named), -1, -1):
        lines = _flow((f"{cell} {name}" for cell, name in named[:count]), width, _BETWEEN)
        if count < len(named):
            lines += _flow(["also:", *(cell for cell, _ in named[count:])], width, " ")
        if most is None or len(lines) <= most:
            break
    return lines


def _flow(items: Iterable[str], width: int, gap: str) -> list[str]:
    """The items one after another in as many lines as it takes; only one longer than a line is parted."""
    lines: list[str] = []
    for item in items:
        if lines and len(lines[-1]) + len(gap) + len(item) <= width:
            lines[-1] += gap + item
        else:
            lines += textwrap.wrap(item, width, subsequent_indent=gap)
    return lines


def _plain(text: str) -> str:
    """A name in ASCII on one line: accents are dropped, other characters become a question mark."""
    letters = (c for c in unicodedata.normalize("NFKD", " ".join(text.split())) if not unicodedata.combining(c))
    return "".join(c if c.isascii() and c.isprintable() else "?" for c in letters)
