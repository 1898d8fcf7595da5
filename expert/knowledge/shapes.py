"""What is wrong with the shape of one entry, said for the person who wrote it.

pydantic finds the faults; here they become words of the house, with the path of the part to mend.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from inspect import isclass
from typing import Any, NamedTuple, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from expert.knowledge.lines import Path
from expert.knowledge.problems import advice

# Steps of pydantic's own in the location of an error: the member of a union, a validator, "this is the key".
_ITS_OWN = re.compile(r"When|str|dict\[.*|list\[.*|function-.*|\[key\]")
_NESTED = frozenset({"all", "any", "not"})
_LINES = "allowed: `key: value` lines, indented below it"
_LIST = "allowed: a list, each of its lines beginning with `- `"
_ALLOWED = {
    "string_type": "allowed: one text",
    "dict_type": _LINES,
    "model_type": _LINES,
    "tuple_type": _LIST,
    "list_type": _LIST,
    "float_parsing": "allowed: a number",
    "float_type": "allowed: a number",
    "finite_number": "allowed: a number that ends",
    "int_parsing": "allowed: a whole number",
    "int_type": "allowed: a whole number",
    "bool_parsing": "allowed: yes or no",
    "bool_type": "allowed: yes or no",
    "greater_than": "allowed: more than {gt:g}",
    "greater_than_equal": "allowed: {ge:g} or more",
    "less_than": "allowed: less than {lt:g}",
    "less_than_equal": "allowed: at most {le:g}",
    "literal_error": "allowed: {expected}",
    "string_too_short": "write a text, or leave the key out",
    "too_short": "write at least {min_length}",
}
_PATTERNS = {r"^[A-Z]$": "one capital letter"}


class Fault(NamedTuple):
    """One fault: the path of the part within the entry, what is wrong there, and what is allowed instead."""

    path: Path
    what: str
    allowed: str


def faults(shape: type[BaseModel], raw: Any, error: ValidationError) -> Iterator[Fault]:
    """Every fault of the raw entry, each part told once."""
    found = [(path, one) for one in error.errors(include_url=False) if (path := _path(one["loc"], raw)) is not None]
    told: set[tuple[Path, bool]] = set()
    for path, one in found:
        missing = one["type"] == "missing"
        inner = any(other[: len(path)] == path and len(other) > len(path) for other, _ in found)
        # A list whose only item is faulty counts as too short as well, and as no single word; and both members
        # of a union complain.
        if (path, missing) not in told and not (inner and one["type"] in ("too_short", "string_type")):
            told.add((path, missing))
            yield _fault(shape, raw, path, one)


def _path(loc: tuple[str | int, ...], raw: Any) -> Path | None:
    """The location as a path into the entry; None for the member of a union that was not meant."""
    path: list[str | int] = []
    here = raw
    for part in loc:
        real = isinstance(part, int) or (isinstance(here, dict) and part in here)
        if not real and _ITS_OWN.fullmatch(str(part)):
            nested = isinstance(here, dict) and not _NESTED.isdisjoint(here)
            if (part == "When" and not nested) or (str(part).startswith("dict[") and nested):
                return None
            continue
        if isinstance(here, str | dict) and isinstance(part, int):  # one word or entry stands for a list of one
            continue
        path.append(part)
        here = _inside(here, part)
    return tuple(path)


def _inside(raw: Any, part: str | int) -> Any:
    try:
        return raw[part]
    except (LookupError, TypeError):
        return None


def _fault(shape: type[BaseModel], raw: Any, path: Path, one: ErrorDetails) -> Fault:
    kind, context = one["type"], one.get("ctx", {})
    if kind == "missing":
        return Fault(path[:-1], f"the key {str(path[-1])!r} is missing" + _in(path[:-1]), "add it")
    if kind == "extra_forbidden":
        known = [field.alias or name for name, field in _model_at(shape, path[:-1]).model_fields.items()]
        what = f"the key {str(path[-1])!r} is not known" + (_in(path[:-1]) or " here")
        return Fault(path, what, advice(str(path[-1]), known, len(known)))
    if kind == "value_error":
        return Fault(path, one["msg"].removeprefix("Value error, "), "")
    if kind == "string_pattern_mismatch":
        allowed = _PATTERNS.get(context["pattern"], "lower-case letters and digits, parted by single dashes")
        return Fault(path, f"{_named(path)} is {_shown(one['input'])}", f"allowed: {allowed}")
    allowed = _ALLOWED.get(kind, "").format(**context) or f"{one['msg'][:1].lower()}{one['msg'][1:]}"
    if kind in ("string_type", "list_type") and path[0] == "when":
        allowed = "allowed: one word or a list of words"
    return Fault(path, f"{_named(path)} is {_shown(one['input'])}", allowed)


def _shown(value: Any) -> str:
    if isinstance(value, dict):
        return "a group of `key: value` lines"
    if isinstance(value, list | tuple):
        return "a list" if value else "an empty list"
    return "empty" if value == "" else repr(value)


def _named(path: Path) -> str:
    """A path in words: `when.all[2].colour`, counted from one."""
    return "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in path).lstrip(".")


def _in(path: Path) -> str:
    return f" in {_named(path)}" if path else ""


def _model_at(shape: type[BaseModel], path: Path) -> type[BaseModel]:
    """The shape of the part at a path, or of the nearest one round it."""
    model, skip = shape, False
    for part in path:
        if isinstance(part, int):
            continue
        if skip:  # the name of an entry in a table of entries, such as a value of a finding
            skip = False
            continue
        fields = {field.alias or name: field for name, field in model.model_fields.items()}
        if part in fields:
            inner, skip = _model_in(fields[part].annotation)
            model = inner or model
    return model


def _model_in(annotation: Any) -> tuple[type[BaseModel] | None, bool]:
    """The shape that a field's type holds, and whether by name."""
    if isclass(annotation) and issubclass(annotation, BaseModel):
        return annotation, False
    for part in get_args(annotation):
        model, named = _model_in(part)
        if model is not None:
            return model, named or get_origin(annotation) is dict
    return None, False
