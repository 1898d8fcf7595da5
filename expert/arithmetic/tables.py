"""rules/arithmetic/ and a user's own list of ring sizes, read and validated; every problem with its file and line."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from expert.arithmetic.orings import Ring, ring_of
from expert.arithmetic.shapes import Bolts, Classes, Compound, Fluid, Rate, Rings, Tables
from expert.arithmetic.spans import Unusable
from expert.knowledge.lines import Lined, Unreadable, read
from expert.knowledge.load import bytes_of
from expert.knowledge.model import Caution, Entry
from expert.knowledge.problems import KnowledgeError, Problem, advice
from expert.knowledge.shapes import faults

FOLDER = "arithmetic"
COLUMNS = ("size", "inner", "section", "tolerance")
Shape = TypeVar("Shape", bound=Entry)


def load_tables(rules: Path) -> Tables:
    """The tables under a folder of knowledge. KnowledgeError naming file and line of everything wrong."""
    problems: list[Problem] = []
    fluids = _listed(rules, f"{FOLDER}/fluids.yaml", "fluid", Fluid, problems)
    compounds = _listed(rules, f"{FOLDER}/compounds.yaml", "compound", Compound, problems)
    cautions: dict[str, Caution] = {}
    for path in sorted((rules / "cautions").glob("*.yaml")):
        cautions |= _listed(rules, f"cautions/{path.name}", "caution", Caution, problems)
    rate, classes, rings, bolts = (
        _mapping(rules, "rate.yaml", Rate, problems),
        _mapping(rules, "classes.yaml", Classes, problems),
        _mapping(rules, "rings.yaml", Rings, problems),
        _mapping(rules, "bolts.yaml", Bolts, problems),
    )
    for file, entry in (("rate.yaml", rate), ("rings.yaml", rings), ("bolts.yaml", bolts)):
        for name in entry.cautions if entry else ():
            if name not in cautions:
                problems.append(Problem(f"{FOLDER}/{file}", 1, f"there is no caution {name!r}", advice(name, cautions)))
    if problems or not (rate and classes and rings and bolts):
        raise KnowledgeError(problems)
    return Tables.model_construct(
        fluids=fluids,
        rate=rate,
        classes=classes,
        rings=rings,
        compounds=compounds,
        bolts=bolts,
        cautions=cautions,
    )


def load_sizes(path: Path) -> tuple[Ring, ...]:
    """A user's own sizes, from a list in YAML or from CSV with a head line. KnowledgeError with file and line."""
    name, rows_of = str(path), _ROWS.get(path.suffix.lower())
    if rows_of is None:
        raise KnowledgeError([Problem(name, 1, "this kind of file is not read", f"allowed: {', '.join(_ROWS)}")])
    rows = list(rows_of(bytes_of(path, name), name))
    if not rows:
        raise KnowledgeError([Problem(name, 1, "there are no sizes in it", f"give {', '.join(COLUMNS[:3])} of each")])
    found: dict[str, Ring] = {}
    problems = []
    for line, row in rows:
        try:
            ring = ring_of(row)
            if ring.name in found:
                raise Unusable(f"the size {ring.name!r} stands twice")
            found[ring.name] = ring
        except Unusable as error:
            problems.append(Problem(name, line, str(error)))
    if problems:
        raise KnowledgeError(problems)
    return tuple(found.values())


def _csv_rows(text: bytes, name: str) -> Iterator[tuple[int, dict[str, str]]]:
    try:
        reader = csv.reader(io.StringIO(text.decode("utf-8-sig"), newline=""), strict=True)
        head: list[str] = []
        for cells in reader:
            row = [cell.strip() for cell in cells]
            if not any(row):
                continue
            if not head:
                head = [cell.lower() for cell in row]
                _check_keys(head, name, reader.line_num)
                continue
            if len(row) > len(head):
                raise KnowledgeError(
                    [Problem(name, reader.line_num, f"{len(row)} cells stand here", f"the head line has {len(head)}")]
                )
            yield reader.line_num, {key: cell for key, cell in zip(head, row, strict=False) if cell}
    except UnicodeDecodeError as error:
        line = text[: error.start].count(b"\n") + 1
        raise KnowledgeError([Problem(name, line, "this is not UTF-8 text", "save the file as UTF-8")]) from None
    except csv.Error as error:
        raise KnowledgeError([Problem(name, reader.line_num, f"this is not CSV: {error}", "check quotes")]) from None


def _yaml_rows(text: bytes, name: str) -> Iterator[tuple[int, dict[str, str]]]:
    try:
        lined = read(text, name)
    except Unreadable as error:
        raise KnowledgeError([error.problem]) from None
    if not isinstance(lined.value, list):
        raise KnowledgeError([Problem(name, 1, "the file must be a list", "begin each entry with `- size: ...`")])
    for at, row in enumerate(lined.value):
        line = lined.line((at,))
        if not isinstance(row, dict) or not all(isinstance(cell, str) for cell in row.values()):
            what = f"entry {at + 1} is not made of `key: value` lines"
            raise KnowledgeError([Problem(name, line, what, f"allowed keys: {', '.join(COLUMNS)}")])
        _check_keys(list(row), name, line)
        yield line, row


_ROWS = {".yaml": _yaml_rows, ".yml": _yaml_rows, ".csv": _csv_rows}


def _check_keys(keys: list[str], name: str, line: int) -> None:
    problems = [
        Problem(name, line, f"{key!r} is not known", advice(key, COLUMNS)) for key in keys if key not in COLUMNS
    ]
    problems += [Problem(name, line, f"{key!r} is missing", "add it") for key in COLUMNS[:3] if key not in keys]
    problems += [Problem(name, line, f"{key!r} stands twice") for key in COLUMNS if keys.count(key) > 1]
    if problems:
        raise KnowledgeError(problems)


def _read(rules: Path, name: str, problems: list[Problem]) -> Lined | None:
    try:
        return read(bytes_of(rules / name, name), name)
    except KnowledgeError as error:
        problems += error.problems
    except Unreadable as error:
        problems.append(error.problem)
    return None


def _mapping(rules: Path, file: str, shape: type[Shape], problems: list[Problem]) -> Shape | None:
    name = f"{FOLDER}/{file}"
    lined = _read(rules, name, problems)
    return _shaped(name, lined, (), shape, problems) if lined else None


def _listed(rules: Path, name: str, key: str, shape: type[Shape], problems: list[Problem]) -> dict[str, Shape]:
    found: dict[str, Shape] = {}
    lined = _read(rules, name, problems)
    if lined and not (isinstance(lined.value, list) and lined.value):
        problems.append(Problem(name, 1, "the file must be a list", f"begin each entry with `- {key}: ...`"))
    elif lined:
        for at in range(len(lined.value)):
            entry = _shaped(name, lined, (at,), shape, problems)
            ident = getattr(entry, key, None)
            if ident in found:
                problems.append(Problem(name, lined.line((at,)), f"the {key} {ident!r} stands twice", "rename one"))
            elif entry is not None and ident is not None:
                found[ident] = entry
    return found


def _shaped(name: str, lined: Lined, at: tuple[int, ...], shape: type[Shape], problems: list[Problem]) -> Shape | None:
    raw: Any = lined.value[at[0]] if at else lined.value
    if not isinstance(raw, dict):
        problems.append(Problem(name, lined.line(at), "this is not made of `key: value` lines", "write them so"))
        return None
    try:
        return shape.model_validate(raw)
    except ValidationError as error:
        problems += [
            Problem(name, lined.line((*at, *fault.path)), fault.what, fault.allowed)
            for fault in faults(shape, raw, error)
        ]
        return None
