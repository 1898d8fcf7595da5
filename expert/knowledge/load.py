"""rules/ to one validated, immutable knowledge base, or every problem with its file and line."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from expert.knowledge import links
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.lines import MOST_BYTES, Lined, Unreadable, read, too_large
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
from expert.knowledge.shapes import faults

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
# Read by the arithmetic, the plan and the simulated vehicle only, never by the rules or the belief.
OTHER_FOLDERS = ("arithmetic", "plan", "simulation")
SCALE = "scale.yaml"
# Without entries of these kinds there is nothing to find or to find it by.
NEEDED = ("zones", "findings", "sources", "layouts", "heuristics")


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
    """The work table of one loading: entries and their places by kind and id, and the problems so far.

    `broken` holds what the faulty entries say (raw), by kind and id; `incomplete` the kinds of which whole files
    are missing or could not be read. Neither is told a second time by whatever refers to them.
    """

    entries: dict[str, dict[str, Any]] = field(default_factory=lambda: {name: {} for name in KINDS})
    places: dict[str, dict[str, Where]] = field(default_factory=lambda: {name: {} for name in KINDS})
    broken: dict[str, dict[str, Any]] = field(default_factory=lambda: {name: {} for name in KINDS})
    incomplete: set[str] = field(default_factory=set)
    scale: Scale | None = None
    scale_place: Where | None = None
    problems: list[Problem] = field(default_factory=list)


@dataclass(frozen=True)
class Gathered:
    """A folder as far as it could be understood.

    `base` holds the sound entries (None without a sound scale.yaml); `places` their places and what is missing;
    `problems` all that is wrong with shapes and references. Without problems the base is whole.
    """

    base: KnowledgeBase | None
    places: links.Places | None
    problems: tuple[Problem, ...]


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


def load_for(folder: Path, layout: str | None) -> KnowledgeBase:
    """As `load`, for work on one layout (None: the default one): rules are tried on that layout only, to save time."""
    return _whole(gather(folder, lambda base: (layout or base.default_layout,)))[0]


def load_with_places(folder: Path) -> tuple[KnowledgeBase, links.Places]:
    """As `load`, with the place of every entry, for checks that go on from there."""
    return _whole(gather(folder))


def _whole(found: Gathered) -> tuple[KnowledgeBase, links.Places]:
    if found.problems or found.base is None or found.places is None:
        raise KnowledgeError(found.problems)
    return found.base, found.places


def _all_layouts(base: KnowledgeBase) -> Collection[str]:
    return base.layouts


def gather(folder: Path, tried: Callable[[KnowledgeBase], Collection[str]] = _all_layouts) -> Gathered:
    """Read and validate the folder, and link what is sound of it; rules are tried on the layouts that `tried` gives.

    KnowledgeError if there is no such folder.
    """
    loading = Loading()
    digest = hashlib.sha256()
    read_kinds: set[str] = set()
    for name, text in _files(folder, loading):
        digest.update(f"{name}\0{len(text)}\0".encode() + text)
        read_kinds.add(_kind(name))
        _read_file(name, text, loading)
    if SCALE not in read_kinds | loading.incomplete:
        loading.problems.append(Problem(SCALE, 1, "the file is missing", "it holds the words with numbers behind them"))
    for kind in NEEDED:
        if kind not in read_kinds | loading.incomplete:
            loading.problems.append(Problem(kind, 1, "no entry was found", f"put at least one file into {kind}/"))
            loading.incomplete.add(kind)
    if loading.scale is None or loading.scale_place is None:
        return Gathered(None, None, tuple(loading.problems))
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
    places = links.Places(loading.scale_place, loading.places, loading.broken, frozenset(loading.incomplete))
    broken = links.check(base, places, tried(base) if base.layouts else ())
    return Gathered(base, places, (*loading.problems, *broken))


def _kind(name: str) -> str:
    return name.split("/")[0]


def _files(folder: Path, loading: Loading) -> Iterator[tuple[str, bytes]]:
    """Every file of the folder with its bytes, in name order; what does not belong there is a problem."""
    try:
        tops = sorted(folder.iterdir())
    except OSError as error:
        raise KnowledgeError([_no_folder(folder, error)]) from None
    for top in tops:
        if top.name.startswith("."):
            continue
        is_link, is_folder = top.is_symlink(), _is_folder(top)
        if top.name not in (*KINDS, *OTHER_FOLDERS, SCALE):
            # It is not walked through: it may be a whole disk.
            what = "this folder has" if is_folder else "this file has"
            known = (*(kind if kind.endswith(".yaml") else f"{kind}/" for kind in (*KINDS, *OTHER_FOLDERS)), SCALE)
            loading.problems.append(Problem(top.name, 1, f"{what} no place here", advice(top.name, known)))
            continue
        if is_folder == top.name.endswith(".yaml"):
            what, allowed = ("a folder", "a file") if is_folder else ("no folder", "a folder of .yaml files")
            if is_link:
                what, allowed = "a link", "put the file or folder itself there"
            loading.problems.append(Problem(top.name, 1, f"this is {what}", f"allowed: {allowed}"))
            loading.incomplete.add(top.name)
            continue
        for path in sorted(top.rglob("*")) if is_folder else [top]:
            text = _bytes(path, path.relative_to(folder).as_posix(), loading)
            if text is not None:
                yield path.relative_to(folder).as_posix(), text


def _is_folder(path: Path) -> bool:
    """Is this a folder itself, not a link to one? One that may not be looked at counts as none."""
    try:
        return path.is_dir() and not path.is_symlink()
    except OSError:
        return False


def _no_folder(folder: Path, error: OSError) -> Problem:
    what = {FileNotFoundError: "there is no such folder", NotADirectoryError: "this is a file, not a folder"}
    said = what.get(type(error), f"the folder cannot be read ({error.strerror})")
    return Problem(str(folder), 1, said, "name a folder of knowledge with `--rules`, or reinstall firstwet")


def _bytes(path: Path, name: str, loading: Loading) -> bytes | None:
    """What a file holds; None for a folder, and with the problem noted for what is not to be read."""
    problem = None
    try:
        if path.is_symlink():
            problem = Problem(name, 1, "this is a link", "put the file itself into the folder")
        elif path.is_dir():
            return None
        elif path.suffix != ".yaml" or not path.is_file():
            problem = Problem(name, 1, "this file has no place here", "only .yaml files are read; remove it")
            loading.problems.append(problem)
            return None
        elif (size := path.stat().st_size) > MOST_BYTES:
            problem = too_large(name, size)
        else:
            return path.read_bytes()
    except OSError as error:
        problem = Problem(name, 1, f"it cannot be read: {error.strerror}", "check its permissions")
    loading.problems.append(problem)
    loading.incomplete.add(_kind(name))
    return None


def bytes_of(path: Path, name: str) -> bytes:
    """The bytes of one file that must be there, called `name` in messages. KnowledgeError if it cannot be read."""
    try:
        if path.is_file() and (size := path.stat().st_size) > MOST_BYTES:
            raise KnowledgeError([too_large(name, size)])
        return path.read_bytes()
    except FileNotFoundError:
        raise KnowledgeError([Problem(name, 1, "the file is missing", "check its name, or put it there")]) from None
    except OSError as error:
        problem = Problem(name, 1, f"it cannot be read: {error.strerror}", "check its name and permissions")
        raise KnowledgeError([problem]) from None


def _read_file(name: str, text: bytes, loading: Loading) -> None:
    kind = _kind(name)
    if kind in OTHER_FOLDERS:
        return
    try:
        lined = read(text, name)
    except Unreadable as error:
        loading.problems.append(error.problem)
        loading.incomplete.add(kind)
        return
    if name == SCALE:
        loading.scale_place = Where(name, lined, None)
        loading.scale = _shaped(Scale, lined.value, loading.scale_place, "scale", loading.problems)
        return
    key, shape = KINDS[kind]
    if not isinstance(lined.value, list):
        what = "the file is empty" if lined.value in (None, "") else "the file must be a list"
        loading.problems.append(Problem(name, 1, what, f"begin each entry with `- {key}: ...`"))
        loading.incomplete.add(kind)
        return
    for at, raw in enumerate(lined.value):
        where = Where(name, lined, at)
        ident = raw.get(key) if isinstance(raw, dict) else None
        label = f"{key} {ident!r}" if isinstance(ident, str) else f"entry {at + 1}"
        entry = _shaped(shape, raw, where, label, loading.problems, key)
        ident = str(ident)
        if entry is None:
            loading.broken[kind][ident] = raw
        elif ident in loading.entries[kind]:
            first = loading.places[kind][ident]
            line = first.lined.line((first.at,) if first.at is not None else ())
            loading.problems.append(
                where.problem((), f"the {key} {ident!r} is defined twice", f"first in {first.file}:{line}; rename one")
            )
        else:
            loading.entries[kind][ident] = entry
            loading.places[kind][ident] = where


def _shaped(shape: type[Any], raw: Any, where: Where, label: str, problems: list[Problem], key: str = "") -> Any:
    """The entry, or None with its problems noted."""
    if not isinstance(raw, dict):
        problems.append(where.problem((), f"{label} is not made of `key: value` lines", "write them, indented alike"))
        return None
    first = next(iter(raw), "")
    home = next((folder for folder, (other, _) in KINDS.items() if other == first != key), None)
    if key and key not in raw and home is not None:
        problems.append(where.problem((), f"this is a {first} and not a {key}", f"move it to {home}"))
        return None
    try:
        return shape.model_validate(raw)
    except ValidationError as error:
        for fault in faults(shape, raw, error):
            problems.append(where.problem(fault.path, f"{label}: {fault.what}", fault.allowed))
        return None
