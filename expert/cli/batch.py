"""`facts --batch`: cases from a file or a pipe, one a line, answered one by one; memory stays flat."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from expert import store
from expert.batch import answer, failure, stepwise
from expert.cli.common import BAD, NEGATIVE, OK, BadInput, base_of, shop_of
from expert.consult import Consultant, FactsError
from expert.diagnosis import Expert
from expert.phrases import Lexicon
from expert.session import LONGEST_LINE

# A line with a text of the longest kind, every letter of it escaped, and facts beside it.
MOST_BYTES = LONGEST_LINE * 16
EVERY = 0.2  # seconds between two words of progress


def run(options: argparse.Namespace) -> int:
    """Answer every line of the file; 0 if all could be used, 1 if some could not, 2 if none could or there was none."""
    consultant = _consultants(options)
    used = failed = 0
    progress = _Progress()
    with _opened(options.batch) as stream:
        for number, raw in _lines(stream):
            found = _result(consultant, raw, number)
            used, failed = used + ("error" not in found), failed + ("error" in found)
            print(json.dumps(found, ensure_ascii=False), flush=True)
            progress.tell(used + failed, failed)
    progress.end()
    if not used + failed:
        raise BadInput(f"There is no case in {store.shown(options.batch)}: it holds no line with anything on it.")
    if failed:
        print(f"{failed} of {used + failed} cases could not be used; see 'error' on their lines.", file=sys.stderr)
    return OK if not failed else NEGATIVE if used else BAD


def _consultants(options: argparse.Namespace) -> Callable[[str | None], Consultant]:
    """The expert on a layout, each made when it is first needed."""
    base = base_of(options)
    known: dict[str, Consultant] = {}

    def consultant(layout: str | None) -> Consultant:
        name = layout or options.layout or base.default_layout
        if name not in base.layouts:
            raise FactsError(f"There is no layout {name!a}. Allowed: {', '.join(base.layouts)}.")
        if name not in known:
            machine = base.machine(name)
            shop = shop_of(options, base, name)
            chances = None if shop is None else shop.chances
            known[name] = Consultant(Expert(machine, stepwise, chances), Lexicon.of(machine), shop)
        return known[name]

    try:
        consultant(None)
    except FactsError as error:
        raise BadInput(str(error)) from None
    return consultant


@contextmanager
def _opened(name: str) -> Iterator[BinaryIO]:
    """The file, or standard input for `-`. BadInput if it cannot be read."""
    if name == "-":
        yield sys.stdin.buffer
        return
    try:
        stream = Path(name).open("rb")  # noqa: SIM115  (closed below, outside what is tried here)
    except OSError as error:
        raise BadInput(f"The batch {store.shown(name)} cannot be read: {error.strerror}.") from None
    with stream:
        yield stream


def _lines(stream: BinaryIO) -> Iterator[tuple[int, bytes]]:
    """Every line with something on it, and its number; of a line that is too long only the beginning."""
    number = 0
    while raw := stream.readline(MOST_BYTES + 1):
        number += 1
        rest = raw
        while len(rest) > MOST_BYTES and not rest.endswith(b"\n"):
            rest = stream.readline(MOST_BYTES + 1)
        if raw.strip():
            yield number, raw


def _result(consultant: Callable[[str | None], Consultant], raw: bytes, number: int) -> dict[str, object]:
    if len(raw) > MOST_BYTES:
        return failure(f"The line is too long; at most {MOST_BYTES} bytes are read.", number)
    try:
        line = raw.decode("utf-8-sig" if number == 1 else "utf-8")
    except UnicodeDecodeError as error:
        return failure(f"The line is not UTF-8 text (byte {error.start + 1}).", number)
    return answer(consultant, line, number, LONGEST_LINE)


class _Progress:
    """How many cases are done, on standard error where that is a terminal."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()
        self._began = self._last = time.monotonic()

    def tell(self, done: int, failed: int) -> None:
        now = time.monotonic()
        if self._shown and now - self._last >= EVERY:
            self._last = now
            wrong = f", {failed} not usable" if failed else ""
            print(f"\r{done} cases{wrong}, {done / (now - self._began):.0f} a second ", end="", file=sys.stderr)
            sys.stderr.flush()

    def end(self) -> None:
        if self._shown and self._last > self._began:
            print(file=sys.stderr)
