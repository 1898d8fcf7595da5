"""Malformed knowledge: every kind of error is reported with file, line, what is wrong and what is allowed.

Most errors are files in bad_knowledge/, laid into a copy of tiny_rules/, a small sound folder. Such a file begins
with a comment saying what is wrong with it, then has

    # expect: FILE:LINE: words | more words

for each problem to be reported, no more and no fewer. A part after

    # file: PATH

becomes that file; its lines keep their numbers, so LINE is a line of the file in bad_knowledge/. A part after

    # edit: PATH

replaces lines (`#-`) of that file of tiny_rules/ by others (`#+`); LINE `+2` is the second `#+` of the whole case.
LINE `?` is any line.
"""

from __future__ import annotations

import os
import random
import re
import shutil
import time
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path

import pytest

from expert import cli
from expert.chaining import chainer
from expert.diagnosis import Expert
from expert.facts import Fact
from expert.knowledge.ground import Ruleset
from expert.knowledge.lines import MOST_BYTES
from expert.knowledge.load import KINDS, NEEDED, SCALE, gather, load, load_with_places
from expert.knowledge.problems import KnowledgeError, Problem
from expert.lint import lint, survey
from expert.reference import chain as chain_plainly
from expert.trace import Trace

HERE = Path(__file__).parent
TINY = HERE / "tiny_rules"
CASES = sorted((HERE / "bad_knowledge").glob("*.yaml"))
AT_ONCE = 2.0  # seconds; what must be refused at once would otherwise take minutes or all memory


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the small sound folder, to be spoilt."""
    return shutil.copytree(TINY, tmp_path / "rules")


def lay(folder: Path, case: str) -> list[int]:
    """Lay the parts of a case into the folder; returns the line at which each `#+` came to stand."""
    added: list[int] = []
    lines = case.splitlines()
    starts = [number for number, line in enumerate(lines) if line.startswith(("# file: ", "# edit: "))]
    for start, end in zip(starts, [*starts[1:], len(lines)], strict=True):
        path = folder / lines[start][len("# file: ") :]
        if lines[start].startswith("# file: "):
            path.write_text("\n" * start + "\n".join(lines[start:end]) + "\n", encoding="utf-8")
            continue
        part = lines[start + 1 : end]
        old = "\n".join(line[2:] for line in part if line.startswith("#-"))
        new = [line[2:] for line in part if line.startswith("#+")]
        text = path.read_text(encoding="utf-8")
        before, found, after = f"\n{text}".partition(f"\n{old}\n")
        assert found, f"{path.name} has no lines\n{old}"
        added += [before.count("\n") + 1 + number for number in range(len(new))]
        path.write_text("\n".join([before, *new, after])[1:], encoding="utf-8")
    return added


def problems_of(folder: Path) -> list[Problem]:
    """All that is wrong with the folder."""
    return list(survey(folder, chainer).problems)


def only(folder: Path) -> str:
    """The one thing that is wrong with the folder, as it is shown."""
    (problem,) = problems_of(folder)
    return str(problem)


def checked(folder: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    """`firstwet check`: its exit code and what it says of errors."""
    code = cli.run(["check", "--rules", str(folder)])
    return code, capsys.readouterr().err


# --- the sound folder ------------------------------------------------------------------------------------


def test_the_small_folder_is_sound(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert problems_of(folder) == []
    assert cli.run(["check", "--rules", str(folder)]) == 0
    assert "All well: 6 rules" in capsys.readouterr().out


# --- one file for each kind of error ---------------------------------------------------------------------


@pytest.mark.parametrize("case", CASES, ids=lambda path: path.stem)
def test_malformed_file(case: Path, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = case.read_text(encoding="utf-8")
    expected = re.findall(r"^# expect: ([^:]+):(\+?\d+|\?): (.+)$", text, re.MULTILINE)
    assert expected, "the case says what it expects"
    added = lay(folder, text)

    started = time.monotonic()
    found = problems_of(folder)
    assert time.monotonic() - started < AT_ONCE

    left = list(found)
    for file, place, words in expected:
        line = str(added[int(place) - 1]) if place.startswith("+") else place
        fitting = [
            problem
            for problem in left
            if problem.file == file
            and line in ("?", str(problem.line))
            and all(part.strip() in str(problem) for part in words.split(" | "))
        ]
        assert fitting, f"nothing says {file}:{line}: {words}\n" + "\n".join(map(str, found))
        left.remove(fitting[0])
    assert not left, "more is reported than was expected"
    assert found == sorted(found)
    assert all(str(problem).isprintable() for problem in found)

    code, said = checked(folder, capsys)
    assert code in (1, 2)
    assert "Traceback" not in said
    assert all(line.isprintable() for line in said.splitlines())
    loaded = gather(folder)
    if loaded.problems:  # the knowledge cannot be used: everything that keeps it from that is told at once
        assert code == 2
        assert all(str(problem) in said for problem in loaded.problems)
        with pytest.raises(KnowledgeError) as failure:
            load(folder)
        assert set(failure.value.problems) == set(loaded.problems)
    else:
        assert code == 1
        assert all(str(problem) in said for problem in found)


def test_every_kind_of_entry_and_every_suggestion_is_covered() -> None:
    """The cases speak of each kind of entry, so that a new kind cannot be forgotten here."""
    said = "\n".join(path.read_text(encoding="utf-8") for path in CASES)
    for folder_name, (key, _) in KINDS.items():
        assert re.search(rf"^# (file|edit): {folder_name}", said, re.MULTILINE)
        assert re.search(rf"# expect: .*\b{key} '", said), key
    assert len(CASES) > 150


# --- files as bytes --------------------------------------------------------------------------------------


def test_not_utf8(folder: Path) -> None:
    (folder / "cautions" / "bad.yaml").write_bytes(b"- caution: extra\n  text: 5 \xb0C\n  basis: x\n")
    assert only(folder) == "cautions/bad.yaml:2: this is not UTF-8 text; save the file as UTF-8"


def test_utf16(folder: Path) -> None:
    (folder / "cautions" / "bad.yaml").write_text("- caution: extra\n", encoding="utf-16")
    assert only(folder) == "cautions/bad.yaml:1: this is not UTF-8 text; save the file as UTF-8"


def test_a_byte_order_mark_and_foreign_line_ends_are_harmless(folder: Path) -> None:
    text = "- {caution: extra, text: 5 °C, basis: x}\r\n- {caution: more, text: x, basis: x}\r\n"
    (folder / "cautions" / "more.yaml").write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert problems_of(folder) == []
    assert "more" in load(folder).cautions


@pytest.mark.parametrize("bad", ["\0", "\x1b[2J", "\x07", "\x9b"], ids=["nul", "escape", "bell", "c1"])
def test_control_character(folder: Path, bad: str) -> None:
    (folder / "cautions" / "bad.yaml").write_text(f"- caution: extra\n  text: x\n  basis: a{bad}b\n", encoding="utf-8")
    said = only(folder)
    assert said.startswith("cautions/bad.yaml:3: the character '\\x")
    assert "not allowed in YAML" in said
    assert said.isprintable()


def test_empty_file(folder: Path) -> None:
    (folder / "zones" / "bad.yaml").touch()
    assert only(folder) == "zones/bad.yaml:1: the file is empty; begin each entry with `- zone: ...`"


def test_empty_scale(folder: Path) -> None:
    (folder / SCALE).write_text("")
    assert "scale.yaml:1: scale is not made of `key: value` lines" in only(folder)


def test_binary_file(folder: Path) -> None:
    (folder / "zones" / "bad.yaml").write_bytes(random.Random(5).randbytes(4096))
    assert only(folder).startswith("zones/bad.yaml:")


def test_file_just_over_the_limit(folder: Path) -> None:
    (folder / "cautions" / "bad.yaml").write_bytes(b"#" * (MOST_BYTES + 1))
    assert only(folder) == (
        f"cautions/bad.yaml:1: the file has {MOST_BYTES + 1} bytes; at most {MOST_BYTES} are read; split the file"
    )


def test_huge_file_is_not_even_read(folder: Path) -> None:
    path = folder / "glossary.yaml"
    with path.open("wb") as stream:
        stream.truncate(2**40)  # no disk holds it, and no memory
    started = time.monotonic()
    said = only(folder)
    assert time.monotonic() - started < AT_ONCE
    assert said.startswith(f"glossary.yaml:1: the file has {2**40} bytes")


def test_nesting_far_beyond_any_stack(folder: Path) -> None:
    (folder / "cautions" / "bad.yaml").write_text("- " * 100_000 + "x\n")
    started = time.monotonic()
    assert "nested more than 12 deep" in only(folder)
    assert time.monotonic() - started < AT_ONCE


def test_many_faulty_entries_are_all_told(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    entries = "".join(f"- {{caution: extra-{n}, txt: x, basis: x}}\n" for n in range(500))
    (folder / "cautions" / "bad.yaml").write_text(entries)
    code, said = checked(folder, capsys)
    assert code == 2
    assert "(1000 problems)" in said
    assert "cautions/bad.yaml:500: caution 'extra-499': the key 'txt' is not known here; did you mean 'text'" in said


# --- files and folders -----------------------------------------------------------------------------------


def test_stray_file(folder: Path) -> None:
    (folder / "README.txt").write_text("Read me.\n")
    said = only(folder)
    assert said.startswith("README.txt:1: this file has no place here; allowed: cautions/, zones/, findings/")
    assert said.endswith("glossary.yaml, arithmetic/, plan/, simulation/, scale.yaml")


def test_stray_file_inside_a_folder(folder: Path) -> None:
    (folder / "zones" / "all.yaml~").write_text("- zone: extra\n")
    assert only(folder) == "zones/all.yaml~:1: this file has no place here; only .yaml files are read; remove it"


def test_misspelled_folder(folder: Path) -> None:
    (folder / "heuristic").mkdir()
    (folder / "heuristic" / "more.yaml").write_text("- rule: extra\n")
    assert only(folder) == "heuristic:1: this folder has no place here; did you mean 'heuristics/'?"


def test_unknown_folder_is_not_walked_through(folder: Path) -> None:
    deep = folder / "pictures"
    for number in range(30):
        (deep / str(number)).mkdir(parents=True)
        (deep / str(number) / "x.yaml").write_text("x")
    assert len(problems_of(folder)) == 1


def test_hidden_files_are_left_alone(folder: Path) -> None:
    (folder / ".git").mkdir()
    (folder / ".git" / "config").write_text("x")
    assert problems_of(folder) == []


def test_simulation_folder_is_not_the_experts(folder: Path) -> None:
    (folder / "simulation").mkdir()
    (folder / "simulation" / "physics.yaml").write_text("!!python/object:os.system [x]\n")
    assert problems_of(folder) == []


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="links are not made here")
def test_links(folder: Path, tmp_path: Path) -> None:
    (folder / "zones" / "linked.yaml").symlink_to(tmp_path / "nowhere.yaml")
    (folder / "cautions" / "password.yaml").symlink_to("/etc/passwd")
    shutil.move(folder / "repairs", tmp_path / "elsewhere")
    (folder / "repairs").symlink_to(tmp_path / "elsewhere")
    assert list(map(str, problems_of(folder))) == [
        "cautions/password.yaml:1: this is a link; put the file itself into the folder",
        "repairs:1: this is a link; allowed: put the file or folder itself there",
        "zones/linked.yaml:1: this is a link; put the file itself into the folder",
    ]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no named pipes here")
def test_named_pipe_does_not_hang(folder: Path) -> None:
    os.mkfifo(folder / "zones" / "pipe.yaml")
    assert only(folder) == "zones/pipe.yaml:1: this file has no place here; only .yaml files are read; remove it"


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything")
def test_unreadable_file(folder: Path) -> None:
    (folder / "glossary.yaml").chmod(0)
    assert only(folder) == "glossary.yaml:1: it cannot be read: Permission denied; check its permissions"


def test_file_that_fails_while_being_read(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(path: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", fail)
    said = [str(problem) for problem in problems_of(folder)]
    assert "glossary.yaml:1: it cannot be read: Permission denied; check its permissions" in said
    assert all("cannot be read" in line for line in said), "what the files might have said is not missed as well"


def test_file_where_a_folder_belongs(folder: Path) -> None:
    shutil.rmtree(folder / "repairs")
    (folder / "repairs").write_text("x")
    assert only(folder) == "repairs:1: this is no folder; allowed: a folder of .yaml files"


def test_folder_where_a_file_belongs(folder: Path) -> None:
    (folder / "glossary.yaml").unlink()
    (folder / "glossary.yaml").mkdir()
    assert only(folder) == "glossary.yaml:1: this is a folder; allowed: a file"


def test_missing_scale(folder: Path) -> None:
    (folder / SCALE).unlink()
    assert only(folder) == "scale.yaml:1: the file is missing; it holds the words with numbers behind them"


@pytest.mark.parametrize("kind", NEEDED)
def test_missing_kind_is_told_once(folder: Path, kind: str) -> None:
    shutil.rmtree(folder / kind)
    assert only(folder) == f"{kind}:1: no entry was found; put at least one file into {kind}/"


def test_everything_missing(tmp_path: Path) -> None:
    said = [str(problem) for problem in problems_of(tmp_path)]
    assert [line.split(":")[0] for line in said] == sorted((*NEEDED, SCALE))


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ("nowhere", "there is no such folder"),
        ("rules/scale.yaml", "this is a file, not a folder"),
        ("rules/scale.yaml/deeper", "this is a file, not a folder"),
        ("x" * 5000, "the folder cannot be read (File name too long)"),
        ("no\nwhere\x1b[31m", "there is no such folder"),
    ],
    ids=["missing", "file", "below-a-file", "too-long", "control-characters"],
)
def test_folder_that_is_none(
    tmp_path: Path, folder: Path, given: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, said = checked(tmp_path / given, capsys)
    assert code == 2
    assert words in said
    assert "--rules" in said
    assert len(said.splitlines()) == 2
    assert all(line.isprintable() for line in said.splitlines())


# --- all at once -----------------------------------------------------------------------------------------


def test_problems_of_several_files_come_sorted_and_once(folder: Path) -> None:
    (folder / "zones" / "a.yaml").write_text("x: [\n")
    (folder / "cautions" / "b.yaml").write_text("- {caution: B, text: x, basis: x}\n- {caution: b, txt: x}\n")
    (folder / "notes.txt").write_text("x")
    with pytest.raises(KnowledgeError) as failure:
        load_with_places(folder)
    found = failure.value.problems
    assert [(problem.file, problem.line) for problem in found] == [
        ("cautions/b.yaml", 1),
        ("cautions/b.yaml", 2),
        ("cautions/b.yaml", 2),
        ("cautions/b.yaml", 2),
        ("notes.txt", 1),
        ("zones/a.yaml", 2),
    ]
    assert list(found) == sorted(set(found))
    assert str(failure.value).splitlines() == [str(problem) for problem in found]


def test_lint_of_a_base_that_loads_agrees_with_the_survey(folder: Path) -> None:
    lay(folder, (HERE / "bad_knowledge" / "unlooked.yaml").read_text(encoding="utf-8"))
    base, places = load_with_places(folder)
    assert sorted(lint(base, places, chainer)) == list(survey(folder, chainer).problems)


def test_order_of_files_and_bytes_make_the_digest(folder: Path) -> None:
    before = load(folder).digest
    assert load(folder).digest == before
    (folder / "cautions" / "more.yaml").write_text("- {caution: extra, text: x, basis: x}\n")
    assert load(folder).digest != before


# --- anything at all -------------------------------------------------------------------------------------

SCRAPS = (
    "x", "no", "0", "-1", "1e308", "nan", "[]", "{}", "[x]", "{x: y}", "'", '"', ":", "- ", "#", "*a", "&a b", "!t x",
    "\t", "  ", "\n", "---", "|", ">", "? ", "zone", "Z", "> 5", "lid-edge", "colour", "oil", "sources first seen at Z",
    "every zone draining into Z", "other sources", "after-clean", "é", "\u2028", "%", "@", "`", ",",
)  # fmt: skip


def plain_chainer(ruleset: Ruleset) -> Callable[[Iterable[Fact]], Trace]:
    """The reference chainer in the engine's place: hundreds of engines would not fit in memory."""
    return partial(chain_plainly, ruleset)


def spoilt(random_: random.Random, text: str) -> str:
    """The text with one to three small accidents."""
    for _ in range(random_.randint(1, 3)):
        lines = text.split("\n")
        at = random_.randrange(len(lines))
        line = lines[at]
        match random_.randrange(6):
            case 0:
                del lines[at]
            case 1:
                lines.insert(at, lines[random_.randrange(len(lines))])
            case 2:
                cut = random_.randrange(len(line) + 1)
                lines[at] = line[:cut] + random_.choice(SCRAPS) + line[cut:]
            case 3:
                key, colon, _ = line.partition(": ")
                lines[at] = key + colon + random_.choice(SCRAPS)
            case 4:
                word = random_.choice(re.findall(r"[\w-]+", text) or ["x"])
                lines[at] = re.sub(r"[\w-]+", word, line, count=1)
            case 5:
                lines[at] = "  " * random_.randint(0, 3) + line.strip()
        text = "\n".join(lines)
    return text


@pytest.mark.parametrize("seed", range(8))
def test_spoilt_knowledge_is_reported_or_works(seed: int, folder: Path) -> None:
    """Accidents at random places end in problems with a file and a line, or in knowledge that can be used."""
    random_ = random.Random(seed)
    files = sorted(path for path in folder.rglob("*.yaml"))
    reported = 0
    for _ in range(60):
        path = random_.choice(files)
        sound = path.read_text(encoding="utf-8")
        path.write_text(spoilt(random_, sound), encoding="utf-8")
        found = survey(folder, plain_chainer)
        reported += bool(found.problems)
        for problem in found.problems:
            assert problem.line >= 1
            assert problem.what
            assert str(problem).isprintable()
            assert (folder / problem.file).exists() or problem.allowed
        if found.base is not None:
            expert = Expert(found.base.machine(found.base.default_layout), plain_chainer)
            belief = expert.diagnose([]).belief
            assert all(0 <= chance <= 1 for chance in belief.marginals.values())
        path.write_text(sound, encoding="utf-8")
    assert reported > 20
