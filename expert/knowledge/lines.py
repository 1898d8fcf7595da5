"""YAML text to plain values, every scalar a string, with the line of everything that was read.

Reads events rather than using a loader, so that tags, anchors and aliases (and with them every way to
make a small file large or to construct an object) are refused before anything is built from them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import yaml

from expert.knowledge.problems import Problem

MOST_BYTES = 2_000_000
MOST_DEPTH = 12
Path = tuple[str | int, ...]

_Loader: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class Unreadable(Exception):
    """The text is not YAML that we read; carries the one problem that stopped the reading."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(str(problem))


@dataclass
class Lined:
    """A plain value (dict, list, str) and the 1-based line of each part, by its path from the top."""

    value: Any = None
    lines: dict[Path, int] = field(default_factory=dict)

    def line(self, path: Path) -> int:
        """The line of a part, or of the nearest part round it that was written down."""
        while path not in self.lines and path:
            path = path[:-1]
        return self.lines.get(path, 1)


def read(text: bytes, file: str) -> Lined:
    """Parse one document. Raises Unreadable with file and line for anything outside the plain subset."""
    if len(text) > MOST_BYTES:
        raise Unreadable(Problem(file, 1, f"the file has {len(text)} bytes", f"at most {MOST_BYTES} are read"))
    try:
        decoded = text.decode("utf-8")
    except UnicodeDecodeError as error:
        line = text[: error.start].count(b"\n") + 1
        raise Unreadable(Problem(file, line, "this is not UTF-8 text", "save the file as UTF-8")) from None
    try:
        return _Reader(file, yaml.parse(decoded, Loader=_Loader)).document()
    except yaml.YAMLError as error:
        mark: Any = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
        words = getattr(error, "problem", None) or getattr(error, "reason", None) or "it cannot be parsed"
        raise Unreadable(
            Problem(
                file, mark.line + 1 if mark else 1, f"this is not YAML: {words}", "check indentation, colons and quotes"
            )
        ) from None


def _line(event: Any) -> int:
    return int(event.start_mark.line) + 1


class _Reader:
    def __init__(self, file: str, events: Iterator[Any]) -> None:
        self.file = file
        self.events = events
        self.out = Lined()

    def fail(self, event: Any, what: str, allowed: str) -> Unreadable:
        return Unreadable(Problem(self.file, _line(event), what, allowed))

    def document(self) -> Lined:
        documents = 0
        for event in self.events:
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    raise self.fail(event, "a second document begins here", "one document a file, without '---'")
            elif isinstance(event, yaml.NodeEvent):
                self.out.value = self.node(event, ())
        return self.out

    def node(self, event: Any, path: Path) -> Any:
        self.out.lines.setdefault(path, _line(event))
        if isinstance(event, yaml.AliasEvent):
            raise self.fail(
                event, f"the alias *{event.anchor} is used here", "write the text out; aliases are not read"
            )
        if event.anchor is not None:
            raise self.fail(
                event, f"the anchor &{event.anchor} is set here", "write the text out; anchors are not read"
            )
        if event.tag is not None:
            raise self.fail(event, f"the tag {event.tag!r} is used here", "plain values only; tags are not read")
        if len(path) > MOST_DEPTH:
            raise self.fail(event, f"this is nested more than {MOST_DEPTH} deep", "flatten it")
        if isinstance(event, yaml.ScalarEvent):
            return event.value
        if isinstance(event, yaml.SequenceStartEvent):
            return self.sequence(path)
        return self.mapping(path)

    def sequence(self, path: Path) -> list[Any]:
        found: list[Any] = []
        for event in self.events:
            if isinstance(event, yaml.SequenceEndEvent):
                break
            found.append(self.node(event, (*path, len(found))))
        return found

    def mapping(self, path: Path) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for event in self.events:
            if isinstance(event, yaml.MappingEndEvent):
                break
            if not isinstance(event, yaml.ScalarEvent) or event.tag is not None:
                raise self.fail(event, "a key must be a plain word", "write `key: value`")
            key: str = event.value
            if key in found:
                first = self.out.lines[(*path, key)]
                raise self.fail(event, f"the key {key!r} stands twice (first in line {first})", "keep one of them")
            self.out.lines[(*path, key)] = _line(event)
            found[key] = self.node(next(self.events), (*path, key))
        return found
