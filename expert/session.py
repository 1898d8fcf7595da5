"""One conversation at its edges: lines in, messages out, every input on the disk before the next question."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from typing import Protocol

from expert.case import Case, Message
from expert.dialogue import Talk, event, step
from expert.store import CaseFile, StoreError
from expert.wording import wrap

LONGEST_LINE = 10_000
PROMPT = "> "
# What terminals take as orders: CSI sequences, strings such as a window title, and two-character escapes.
_ESCAPES = re.compile(r"(?:\x1b\[|\x9b)[0-?]*[ -/]*[@-~]|\x1b[\]PX^_].*?(?:\x07|\x1b\\|\x9c|$)|\x1b[ -/]*[0-~]")


class Reader(Protocol):
    """Where lines come from: a terminal or a pipe."""

    def read(self, case: Case) -> str | None:
        """The next line without its end, or None when there are no more. InputError for a line that is no text."""


class InputError(Exception):
    """A line that cannot be taken as text; the message says why and what to do."""


def clean(line: str) -> str:
    """A typed line as it is understood, kept and shown again: escape sequences and control characters become spaces."""
    return "".join(c if c.isprintable() else " " for c in _ESCAPES.sub(" ", line)).strip()


def converse(
    talk: Talk,
    case: Case,
    messages: Iterable[Message],
    reader: Reader,
    show: Callable[[Message], None],
    keep: CaseFile,
) -> bool:
    """Talk until the person quits or the input ends. True if every line was understood and kept.

    An event that could not be written (a full disk) is told at once and tried again with the next one.
    """
    unsaved: list[dict[str, object]] = []
    all_well = True
    for message in messages:
        show(message)
    while True:
        try:
            line = reader.read(case)
        except InputError as error:
            show(Message("error", wrap(str(error), talk.width)))
            all_well = False
            continue
        if line is None:
            break
        line = clean(line)
        if len(line) > LONGEST_LINE:
            long = f"The line has {len(line)} characters; at most {LONGEST_LINE} are read. Say it in parts."
            show(Message("error", wrap(long, talk.width)))
            all_well = False
            continue
        before = case
        case, turn = step(talk, case, line)
        unsaved.append(event(before, case, line))
        all_well &= not any(message.kind == "error" for message in turn)
        _keep(keep, unsaved, show, talk.width)
        for message in turn:
            show(message)
        if any(message.kind == "bye" for message in turn):
            break
    _keep(keep, unsaved, show, talk.width)
    return all_well and not unsaved


def _keep(keep: CaseFile, unsaved: list[dict[str, object]], show: Callable[[Message], None], width: int) -> None:
    try:
        while unsaved:
            keep.append(unsaved[0])
            unsaved.pop(0)
    except StoreError as error:
        told = f"NOT SAVED ({len(unsaved)} so far, will be tried again with the next answer): {error}"
        show(Message("error", wrap(told, width)))
