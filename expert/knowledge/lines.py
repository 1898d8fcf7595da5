"""YAML text to plain values, every scalar a string, with the line of everything that was read.

Reads events rather than using a loader, so that tags, anchors and aliases (and with them every way to
make a small file large or to construct an object) are refused before anything is built from them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import yaml

from expert.knowledge.problems import Problem

MOST_BYTES = 2_000_000
MOST_DEPTH = 12
Path = tuple[str | int, ...]

# What YAML does not count as a character of a text.
_REFUSED = r"[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]"
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


def too_large(file: str, size: int) -> Problem:
    """The problem of a file of `size` bytes that is over the limit."""
    return Problem(file, 1, f"the file has {size} bytes", f"at most {MOST_BYTES} are read; split the file")


def read(text: bytes, file: str) -> Lined:
    """Parse one document. Raises Unreadable with file and line for anything outside the plain subset."""
    if len(text) > MOST_BYTES:
        raise Unreadable(too_large(file, len(text)))
    try:
        decoded = text.decode("utf-8")
    except UnicodeDecodeError as error:
        line = text[: error.start].count(b"\n") + 1
        raise Unreadable(Problem(file, line, "this is not UTF-8 text", "save the file as UTF-8")) from None
    try:
        return _Reader(file, yaml.parse(decoded, Loader=_Loader)).document()
    except yaml.reader.ReaderError as error:
        bad = re.search(_REFUSED, decoded)
        what = f"the character {bad[0]!r} is not allowed in YAML" if bad else f"this is not YAML: {error.reason}"
        line = decoded[: bad.start()].count("\n") + 1 if bad else 1
        raise Unreadable(Problem(file, line, what, "delete it; this may be no text file")) from None
    except yaml.MarkedYAMLError as error:
        raise Unreadable(_not_yaml(error, decoded, file)) from None


def _not_yaml(error: yaml.MarkedYAMLError, text: str, file: str) -> Problem:
    """What the YAML parser stumbled over, at the line where the author has to look."""
    mark, begun = error.problem_mark, error.context_mark
    what = f"this is not YAML: {error.problem or error.context or 'it cannot be parsed'}"
    if error.context and begun is not None and "quoted scalar" in error.context:
        # An open quote is noticed only at the end of the file or at some later line; it began here.
        return Problem(file, begun.line + 1, f"{what} {error.context}", "close the quote")
    place = mark or begun
    line = place.line + 1 if place is not None else 1
    lines = text.splitlines()
    if line <= len(lines) and "\t" in lines[line - 1]:
        return Problem(file, line, f"{what} (the line holds a tab)", "indent with spaces, not with tabs")
    return Problem(file, line, what, "check indentation, colons and quotes")


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
            if not isinstance(event, yaml.ScalarEvent) or event.tag is not None or event.anchor is not None:
                raise self.fail(
                    event, "a key must be a plain word", "write `key: value`; tags, anchors and aliases are not read"
                )
            key: str = event.value
            if key in found:
                first = self.out.lines[(*path, key)]
                raise self.fail(event, f"the key {key!r} stands twice (first in line {first})", "keep one of them")
            self.out.lines[(*path, key)] = _line(event)
            found[key] = self.node(next(self.events), (*path, key))
        return found
