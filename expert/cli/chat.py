"""`ask`, `cases` and `replay`: a conversation held, gone on with, and printed again."""

from __future__ import annotations

import argparse
import datetime
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from expert import store
from expert.case import Case, Message
from expert.cli.common import (
    BAD,
    NEGATIVE,
    OK,
    BadInput,
    Commands,
    Parents,
    base_of,
    case_path,
    folder_of,
    recorded_shop,
    shop_of,
    talk_of,
    tell_torn,
)
from expert.dialogue import Talk, begin, follow, waiting
from expert.knowledge.base import KnowledgeBase
from expert.overlay import Shop
from expert.session import PROMPT, clean, converse
from expert.store import CaseFile, Listed, Saved
from expert.terminal import PipeReader, TerminalReader, columns, on_terminal, shower
from expert.wording import WIDTH, wrap


def add(commands: Commands, parents: Parents) -> None:
    """The parsers of the three commands."""
    ask = commands.add_parser(
        "ask",
        parents=[parents.knowledge, parents.cases, parents.overlay],
        help="the chat: one plain question at a time (the default)",
    )
    ask.add_argument(
        "--case", metavar="NAME", default=None, help="name of the new case (default: the day and a number)"
    )
    ask.add_argument("--resume", metavar="NAME", default=None, help="go on with a saved case")
    ask.set_defaults(run=_ask)

    listed = commands.add_parser(
        "cases",
        parents=[parents.knowledge, parents.cases, parents.overlay],
        help="list saved cases; show or resume one",
    )
    listed.add_argument("action", nargs="?", choices=["list", "show", "resume"], default="list")
    listed.add_argument("name", nargs="?", default=None)
    listed.set_defaults(run=_cases)

    replay = commands.add_parser(
        "replay", parents=[parents.knowledge, parents.overlay], help="print a saved session again, byte for byte"
    )
    replay.add_argument("file", type=Path)
    replay.set_defaults(run=_replay)


def _ask(options: argparse.Namespace) -> int:
    if options.resume is not None:
        return _resume(options, options.resume)
    base = base_of(options)
    shop = shop_of(options, base, options.layout)
    talk = talk_of(base, options.layout, columns(), shop)
    header: dict[str, Any] = {"layout": talk.expert.machine.layout.layout, "knowledge": base.digest}
    if shop is not None:  # kept whole, so that the case can be printed again without the file
        header["overlay"] = shop.recorded()
    with store.create(folder_of(options), options.case, header, _now) as keep:
        case, messages = begin(talk)
        return _chat(talk, case, messages, keep)


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")


def _chat(talk: Talk, case: Case, messages: Sequence[Message], keep: CaseFile) -> int:
    reader = TerminalReader(talk) if on_terminal() else PipeReader(sys.stdin.buffer, sys.stdout)
    well = converse(talk, case, messages, reader, shower(sys.stdout), keep)
    print(
        f"Case saved in {store.shown(keep.path)}; `firstwet ask --resume {keep.path.stem}` goes on with it.",
        file=sys.stderr,
    )
    return OK if well or on_terminal() else BAD


def _resume(options: argparse.Namespace, name: str) -> int:
    path = case_path(folder_of(options), name)
    saved, keep = store.resume(path)
    with keep:
        tell_torn(saved)
        base = base_of(options)
        shop = recorded_shop(saved, base)
        _same_figures(options, saved, base, shop)
        talk = talk_of(base, str(saved.header["layout"]), columns(), shop)
        case, messages = begin(talk)
        for recorded in saved.events:
            case, messages, _ = follow(talk, case, recorded)
        # After `why` or `quit`, say, what is waiting is shown; a question or conclusion is shown as it was.
        if not any(message.kind == "question" for message in messages) and (
            case.asked or case.doubt or case.conflicts or any(message.kind == "bye" for message in messages)
        ):
            messages = waiting(talk, case)
        note = f"Going on with case {saved.header['case']}: {len(saved.events)} inputs, {len(case.facts)} facts."
        return _chat(talk, case, (Message("info", wrap(note, talk.width)), *messages), keep)


def _same_figures(options: argparse.Namespace, saved: Saved, base: KnowledgeBase, begun: Shop | None) -> None:
    """BadInput where a case would be gone on with by other figures than it was begun with."""
    given = shop_of(options, base, str(saved.header["layout"]))
    if given is not None and (begun is None or given.digest != begun.digest):
        with_what = "without an overlay" if begun is None else f"with overlay {begun.digest}, which its file holds"
        raise BadInput(
            f"The case was begun {with_what}, and {store.shown(options.overlay)} is overlay {given.digest}. A case "
            "keeps the figures it was begun with: leave `--overlay` out, or start a new case."
        )


def _cases(options: argparse.Namespace) -> int:
    folder = folder_of(options)
    if options.action == "list":
        found = store.listing(folder)
        if not found:
            print(f"No cases in {store.shown(folder)}.")
        for entry in found:
            torn = ", last line cut short" if entry.torn else ""
            print(
                f"{store.shown(entry.case)}  "
                + (f"{entry.events} inputs{torn}{_proved(entry)}" if entry.header else f"unreadable: {entry.problem}")
            )
        return OK
    if options.name is None:
        raise BadInput(f"Say which case: firstwet cases {options.action} NAME")
    if options.action == "resume":
        return _resume(options, options.name)
    return _replayed(options, case_path(folder, options.name))


def _proved(entry: Listed) -> str:
    """What closed a listed case; its sources by id, for a list needs no knowledge."""
    return f", confirmed: {store.shown(' and '.join(entry.confirmed))}" if entry.confirmed else ""


def _replay(options: argparse.Namespace) -> int:
    return _replayed(options, options.file)


def _replayed(options: argparse.Namespace, path: Path) -> int:
    """Print the conversation again. 1 where today's words or rules read an input otherwise than it was recorded.

    With `--overlay` by those figures, else by the ones the case was begun with.
    """
    saved = store.read(path)
    tell_torn(saved)
    base = base_of(options)
    shop, given = recorded_shop(saved, base), shop_of(options, base, str(saved.header["layout"]))
    if given is not None and given != shop:
        begun = "without an overlay" if shop is None else f"with overlay {shop.digest}"
        print(f"Recorded {begun}; replayed with overlay {given.digest}.", file=sys.stderr)
    talk = talk_of(base, str(saved.header["layout"]), WIDTH, given or shop)
    if saved.header["knowledge"] != base.digest:
        print(
            f"Recorded with other knowledge ({saved.header['knowledge']}); today's is {base.digest}.", file=sys.stderr
        )
    show = shower(sys.stdout)
    case, messages = begin(talk)
    for message in messages:
        show(message)
    differing = 0
    for number, recorded in enumerate(saved.events, start=2):
        show(Message("said", f"{PROMPT}{clean(str(recorded['said']))}"))
        case, messages, same = follow(talk, case, recorded)
        if not same:
            differing += 1
            print(f"line {number}: read otherwise today; the recorded facts were used.", file=sys.stderr)
        for message in messages:
            show(message)
    return NEGATIVE if differing else OK
