"""rules/simulation/ read: its files put together to the simulated vehicle's tables, or every problem with its line.

A file is a mapping with its `basis` and any of the keys of the tables. A key stands in one file, but for those of
`LISTS`, which go on in others; an observation goes on in another file with `also: yes`. Files are taken in the
order of their names.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from expert.knowledge.lines import Lined, Unreadable, read
from expert.knowledge.lines import Path as PathInFile
from expert.knowledge.load import packaged_rules
from expert.knowledge.model import Entry
from expert.knowledge.problems import KnowledgeError, Problem, advice
from expert.knowledge.shapes import faults
from expert.vehicle.tables import Continued, Observation, Physics, Tables, continued

FOLDER = "simulation"
BASIS, OBSERVATIONS = "basis", "observations"
LISTS = ("leaks", "regimes", "flung-from", OBSERVATIONS)
KEYS = tuple(shape.alias or name for name, shape in Physics.model_fields.items())
Shape = TypeVar("Shape", bound=Entry)


@dataclass(frozen=True)
class _File:
    name: str
    lined: Lined

    def problem(self, path: PathInFile, what: str, allowed: str = "") -> Problem:
        """A problem at a part of the file."""
        return Problem(self.name, self.lined.line(path), what, allowed)


_At = tuple[_File, PathInFile]


@dataclass
class _Reading:
    """One reading of the folder: what stands under each key, from where each part of it comes, the problems so far."""

    raw: dict[str, Any] = field(default_factory=dict)
    whole: dict[str, _File] = field(default_factory=dict)
    parts: dict[str, list[_At]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    def place(self, path: PathInFile) -> _At | None:
        """The file of a part of the tables, and the part's path there; None for the tables as a whole."""
        if not path:
            return None
        key = str(path[0])
        if key in self.whole:
            return self.whole[key], path
        if len(path) > 1 and isinstance(path[1], int):
            file, start = self.parts[key][path[1]]
            return file, (*start, *path[2:])
        return next(iter(self.parts[key]), None)


@cache
def packaged_tables() -> Tables:
    """The tables that travel with the program."""
    return load_tables(packaged_rules() / FOLDER)


def load_tables(folder: Path) -> Tables:
    """Read the folder. Raises KnowledgeError naming file and line of everything wrong in its shape."""
    reading = _Reading()
    for file in _files(folder, reading.problems):
        _take(file, reading)
    observations = _observations(reading)
    physics = _physics(reading)
    if reading.problems or physics is None:
        raise KnowledgeError(reading.problems)
    return Tables.model_construct(physics=physics, observations=observations)


def _files(folder: Path, problems: list[Problem]) -> Iterator[_File]:
    """Every file that can be read."""
    try:
        paths = sorted(path for path in folder.iterdir() if path.suffix == ".yaml")
    except OSError as error:
        raise KnowledgeError([Problem(FOLDER, 1, f"it cannot be read: {error.strerror}")]) from None
    if not paths:
        raise KnowledgeError([Problem(FOLDER, 1, "it holds no tables", "put at least one .yaml file there")])
    for path in paths:
        name = f"{FOLDER}/{path.name}"
        try:
            lined = read(path.read_bytes(), name)
        except OSError as error:
            problems.append(Problem(name, 1, f"it cannot be read: {error.strerror}", "check its permissions"))
        except Unreadable as error:
            problems.append(error.problem)
        else:
            yield _File(name, lined)


def _take(file: _File, reading: _Reading) -> None:
    """Put what one file says to what others said."""
    if not isinstance(file.lined.value, dict):
        reading.problems.append(file.problem((), "the file is not made of `key: value` lines", f"begin with {BASIS}"))
        return
    if not isinstance(file.lined.value.get(BASIS), str):
        reading.problems.append(file.problem((), f"the key {BASIS!r} is missing", "say where its figures come from"))
    for key, value in file.lined.value.items():
        if key == BASIS:
            continue
        if key not in (*KEYS, OBSERVATIONS):
            known = (BASIS, OBSERVATIONS, *KEYS)
            what = f"the key {key!r} is not known here"
            reading.problems.append(file.problem((key,), what, advice(key, known, len(known))))
        elif key not in LISTS:
            _take_whole(file, key, value, reading)
        elif isinstance(value, list):
            reading.raw.setdefault(key, []).extend(value)
            reading.parts.setdefault(key, []).extend((file, (key, at)) for at in range(len(value)))
        else:
            what = "allowed: a list, each of its lines beginning with `- `"
            reading.problems.append(file.problem((key,), f"{key} is no list", what))


def _take_whole(file: _File, key: str, value: Any, reading: _Reading) -> None:
    first = reading.whole.setdefault(key, file)
    if first is file:
        reading.raw[key] = value
        return
    what = f"the key {key!r} stands in {first.name}:{first.lined.line((key,))} too"
    reading.problems.append(file.problem((key,), what, f"keep one; only {', '.join(LISTS)} go on in other files"))


def _physics(reading: _Reading) -> Physics | None:
    raw = {key: value for key, value in reading.raw.items() if key != OBSERVATIONS}
    try:
        return Physics.model_validate(raw)
    except ValidationError as error:
        for fault in faults(Physics, raw, error):
            where = reading.place(fault.path)
            if where is None:
                reading.problems.append(Problem(FOLDER, 1, f"{fault.what} in every file", fault.allowed))
            else:
                file, path = where
                reading.problems.append(file.problem(path, fault.what, fault.allowed))
    return None


def _observations(reading: _Reading) -> dict[str, Observation]:
    """The observations by id, in the order of their files, with all that goes on elsewhere."""
    found: dict[str, Observation] = {}
    begun: dict[str, _At] = {}
    more: dict[str, list[Continued]] = {}
    for raw, at in zip(reading.raw.get(OBSERVATIONS, ()), reading.parts.get(OBSERVATIONS, ()), strict=True):
        file, path = at
        if isinstance(raw, dict) and "also" in raw:
            part = _shaped(Continued, raw, at, reading)
            if part is not None:
                more.setdefault(part.observe, []).append(part)
                begun.setdefault(f"also {part.observe}", at)
            continue
        entry = _shaped(Observation, raw, at, reading)
        if entry is None:
            continue
        if entry.observe in found:
            first, line = begun[entry.observe]
            what = f"{entry.observe!r} stands twice; first in {first.name}:{first.lined.line(line)}"
            reading.problems.append(file.problem(path, what, "keep one, or go on with it here with `also: yes`"))
            continue
        found[entry.observe], begun[entry.observe] = entry, at
    sound = not reading.problems  # else the entry that is gone on with may be a faulty one
    for name, parts in more.items():
        if name in found:
            found[name] = continued(found[name], parts)
        elif sound:
            file, path = begun[f"also {name}"]
            reading.problems.append(file.problem(path, f"there is no {name!r} to go on with", advice(name, found)))
    return found


def _shaped(shape: type[Shape], raw: Any, at: _At, reading: _Reading) -> Shape | None:
    """The entry, or None with its problems noted."""
    file, path = at
    if not isinstance(raw, dict):
        reading.problems.append(file.problem(path, "this is not made of `key: value` lines", "write them, indented"))
        return None
    try:
        return shape.model_validate(raw)
    except ValidationError as error:
        label = f"{raw.get('observe', 'an observation')}: "
        for fault in faults(shape, raw, error):
            reading.problems.append(file.problem((*path, *fault.path), label + fault.what, fault.allowed))
        return None
