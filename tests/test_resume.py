"""A case survives a kill -9 at any instant: what was answered is on the disk, and the chat goes on from there."""

from __future__ import annotations

import io
import os
import random
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from driving import ROOT, Run, firstwet

from expert import cli, store
from expert.case import Case, Message
from expert.dialogue import Talk, begin
from expert.session import converse
from expert.store import CaseFile, StoreError

posix = pytest.mark.skipif(sys.platform == "win32", reason="kills with a signal")

LINES = [
    "25 years old",
    "red fluid, pan wet",
    "unknown",
    "so far",
    "pan dry",
    "2",
    "bellhousing hole dry",
    "back",
    "unknown",
    "cleaned everything and took a short drive",
    "engine rear dry",
    "forget colour",
    "why",
    "unknown",
]
KILLS = 25
QUESTION, CONTRADICTION = r"about [0-9.]+ minutes?\)", r"Which is right\?"


class Child:
    """The piped chat as a process of its own, forked from this one so that it need not load anything."""

    def __init__(self, *arguments: str) -> None:
        theirs_in, self._in = os.pipe()
        self._out, theirs_out = os.pipe()
        self.heard = ""
        self.pid = os.fork()
        if self.pid == 0:
            try:
                os.dup2(theirs_in, 0)
                os.dup2(theirs_out, 1)
                os.close(self._in)
                os.close(self._out)
                sys.stdin = io.TextIOWrapper(io.BufferedReader(io.FileIO(0)), encoding="utf-8")
                sys.stdout = io.TextIOWrapper(io.BufferedWriter(io.FileIO(1, "w")), encoding="utf-8")
                sys.stderr = io.StringIO()
                cli.run(list(arguments))
                sys.stdout.flush()
            finally:
                os._exit(0)
        os.close(theirs_in)
        os.close(theirs_out)

    def send(self, line: str) -> None:
        """Types a line."""
        os.write(self._in, line.encode() + b"\n")

    def wait(self, words: str, after: int = 0, seconds: float = 20.0) -> None:
        """Waits until words have been heard, beyond what had been heard at some time."""
        until = time.monotonic() + seconds
        while words not in self.heard[after:]:
            readable, _, _ = select.select([self._out], [], [], max(0.0, until - time.monotonic()))
            assert readable, f"{words!r} was not heard"
            piece = os.read(self._out, 65536)
            assert piece, f"ended without {words!r}"
            self.heard += piece.decode()

    def kill(self) -> None:
        """The end, at once."""
        os.kill(self.pid, signal.SIGKILL)
        os.waitpid(self.pid, 0)
        os.close(self._in)
        os.close(self._out)


def blocks(text: str) -> list[str]:
    """What was answered to each input of a piped session, the first turn first."""
    parts: list[list[str]] = [[]]
    for line in text.split("\n"):
        if line.startswith("> "):
            parts.append([])
        else:
            parts[-1].append(line)
    return ["\n".join(part).strip() for part in parts]


def asks(text: str) -> bool:
    """Does a question wait at the end of this: one that costs so many minutes, or which of two is right?"""
    return re.search(f"{QUESTION}|{CONTRADICTION}", " ".join(text.split())) is not None


@posix
def test_killed_at_any_instant_it_goes_on_from_the_last_answer(run: Run, tmp_path: Path) -> None:
    """Every input that was answered is in the file; the question that was waiting is asked again."""
    undisturbed = blocks(run("ask", "--case-dir", str(tmp_path), "--case", "whole", stdin="\n".join(LINES)).out)
    assert len(undisturbed) == len(LINES) + 1
    rng = random.Random(2)
    for number in range(KILLS):
        name = f"case{number}"
        child = Child("ask", "--case-dir", str(tmp_path), "--case", name)
        answered = rng.randrange(len(LINES))
        sent = 0
        try:
            child.wait(undisturbed[0].splitlines()[0])
            for line in LINES[:answered]:
                before = len(child.heard)
                child.send(line)
                sent += 1
                child.wait(f"> {line}\n", before)
            if rng.random() < 0.8:
                child.send(LINES[answered])
                sent += 1
                time.sleep(rng.choice([0, 0.001, 0.005, 0.02, 0.05, 0.1]) * rng.random())
        finally:
            child.kill()
        path = tmp_path / f"{name}.jsonl"
        kept = [event["said"] for event in store.read(path).events]
        assert answered <= len(kept) <= sent
        assert kept == LINES[: len(kept)]
        resumed = run("ask", "--case-dir", str(tmp_path), "--resume", name)
        assert resumed.code == 0
        going_on, _, rest = resumed.out.partition("\n\n")
        assert going_on.startswith(f"Going on with case {name}: {len(kept)} inputs")
        asked = [block for block in undisturbed[: len(kept) + 1] if asks(block)][-1]
        assert rest.strip() == asked if asked == undisturbed[len(kept)] else asked.endswith(rest.strip())
        assert asks(rest)
        if number % 5 == 0:
            finished = run("ask", "--case-dir", str(tmp_path), "--resume", name, stdin="\n".join(LINES[len(kept) :]))
            assert blocks(finished.out)[1:] == undisturbed[len(kept) + 1 :]
            whole = store.read(tmp_path / "whole.jsonl").events
            assert store.read(path).events == whole


@posix
def test_killed_while_it_starts(tmp_path: Path) -> None:
    """A whole process, killed at any time from its first instant on, leaves no file that cannot be listed."""
    rng = random.Random(4)
    for number in range(4):
        child = subprocess.Popen(
            [sys.executable, "-m", "expert", "ask", "--case-dir", str(tmp_path), "--case", f"case{number}"],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        time.sleep(rng.random() * 0.7)
        child.kill()
        child.communicate()
    found = store.listing(tmp_path)
    assert [entry.problem for entry in found if entry.header is None] == []


@posix
def test_one_window_at_a_time(run: Run, tmp_path: Path) -> None:
    child = Child("ask", "--case-dir", str(tmp_path), "--case", "one")
    try:
        child.wait("\n\n")
        refused = run("ask", "--case-dir", str(tmp_path), "--resume", "one")
        assert refused.code == 2
        assert "open in another window" in refused.err
    finally:
        child.kill()
    assert run("ask", "--case-dir", str(tmp_path), "--resume", "one").code == 0


# --- torn and damaged files --------------------------------------------------------------------------------


@pytest.fixture
def session(run: Run, tmp_path: Path) -> Path:
    """A finished case."""
    run("ask", "--case-dir", str(tmp_path), "--case", "one", stdin="\n".join(LINES[:6]))
    return tmp_path / "one.jsonl"


def cuts(path: Path) -> Iterator[int]:
    """Places to cut the last line at: after its first byte, before its last, and some in between."""
    size = path.stat().st_size
    last = len(path.read_bytes().splitlines(keepends=True)[-1])
    yield from sorted({size - last + 1, size - 2, *random.Random(1).sample(range(size - last + 2, size - 2), 3)})


def test_a_torn_last_line_is_told_and_left_out(run: Run, session: Path, tmp_path: Path) -> None:
    whole = session.read_bytes()
    for at in cuts(session):
        session.write_bytes(whole[:at])
        replayed = run("replay", str(session))
        assert replayed.code == 0
        assert "the last line was cut short and is left out" in replayed.err
        resumed = run("ask", "--case-dir", str(tmp_path), "--resume", "one", stdin="2\nso far\n")
        assert resumed.code == 0
        assert "the last line was cut short and is left out" in resumed.err
        assert f"{len(LINES[:6]) - 1} inputs" in resumed.out
        assert "Which is right?" in resumed.out  # what was torn off had settled it
        assert [event["said"] for event in store.read(session).events] == [*LINES[:5], "2", "so far"]
        assert session.with_suffix(".torn").read_bytes().endswith(whole[:at].splitlines()[-1] + b"\n")


def test_resuming_twice_and_nothing_said_changes_nothing(run: Run, session: Path, tmp_path: Path) -> None:
    before = session.read_bytes()
    first = run("ask", "--case-dir", str(tmp_path), "--resume", "one")
    second = run("cases", "resume", "one", "--case-dir", str(tmp_path))
    assert first.out == second.out
    assert session.read_bytes() == before


def test_resume_by_path(run: Run, session: Path) -> None:
    assert "Going on with case one" in run("ask", "--resume", str(session)).out


def test_after_quit_the_question_waits_again(run: Run, tmp_path: Path) -> None:
    for lines, waits in (
        (["unknown", "quit"], QUESTION),
        (["pan wet", "pan dry", "quit"], CONTRADICTION),
        (["conclude", "quit"], QUESTION),
        (["conclude"], QUESTION),
        (["so far"], QUESTION),
        (["pan wet", "pan dry", "help"], CONTRADICTION),
    ):
        name = "-".join(lines).replace(" ", "")
        run("ask", "--case-dir", str(tmp_path), "--case", name, stdin="\n".join(lines))
        resumed = run("ask", "--case-dir", str(tmp_path), "--resume", name)
        assert re.search(waits, " ".join(resumed.out.split())), lines
        assert "Saved." not in resumed.out


def test_a_case_of_today_goes_on_in_a_new_process(session: Path, tmp_path: Path) -> None:
    done = firstwet("ask", "--case-dir", str(tmp_path), "--resume", "one", stdin="facts\n")
    assert done.returncode == 0
    assert "pan and its drain plug: dry (as found)" in done.stdout
    assert "age of the vehicle: 25 year" in done.stdout


# --- a disk that refuses -----------------------------------------------------------------------------------


class Disk:
    """A case file whose writes fail for a while."""

    def __init__(self, *failing: int) -> None:
        self.failing, self.tried = failing, 0
        self.kept: list[Any] = []

    def append(self, event: Any) -> None:
        """Keeps it, or refuses."""
        self.tried += 1
        if self.tried in self.failing:
            raise StoreError("the file cannot be written (No space left on device)", "", "Make room")
        self.kept.append(event["said"])


class Typed:
    """A reader that types lines."""

    def __init__(self, *lines: str) -> None:
        self.left = list(lines)

    def read(self, case: Case) -> str | None:
        """The next line."""
        return self.left.pop(0) if self.left else None


@pytest.mark.parametrize(
    ("failing", "kept", "well"),
    [
        ((), 3, True),
        ((1,), 3, True),
        ((1, 2, 3), 3, True),
        ((2,), 3, True),
        ((3,), 3, True),
        (tuple(range(99)), 0, False),
    ],
)
def test_a_full_disk_is_told_and_tried_again(talk: Talk, failing: tuple[int, ...], kept: int, well: bool) -> None:
    """Nothing is lost as long as the program runs, the order stays, and the person is told at once."""
    lines = ("unknown", "pan wet", "quit")
    disk, shown = Disk(*failing), list[Message]()
    case, messages = begin(talk)
    fine = converse(talk, case, messages, Typed(*lines), shown.append, disk)  # type: ignore[arg-type]
    assert disk.kept == list(lines[:kept])
    assert fine == well
    told = [message.text for message in shown if "NOT SAVED" in message.text]
    assert bool(told) == bool(failing)
    assert all("No space left" in text for text in told)


def test_the_file_is_written_before_the_next_question_is_shown(talk: Talk, tmp_path: Path) -> None:
    order: list[str] = []

    class Watched(CaseFile):
        def append(self, event: Any) -> None:
            order.append(f"kept {event['said']}")

    with store.create(tmp_path, "one", {"layout": "x", "knowledge": "y"}) as keep:
        keep.__class__ = Watched
        case, messages = begin(talk)
        converse(talk, case, messages, Typed("unknown", "unknown"), lambda m: order.append(m.kind), keep)
    first = order.index("kept unknown")
    assert order[:first].count("question") == 1
    assert order[first + 1 :].count("question") == 2
    assert order[order.index("kept unknown", first + 1) + 1 :].count("question") == 1
