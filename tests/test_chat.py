"""The chat in a real terminal, drawn by prompt-toolkit and read off a screen; and in pipes, files and nothing."""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pexpect
import pyte
import pytest
from driving import ROOT, firstwet

from expert import store

ANSWERED = re.compile(r"about [0-9.]+ minutes?\)")
PATIENCE = 20.0  # seconds; a start takes half a second on a quiet machine

# Of the surroundings: the window's size counts, not what whoever runs the tests says it is (as xdist does).
UNWANTED = ("NO_COLOR", "COLUMNS", "LINES")


class Terminal:
    """A chat in a terminal of some size, and the screen it has drawn, scrolled-off lines included."""

    def __init__(self, folder: Path, *arguments: str, columns: int = 80, rows: int = 24, **env: str) -> None:
        self.screen = pyte.HistoryScreen(columns, rows, history=5000)
        self.stream = pyte.Stream(self.screen)
        self.raw = ""
        self.started = time.monotonic()
        self.child = pexpect.spawn(
            sys.executable,
            ["-m", "expert", *arguments, "--case-dir", str(folder)],
            cwd=str(ROOT),
            env={**{k: v for k, v in os.environ.items() if k not in UNWANTED}, "TERM": "xterm", **env},
            dimensions=(rows, columns),
            encoding="utf-8",
            timeout=PATIENCE,
        )

    def read(self, seconds: float = 0.05) -> bool:
        """Takes what has been drawn; False when the program has ended."""
        try:
            piece = self.child.read_nonblocking(65536, timeout=seconds)
        except pexpect.TIMEOUT:
            return True
        except pexpect.EOF:
            return False
        self.raw += piece
        self.stream.feed(piece)
        for _ in range(piece.count("\x1b[6n")):  # prompt-toolkit asks where the cursor is
            self.child.send(f"\x1b[{self.screen.cursor.y + 1};{self.screen.cursor.x + 1}R")
        return True

    @property
    def lines(self) -> list[str]:
        """Everything drawn so far, without the spaces at the ends."""
        columns = range(self.screen.columns)
        gone = ["".join(row[at].data for at in columns) for row in self.screen.history.top]
        return [line.rstrip() for line in (*gone, *self.screen.display)]

    @property
    def text(self) -> str:
        """Everything drawn so far, lines joined."""
        return " ".join(" ".join(self.lines).split())

    def wait(self, words: str, times: int = 1) -> None:
        """Waits until these words have been drawn so often."""
        until = time.monotonic() + PATIENCE
        while self.text.count(words) < times:
            assert self.read() or self.text.count(words) >= times, f"ended without {words!r}:\n{self.shown}"
            assert time.monotonic() < until, f"no {words!r} in time:\n{self.shown}"

    def wait_prompt(self) -> None:
        """Waits until the program waits: an empty prompt, and nothing more drawn."""
        until = time.monotonic() + PATIENCE
        while True:
            before = self.raw
            alive = self.read(0.15)
            row = self.screen.display[self.screen.cursor.y].rstrip()
            if alive and self.raw == before and row == ">" and self.screen.cursor.x == 2:
                return
            assert alive and time.monotonic() < until, f"no prompt:\n{self.shown}"

    def say(self, line: str) -> str:
        """Types a line, waits for the next prompt, and gives what was answered."""
        times = self.text.count(f"> {line}")
        self.child.send(line + "\r")
        self.wait(f"> {line}", times + 1)
        self.wait_prompt()
        return self.text.rsplit(f"> {line}", 1)[1]

    def ends(self) -> int | None:
        """Waits for the end; gives the exit code."""
        until = time.monotonic() + PATIENCE
        while self.read():
            assert time.monotonic() < until, f"no end:\n{self.shown}"
        self.child.close()
        code: int | None = self.child.exitstatus
        return code

    @property
    def shown(self) -> str:
        """The end of what was drawn, for messages of failed tests."""
        return "\n".join(self.lines[-40:])


@contextlib.contextmanager
def terminal(folder: Path, *arguments: str, columns: int = 80, rows: int = 24, **env: str) -> Iterator[Terminal]:
    """A chat that is ended whatever happens."""
    one = Terminal(folder, *(arguments or ("ask", "--case", "one")), columns=columns, rows=rows, **env)
    try:
        yield one
        assert "Traceback" not in one.raw, one.raw
    finally:
        one.child.close(force=True)


def events(folder: Path, name: str = "one") -> list[dict[str, object]]:
    """What a case file holds; it must be sound."""
    saved = store.read(folder / f"{name}{store.SUFFIX}")
    assert saved.torn is None
    return [dict(event) for event in saved.events]


def said(folder: Path, name: str = "one") -> list[object]:
    """What was typed into a case."""
    return [event["said"] for event in events(folder, name)]


# --- in a terminal -----------------------------------------------------------------------------------------


def test_a_conversation_in_a_terminal(tmp_path: Path) -> None:
    """Question, number, word, sentence, help; Ctrl-D ends it and it goes on where it was."""
    with terminal(tmp_path) as chat:
        chat.wait_prompt()
        assert time.monotonic() - chat.started < PATIENCE
        assert ANSWERED.search(chat.text)
        assert "Noted: " in chat.say("25 years old")
        assert "Noted: colour of the fluid: red and underside" in chat.say("red fluid, pan wet")
        while " 2 " not in chat.say("unknown"):
            pass
        assert "Noted: " in chat.say("1")
        assert "stop; everything answered is saved" in chat.say("help")
        assert "Now the likeliest is" in chat.say("why")
        pending = chat.say("back").rsplit("Taken back", 1)[1]
        chat.child.send("\x04")
        assert chat.ends() == 0
        assert "Case saved in" in chat.text
        assert max(map(len, chat.lines)) <= 80
    kept = events(tmp_path)
    assert ["colour", "red", ""] in [fact for event in kept for fact in event["facts"]]  # type: ignore[attr-defined]
    with terminal(tmp_path, "ask", "--resume", "one") as chat:
        chat.wait_prompt()
        assert f"Going on with case one: {len(kept)} inputs" in chat.text
        question = re.search(r"[^.:]*\?(?= )", pending)
        assert question is not None
        assert question[0].strip() in chat.text
        chat.say("so far")
        chat.child.send("quit\r")
        assert chat.ends() == 0
    assert said(tmp_path) == [event["said"] for event in kept] + ["so far", "quit"]


def test_tab_offers_the_answers(tmp_path: Path) -> None:
    with terminal(tmp_path, rows=40) as chat:
        chat.wait_prompt()
        while " 2 " not in chat.say("unknown"):
            pass
        asked = ANSWERED.split("\n".join(chat.lines))[-1]
        values = re.findall(r"^ +\d  (\S+)", asked, re.MULTILINE)
        assert len(values) >= 2
        before = {value: chat.text.count(value) for value in values}
        chat.child.send("\t")
        for value, times in before.items():
            chat.wait(value, times + 1)  # in the menu, below the list
        chat.child.send("\x03")
        chat.wait_prompt()
        chat.child.send("qui\t")
        chat.wait("quit")
        chat.child.send("\x15quit\r")
        assert chat.ends() == 0
    assert said(tmp_path)[-1] == "quit"


def test_ctrl_c_drops_the_line_and_never_the_case(tmp_path: Path) -> None:
    with terminal(tmp_path) as chat:
        chat.wait_prompt()
        chat.child.send("red flu")
        chat.wait("> red flu")
        chat.child.send("\x03")
        chat.wait_prompt()
        assert "`quit` ends" not in chat.text
        chat.child.send("\x03")
        chat.wait("(Ctrl-D or `quit` ends; everything answered is saved.)")
        chat.wait_prompt()
        assert "Noted: underside of the transmission pan" in chat.say("pan wet")
        chat.child.send("\x04")
        assert chat.ends() == 0
    assert said(tmp_path) == ["pan wet"]


def test_history_brings_back_what_was_typed(tmp_path: Path) -> None:
    with terminal(tmp_path) as chat:
        chat.wait_prompt()
        chat.say("pan wet")
        chat.child.send("\x1b[A")
        chat.wait("> pan wet", 2)
        chat.child.send("\x15")
        chat.child.send("\x04")
        assert chat.ends() == 0


def test_a_narrow_terminal(tmp_path: Path) -> None:
    """No line is folded by the terminal itself: none runs to its last column into the next."""
    with terminal(tmp_path, columns=40) as chat:
        chat.wait_prompt()
        for line in ("help", "red fluid, pan wet", "so far", "why", "how", "facts", "map", "conclude", "plan"):
            chat.say(line)
        chat.child.send("quit\r")
        assert chat.ends() == 0
        shown = "\n".join(chat.lines)
        assert "CAUTION" in shown
        assert "REAR =>" in shown
        drawn = [re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", line) for line in re.split(r"\r?\n", chat.raw)]
        wide = [line for line in drawn if len(line) > 40 and "\r" not in line and "Case saved" not in line]
        assert wide == []


def test_colour_only_where_it_is_wanted(tmp_path: Path) -> None:
    with terminal(tmp_path, NO_COLOR="1", rows=40) as chat:
        chat.wait_prompt()
        chat.say("unknown")
        times = chat.text.count("what if")
        chat.child.send("wh\t")
        chat.wait("what if", times + 1)  # in the menu: more than one command begins like that, whatever is asked
        chat.child.send("\x03")
        chat.wait_prompt()
        chat.child.send("\x04")
        assert chat.ends() == 0
        codes = {code for found in re.findall(r"\x1b\[([0-9;]*)m", chat.raw) for code in found.split(";")}
        assert not {code for code in codes if re.fullmatch(r"(3|4|9|10)[0-9]", code)}, codes


def test_a_dumb_terminal(tmp_path: Path) -> None:
    """No control sequences at all, a prompt, and what is typed is shown once."""
    with terminal(tmp_path, TERM="dumb") as chat:
        chat.wait_prompt()
        chat.say("pan wet")
        chat.child.send("\x04")
        assert chat.ends() == 0
        assert "\x1b" not in chat.raw
        assert chat.raw.count("pan wet") == 1
        assert "Case saved in" in chat.text
    assert said(tmp_path) == ["pan wet"]


# --- in a pipe ---------------------------------------------------------------------------------------------

LINES = ["25 years old", "red fluid, pan wet", "unknown", "bellhousing hole dry", "so far", "quit"]


def test_a_pipe_gets_a_conversation_with_what_was_typed(tmp_path: Path) -> None:
    done = firstwet("ask", "--case-dir", str(tmp_path), "--case", "one", stdin="\n".join(LINES))
    assert done.returncode == 0
    echoed = [line.removeprefix("> ") for line in done.stdout.splitlines() if line.startswith("> ")]
    assert echoed == LINES
    assert "\x1b" not in done.stdout
    assert done.stdout.endswith("> quit\n\nSaved.\n\n")
    assert max(map(len, done.stdout.splitlines())) <= 76
    assert "`firstwet ask --resume one` goes on with it" in done.stderr
    assert said(tmp_path) == LINES


def test_without_a_command_it_is_the_chat(tmp_path: Path) -> None:
    done = firstwet("--case-dir", str(tmp_path), "--case", "one", stdin="quit\n")
    assert done.returncode == 0
    assert said(tmp_path) == ["quit"]


def test_output_may_go_to_a_file(tmp_path: Path) -> None:
    path = tmp_path / "out.txt"
    with path.open("wb") as out:
        done = firstwet("ask", "--case-dir", str(tmp_path), "--case", "one", stdin="\n".join(LINES), stdout=out)
    assert done.returncode == 0
    piped = firstwet("ask", "--case-dir", str(tmp_path), "--case", "two", stdin="\n".join(LINES))
    assert path.read_text(encoding="utf-8") == piped.stdout


def test_windows_line_ends_and_a_lost_last_one(tmp_path: Path) -> None:
    firstwet("ask", "--case-dir", str(tmp_path), "--case", "one", stdin="pan wet\r\nred fluid")
    assert said(tmp_path) == ["pan wet", "red fluid"]


@pytest.mark.parametrize("nothing", ["/dev/null", "empty", "closed"])
def test_no_input_at_all(tmp_path: Path, nothing: str) -> None:
    """The first question is shown, the case is kept, and it is no failure."""
    folder = ["--case-dir", str(tmp_path), "--case", "one"]
    if nothing == "closed":
        script = 'exec "$0" -m expert ask "$@" <&-'
        done = subprocess.run(
            ["sh", "-c", script, sys.executable, *folder], cwd=ROOT, capture_output=True, text=True, timeout=60
        )
    elif nothing == "empty":
        done = firstwet("ask", *folder, stdin="")
    else:
        with Path(nothing).open("rb") as null:
            done = firstwet("ask", *folder, stdin=null)
    assert "Traceback" not in done.stderr, done.stderr
    assert done.returncode == 0
    assert ANSWERED.search(" ".join(done.stdout.split()))
    assert events(tmp_path) == []


def test_the_question_is_there_before_the_answer(tmp_path: Path) -> None:
    """What a program reads from the pipe comes as soon as it is said, not when a buffer is full."""
    child = subprocess.Popen(
        [sys.executable, "-m", "expert", "ask", "--case-dir", str(tmp_path), "--case", "one"],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert child.stdin is not None
    assert child.stdout is not None
    try:
        heard = ""
        for line in ("", "pan wet\n", "unknown\n"):
            child.stdin.write(line)
            child.stdin.flush()
            piece = ""
            while not ANSWERED.search(" ".join(piece.split())):
                got = child.stdout.readline()
                assert got, "ended"
                piece += got
            heard += piece
        assert "Noted: underside" in heard
    finally:
        child.kill()
        child.wait()
        child.stdin.close()
        child.stdout.close()
