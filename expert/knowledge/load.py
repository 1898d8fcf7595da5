"""rules/ to one validated, immutable knowledge base, or every problem with its file and line."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from expert.knowledge import links
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.lines import Lined, Unreadable, read
from expert.knowledge.model import (
    Caution,
    Entry,
    Finding,
    Layout,
    Repair,
    Rule,
    Scale,
    Source,
    Term,
    Zone,
)
from expert.knowledge.problems import KnowledgeError, Problem, advice

# folder (or file) under rules/ -> the key that names an entry's kind, and its shape
KINDS: Mapping[str, tuple[str, type[Entry]]] = {
    "cautions": ("caution", Caution),
    "zones": ("zone", Zone),
    "findings": ("finding", Finding),
    "sources": ("source", Source),
    "layouts": ("layout", Layout),
    "heuristics": ("rule", Rule),
    "repairs": ("repair", Repair),
    "glossary.yaml": ("term", Term),
}
# Read by the simulated vehicle only, never by the expert.
OTHER_FOLDERS = ("simulation",)
SCALE = "scale.yaml"


@dataclass
class Where:
    """Where an entry stands, so that later checks can name the line of any part of it."""

    file: str
    lined: Lined
    at: int | None

    def problem(self, path: tuple[str | int, ...], what: str, allowed: str = "") -> Problem:
        """A problem at a part of the entry (path within it)."""
        full = path if self.at is None else (self.at, *path)
        return Problem(self.file, self.lined.line(full), what, allowed)


@dataclass
class Loading:
    """The work table of one loading: entries and their places by kind and id, and the problems so far."""

    entries: dict[str, dict[str, Any]] = field(default_factory=lambda: {name: {} for name in KINDS})
    places: dict[str, dict[str, Where]] = field(default_factory=lambda: {name: {} for name in KINDS})
    scale: Scale | None = None
    scale_place: Where | None = None
    problems: list[Problem] = field(default_factory=list)


def packaged_rules() -> Path:
    """The rules that travel with the program: inside the wheel, or beside the package in a checkout."""
    package = Path(__file__).resolve().parent.parent
    inside = package / "rules"
    return inside if inside.is_dir() else package.parent / "rules"


def load(folder: Path) -> KnowledgeBase:
    """Read, validate and link the folder.

    Raises KnowledgeError naming every problem found (file relative to the folder, line, what is allowed).
    """
    return load_with_places(folder)[0]


def load_with_places(folder: Path) -> tuple[KnowledgeBase, links.Places]:
    """As `load`, with the place of every entry, for checks that go on from there."""
    loading = Loading()
    digest = hashlib.sha256()
    for name, text in _files(folder, loading.problems):
        digest.update(f"{name}\0{len(text)}\0".encode() + text)
        _read_file(name, text, loading)
    if loading.scale is None and not any(p.file == SCALE for p in loading.problems):
        loading.problems.append(Problem(SCALE, 1, "the file is missing", "it holds the words with numbers behind them"))
    for kind in ("zones", "findings", "sources", "layouts", "heuristics"):
        if not loading.entries[kind] and not loading.problems:
            loading.problems.append(Problem(kind, 1, "no entry was found", f"put at least one file into {kind}/"))
    if loading.problems or loading.scale is None:
        raise KnowledgeError(loading.problems)
    base = KnowledgeBase(
        scale=loading.scale,
        cautions=loading.entries["cautions"],
        zones=loading.entries["zones"],
        findings=loading.entries["findings"],
        sources=loading.entries["sources"],
        layouts=loading.entries["layouts"],
        rules=loading.entries["heuristics"],
        repairs=loading.entries["repairs"],
        terms=loading.entries["glossary.yaml"],
        digest=digest.hexdigest()[:16],
    )
    assert loading.scale_place is not None
    places = links.Places(loading.scale_place, loading.places)
    problems = list(links.check(base, places))
    if problems:
        raise KnowledgeError(problems)
    return base, places


def _files(folder: Path, problems: list[Problem]) -> Iterator[tuple[str, bytes]]:
    """Every file of the folder with its bytes, in name order; what does not belong there is a problem."""
    if not folder.is_dir():
        raise KnowledgeError(
            [Problem(str(folder), 1, "there is no such folder", "name a folder with `--rules`, or reinstall firstwet")]
        )
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_symlink():
            problems.append(Problem(name, 1, "this is a link", "put the file itself into the folder"))
        elif path.is_file() and not name.startswith("."):
            top = name.split("/")[0]
            if path.suffix != ".yaml" or (top not in KINDS and top not in OTHER_FOLDERS and name != SCALE):
                known = [k for k in (*KINDS, *OTHER_FOLDERS) if not k.endswith(".yaml")]
                problems.append(Problem(name, 1, "this file has no place here", advice(top, [*known, *KINDS, SCALE])))
                continue
            try:
                yield name, path.read_bytes()
            except OSError as error:
                problems.append(Problem(name, 1, f"it cannot be read: {error.strerror}", "check its permissions"))


def _read_file(name: str, text: bytes, loading: Loading) -> None:
    kind = name.split("/")[0]
    if kind in OTHER_FOLDERS:
        return
    try:
        lined = read(text, name)
    except Unreadable as error:
        loading.problems.append(error.problem)
        return
    if name == SCALE:
        loading.scale_place = Where(name, lined, None)
        loading.scale = _shaped(Scale, lined.value, loading.scale_place, "scale", loading.problems)
        return
    key, shape = KINDS[kind]
    if not isinstance(lined.value, list):
        loading.problems.append(Problem(name, 1, "the file must be a list", f"begin each entry with `- {key}: …`"))
        return
    for at, raw in enumerate(lined.value):
        where = Where(name, lined, at)
        label = f"{key} {raw.get(key, '')!r}" if isinstance(raw, dict) else "this entry"
        entry = _shaped(shape, raw, where, label, loading.problems)
        if entry is None:
            continue
        ident = getattr(entry, key)
        if ident in loading.entries[kind]:
            first = loading.places[kind][ident]
            line = first.lined.line((first.at,) if first.at is not None else ())
            loading.problems.append(
                where.problem((), f"the {key} {ident!r} is defined twice", f"first in {first.file}:{line}; rename one")
            )
            continue
        loading.entries[kind][ident] = entry
        loading.places[kind][ident] = where


def _shaped(shape: type[Any], raw: Any, where: Where, label: str, problems: list[Problem]) -> Any:
    """The entry, or None with its problems noted."""
    if not isinstance(raw, dict):
        problems.append(where.problem((), f"{label} is not a list of `key: value` lines", "indent its keys"))
        return None
    try:
        return shape.model_validate(raw)
    except ValidationError as error:
        for one in error.errors(include_url=False):
            problems.append(_shape_problem(shape, one, where, label))
        return None


def _shape_problem(shape: type[Entry], error: Any, where: Where, label: str) -> Problem:
    path = tuple(
        part for part in error["loc"] if not (isinstance(part, str) and part.startswith(("function-", "When", "dict[")))
    )
    field_name = ".".join(map(str, path))
    kind = error["type"]
    if kind == "extra_forbidden":
        keys = [f.alias or name for name, f in shape.model_fields.items()] if len(path) == 1 else []
        return where.problem(
            path,
            f"{label}: the key {str(path[-1])!r} is not known here",
            advice(str(path[-1]), keys) if keys else "check its spelling and indentation",
        )
    if kind == "missing":
        return where.problem(path[:-1], f"{label}: the key {str(path[-1])!r} is missing", "add it")
    if kind == "literal_error":
        return where.problem(
            path, f"{label}: {field_name} is {error['input']!r}", f"allowed: {error['ctx']['expected']}"
        )
    if kind == "string_pattern_mismatch":
        return where.problem(
            path,
            f"{label}: {field_name} is {error['input']!r}",
            "allowed: lower-case letters, digits and single dashes",
        )
    return where.problem(path, f"{label}: {field_name}: {error['msg'][0].lower()}{error['msg'][1:]}")
