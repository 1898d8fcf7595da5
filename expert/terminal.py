"""The chat's two readers: a line editor with completion on a terminal, plain lines from a pipe."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from typing import BinaryIO, TextIO

from expert.case import Case, Message
from expert.commands import COMMANDS
from expert.dialogue import Talk
from expert.session import PROMPT, InputError, clean
from expert.wording import WIDTH, wrap

NARROWEST, WIDEST = 40, 100


def on_terminal() -> bool:
    """Are both ends a terminal that can be drawn on? A dumb one gets plain lines."""
    import os

    return sys.stdin.isatty() and sys.stdout.isatty() and os.environ.get("TERM", "") not in ("", "dumb")


def columns() -> int:
    """How wide lines may be: the terminal's width within limits; always the same in a pipe."""
    import shutil

    if not sys.stdout.isatty():
        return WIDTH
    return max(NARROWEST, min(WIDEST, shutil.get_terminal_size((80, 24)).columns - 2))


def shower(out: TextIO) -> Callable[[Message], None]:
    """Print messages, one blank line between, each on the screen before the next."""

    def show(message: Message) -> None:
        out.write(message.text + "\n\n")
        out.flush()

    return show


class PipeReader:
    """Lines from a pipe, each echoed after the prompt so that the output reads as a conversation.

    A dumb terminal shows what is typed by itself; there the prompt comes before the line.
    """

    def __init__(self, source: BinaryIO, out: TextIO) -> None:
        self._source, self._out = source, out
        self._number = 0
        self._typed = source.isatty() and out.isatty()

    def read(self, case: Case) -> str | None:
        """The next line; None at the end; InputError for one that is not UTF-8."""
        if self._typed:
            self._out.write(PROMPT)
            self._out.flush()
        raw = self._source.readline()
        if not raw:
            return None
        self._number += 1
        try:
            line = raw.decode("utf-8").rstrip("\r\n")
        except UnicodeDecodeError:
            raise InputError(f"Line {self._number} of the input is not UTF-8 text; it was passed over.") from None
        self._out.write("\n" if self._typed else f"{PROMPT}{clean(line)}\n\n")
        return line


class TerminalReader:
    """prompt-toolkit's line editor: history with the arrow keys, completion with Tab."""

    def __init__(self, talk: Talk) -> None:
        from prompt_toolkit import PromptSession
        from prompt_toolkit.completion import FuzzyCompleter, WordCompleter
        from prompt_toolkit.history import InMemoryHistory

        self._talk = talk
        self._case: Case | None = None
        self._session: PromptSession[str] = PromptSession(
            PROMPT,
            history=InMemoryHistory(),
            completer=FuzzyCompleter(WordCompleter(self._words, sentence=True)),
            complete_while_typing=False,
        )

    def _words(self) -> list[str]:
        return completions(self._talk, self._case) if self._case else []

    def read(self, case: Case) -> str | None:
        """The next line; None at Ctrl-D. Ctrl-C drops the line being typed; on an empty line it says how to end."""
        self._case = case
        while True:
            try:
                return self._session.prompt()
            except EOFError:
                return None
            except KeyboardInterrupt:
                if not self._session.default_buffer.text:
                    print(wrap("(Ctrl-D or `quit` ends; everything answered is saved.)", self._talk.width))
                continue


def completions(talk: Talk, case: Case) -> list[str]:
    """What Tab offers: the pending question's answers, then commands, then places and values by name."""
    machine = talk.expert.machine
    words = list(case.choices)
    if case.asked and machine.observables[case.asked[0]].kind == "zone":
        words += [zone.name for zone in machine.zones.values() if zone.visible]
    words += [command.name for command in COMMANDS]
    for observable in machine.observables.values():
        words += _phrases(observable.name, observable.values if len(observable.values) <= 10 else ())
    return list(dict.fromkeys(words))


def _phrases(name: str, values: Iterable[str]) -> list[str]:
    return [f"{name}: {value}" for value in values]
