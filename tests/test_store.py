"""Case files: what is acknowledged is kept, what is damaged is noticed."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from expert import store
from expert.store import StoreError, create, listing, read, resume

HEADER = {"layout": "rear-drive-four-speed", "knowledge": "0123abcd"}
EVENTS: list[dict[str, Any]] = [
    {"said": "red fluid, pan wet", "facts": [["colour", "red", ""], ["pan-bottom", "wet", "as-found"]]},
    {"said": "12 years old – “ça goutte”\n", "facts": [["vehicle-age", 12.0, ""]], "asked": "vehicle-age"},
    {"said": "don't know", "facts": []},
]

json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**70), 2**70)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=()), max_size=8),  # lone surrogates too
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=6,
)
said = st.text(st.characters(exclude_categories=()), max_size=20)
facts = st.lists(st.tuples(said, said | st.floats(allow_nan=False, allow_infinity=False), said).map(list), max_size=3)
events = st.fixed_dictionaries({"said": said, "facts": facts}, optional={"more": json_values})


def joined(value: Any) -> Any:
    """What JSON makes of a value: two half characters side by side become one whole."""
    return json.loads(json.dumps(value))


@contextlib.contextmanager
def fresh_folder() -> Iterator[Path]:
    """A folder for one hypothesis example."""
    with tempfile.TemporaryDirectory() as name:
        yield Path(name)


def make(folder: Path, written: list[dict[str, Any]] = EVENTS, case_id: str = "one") -> Path:
    with create(folder, case_id, HEADER, lambda: "2026-11-25T09:30:00+00:00") as case:
        for event in written:
            case.append(event)
    return case.path


def sealed(record: dict[str, Any], before: str) -> tuple[bytes, str]:
    """A line and its check made independently of the module, from the format's description."""
    text = json.dumps(record, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    check = hashlib.sha256((before + text).encode()).hexdigest()[:12]
    whole = json.dumps(record | {"check": check}, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return whole.encode() + b"\n", check


def problem(path: Path) -> str:
    with pytest.raises(StoreError) as caught:
        read(path)
    return str(caught.value)


def test_the_bytes_are_as_the_format_says(tmp_path: Path) -> None:
    path = make(tmp_path)
    header = {"firstwet": 1, "case": "one", "at": "2026-11-25T09:30:00+00:00", **HEADER}
    expected, check = sealed(header, "")
    for event in EVENTS:
        line, check = sealed(event, check)
        expected += line
    assert path == tmp_path / "one.jsonl"
    assert path.read_bytes() == expected
    saved = read(path)
    assert (saved.header, saved.events, saved.torn, saved.path) == (header, tuple(EVENTS), None, path)


def test_without_a_clock_no_time_is_kept(tmp_path: Path) -> None:
    with create(tmp_path, "one", HEADER) as case:
        pass
    assert read(case.path).header == {"firstwet": 1, "case": "one", **HEADER}


@given(st.lists(events, max_size=4))
@settings(max_examples=60, deadline=None)
def test_what_is_appended_is_read_back(written: list[dict[str, Any]]) -> None:
    with fresh_folder() as folder:
        assert list(read(make(folder, written)).events) == joined(written)


@given(st.lists(events, min_size=1, max_size=4), st.data())
@settings(max_examples=40, deadline=None)
def test_reading_and_going_on_equals_never_having_stopped(written: list[dict[str, Any]], data: Any) -> None:
    stop = data.draw(st.integers(0, len(written)))
    with fresh_folder() as folder:
        at_once = make(folder / "at-once", written).read_bytes()
        path = make(folder / "in-two", written[:stop])
        before, case = resume(path)
        with case:
            for event in written[stop:]:
                case.append(event)
        assert list(before.events) == joined(written[:stop])
        assert list(read(path).events) == joined(written)
        assert path.read_bytes() == at_once


# --- damage ---------------------------------------------------------------------------------------


def test_cut_at_any_byte_the_whole_events_remain_and_the_rest_is_reported(tmp_path: Path) -> None:
    whole = make(tmp_path).read_bytes()
    path = tmp_path / "cut.jsonl"
    ends = [i + 1 for i, byte in enumerate(whole) if byte == 10]
    for length in range(len(whole)):
        path.write_bytes(whole[:length])
        if length < ends[0] - 1:
            with pytest.raises(StoreError):
                read(path)
            with pytest.raises(StoreError):
                resume(path)
            assert path.read_bytes() == whole[:length]
            continue
        saved = read(path)
        complete = sum(end - 1 <= length for end in ends) - 1  # a line that lost only its newline counts
        assert list(saved.events) == EVENTS[:complete]
        assert (saved.torn is None) == (length in ends or length + 1 in ends)


def test_resuming_a_cut_file_keeps_the_torn_line_beside_it_and_goes_on(tmp_path: Path) -> None:
    whole = make(tmp_path).read_bytes()
    path = tmp_path / "cut.jsonl"
    ends = [i + 1 for i, byte in enumerate(whole) if byte == 10]
    for length in range(ends[0] - 1, len(whole) + 1):
        path.write_bytes(whole[:length])
        (tmp_path / "cut.torn").unlink(missing_ok=True)
        saved, case = resume(path)
        with case:
            for event in EVENTS[len(saved.events) :]:
                case.append(event)
        assert path.read_bytes() == whole
        if length in ends or length + 1 in ends:
            assert not (tmp_path / "cut.torn").exists()
        else:
            sound = ends[len(saved.events)]
            assert (tmp_path / "cut.torn").read_bytes() == whole[sound:length] + b"\n"


def test_a_second_torn_line_does_not_overwrite_the_first(tmp_path: Path) -> None:
    path = make(tmp_path)
    for tail in (b'{"said":"first', b'{"said":"second \xff\x00'):
        path.write_bytes(path.read_bytes() + tail)
        saved, case = resume(path)
        case.close()
        assert saved.torn is not None and saved.torn.isprintable()
    assert (tmp_path / "one.torn").read_bytes() == b'{"said":"first\n{"said":"second \xff\x00\n'


def same_or_noticed(path: Path, before: store.Saved) -> bool:
    try:
        after = read(path)
    except StoreError:
        return True
    return after.torn is not None or after == before


def test_every_flipped_bit_is_noticed(tmp_path: Path) -> None:
    path = make(tmp_path)
    before = read(path)
    whole = bytearray(path.read_bytes())
    for place in range(len(whole)):
        for bit in range(8):
            whole[place] ^= 1 << bit
            path.write_bytes(whole)
            assert same_or_noticed(path, before), (place, bit)
            whole[place] ^= 1 << bit


@given(st.data())
@settings(max_examples=200, deadline=None)
def test_every_changed_byte_is_noticed(data: Any) -> None:
    with fresh_folder() as folder:
        path = make(folder, data.draw(st.lists(events, max_size=3)))
        before = read(path)
        whole = bytearray(path.read_bytes())
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
        path.write_bytes(whole)
        assert same_or_noticed(path, before)


def test_removed_doubled_and_reordered_lines_are_noticed(tmp_path: Path) -> None:
    path = make(tmp_path)
    head, one, two, three = path.read_bytes().splitlines(keepends=True)
    for lines, bad in [
        ([head, two, three], 2),
        ([head, one, three], 3),
        ([head, one, one, two, three], 3),
        ([head, two, one, three], 2),
    ]:
        path.write_bytes(b"".join(lines))
        with pytest.raises(StoreError) as caught:
            read(path)
        assert caught.value.line == bad
        assert f"one.jsonl, line {bad}: the check does not match" in str(caught.value)
        assert ("Line 1 is sound" if bad == 2 else "Lines 1 to 2 are sound") in str(caught.value)


def test_another_spelling_of_the_same_content_is_accepted(tmp_path: Path) -> None:
    path = make(tmp_path)
    before = read(path)
    lines = [json.dumps(json.loads(line), indent=None) for line in path.read_text("utf-8").splitlines()]
    path.write_bytes("\r\n".join([*lines, ""]).encode())
    assert read(path) == before


HEAD_LINE, HEAD_CHECK = sealed({"firstwet": 1, "case": "x", **HEADER}, "")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "the file is empty"),
        (b"\n", "line 1: the line is blank"),
        (HEAD_LINE + b"\n", "line 2: the line is blank"),
        (HEAD_LINE + b"\n" + sealed(EVENTS[0], HEAD_CHECK)[0], "line 2: the line is blank"),
        (HEAD_LINE + b'{"said":"\xff"}\n', "line 2: byte 10 of the line is not UTF-8"),
        (HEAD_LINE + b'{"said":\n', "line 2: the line is not JSON"),
        (HEAD_LINE + b"[1,2]\n", "line 2: the line is JSON but not an object"),
        (HEAD_LINE + b'{"a":{"b":1,"b":2}}\n', 'line 2: the key "b" stands twice'),
        (HEAD_LINE + b'{"a":NaN}\n', "line 2: NaN is not a number"),
        (HEAD_LINE + b'{"a":-Infinity}\n', "line 2: -Infinity is not a number"),
        (HEAD_LINE + b'{"a":1e999,"check":"0"}\n', "line 2: the line cannot be read"),
        (HEAD_LINE + b'{"a":' + b"9" * 5000 + b"}\n", "line 2: the line cannot be read"),
        (HEAD_LINE + b'{"a":' + b"[" * 100_000 + b"}\n", "line 2: the line cannot be read"),
        (HEAD_LINE + b'{"said":"\x00"}\n', "line 2: the line holds nul bytes"),
        (HEAD_LINE + b'{"said":"x"}\n', 'line 2: the line has no "check"'),
        (HEAD_LINE + b'{"said":"' + b"x" * 1_000_000 + b'"}\n', "line 2: the line is too long"),
        (HEAD_LINE + b'{"said":"' + b"x" * 1_000_000, "line 2: the line is too long"),
        (HEAD_LINE + sealed({"facts": []}, HEAD_CHECK)[0], 'line 2: the event\'s "said"'),
        (HEAD_LINE + sealed({"said": ""}, HEAD_CHECK)[0], 'line 2: the event\'s "facts"'),
        (
            HEAD_LINE + sealed({"said": "", "facts": [["a", "b"]]}, HEAD_CHECK)[0],
            "line 2: fact 1 of the event",
        ),
        (HEAD_LINE + sealed({"said": "", "facts": [["a", True, ""]]}, HEAD_CHECK)[0], "line 2: fact 1"),
        (HEAD_LINE[:-5], "line 1: the first line was not written to its end"),
        (
            sealed({"case": "x", **HEADER}, "")[0],
            'line 1: this is not a firstwet case: the first line has no "firstwet"',
        ),
        (
            sealed({"firstwet": 2, "new": True}, "")[0],
            "line 1: the case was made by a newer firstwet (format 2)",
        ),
        (b'{"firstwet":7,"other":"seal"}\n', "line 1: the case was made by a newer firstwet (format 7)"),
        (sealed({"firstwet": 0, "case": "x", **HEADER}, "")[0], 'line 1: "firstwet" is 0'),
        (sealed({"firstwet": True, "case": "x", **HEADER}, "")[0], 'line 1: "firstwet" is True'),
        (sealed({"firstwet": "1", "case": "x", **HEADER}, "")[0], 'line 1: "firstwet" is 1'),
        (
            sealed({"firstwet": 1, "case": "x", "layout": "y"}, "")[0],
            'line 1: the header\'s "knowledge" is missing',
        ),
        (
            sealed({"firstwet": 1, "case": 3, **HEADER}, "")[0],
            'line 1: the header\'s "case" is missing or not',
        ),
    ],
)
def test_each_kind_of_damage_is_named_with_its_line(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "x.jsonl"
    path.write_bytes(content)
    for use in (read, resume):
        with pytest.raises(StoreError) as caught:
            use(path)
        text = str(caught.value)
        assert f"{path}" in text and words in text
        assert text.count(". ") >= 2, "what is allowed and what to do are missing"
    assert path.read_bytes() == content


def test_nul_bytes_after_a_power_cut_are_a_torn_tail(tmp_path: Path) -> None:
    path = make(tmp_path)
    path.write_bytes(path.read_bytes() + b"\0" * 50)
    saved = read(path)
    assert list(saved.events) == EVENTS
    assert saved.torn == "\\x00" * 50


def test_a_folder_a_missing_file_and_a_pipe_are_named(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jsonl")
    assert "this is a folder" in problem(tmp_path)
    assert "there is no such file" in problem(tmp_path / "no\x1b[2J.jsonl")
    assert "\\x1b[2J" in problem(tmp_path / "no\x1b[2J.jsonl")
    assert "\x1b" not in problem(tmp_path / "no\x1b[2J.jsonl")
    assert "not a plain file" in problem(tmp_path / "pipe.jsonl")


# --- names ----------------------------------------------------------------------------------------

BAD_IDS = [
    "",
    ".",
    "..",
    ".x",
    "a/b",
    "../a",
    "a\\b",
    "a b",
    "a\n",
    "a\0",
    "é",
    "x" * 101,
    "a\x1b[0m",
    "\u202ea",
]


@pytest.mark.parametrize("case_id", BAD_IDS)
def test_unsafe_names_are_refused(tmp_path: Path, case_id: str) -> None:
    with pytest.raises(StoreError) as caught:
        create(tmp_path / "in", case_id, HEADER)
    assert str(caught.value).isprintable()
    assert list(tmp_path.iterdir()) == []


@given(st.text(max_size=8))
@settings(max_examples=100, deadline=None)
def test_no_name_leads_out_of_the_folder(case_id: str) -> None:
    with fresh_folder() as folder:
        with contextlib.suppress(StoreError), create(folder / "in", case_id, HEADER) as case:
            assert case.path.resolve().parent == (folder / "in").resolve()
        assert [entry.name for entry in folder.iterdir()] in ([], ["in"])


def test_a_taken_name_is_refused_and_its_file_left_alone(tmp_path: Path) -> None:
    path = make(tmp_path)
    before = path.read_bytes()
    with pytest.raises(StoreError, match='a case named "one" exists already'):
        create(tmp_path, "one", HEADER)
    assert path.read_bytes() == before


def test_default_names_are_the_day_and_a_number(tmp_path: Path) -> None:
    names = []
    for _ in range(3):
        with create(tmp_path, None, HEADER, lambda: "2026-11-25T23:59:59+00:00") as case:
            names.append(case.path.name)
    assert names == ["2026-11-25-1.jsonl", "2026-11-25-2.jsonl", "2026-11-25-3.jsonl"]
    assert read(tmp_path / names[1]).header["case"] == "2026-11-25-2"
    with create(tmp_path / "other", None, HEADER) as case:
        assert case.path.name.endswith("-1.jsonl")


@pytest.mark.parametrize(
    "header",
    [{}, {"layout": "x"}, HEADER | {"check": "1"}, HEADER | {"firstwet": 9}, HEADER | {"odd": float("nan")}],
)
def test_a_wrong_header_begins_no_case(tmp_path: Path, header: dict[str, Any]) -> None:
    with pytest.raises(StoreError, match="the case cannot be begun"):
        create(tmp_path, "one", header)
    assert list(tmp_path.iterdir()) == []


def test_the_default_folder_names_the_program_and_no_author(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", "/somewhere")
    folder = store.default_folder()
    assert folder.parts[-2:] == ("firstwet", "cases")


# --- listing --------------------------------------------------------------------------------------


def test_listing_is_newest_first_and_keeps_the_unreadable(tmp_path: Path) -> None:
    for case_id, age in [("old", 300), ("b-same", 200), ("a-same", 200), ("new", 100)]:
        path = make(tmp_path, EVENTS[: age // 100], case_id)
        os.utime(path, (1e9 - age, 1e9 - age))
    (tmp_path / "broken.jsonl").write_bytes(b"nonsense\n")
    torn = make(tmp_path, EVENTS, "torn")
    torn.write_bytes(torn.read_bytes() + b"{")
    (tmp_path / "one.torn").write_bytes(b"x")
    (tmp_path / "folder.jsonl").mkdir()
    (tmp_path / "gone.jsonl").symlink_to(tmp_path / "nothing")
    for number, name in enumerate(["folder", "torn", "broken"]):
        os.utime(tmp_path / f"{name}.jsonl", (1e9 + number, 1e9 + number))
    found = listing(tmp_path)
    assert [entry.case for entry in found] == [
        "broken",
        "torn",
        "folder",
        "new",
        "a-same",
        "b-same",
        "old",
        "gone",
    ]
    assert [entry.events for entry in found] == [0, 3, 0, 1, 2, 2, 3, 0]
    assert [bool(entry.problem) for entry in found] == [True, False, True, False, False, False, False, True]
    assert [entry.header is None for entry in found] == [bool(entry.problem) for entry in found]
    assert [entry.case for entry in found if entry.torn] == ["torn"]
    assert "not JSON" in found[0].problem


def test_no_folder_has_no_cases_and_a_file_is_no_folder(tmp_path: Path) -> None:
    assert listing(tmp_path / "none") == []
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(StoreError, match="file: the file cannot be read"):
        listing(tmp_path / "file")
    with pytest.raises(StoreError):
        create(tmp_path / "file", "one", HEADER)
    with pytest.raises(StoreError):
        create(tmp_path / "file" / "below", "one", HEADER)


# --- writing --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "event",
    [
        {"said": "x"},
        {"said": 1, "facts": []},
        {"said": "", "facts": [["a", None, ""]]},
        {"said": "", "facts": [["a", float("nan"), ""]]},
        {"said": "", "facts": [], "check": "0"},
        {"said": "", "facts": [], "odd": object()},
        {"said": "", "facts": [], "odd": {1: 2, "x": 3}},
        {"said": "x" * 1_000_000, "facts": []},
    ],
)
def test_what_could_not_be_read_back_is_not_written(tmp_path: Path, event: dict[str, Any]) -> None:
    with create(tmp_path, "one", HEADER) as case:
        case.append(EVENTS[0])
        before = case.path.read_bytes()
        with pytest.raises(StoreError, match="an event cannot be kept"):
            case.append(event)
        assert case.path.read_bytes() == before
        case.append(EVENTS[1])
    assert list(read(case.path).events) == EVENTS[:2]


def test_the_longest_line_can_be_read_back(tmp_path: Path) -> None:
    with create(tmp_path, "one", HEADER) as case:
        bare = len(sealed({"said": "", "facts": []}, "")[0])
        case.append({"said": "x" * (store.LONGEST_LINE - bare), "facts": []})
        with pytest.raises(StoreError):
            case.append({"said": "x" * (store.LONGEST_LINE - bare + 1), "facts": []})
    assert len(read(case.path).events) == 1


def test_a_full_disk_leaves_no_half_line_and_the_append_can_be_tried_again(tmp_path: Path) -> None:
    """The system's limit on a file's size makes a real partial write, as a full disk does."""
    with create(tmp_path, "one", HEADER) as case:
        case.append(EVENTS[0])
        before = case.path.read_bytes()
        limits = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (len(before) + 10, limits[1]))
        try:
            with pytest.raises(StoreError, match="the file cannot be written"):
                case.append(EVENTS[1])
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        assert case.path.read_bytes() == before
        case.append(EVENTS[1])
    assert list(read(case.path).events) == EVENTS[:2]


def test_a_full_disk_begins_no_case(tmp_path: Path) -> None:
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (10, limits[1]))
    try:
        with pytest.raises(StoreError, match="the file cannot be made"):
            create(tmp_path, "one", HEADER)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("failing", ["fsync", "ftruncate and fsync"])
def test_a_failed_flush_can_be_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: str) -> None:
    def refuse(*_: object) -> None:
        raise OSError(5, "Input/output error")

    with create(tmp_path, "one", HEADER) as case:
        for name in failing.split(" and "):
            monkeypatch.setattr(store.os, name, refuse)
        with pytest.raises(StoreError, match="Input/output error"):
            case.append(EVENTS[0])
        monkeypatch.undo()
        case.append(EVENTS[1])
    assert list(read(case.path).events) == [EVENTS[1]]


def test_an_interrupt_between_write_and_answer_does_not_break_the_chain(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    with create(tmp_path, "one", HEADER) as case:
        monkeypatch.setattr(store.os, "fsync", interrupt)
        with pytest.raises(KeyboardInterrupt):
            case.append(EVENTS[0])
        monkeypatch.undo()
        case.append(EVENTS[0])
    assert list(read(case.path).events) == [EVENTS[0]]


def test_every_append_is_flushed_before_it_returns(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sizes = []
    really = os.fsync

    def watched(descriptor: int) -> None:
        really(descriptor)
        sizes.append(os.fstat(descriptor).st_size)

    with create(tmp_path, "one", HEADER) as case:
        monkeypatch.setattr(store.os, "fsync", watched)
        for event in EVENTS:
            case.append(event)
            assert sizes[-1] == case.path.stat().st_size
    assert len(sizes) == len(EVENTS)


def test_a_second_writer_is_kept_out_until_the_first_closes(tmp_path: Path) -> None:
    with create(tmp_path, "one", HEADER) as case:
        case.append(EVENTS[0])
        with pytest.raises(StoreError, match="open in another window"):
            resume(case.path)
        assert len(read(case.path).events) == 1
    _, again = resume(case.path)
    with pytest.raises(StoreError, match="open in another window"):
        resume(case.path)
    again.close()
    again.close()
    resume(case.path)[1].close()
    with pytest.raises(StoreError, match="the case is closed"):
        again.append(EVENTS[1])


def test_a_second_window_is_a_second_process(tmp_path: Path) -> None:
    code = "import sys; from pathlib import Path; from expert.store import resume; resume(Path(sys.argv[1]))"
    with create(tmp_path, "one", HEADER) as case:
        other = subprocess.run([sys.executable, "-c", code, str(case.path)], capture_output=True, text=True, timeout=60)
    assert other.returncode == 1
    assert "the case is open in another window" in other.stderr


def test_a_file_changed_or_replaced_under_the_writer_is_noticed(tmp_path: Path) -> None:
    with create(tmp_path, "one", HEADER) as case:
        with case.path.open("ab") as stream:
            stream.write(b"{}\n")
        changed = case.path.read_bytes()
        with pytest.raises(StoreError, match="by another program"):
            case.append(EVENTS[0])
        assert case.path.read_bytes() == changed
    with create(tmp_path, "two", HEADER) as case:
        copy = tmp_path / "copy"
        copy.write_bytes(case.path.read_bytes())
        copy.replace(case.path)
        with pytest.raises(StoreError, match="by another program"):
            case.append(EVENTS[0])
        case.path.unlink()
        with pytest.raises(StoreError, match="by another program"):
            case.append(EVENTS[0])


def test_an_unwritable_file_cannot_be_resumed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = make(tmp_path)

    def refuse(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(store.os, "open", refuse)
    with pytest.raises(StoreError, match="cannot be opened for writing \\(Permission denied\\)"):
        resume(path)


def test_if_the_torn_line_cannot_be_kept_nothing_is_cut_off(tmp_path: Path) -> None:
    path = make(tmp_path)
    path.write_bytes(path.read_bytes() + b"{torn")
    before = path.read_bytes()
    (tmp_path / "one.torn").mkdir()
    with pytest.raises(StoreError):
        resume(path)
    assert path.read_bytes() == before
    (tmp_path / "one.torn").rmdir()
    resume(path)[1].close()


WRITER = """
import sys
from pathlib import Path
from expert.store import create, resume
path = Path(sys.argv[1])
if path.exists():
    saved, case = resume(path)
    number = len(saved.events)
else:
    case = create(path.parent, path.stem, {"layout": "l", "knowledge": "k"})
    number = 0
while True:
    case.append({"said": "word " * (number % 97), "facts": [["age", number, ""]]})
    number += 1
    print(number, flush=True)
"""


def test_nothing_acknowledged_is_lost_when_the_program_is_killed(tmp_path: Path) -> None:
    path = tmp_path / "killed.jsonl"
    total = 0
    for delay in (0.05, 0.11, 0.08, 0.17):
        with subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, text=True) as writer:
            assert writer.stdout is not None
            first = writer.stdout.readline()
            time.sleep(delay)
            writer.send_signal(signal.SIGKILL)
            acked = [
                int(line) for line in [first, *writer.stdout.read().splitlines(keepends=True)] if line[-1:] == "\n"
            ]
        saved = read(path)
        assert acked[0] == total + 1, "the killed writer's lock or torn line kept the next one out"
        assert len(acked) > 1
        assert acked[-1] <= len(saved.events) <= acked[-1] + 1
        assert [event["facts"][0][1] for event in saved.events] == list(range(len(saved.events)))
        total = len(saved.events)
