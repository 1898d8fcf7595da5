"""What the commands share: exit codes, and how options become knowledge, layout, talk and text."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn, Protocol

from expert import store
from expert.chaining import chainer
from expert.diagnosis import Expert
from expert.dialogue import Talk
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.load import load, packaged_rules
from expert.phrases import Lexicon
from expert.session import LONGEST_LINE, clean

OK, NEGATIVE, BAD = 0, 1, 2


class BadInput(Exception):
    """Something the user gave that cannot be used; the message says what is allowed instead."""


class Parser(argparse.ArgumentParser):
    """argparse, except that it never repeats raw control characters."""

    def error(self, message: str) -> NoReturn:
        super().error(store.shown(message))


class Commands(Protocol):
    """Where a command's own parser is added (what argparse's `add_subparsers` returns)."""

    def add_parser(self, name: str, *, parents: Sequence[argparse.ArgumentParser], help: str) -> Parser: ...


@dataclass(frozen=True)
class Parents:
    """Options that several commands have: which knowledge and layout, and where the case files lie."""

    knowledge: argparse.ArgumentParser
    cases: argparse.ArgumentParser


def parents() -> Parents:
    """Fresh parsers of the shared options."""
    knowledge = Parser(add_help=False)
    knowledge.add_argument(
        "--rules", metavar="DIR", type=Path, default=None, help="knowledge folder (default: the one installed)"
    )
    knowledge.add_argument(
        "--layout", metavar="NAME", default=None, help="kind of vehicle (default: the knowledge's own)"
    )
    cases = Parser(add_help=False)
    cases.add_argument(
        "--case-dir",
        metavar="DIR",
        type=Path,
        default=None,
        help="folder of case files (default: the user data folder)",
    )
    return Parents(knowledge, cases)


def base_of(options: argparse.Namespace) -> KnowledgeBase:
    """The knowledge named by --rules, else the one installed."""
    return load(options.rules or packaged_rules())


def layout_of(base: KnowledgeBase, wanted: str | None) -> str:
    """The layout wanted, or the default one; BadInput for an unknown name."""
    name = wanted or base.default_layout
    if name not in base.layouts:
        raise BadInput(f"There is no layout {name!r}. Allowed: {', '.join(base.layouts)}.")
    return name


def talk_of(base: KnowledgeBase, layout: str | None, width: int) -> Talk:
    """All that a conversation about one layout needs."""
    machine = base.machine(layout_of(base, layout))
    return Talk(Expert(machine, chainer), Lexicon.of(machine), width)


def folder_of(options: argparse.Namespace) -> Path:
    """The folder of case files."""
    return options.case_dir or store.default_folder()


def given_text(words: list[str]) -> str:
    """The words given as arguments or, where there are none (or `-`), standard input; cleaned line by line."""
    if words and words != ["-"]:
        text = ", ".join(words)
    elif sys.stdin.isatty():
        raise BadInput('Say what is known, for example: firstwet facts "red fluid, bellhousing hole wet"')
    else:
        raw = sys.stdin.buffer.read(LONGEST_LINE * 4 + 1)
        if len(raw) > LONGEST_LINE * 4:  # no character takes more than four bytes
            raise BadInput(
                f"The text is too long; at most {LONGEST_LINE} characters are read at once. Say it in parts."
            )
        try:
            text = raw.decode("utf-8")
        except UnicodeDecodeError as error:
            raise BadInput(f"Standard input is not UTF-8 text (byte {error.start + 1}). Save it as UTF-8.") from None
    if any(0xD800 <= ord(c) <= 0xDFFF for c in text):
        raise BadInput("The text is not UTF-8. Give it as UTF-8.")
    if len(text) > LONGEST_LINE:
        raise BadInput(
            f"The text has {len(text)} characters; at most {LONGEST_LINE} are read at once. Say it in parts."
        )
    return "\n".join(clean(line) for line in text.splitlines())
