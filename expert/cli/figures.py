"""What the commands of the arithmetic share: tables, and options that hold a quantity."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TypeVar

from expert.arithmetic.shapes import Tables
from expert.arithmetic.spans import Span, Unusable
from expert.arithmetic.tables import load_tables
from expert.arithmetic.units import Kind, quantity
from expert.cli.common import BadInput, Parser
from expert.knowledge.load import packaged_rules
from expert.knowledge.problems import nearest

Value = TypeVar("Value")


def add_shared(parser: Parser) -> None:
    """The options that both commands have."""
    parser.add_argument(
        "--rules", metavar="DIR", type=Path, default=None, help="knowledge folder (default: the one installed)"
    )
    parser.add_argument("--json", action="store_true", help="print the documented JSON object")


def add_quantity(parser: Parser, option: str, shown: str, explained: str) -> None:
    """An option that takes a quantity in one or several words ('1 qt in 500 miles'), quoted or not."""
    parser.add_argument(option, metavar=(shown, "WORD"), nargs="+", default=None, help=explained)


def words(options: argparse.Namespace, option: str) -> str | None:
    """What was given for an option, as one text; None if it was not given."""
    given: list[str] | None = getattr(options, option.removeprefix("--").replace("-", "_"))
    return None if given is None else " ".join(given)


def reading(option: str, work: Callable[[], Value]) -> Value:
    """What `work` returns; what it finds unusable becomes bad input that names the option."""
    try:
        return work()
    except Unusable as error:
        raise BadInput(f"{option}: {error}") from None


def span_of(options: argparse.Namespace, option: str, kind: Kind, notes: list[str] | None = None) -> Span | None:
    """The range given for an option, in the kind's unit; None without it. What had to be assumed goes to `notes`."""
    text = words(options, option)
    if text is None:
        return None
    found = reading(option, lambda: quantity(text, kind))
    if found.assumed and notes is not None:
        notes.append(f"{option}: {found.assumed}")
    return found.span


def choice(option: str, text: str, allowed: Iterable[str], also: Iterable[tuple[str, str]] = ()) -> str:
    """One of the allowed words, or what another word stands for. BadInput with what is allowed otherwise."""
    names = list(allowed)
    by_word = {name.lower(): name for name in names} | {word.lower(): name for word, name in also}
    found = by_word.get(" ".join(text.lower().split()))
    if found is None:
        near = " or ".join(repr(by_word[word]) for word in nearest(text, by_word, 1))
        meant = f" Did you mean {near}?" if near else ""
        raise BadInput(f"{option}: there is no {text!r}.{meant} Allowed: {', '.join(names)}.")
    return found


def tables_of(options: argparse.Namespace) -> Tables:
    """The arithmetic's tables of the knowledge folder."""
    return load_tables(options.rules or packaged_rules())
