"""What the commands share: exit codes, and how options become knowledge, layout, talk and text."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn, Protocol

from expert import store
from expert.chaining import chainer
from expert.diagnosis import Expert
from expert.dialogue import Talk
from expert.facts import Fact
from expert.knowledge.base import KnowledgeBase, Machine
from expert.knowledge.conditions import BadCondition
from expert.knowledge.lines import MOST_BYTES
from expert.knowledge.load import load_for, packaged_rules
from expert.overlay import OverlayError, Shop, from_record
from expert.overlay import parse as parse_overlay
from expert.phrases import Lexicon
from expert.session import LONGEST_LINE, clean
from expert.store import Saved
from expert.wording import fact_words, joined, wrap

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
    """Options that several commands have: which knowledge and layout, where the case files lie, a shop's figures."""

    knowledge: argparse.ArgumentParser
    cases: argparse.ArgumentParser
    overlay: argparse.ArgumentParser


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
    overlay = Parser(add_help=False)
    overlay.add_argument(
        "--overlay",
        metavar="FILE",
        type=Path,
        default=None,
        help="this shop's own figures of how common each source is, made by `firstwet learn`",
    )
    return Parents(knowledge, cases, overlay)


def base_of(options: argparse.Namespace) -> KnowledgeBase:
    """The knowledge named by --rules, else the one installed; its rules were tried on the layout of --layout only."""
    return load_for(options.rules or packaged_rules(), options.layout)


def layout_of(base: KnowledgeBase, wanted: str | None) -> str:
    """The layout wanted, or the default one; BadInput for an unknown name."""
    name = wanted or base.default_layout
    if name not in base.layouts:
        raise BadInput(f"There is no layout {name!r}. Allowed: {', '.join(base.layouts)}.")
    return name


def shop_of(options: argparse.Namespace, base: KnowledgeBase, layout: str | None) -> Shop | None:
    """The figures named by --overlay, fit for the layout (None for the default one); BadInput says what is wrong."""
    path: Path | None = options.overlay
    if path is None:
        return None
    shop = shop_in(path, base.machine(layout_of(base, layout)))
    if shop.knowledge != base.digest:
        print(
            f"The overlay was made for other knowledge ({store.shown(shop.knowledge)}); today's is {base.digest}. "
            "`firstwet learn` makes it anew.",
            file=sys.stderr,
        )
    return shop


def shop_in(path: Path, machine: Machine) -> Shop:
    """The overlay in a file. BadInput names file, line, what is wrong and what is allowed."""
    try:
        if not path.is_file():
            raise BadInput(f"There is no overlay file {store.shown(path)}. `firstwet learn` makes one.")
        with path.open("rb") as stream:
            text = stream.read(MOST_BYTES + 1)  # a longer one is refused when it is parsed
        return parse_overlay(text, str(path), machine)
    except OSError as error:
        raise BadInput(
            f"The overlay {store.shown(path)} cannot be read: {error.strerror}. See to its permissions."
        ) from None
    except OverlayError as error:
        wrong = "\n".join(f"  {store.shown(problem)}" for problem in error.problems)
        raise BadInput(f"The overlay cannot be used ({len(error.problems)} problems):\n{wrong}") from None


def talk_of(base: KnowledgeBase, layout: str | None, width: int, shop: Shop | None = None) -> Talk:
    """All that a conversation about one layout needs; `shop` gives how common sources are, if not the knowledge."""
    name = layout_of(base, layout)
    machine = base.machine(name)
    try:
        expert = Expert(machine, chainer, None if shop is None else shop.chances)
        return Talk(expert, Lexicon.of(machine), width, shop)
    except BadCondition as error:  # the layout is another than that of --layout, say a saved case's own
        raise BadInput(
            f"The rules for layout {name!r} cannot be used: {error}. `firstwet check` says in which file and line."
        ) from None


def folder_of(options: argparse.Namespace) -> Path:
    """The folder of case files."""
    return options.case_dir or store.default_folder()


def case_path(folder: Path, name: str) -> Path:
    """The file of a case given by name, or by path."""
    given = Path(name)
    return given if given.suffix == store.SUFFIX else store.path_of(folder, name)


def tell_torn(saved: Saved) -> None:
    """Say on standard error that a case file ends in the middle of a line."""
    if saved.torn is not None:
        print(
            f"{store.shown(saved.path)}: the last line was cut short and is left out: {saved.torn[:60]}",
            file=sys.stderr,
        )


def recorded_shop(saved: Saved, base: KnowledgeBase) -> Shop | None:
    """The shop's figures that the case was begun with, as its file keeps them."""
    if "overlay" not in saved.header:
        return None
    machine = base.machine(layout_of(base, str(saved.header["layout"])))
    shop, gone = from_record(saved.header["overlay"], machine.sources)
    if gone:
        print(
            f"{store.shown(saved.path)}: figures left out, for the knowledge no longer has the source: "
            f"{store.shown(', '.join(gone))}.",
            file=sys.stderr,
        )
    return shop


def understood(talk: Talk, facts: Iterable[Fact]) -> str:
    """What was understood, as text."""
    words = joined(fact_words(talk.expert.machine, fact) for fact in facts)
    return wrap(f"Understood: {words}.", talk.width, rest="  ")


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
