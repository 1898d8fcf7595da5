"""Case files: one JSON object a line, only ever appended to, chained by checks.

Line 1 is the header, every later line an event. An event is on the disk before `append` returns.
Each line carries a `check` made from the line before and itself, so a changed, removed or reordered line is
noticed. A last line cut short (a crash, a power cut) is
tolerated and reported; damage anywhere else is an error that names the file and the line.
"""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import itertools
import json
import os
import re
import stat
import sys
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, NoReturn

import platformdirs

if sys.platform != "win32":
    import fcntl

VERSION = 1
SUFFIX = ".jsonl"
LONGEST_LINE = 1_000_000  # bytes, the newline included

_CASE_ID = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9._-]{0,99}", re.ASCII)
_CASE_ID_ALLOWED = "Allowed are letters a to z, digits, - and _, up to 100 of them; also dots, but not first."
_HEADER_TEXTS = ("case", "layout", "knowledge")
_OURS = ("firstwet", "case", "check")
_LINES_ALLOWED = "Every line is one JSON object exactly as firstwet wrote it"
_LENGTH_ALLOWED = f"At most {LONGEST_LINE} bytes are allowed in one line"
_EVENT_ALLOWED = (
    'An event has "said", a text, and "facts", a list of [finding, value, stage] '
    "where finding and stage are texts and value is a text or a number"
)
_CONFIRMED_ALLOWED = 'Where an event has "confirmed", it is the list of the sources that the repair proved, by id'
_OVERLAY_ALLOWED = (
    'It has "digest" and "knowledge", texts, "cases", a number, and "chances", an object that gives each source '
    "a number between 0 and 1"
)

Record = dict[str, Any]

# How a line of each version still readable becomes a line of today's version.
_UPGRADES: Mapping[int, Callable[[Record], Record]] = {VERSION: lambda record: record}


class StoreError(Exception):
    """A case file cannot be used. Its text is for people: where, what is wrong, what is allowed, what to do.

    `path` and `line` (from 1) are None where the trouble is not in a file or not in one line.
    """

    def __init__(self, wrong: str, allowed: str, todo: str, path: Path | None = None, line: int | None = None) -> None:
        self.path, self.line = path, line
        place = "" if path is None else shown(path) + ("" if line is None else f", line {line}") + ": "
        super().__init__(" ".join(f"{part.rstrip('.')}." for part in (place + wrong, allowed, todo) if part))


class _BadLineError(Exception):
    """What is wrong with one line, what is allowed there and what to do; where it is, comes later."""

    def __init__(self, wrong: str, allowed: str = _LINES_ALLOWED, todo: str = "") -> None:
        super().__init__(wrong)
        self.wrong, self.allowed, self.todo = wrong, allowed, todo


@dataclass(frozen=True)
class Saved:
    """A case as read from its file; header and events come without their checks.

    `torn` is None, or the text of an incomplete last line that was left out (escaped, so safe to show).
    """

    path: Path
    header: Mapping[str, Any]
    events: tuple[Mapping[str, Any], ...]
    torn: str | None = None

    @property
    def confirmed(self) -> tuple[str, ...]:
        """The sources that the repair proved, by what was last said of it; none where the case is open."""
        said = [event["confirmed"] for event in self.events if "confirmed" in event]
        return tuple(said[-1]) if said else ()


@dataclass(frozen=True)
class Listed:
    """One case file of a folder. Of an unreadable one `header` is None and `problem` says why."""

    case: str
    path: Path
    header: Mapping[str, Any] | None
    events: int
    torn: bool
    problem: str
    confirmed: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Scan:
    """A case as read, and what is needed to go on writing: `sound` bytes end in `check`."""

    saved: Saved
    check: str
    sound: int
    torn: bytes
    newline_lost: bool


def shown(name: object) -> str:
    """A name or path for people: whatever a screen would not simply print is escaped."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in str(name))


def default_folder() -> Path:
    """Where this user's cases live on this operating system."""
    return Path(platformdirs.user_data_dir("firstwet", appauthor=False)) / "cases"


def path_of(folder: Path, case_id: str) -> Path:
    """The file of a case, whether or not it exists. StoreError for an id that is no safe file name."""
    if not _CASE_ID.fullmatch(case_id):
        wrong = f'the case name "{shown(case_id)}" cannot be a file\'s name'
        raise StoreError(wrong, _CASE_ID_ALLOWED, "Choose another name")
    return folder / f"{case_id}{SUFFIX}"


# --- one line -------------------------------------------------------------------------------------


def _canonical(record: Mapping[str, Any]) -> bytes:
    """The one spelling of a record; ValueError for NaN or infinity, TypeError for what is not JSON."""
    text = json.dumps(record, ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":"))
    # A terminal may hand over half characters (lone surrogates); their escape is what JSON writes for them.
    return text.encode("utf-8", "backslashreplace")


def _without_duplicates(pairs: list[tuple[str, Any]]) -> Record:
    found = dict(pairs)
    if len(found) < len(pairs):
        twice, _ = Counter(name for name, _ in pairs).most_common(1)[0]
        raise _BadLineError(f'the key "{shown(twice)}" stands twice in one object')
    return found


def _no_such_number(word: str) -> NoReturn:
    raise _BadLineError(f"{word} is not a number that JSON knows")


def _parse(line: bytes) -> Record:
    """A line's object. _BadLineError for anything else."""
    if not line.strip():
        raise _BadLineError("the line is blank")
    if b"\0" in line:
        raise _BadLineError("the line holds nul bytes, as a disk may leave after a power cut")
    try:
        text = line.decode("utf-8")
        found = json.loads(text, object_pairs_hook=_without_duplicates, parse_constant=_no_such_number)
    except UnicodeDecodeError as error:
        raise _BadLineError(f"byte {error.start + 1} of the line is not UTF-8 text") from None
    except json.JSONDecodeError as error:
        raise _BadLineError(f"the line is not JSON ({error.msg}, column {error.colno})") from None
    except (ValueError, RecursionError) as error:
        raise _BadLineError(f"the line cannot be read ({shown(error)})") from None
    if not isinstance(found, dict):
        raise _BadLineError("the line is JSON but not an object in braces")
    return found


def _check_of(before: str, record: Mapping[str, Any]) -> str:
    return hashlib.sha256(before.encode("ascii") + _canonical(record)).hexdigest()[:12]


def _sealed(record: Mapping[str, Any], before: str) -> tuple[bytes, str]:
    """The record's line with its newline, and its check. _BadLineError for what would not read back."""
    try:
        # What is read back is what is checked: tuples become lists, half characters may join into whole ones.
        plain = _parse(_canonical(record))
        check = _check_of(before, plain)
        line = _canonical({**plain, "check": check}) + b"\n"
    except (TypeError, ValueError, RecursionError) as error:
        raise _BadLineError(f"it is not plain JSON ({shown(error)})") from None
    if len(line) > LONGEST_LINE:
        raise _BadLineError(f"it would make a line of {len(line)} bytes", _LENGTH_ALLOWED)
    return line, check


def _unsealed(record: Record, before: str) -> tuple[Record, str]:
    """The record and its check, parted. _BadLineError if the check does not follow from the line before."""
    check = record.pop("check", None)
    if check is None:
        raise _BadLineError('the line has no "check"')
    try:
        right = _check_of(before, record)
    except (ValueError, RecursionError) as error:
        raise _BadLineError(f"the line cannot be read ({shown(error)})") from None
    if check != right:
        raise _BadLineError(
            "the check does not match: this line was changed after it was written, or lines before it were "
            "removed, added or moved"
        )
    return record, right


def _version(record: Mapping[str, Any]) -> int:
    found = record.get("firstwet")
    if found is None:
        raise _BadLineError('this is not a firstwet case: the first line has no "firstwet"')
    # bool is an int in Python, but `true` is no version.
    if type(found) is int and found > VERSION:
        raise _BadLineError(
            f"the case was made by a newer firstwet (format {found})",
            f"This one reads up to format {VERSION}",
            "Install the newest firstwet and open the case with that",
        )
    if type(found) is not int or found not in _UPGRADES:
        raise _BadLineError(f'"firstwet" is {shown(found)}', f"The format is a number from 1 to {VERSION}")
    return found


def _check_header(record: Mapping[str, Any]) -> None:
    for name in _HEADER_TEXTS:
        if not isinstance(record.get(name), str):
            raise _BadLineError(f'the header\'s "{name}" is missing or not a text')
    if "overlay" in record and not _is_overlay(record["overlay"]):
        raise _BadLineError("the header's \"overlay\" is not a shop's figures", _OVERLAY_ALLOWED)


def _is_overlay(found: object) -> bool:
    if not isinstance(found, dict) or not all(isinstance(found.get(name), str) for name in ("digest", "knowledge")):
        return False
    cases, chances = found.get("cases"), found.get("chances")
    counted = type(cases) is int and cases > 0
    return counted and isinstance(chances, dict) and all(type(c) is float and 0 < c < 1 for c in chances.values())


def _is_fact(fact: object) -> bool:
    if not isinstance(fact, list | tuple) or len(fact) != 3:
        return False
    finding, value, stage = fact
    texts = isinstance(finding, str) and isinstance(stage, str)
    return texts and isinstance(value, str | int | float) and not isinstance(value, bool)


def _check_event(record: Mapping[str, Any]) -> None:
    if not isinstance(record.get("said"), str):
        raise _BadLineError('the event\'s "said" is missing or not a text', _EVENT_ALLOWED)
    for name in ("facts", "taken-back"):
        facts = record.get(name, [] if name == "taken-back" else None)
        if not isinstance(facts, list | tuple):
            raise _BadLineError(f'the event\'s "{name}" are missing or not a list', _EVENT_ALLOWED)
        for number, fact in enumerate(facts, 1):
            if not _is_fact(fact):
                wrong = f'fact {number} of the event\'s "{name}" is not [finding, value, stage]'
                raise _BadLineError(wrong, _EVENT_ALLOWED)
    confirmed = record.get("confirmed", ())
    if not isinstance(confirmed, list | tuple) or not all(isinstance(source, str) for source in confirmed):
        raise _BadLineError('the event\'s "confirmed" is not a list of texts', _CONFIRMED_ALLOWED)


# --- one file -------------------------------------------------------------------------------------


def _scan(stream: BinaryIO, path: Path) -> _Scan:
    """The whole case from the stream's place on. StoreError for anything but a torn last line."""
    version = VERSION
    check = ""
    records: list[Record] = []
    sound = 0
    torn = b""
    newline_lost = False
    for number in itertools.count(1):
        line = stream.readline(LONGEST_LINE + 1)
        if not line:
            break
        ended = line.endswith(b"\n")
        try:
            if len(line) > LONGEST_LINE:
                ended = True  # longer than any line ever begun by firstwet, so no torn one
                raise _BadLineError("the line is too long", _LENGTH_ALLOWED)
            record = _parse(line)
            if number == 1:
                version = _version(record)
            record, check = _unsealed(record, check)
            record = _UPGRADES[version](record)
            (_check_header if number == 1 else _check_event)(record)
        except _BadLineError as bad:
            if not ended and number > 1:
                torn = line
                break
            half = "" if ended else "the first line was not written to its end, so nothing is kept: "
            wrong = half + bad.wrong
            raise StoreError(wrong, bad.allowed, bad.todo or _todo(number), path, number) from None
        records.append(record)
        sound += len(line)
        newline_lost = not ended
    if not records:
        raise StoreError("the file is empty", "A case begins with a header line", _todo(1), path)
    text = shown(torn.decode("utf-8", "backslashreplace")) if torn else None
    saved = Saved(path=path, header=records[0], events=tuple(records[1:]), torn=text)
    return _Scan(saved, check, sound, torn, newline_lost)


def _todo(line: int) -> str:
    if line == 1:
        return "Put back a good copy of the file, or remove it and start a new case"
    sound = "Line 1 is" if line == 2 else f"Lines 1 to {line - 1} are"
    return f"{sound} sound. Put back a good copy of the file, or cut it off after line {line - 1}"


def _failed(doing: str, path: Path, error: OSError) -> StoreError:
    """An operating system's refusal, as a StoreError."""
    if isinstance(error, FileNotFoundError):
        return StoreError("there is no such file", "", "List the cases to see which there are", path)
    reason = error.strerror or type(error).__name__
    writing = "" if doing == "read" else ", or make room on the disk"
    return StoreError(
        f"the file cannot be {doing} ({reason})",
        "firstwet must be able to read and write its cases",
        f"See to the permissions{writing}, then try again",
        path,
    )


def _refuse_irregular(path: Path) -> None:
    """StoreError for a folder, device or pipe (opening a pipe would wait for ever); OSError if none."""
    mode = path.stat().st_mode
    if not stat.S_ISREG(mode):
        kind = "a folder" if stat.S_ISDIR(mode) else "not a plain file"
        allowed = f"A case is a plain file NAME{SUFFIX}"
        raise StoreError(f"this is {kind}", allowed, "Name the case's file", path)


def read(path: Path) -> Saved:
    """The case in a file. StoreError if it cannot be read or was damaged anywhere but in a torn last line."""
    try:
        _refuse_irregular(path)
        with path.open("rb") as stream:
            return _scan(stream, path).saved
    except OSError as error:
        raise _failed("read", path, error) from None


def listing(folder: Path) -> list[Listed]:
    """The cases of a folder, last written first, then by name; unreadable ones are listed with their problem.

    A folder that does not exist has no cases. StoreError if the folder itself cannot be read.
    """
    try:
        paths = [entry for entry in folder.iterdir() if entry.suffix == SUFFIX]
    except FileNotFoundError:
        return []
    except OSError as error:
        raise _failed("read", folder, error) from None
    return [_listed(path) for path in sorted(paths, key=lambda path: (-_written(path), path.name))]


def _written(path: Path) -> int:
    try:
        return path.stat().st_mtime_ns
    except OSError:  # gone meanwhile, or a dangling link: reading it will say so
        return 0


def _listed(path: Path) -> Listed:
    try:
        saved = read(path)
    except StoreError as error:
        return Listed(path.stem, path, None, 0, False, str(error))
    return Listed(path.stem, path, saved.header, len(saved.events), saved.torn is not None, "", saved.confirmed)


# --- writing --------------------------------------------------------------------------------------


class CaseFile:
    """A case open for appending, locked against a second writer where the system can lock.

    Made by `create` and `resume` only. Leaving its `with` block closes it.
    """

    def __init__(self, path: Path, descriptor: int, size: int, check: str) -> None:
        self.path = path
        self._descriptor: int | None = descriptor
        # One attribute, so that an interrupt never parts the file's length from the check it ends in.
        self._end = (size, check)
        self._half_written = False

    def append(self, event: Mapping[str, Any]) -> None:
        """Write one event and wait until it is on the disk.

        StoreError if it is no event, or could not be written; the file then still ends where it ended before,
        and the same call may be tried again.
        """
        if self._descriptor is None:
            raise StoreError("the case is closed", "", "Open the case again", self.path)
        try:
            if "check" in event:
                raise _BadLineError('the name "check" is kept for firstwet itself', _EVENT_ALLOWED)
            _check_event(event)
            line, check = _sealed(event, self._end[1])
        except _BadLineError as bad:
            wrong = f"an event cannot be kept: {bad.wrong}"
            raise StoreError(wrong, bad.allowed, bad.todo, self.path) from None
        self._add(line, check)

    def close(self) -> None:
        """Give up the file and its lock. Closing twice is harmless."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None

    def __enter__(self) -> CaseFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _add(self, data: bytes, check: str) -> None:
        """Put bytes at the end and on the disk, all or none. StoreError if that fails."""
        assert self._descriptor is not None
        try:
            self._see_that_it_is_ours(self._descriptor)
            size = self._end[0]
            # Set before and cleared after, so that even an interrupt in between leaves nothing half done: the
            # next append first cuts off whatever this one left.
            self._half_written = True
            _write_all(self._descriptor, data, size)
        except OSError as error:
            with contextlib.suppress(OSError):
                self._cut_back(self._descriptor)
            raise _failed("written", self.path, error) from None
        self._end = (size + len(data), check)
        self._half_written = False

    def _see_that_it_is_ours(self, descriptor: int) -> None:
        """StoreError if another program replaced, moved or changed the file since the last append."""
        self._cut_back(descriptor)
        ours = os.fstat(descriptor)
        try:
            same = os.path.samestat(ours, self.path.stat())
        except FileNotFoundError:
            same = False
        if not same or ours.st_size != self._end[0]:
            raise StoreError(
                "the file was changed, moved or removed by another program while the case was open",
                "Only firstwet may write to an open case",
                "Look at the file, then open the case again",
                self.path,
            )

    def _cut_back(self, descriptor: int) -> None:
        """Cut off what an append that failed or was interrupted may have left. OSError if that fails."""
        if self._half_written:
            os.ftruncate(descriptor, self._end[0])
            self._half_written = False


def _write_all(descriptor: int, data: bytes, at: int) -> None:
    """All the bytes at that place, flushed to the disk. OSError if not all could be written."""
    os.lseek(descriptor, at, os.SEEK_SET)
    left = memoryview(data)
    while left:
        left = left[os.write(descriptor, left) :]
    os.fsync(descriptor)


def _lock(descriptor: int, path: Path) -> None:
    """Keep other writers out until the descriptor is closed. StoreError if one is in already."""
    if sys.platform != "win32":
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise StoreError(
                "the case is open in another window",
                "One window at a time can add to a case",
                "Go on there, or close it there first",
                path,
            ) from None
        except OSError:
            pass  # some network disks cannot lock; the check on the file's size still notices a second writer


def _sync_folder(folder: Path) -> None:
    """Put a new file's name on the disk too, where the system can open folders."""
    if sys.platform != "win32":
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            with contextlib.suppress(OSError):  # some network disks cannot flush a folder
                os.fsync(descriptor)
        finally:
            os.close(descriptor)


def create(
    folder: Path,
    case_id: str | None,
    header: Mapping[str, Any],
    now: Callable[[], str] | None = None,
) -> CaseFile:
    """Begin a case in the folder, which is made if need be. `header` has at least "layout" and "knowledge".

    `now` gives the time in ISO 8601, kept as "at"; without it no time is kept. Without an id the case is
    named by the day and the first number free, such as 2026-11-25-1. StoreError for an unsafe id, one that
    exists, a wrong header, or a file that cannot be written; nothing is left behind then.
    """
    at = {} if now is None else {"at": now()}
    day = at["at"][:10] if at else datetime.date.today().isoformat()
    ids = [case_id] if case_id is not None else (f"{day}-{number}" for number in itertools.count(1))
    for name in ids:
        path = path_of(folder, name)
        try:
            taken = next((key for key in _OURS if key in header), None)
            if taken:
                raise _BadLineError(f'the name "{taken}" is kept for firstwet itself')
            record = {**header, **at, "firstwet": VERSION, "case": name}
            _check_header(record)
            line, check = _sealed(record, "")
        except _BadLineError as bad:
            raise StoreError(f"the case cannot be begun: {bad.wrong}", bad.allowed, bad.todo, path) from None
        try:
            return _begin(path, line, check)
        except FileExistsError:
            continue
        except OSError as error:
            raise _failed("made", path, error) from None
    raise StoreError(
        f'a case named "{shown(case_id)}" exists already',
        "Every case has a name of its own",
        "Choose another name, or go on with that case",
        path,
    )


def _begin(path: Path, line: bytes, check: str) -> CaseFile:
    """A new case file with its header on the disk. FileExistsError if the name is taken."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        raise NotADirectoryError(0, "its folder is not a folder") from None
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
    try:
        _lock(descriptor, path)
        _write_all(descriptor, line, 0)
        _sync_folder(path.parent)
    except BaseException:
        os.close(descriptor)
        path.unlink(missing_ok=True)
        raise
    return CaseFile(path, descriptor, len(line), check)


def resume(path: Path) -> tuple[Saved, CaseFile]:
    """Open a case to go on with it: what it holds, and the file to append to.

    A torn last line is first added to NAME.torn beside it and then cut off; a lost last newline is put back.
    StoreError as for `read`, and if the case cannot be written or is open elsewhere.
    """
    try:
        _refuse_irregular(path)
        descriptor = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
    except OSError as error:
        raise _failed("opened for writing", path, error) from None
    try:
        _lock(descriptor, path)
        with os.fdopen(descriptor, "rb", closefd=False) as stream:
            scan = _scan(stream, path)
        if scan.torn:
            _keep_torn(path.with_suffix(".torn"), scan.torn)
            os.ftruncate(descriptor, scan.sound)
            os.fsync(descriptor)
        case = CaseFile(path, descriptor, scan.sound, scan.check)
        if scan.newline_lost:
            case._add(b"\n", scan.check)
        return scan.saved, case
    except OSError as error:
        os.close(descriptor)
        raise _failed("written", path, error) from None
    except BaseException:
        os.close(descriptor)
        raise


def _keep_torn(path: Path, torn: bytes) -> None:
    """Add a torn line to the file of torn lines, on the disk before the line is cut off elsewhere."""
    with path.open("ab") as stream:
        stream.write(torn + b"\n")
        stream.flush()
        os.fsync(stream.fileno())
