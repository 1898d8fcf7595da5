"""Bad input to the commands: a clear message, exit code 2, nothing answered lost, never a traceback.

Most run in this process with the knowledge loaded once; what depends on the process itself (its streams, its
environment, bytes in its arguments) runs `python -m expert`.
"""

from __future__ import annotations

import io
import json
import os
import random
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from expert import cli, store
from expert.cli import common
from expert.cli.common import talk_of
from expert.dialogue import Talk
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.load import load_for, packaged_rules
from expert.overlay import Shop
from expert.session import LONGEST_LINE

ROOT = Path(__file__).parent.parent
TINY = Path(__file__).parent / "tiny_rules"
EXAMPLE = "red fluid, bellhousing hole wet, rear of engine dry"
# Half a minute of a conversation; every line is kept.
LINES = ("12", "bellhousing hole wet", "unknown", "red fluid", "rear of engine dry", "so far")


@dataclass(frozen=True)
class Result:
    """What a command left: its exit code and both streams."""

    code: int
    out: str
    err: str

    def sane(self) -> Result:
        """No traceback, and nothing on the screen that would steer it."""
        for text in (self.out, self.err):
            assert "Traceback" not in text, text
            assert all(line.isprintable() for line in text.split("\n")), ascii(text)
        return self

    def refused(self, *words: str) -> Result:
        """Bad input: code 2, and a message on standard error with these words."""
        self.sane()
        assert self.code == 2, self.err
        assert self.err.strip()
        for word in words:
            assert word in " ".join(self.err.split()), self.err
        return self


Run = Callable[..., Result]


@pytest.fixture
def firstwet(kb: KnowledgeBase, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs a command line in this process, with what is given on standard input."""
    monkeypatch.setattr(
        common, "load_for", lambda folder, layout: kb if folder == packaged_rules() else load_for(folder, layout)
    )
    for module in cli.MODULES:
        if hasattr(module, "talk_of"):
            monkeypatch.setattr(module, "talk_of", _talk)

    def run(*arguments: str, stdin: bytes | str = b"") -> Result:
        given = stdin.encode("utf-8") if isinstance(stdin, str) else stdin
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(given), encoding="utf-8"))
        capsys.readouterr()
        code: Any
        try:
            code = cli.run(list(arguments))
        except SystemExit as stop:  # argparse ends the process by itself
            code = stop.code
        out, err = capsys.readouterr()
        return Result(code, out, err)

    return run


_TALKS: dict[tuple[str, str | None, int], Talk] = {}
_make_talk = talk_of


def _talk(base: KnowledgeBase, layout: str | None, width: int, shop: Shop | None = None) -> Talk:
    """Making one takes a while and its engine takes memory, so one serves all tests."""
    if shop is not None:
        return _make_talk(base, layout, width, shop)
    key = (base.digest, layout, width)
    if key not in _TALKS:
        _TALKS[key] = _make_talk(base, layout, width)
    return _TALKS[key]


def process(*arguments: str | bytes, stdin: Any = b"", env: dict[str, str] | None = None, **more: Any) -> Result:
    """Runs `python -m expert` as a process of its own."""
    given = {"input": stdin} if isinstance(stdin, bytes) else {"stdin": stdin}
    done = subprocess.run(
        [sys.executable, "-m", "expert", *arguments],
        cwd=ROOT,
        env={**os.environ, **(env or {})},
        **{"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **given, **more},
        check=False,
        timeout=60,
    )
    out, err = ((stream or b"").decode("utf-8", "backslashreplace") for stream in (done.stdout, done.stderr))
    return Result(done.returncode, out, err)


@pytest.fixture
def cases(tmp_path: Path) -> Path:
    """A folder for case files."""
    return tmp_path / "cases"


@pytest.fixture
def chat(firstwet: Run, cases: Path) -> Callable[..., Result]:
    """Runs the chat on a pipe, in a case named "bench"."""

    def run(*lines: str | bytes, name: str = "bench") -> Result:
        given = b"".join((line.encode() if isinstance(line, str) else line) + b"\n" for line in lines)
        return firstwet("ask", "--case-dir", str(cases), "--case", name, stdin=given)

    return run


def kept(cases: Path, name: str = "bench") -> list[dict[str, Any]]:
    """The events of a case, which must read without complaint."""
    saved = store.read(cases / f"{name}{store.SUFFIX}")
    assert saved.torn is None
    return [dict(event) for event in saved.events]


def said(events: list[dict[str, Any]]) -> list[str]:
    return [event["said"] for event in events]


def stated(events: list[dict[str, Any]]) -> list[list[Any]]:
    return [fact for event in events for fact in event["facts"]]


# --- facts: words that are not understood ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("modulatr wet", "Read 'modulatr' as 'modulator'"),
        ("transmision level: overful", "Read 'overful' as 'overfull'"),
        ("vent blcked", "Read 'blcked' as 'blocked'"),
        ("colour of the fluid redd", "Read 'redd' as 'red'"),
    ],
)
def test_typing_errors_are_mended_aloud(firstwet: Run, text: str, told: str) -> None:
    result = firstwet("facts", text).sane()
    assert result.code == 0
    assert told in result.err


@pytest.mark.parametrize(
    ("text", "near"),
    [
        ("flexible coupler", "flexible coupling"),
        ("gasket of the fill tub", "foot of the fill tube"),
        ("rear of engin cover", "rear of engine"),
    ],
)
def test_unknown_finding_gets_the_nearest(firstwet: Run, text: str, near: str) -> None:
    firstwet("facts", text).refused(f"Not understood: '{text}'", "Near it:", near, EXAMPLE)


@pytest.mark.parametrize(
    ("text", "allowed"),
    [
        ("colour: purple", ("red", "brown", "amber")),
        ("colour of the fluid violet", ("red,", "brown")),
        ("smell: vinegary", ("burnt", "none")),
        ("transmission level: sideways", ("low", "overfull")),
    ],
)
def test_unknown_value_gets_the_values(firstwet: Run, text: str, allowed: tuple[str, ...]) -> None:
    """The finding is known and the value is not: the values it can have are offered."""
    firstwet("facts", text).refused("Not understood", *allowed)


def test_nothing_understood(firstwet: Run) -> None:
    result = firstwet("facts", "blorb frotz").refused("Not understood: 'blorb frotz'", "Nothing in that was", EXAMPLE)
    assert result.out == ""


def test_the_example_that_is_offered_works(firstwet: Run) -> None:
    result = firstwet("facts", EXAMPLE).sane()
    assert (result.code, result.err) == (0, "")


def test_partly_understood_is_told_and_goes_on(firstwet: Run) -> None:
    result = firstwet("facts", "bellhousing hole wet, flux capacitor glowing").sane()
    assert result.code == 0
    assert "Not understood: 'flux capacitor glowing'" in result.err
    assert "lowest hole of the bellhousing: wet" in result.out


@pytest.mark.parametrize("text", ["vehicle age 500 years", "100000 drips per minute"])
def test_number_out_of_range(firstwet: Run, text: str) -> None:
    firstwet("facts", text).refused("Not taken", "between 0 and", "Nothing in that was understood")


@pytest.mark.parametrize("text", ["", "   ", "\n\n", ",,,", "...", "?!", "\t"])
def test_empty_text(firstwet: Run, text: str) -> None:
    firstwet("facts", text).refused(EXAMPLE)
    firstwet("facts", stdin=text).refused(EXAMPLE)


def test_json_of_bad_input_is_no_half_object(firstwet: Run) -> None:
    assert firstwet("facts", "--json", "blorb").refused().out == ""
    told = firstwet("facts", "--json", "bellhousing hole wet, blorb frotz").sane()
    assert told.code == 0
    assert json.loads(told.out)["not_understood"] == ["blorb frotz"]


# --- facts: contradictions -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "texts",
    [
        ("bellhousing hole wet and bellhousing hole dry",),
        ("bellhousing hole dry", "bellhousing hole wet"),
        ("after cleaning the bellhousing hole is wet", "after cleaning the bellhousing hole is dry"),
        ("drips per minute 6", "12 drips per minute"),
        ("transmission level low", "transmission level overfull"),
    ],
)
def test_contradiction_asks_which(firstwet: Run, texts: tuple[str, ...]) -> None:
    result = firstwet("facts", *texts).refused("contradict", "Which is right?", "Leave one out")
    assert result.out == ""


def test_contradiction_names_both_and_the_stage(firstwet: Run) -> None:
    result = firstwet("facts", "bellhousing hole wet and bellhousing hole dry")
    assert "lowest hole of the bellhousing: wet (as found)" in " ".join(result.err.split())
    assert "lowest hole of the bellhousing: dry (as found)" in " ".join(result.err.split())


def test_different_stages_do_not_contradict(firstwet: Run) -> None:
    result = firstwet("facts", "bellhousing hole wet as found. After clean and short drive bellhousing hole dry").sane()
    assert result.code == 0


# --- facts: size and characters --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "unit", ["red fluid, ", "x", "€", "é, ", "🛠"], ids=["words", "x", "3-byte", "2-byte", "4-byte"]
)
def test_a_hundred_kilobytes_on_standard_input(firstwet: Run, unit: str) -> None:
    text = unit * (100_000 // len(unit.encode()))
    result = firstwet("facts", "-", stdin=text).refused(f"at most {LONGEST_LINE}", "in parts")
    assert "UTF-8" not in result.err
    assert len(result.err) < 500


def test_a_hundred_kilobytes_as_argument(firstwet: Run) -> None:
    firstwet("facts", "bellhousing hole wet " * 5000).refused(f"at most {LONGEST_LINE}")


def test_the_longest_text_is_still_read(firstwet: Run) -> None:
    text = ("bellhousing hole wet. " * 1000)[: LONGEST_LINE - 1]
    assert firstwet("facts", "-", stdin=text).sane().code == 0


@pytest.mark.parametrize(
    "bad",
    ["\x1b[31m", "\x1b]0;owned\x07", "\x07", "\x00", "\x9b2J", "\u202e", "\u2028", "\x7f", "\r", "\x1bP1$r\x1b\\"],
)
def test_control_characters_are_neither_shown_nor_read(firstwet: Run, bad: str) -> None:
    plain = firstwet("facts", "bellhousing hole wet, blorb")
    result = firstwet("facts", "-", stdin=f"bellhousing hole wet, {bad}blorb").sane()
    assert result.code == 0
    assert result.out == plain.out, "an escape sequence says nothing about the vehicle"
    firstwet("facts", "-", stdin=f"{bad}blorb{bad}").refused("Not understood")


def test_standard_input_that_is_not_utf8(firstwet: Run) -> None:
    firstwet("facts", stdin=b"red \xff fluid").refused("not UTF-8", "byte 5", "Save it as UTF-8")
    firstwet("facts", "-", stdin="red fluid".encode("utf-16")).refused("not UTF-8", "byte 1")


def test_half_characters_in_an_argument(firstwet: Run) -> None:
    firstwet("facts", "red \udcff fluid").refused("not UTF-8")


# --- unknown names ---------------------------------------------------------------------------------------


def test_unknown_stage_layout_and_name(firstwet: Run) -> None:
    firstwet("facts", "--stage", "later", "red fluid").refused("no stage 'later'", "as-found, after-clean")
    firstwet("facts", "--layout", "trike", "red fluid").refused("no layout 'trike'", "rear-drive-four-speed")
    firstwet("ask", "--layout", "trike").refused("no layout 'trike'", "rear-drive-four-speed")
    firstwet("explain", "--layout", "trike", "colour").refused("no layout 'trike'", "rear-drive-four-speed")
    firstwet("explain", "modulator", "diafragm").refused(
        "Nothing is called 'modulator diafragm'", "modulator-diaphragm"
    )


@pytest.mark.parametrize(
    "arguments",
    [
        ("frobnicate",),
        ("--frobnicate",),
        ("facts", "--frobnicate", "red fluid"),
        ("cases", "frobnicate"),
        ("replay",),
        ("explain",),
        ("facts", "--stage"),
        ("check", "surplus"),
    ],
)
def test_unknown_command_or_option(firstwet: Run, arguments: tuple[str, ...]) -> None:
    firstwet(*arguments).refused("usage: firstwet", "error:")


@pytest.mark.parametrize(
    "arguments",
    [
        ("fro\x1b[31mb",),
        ("facts", "--fro\x1b[31mb", "red fluid"),
        ("facts", "--layout", "\x1b[31m", "red fluid"),
        ("facts", "--stage", "\x1b[31m", "red fluid"),
        ("facts", "--rules", "/\x1b[31m", "red fluid"),
        ("explain", "\x1b[31m"),
        ("replay", "/\x1b[31m.jsonl"),
        ("cases", "show", "\x1b[31m"),
        ("cases", "fro\x1b[31mb"),
        ("ask", "--resume", "\x1b[31m"),
        ("ask", "--case", "\x1b[31m"),
    ],
    ids=" ".join,
)
def test_control_characters_in_arguments_are_escaped(firstwet: Run, arguments: tuple[str, ...]) -> None:
    firstwet(*arguments).refused()


def test_case_names(firstwet: Run, cases: Path, chat: Callable[..., Result]) -> None:
    chat("12", "quit")
    folder = ("--case-dir", str(cases))
    for command in (("cases", "show"), ("cases", "resume"), ("ask", "--resume")):
        firstwet(*command, "nobody", *folder).refused("nobody.jsonl", "no such file", "List the cases")
        firstwet(*command, "../bench", *folder).refused("cannot be a file's name", "Allowed are letters")
    firstwet("cases", "show", *folder).refused("Say which case")
    firstwet("ask", "--case", "bench", *folder).refused('a case named "bench" exists already', "Choose another name")
    firstwet("ask", "--case", "a/b", *folder).refused("cannot be a file's name")
    assert said(kept(cases)) == ["12", "quit"]


def test_case_folder_that_cannot_be(firstwet: Run, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    firstwet("ask", "--case-dir", str(tmp_path / "file")).refused("cannot be made")
    firstwet("cases", "--case-dir", str(tmp_path / "file")).refused("cannot be read")
    firstwet("ask", "--case-dir", str(tmp_path / ("x" * 5000))).refused("File name too long")
    assert firstwet("cases", "--case-dir", str(tmp_path / "none")).sane().code == 0


# --- the chat on a pipe ----------------------------------------------------------------------------------


def test_a_good_conversation_is_kept_and_ends_well(chat: Callable[..., Result], cases: Path) -> None:
    result = chat(*LINES).sane()
    assert result.code == 0
    assert said(kept(cases)) == list(LINES)


def test_line_that_is_not_utf8_is_passed_over(chat: Callable[..., Result], cases: Path) -> None:
    result = chat("bellhousing hole wet", b"bell\xffhousing", "rear of engine dry", "quit").sane()
    assert result.code == 2
    assert "Line 2 of the input is not UTF-8 text" in result.out
    assert said(kept(cases)) == ["bellhousing hole wet", "rear of engine dry", "quit"]
    assert ["engine-rear", "dry", "as-found"] in stated(kept(cases))


def test_line_of_a_hundred_kilobytes_is_passed_over(chat: Callable[..., Result], cases: Path) -> None:
    result = chat("bellhousing hole wet", "pan " * 25_000, "rear of engine dry").sane()
    assert result.code == 2
    assert f"at most {LONGEST_LINE} are read" in result.out
    assert said(kept(cases)) == ["bellhousing hole wet", "rear of engine dry"]


def test_control_characters_are_neither_echoed_nor_kept(chat: Callable[..., Result], cases: Path) -> None:
    chat("\x1b[31mrear of engine dry\x07", "\x9b2Jblorb\x00frotz", "bellhousing\thole\x1b[0m wet\r").sane()
    assert stated(kept(cases)) == [["engine-rear", "dry", "as-found"], ["bellhousing-hole", "wet", "as-found"]]
    assert all(line.isprintable() for line in said(kept(cases)))


def test_half_an_escape_sequence_answers_no_question(chat: Callable[..., Result], cases: Path) -> None:
    """The first question asks for a number; the 31 of a colour is none."""
    chat("\x1b[31m").sane()
    assert stated(kept(cases)) == []


def test_empty_lines_are_told_and_change_nothing(chat: Callable[..., Result], cases: Path) -> None:
    result = chat("", "   ", "\t", "bellhousing hole wet").sane()
    assert result.code == 2
    assert result.out.count("Nothing was typed") == 3
    assert stated(kept(cases)) == [["bellhousing-hole", "wet", "as-found"]]


def test_unknown_words_get_the_nearest(chat: Callable[..., Result], cases: Path) -> None:
    result = chat("flexible coupler", "blorb frotz", "bellhousing hole wet").sane()
    assert result.code == 2
    assert "Near it: flexible coupling" in " ".join(result.out.split())
    assert "Not understood: 'blorb frotz'" in result.out
    assert ["bellhousing-hole", "wet", "as-found"] in stated(kept(cases))


@pytest.mark.parametrize(
    ("answer", "value"), [("1", "wet"), ("2", "dry"), ("dry", "dry"), ("before", "wet"), ("now", "dry")]
)
def test_contradiction_is_settled_by_the_person(
    chat: Callable[..., Result], cases: Path, answer: str, value: str
) -> None:
    result = chat("bellhousing hole wet", "bellhousing hole dry", "perhaps", answer, "facts").sane()
    shown = " ".join(result.out.split())
    assert "That contradicts what was said before of the lowest hole of the bellhousing (as found)" in shown
    assert "1 wet (said before) 2 dry (said now)" in shown
    assert "Answer 1 or 2." in shown
    assert f"Kept: lowest hole of the bellhousing: {value} (as found)." in shown
    assert result.code == 2, "one line was no answer"
    assert said(kept(cases)) == ["bellhousing hole wet", "bellhousing hole dry", "perhaps", answer, "facts"]


def test_contradiction_left_open_is_asked_again_on_resuming(
    chat: Callable[..., Result], firstwet: Run, cases: Path
) -> None:
    chat("bellhousing hole wet", "bellhousing hole dry")
    result = firstwet("ask", "--resume", "bench", "--case-dir", str(cases), stdin="2\n").sane()
    assert result.code == 0
    assert "Which is right?" in result.out
    assert "Kept: lowest hole of the bellhousing: dry" in result.out


def test_contradiction_within_one_line(chat: Callable[..., Result], cases: Path) -> None:
    result = chat("bellhousing hole wet and bellhousing hole dry", "2").sane()
    assert "Which is right?" in result.out
    assert said(kept(cases)) == ["bellhousing hole wet and bellhousing hole dry", "2"]


def test_input_ends_in_the_middle_of_a_line(firstwet: Run, cases: Path) -> None:
    result = firstwet("ask", "--case-dir", str(cases), "--case", "bench", stdin="12\nbellhousing hole wet").sane()
    assert result.code == 0
    assert said(kept(cases)) == ["12", "bellhousing hole wet"]


def test_noise_of_every_kind(chat: Callable[..., Result], cases: Path) -> None:
    random_ = random.Random(7)
    noise = [random_.randbytes(random_.randint(0, 60)).replace(b"\n", b" ") for _ in range(40)]
    words = ["back", "forget", "why", "why x", "1", "99", "-1", "1e999", "nan", "?", "'", '"', "{}", "%s", "back"]
    result = chat(*noise, *words, "bellhousing hole wet", "quit").sane()
    assert result.code == 2
    assert said(kept(cases))[-2:] == ["bellhousing hole wet", "quit"]
    assert ["bellhousing-hole", "wet", "as-found"] in stated(kept(cases))


# --- session files ---------------------------------------------------------------------------------------


@pytest.fixture
def session(chat: Callable[..., Result], cases: Path) -> Path:
    """A sound session file of a few lines."""
    chat(*LINES)
    return cases / f"bench{store.SUFFIX}"


def reads(firstwet: Run, path: Path) -> list[Result]:
    """Every command that reads a session file."""
    folder = ("--case-dir", str(path.parent))
    return [
        firstwet("replay", str(path)),
        firstwet("cases", "show", path.stem, *folder),
        firstwet("cases", "resume", path.stem, *folder),
        firstwet("ask", "--resume", path.stem, *folder),
    ]


def edited(data: bytes) -> bytes:
    return data.replace(b'"bellhousing hole wet"', b'"bellhousing hole dry"')


def without_line(number: int) -> Callable[[bytes], bytes]:
    return lambda data: b"".join(line for at, line in enumerate(data.splitlines(True), 1) if at != number)


def swapped(data: bytes) -> bytes:
    lines = data.splitlines(True)
    lines[2], lines[3] = lines[3], lines[2]
    return b"".join(lines)


DAMAGES: dict[str, tuple[Callable[[bytes], bytes], str]] = {
    "edited": (edited, "line 3: the check does not match"),
    "a line removed": (without_line(3), "line 3: the check does not match"),
    "header removed": (without_line(1), "line 1: "),
    "a line doubled": (lambda data: data + data.splitlines(True)[-1], "line 8: the check does not match"),
    "lines swapped": (swapped, "line 3: the check does not match"),
    "emptied": (lambda data: b"", "the file is empty"),
    "cut in the header": (lambda data: data[:40], "line 1: the first line was not written to its end"),
    "binary": (lambda data: random.Random(3).randbytes(2000), "line 1: "),
    "nul bytes": (lambda data: data.splitlines(True)[0] + b"\0" * 500 + b"\n", "line 2: the line holds nul bytes"),
    "not UTF-8": (lambda data: data.splitlines(True)[0] + b'{"said": "\xff"}\n', "line 2: byte 11"),
    "another JSON": (lambda data: b'{"hello": "world"}\n', "line 1: this is not a firstwet case"),
    "not JSON": (lambda data: b"Dear diary,\n" + data, "line 1: the line is not JSON"),
    "a blank line": (lambda data: data.replace(b"\n", b"\n\n", 1), "line 2: the line is blank"),
    "a newer version": (lambda data: data.replace(b'"firstwet":1', b'"firstwet":9'), "made by a newer firstwet"),
    "a huge line": (lambda data: data + b"x" * 2_000_000 + b"\n", "line 8: the line is too long"),
}  # fmt: skip


@pytest.mark.parametrize("damage", DAMAGES)
def test_damaged_session_file(firstwet: Run, session: Path, damage: str) -> None:
    spoil, words = DAMAGES[damage]
    data = spoil(session.read_bytes())
    assert data != session.read_bytes()
    session.write_bytes(data)
    for result in reads(firstwet, session):
        result.refused("bench.jsonl", words)
        assert result.out == ""
        assert len(result.err) < 1000
    assert session.read_bytes() == data, "a damaged file is left as it is"


def test_the_others_are_still_listed(firstwet: Run, session: Path, chat: Callable[..., Result]) -> None:
    chat("12", name="other")
    session.write_bytes(edited(session.read_bytes()))
    result = firstwet("cases", "--case-dir", str(session.parent)).sane()
    assert result.code == 0
    assert "other  1 inputs" in result.out
    assert "bench  unreadable: " in result.out


@pytest.mark.parametrize("cut", [1, 2, 10, 40])
def test_torn_last_line_loses_only_itself(firstwet: Run, session: Path, cut: int) -> None:
    whole = session.read_bytes()
    last = whole.splitlines(True)[-1]
    session.write_bytes(whole[: -len(last)] + last[:-cut])
    lost = cut > 1  # without its newline only, the last line is still whole
    replay, show, resume, _ = reads(firstwet, session)
    for result in (replay, show, resume):
        result.sane()
        assert result.code == 0
        assert ("the last line was cut short" in result.err) is lost
    assert f"{len(LINES) - lost} inputs" in resume.out
    assert said(kept(session.parent)) == list(LINES[: len(LINES) - lost])


def test_replay_of_the_sound_file_says_the_same_twice(firstwet: Run, session: Path) -> None:
    first, second = firstwet("replay", str(session)).sane(), firstwet("replay", str(session)).sane()
    assert first == second
    assert (first.code, first.err) == (0, "")


def test_what_is_no_session_file(firstwet: Run, tmp_path: Path) -> None:
    firstwet("replay", str(tmp_path)).refused("this is a folder")
    firstwet("replay", str(tmp_path / "none.jsonl")).refused("no such file")
    firstwet("replay", str(tmp_path / ("x" * 5000))).refused("File name too long")
    firstwet("replay", os.devnull).refused("not a plain file")
    firstwet("replay", str(ROOT / "pyproject.toml")).refused("line 1: the line is not JSON")


def made(cases: Path, *events: dict[str, Any], layout: str = "rear-drive-four-speed", name: str = "made") -> Path:
    """A session file with right checks whose content today's knowledge did not write."""
    with store.create(cases, name, {"layout": layout, "knowledge": "of another day"}) as keep:
        for event in events:
            keep.append(event)
    return cases / f"{name}{store.SUFFIX}"


def test_session_of_other_knowledge_is_told(firstwet: Run, cases: Path) -> None:
    path = made(cases, {"said": "bellhousing hole wet", "facts": [["bellhousing-hole", "wet", "as-found"]]})
    result = firstwet("replay", str(path)).sane()
    assert result.code == 0
    assert "Recorded with other knowledge (of another day)" in result.err


def test_session_of_an_unknown_layout(firstwet: Run, cases: Path) -> None:
    for result in reads(firstwet, made(cases, layout="tri\x1b[31mke")):
        result.refused("There is no layout 'tri\\x1b[31mke'", "rear-drive-four-speed")


def test_session_read_otherwise_today_is_a_negative_result(firstwet: Run, cases: Path) -> None:
    path = made(cases, {"said": "bellhousing hole wet", "facts": [["bellhousing-hole", "damp", "as-found"]]})
    result = firstwet("replay", str(path)).sane()
    assert result.code == 1
    assert "line 2: read otherwise today; the recorded facts were used" in result.err


@pytest.mark.parametrize(
    "fact",
    [
        ["nothing-known", "x", ""],
        ["colour", "purple", ""],
        ["bellhousing-hole", "soaked", "as-found"],
        ["highest-wet", "nowhere", "as-found"],
        ["bellhousing-hole", "wet", "another-day"],
        ["colour", "red", "as-found"],
        ["bellhousing-hole", "wet", ""],
        ["vehicle-age", "old", ""],
        ["vehicle-age", 1e300, ""],
        ["colour", 5, ""],
    ],
    ids=str,
)
def test_recorded_facts_that_the_knowledge_no_longer_has(firstwet: Run, cases: Path, fact: list[Any]) -> None:
    """Renamed values, zones and stages must not break an old case: what still means something goes on."""
    path = made(
        cases,
        {"said": "something of another day", "facts": [fact, ["fill-tube-base", "wet", "as-found"]]},
        {"said": "facts", "facts": []},
        {"said": "conclude", "facts": []},
        {"said": "so far", "facts": []},
    )
    before = path.read_bytes()
    result = firstwet("replay", str(path)).sane()
    assert result.code == 1
    assert "foot of the fill tube: wet (as found)" in " ".join(result.out.split())
    assert fact[1] in ("x", "wet", "red") or f": {fact[1]}" not in result.out.split("> facts")[1]
    resumed = firstwet("ask", "--resume", "made", "--case-dir", str(cases), stdin="map\nplan\nback\n").sane()
    assert resumed.code == 0
    assert path.read_bytes().startswith(before)


@pytest.mark.parametrize("gone", [5, [5], [["colour", "red"]], "colour", [None], {"a": 1}], ids=str)
def test_recorded_facts_taken_back_that_are_none(firstwet: Run, cases: Path, gone: Any) -> None:
    """Such an event cannot be written, and if another program wrote it, it is told as damage."""
    try:
        path = made(cases, {"said": "red fluid", "facts": [], "taken-back": gone})
    except store.StoreError as error:
        assert "taken-back" in str(error)
        return
    for result in reads(firstwet, path):
        result.refused("made.jsonl", "line 2", "taken-back")


# --- the rules folder ------------------------------------------------------------------------------------

BOMB = "a: &a [lol, lol]\n" + "".join(f"b{n}: &b{n} [{', '.join(['*a'] * 9)}]\n" for n in range(9))
RULES = {
    "missing": (None, "there is no such folder"),
    "bomb": (BOMB, "glossary.yaml:1: the anchor &a is set here; write the text out; anchors are not read"),
    "tag": ("- term: !!python/object/apply:os.system [x]\n", "the tag 'tag:yaml.org,2002:python/object"),
    "not UTF-8": (b"- term: \xff\n", "glossary.yaml:1: this is not UTF-8 text"),
    "unknown key": ("- {term: x, means: y, mean: z}\n", "the key 'mean' is not known here; did you mean 'means'"),
}  # fmt: skip


@pytest.fixture(params=RULES)
def bad_rules(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[str, str]:
    """A rules folder that cannot be used, and what must be said of it."""
    content, words = RULES[request.param]
    folder = tmp_path / "rules"
    if content is not None:
        shutil.copytree(TINY, folder)
        (folder / "glossary.yaml").write_bytes(content if isinstance(content, bytes) else content.encode())
    return str(folder), words


def test_bad_rules_are_refused_by_every_command(
    firstwet: Run, bad_rules: tuple[str, str], session: Path, cases: Path
) -> None:
    folder, words = bad_rules
    before = session.read_bytes()
    for arguments in (
        ("facts", EXAMPLE),
        ("check",),
        ("explain", "modulator"),
        ("replay", str(session)),
        ("cases", "show", "bench", "--case-dir", str(cases)),
        ("cases", "resume", "bench", "--case-dir", str(cases)),
        ("ask", "--resume", "bench", "--case-dir", str(cases)),
        ("ask", "--case", "new", "--case-dir", str(cases)),
    ):
        result = firstwet(*arguments, "--rules", folder, stdin="12\n").refused(words)
        assert result.out == ""
    assert session.read_bytes() == before, "nothing recorded is lost"
    assert [path.name for path in cases.iterdir()] == [session.name], "no case is begun that cannot go on"


def test_a_negative_check_is_told_apart_from_bad_input(firstwet: Run, tmp_path: Path) -> None:
    folder = shutil.copytree(TINY, tmp_path / "rules")
    assert firstwet("check", "--rules", str(folder)).sane().code == 0
    rules = folder / "heuristics" / "all.yaml"
    rules.write_text(rules.read_text().replace("not-fires: [{colour: clear}]", "not-fires: [{colour: amber}]"))
    result = firstwet("check", "--rules", str(folder)).sane()
    assert result.code == 1
    assert "rule 'amber-is-oil' fires on its not-fires example 1 (tank)" in result.err


# --- the process -----------------------------------------------------------------------------------------


def test_exit_codes_of_the_process(tmp_path: Path) -> None:
    assert process("facts", EXAMPLE).sane().code == 0
    process("facts", "blorb frotz").refused("Nothing in that was understood")
    process("facts", "--rules", str(tmp_path / "none"), EXAMPLE).refused("there is no such folder")
    process("replay", str(tmp_path / "none.jsonl")).refused("no such file")


@pytest.mark.skipif(sys.platform == "win32", reason="arguments are bytes elsewhere only")
def test_arguments_that_are_not_utf8(tmp_path: Path) -> None:
    process("facts", b"red \xff fluid").refused("not UTF-8")
    process("explain", b"red \xff").refused("Nothing is called 'red \\udcff'")
    process("replay", bytes(tmp_path) + b"/\xff.jsonl").refused("no such file")


@pytest.mark.parametrize("arguments", [("facts",), ("ask",)], ids=" ".join)
def test_standard_input_that_is_closed(arguments: tuple[str, ...], tmp_path: Path) -> None:
    script = 'exec "$0" -m expert "$@" <&-'
    folder = ("--case-dir", str(tmp_path)) if arguments == ("ask",) else ()
    done = subprocess.run(
        ["sh", "-c", script, sys.executable, *arguments, *folder],
        cwd=ROOT,
        capture_output=True,
        check=False,
        timeout=60,
    )
    result = Result(done.returncode, done.stdout.decode(), done.stderr.decode()).sane()
    assert result.code == (2 if arguments == ("facts",) else 0)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a disk that is always full")
def test_output_that_cannot_be_written() -> None:
    with Path("/dev/full").open("wb") as full:
        result = process("facts", EXAMPLE, stdout=full)
    assert result.sane().code == 2
    assert "No space left" in result.err


def test_reader_that_goes_away(tmp_path: Path) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    try:
        result = process("facts", EXAMPLE, stdout=writing)
    finally:
        os.close(writing)
    assert result.sane().code == 0
    assert result.err == ""


@pytest.mark.parametrize("env", [{"NO_COLOR": "1"}, {"TERM": "dumb"}, {"TERM": "xterm-256color"}], ids=str)
def test_a_pipe_gets_plain_text_whatever_the_terminal(env: dict[str, str], tmp_path: Path) -> None:
    result = process("ask", "--case-dir", str(tmp_path), "--case", "bench", stdin="\n".join(LINES).encode(), env=env)
    assert result.sane().code == 0
    assert said(kept(tmp_path)) == list(LINES)


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_dumb_terminal_gets_plain_lines(tmp_path: Path) -> None:
    import pty

    keyboard, terminal = pty.openpty()
    try:
        os.write(keyboard, b"12\nblorb frotz\nquit\n")
        result = process(
            "ask", "--case-dir", str(tmp_path), "--case", "bench",
            stdin=terminal, stdout=subprocess.PIPE, env={"TERM": "dumb", "NO_COLOR": "1"},
        )  # fmt: skip
    finally:
        os.close(terminal)
        os.close(keyboard)
    result.sane()
    assert said(kept(tmp_path)) == ["12", "blorb frotz", "quit"]


@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
def test_screen_that_knows_few_characters(encoding: str) -> None:
    """What it cannot show is replaced, not fatal."""
    result = process("facts", "--plan", EXAMPLE, env={"PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"})
    assert "Traceback" not in result.err
    assert result.code == 0
    assert "renew the front pump seal" in result.out
