"""A saved session printed again: the same bytes every time, and told where it is read otherwise today."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from demos import DEMOS, FOLDER
from driving import ROOT, Run, firstwet

from expert import store
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.load import load, packaged_rules

# A case with everything in it that changes the case: answers, both ways out of a contradiction, taking back, a stage.
LINES = [
    "25 years old",
    "red fluid, pan wet, bellhousing hole dry",
    "why",
    "unknown",
    "pan dry",
    "help",
    "2",
    "bellhousing hole wet",
    "back",
    "forget colour",
    "",
    "flurbs are glorping",
    "I don't know the smell",
    "cleaned everything and took a short drive",
    "engine rear wet, pan dry",
    "99",
    "so far",
    "pan wet",
    "unknown",
    "map",
    "conclude",
    "plan",
    "back",
    "quit",
]


@pytest.fixture
def session(run: Run, tmp_path: Path) -> tuple[Path, str]:
    """The file of a whole piped session, and what it printed."""
    done = run("ask", "--case-dir", str(tmp_path), "--case", "one", stdin="\n".join(LINES))
    return tmp_path / "one.jsonl", done.out


def made(folder: Path, *events: dict[str, Any], knowledge: str) -> Path:
    """A case file that another version of the knowledge might have written."""
    with store.create(folder, "made", {"layout": "rear-drive-four-speed", "knowledge": knowledge}) as keep:
        for event in events:
            keep.append(event)
    return keep.path


def test_a_replay_is_what_the_pipe_said(run: Run, session: tuple[Path, str]) -> None:
    path, said = session
    replayed = run("replay", str(path))
    assert replayed.out == said
    assert (replayed.code, replayed.err) == (0, "")
    assert "Which is right?" in said
    assert "CAUTION" in said


def test_two_replays_are_the_same_bytes(session: tuple[Path, str]) -> None:
    """In two processes, with words hashed otherwise."""
    path, said = session
    runs = [firstwet("replay", str(path), env={"PYTHONHASHSEED": seed}) for seed in ("3", "77")]
    assert runs[0].stdout == runs[1].stdout == said
    assert [done.returncode for done in runs] == [0, 0]


def test_replaying_changes_nothing(run: Run, session: tuple[Path, str]) -> None:
    path, _ = session
    before = path.read_bytes()
    run("replay", str(path))
    assert path.read_bytes() == before
    assert [entry.name for entry in path.parent.iterdir()] == [path.name]


def test_every_input_is_kept_with_the_facts_it_stated(session: tuple[Path, str]) -> None:
    events = store.read(session[0]).events
    assert [event["said"] for event in events] == LINES
    assert events[0]["facts"] == [["vehicle-age", 25.0, ""]]
    assert ["pan-bottom", "wet", "as-found"] in events[1]["facts"]
    assert events[4]["facts"] == []  # a contradiction states nothing until it is settled
    assert events[6]["facts"] == [["pan-bottom", "dry", "as-found"]]
    assert events[6]["taken-back"] == [["pan-bottom", "wet", "as-found"]]
    assert events[9]["taken-back"] == [["colour", "red", ""]]
    assert ["pan-bottom", "dry", "after-clean"] in events[14]["facts"]
    assert all("asks" in event for event in events[:3])


def test_cases_show_is_the_replay(run: Run, session: tuple[Path, str]) -> None:
    path, said = session
    assert run("cases", "show", "one", "--case-dir", str(path.parent)).out == said


def test_a_cut_session_replays_up_to_the_cut(run: Run, session: tuple[Path, str], tmp_path: Path) -> None:
    path, said = session
    whole = path.read_bytes()
    cut = tmp_path / "cut.jsonl"
    cut.write_bytes(b"".join(whole.splitlines(keepends=True)[:8]))
    done = run("replay", str(cut))
    assert said.startswith(done.out)
    assert len(done.out) < len(said)


def test_other_knowledge_is_told_on_standard_error(run: Run, tmp_path: Path, kb: KnowledgeBase) -> None:
    event = {"said": "pan wet", "facts": [["pan-bottom", "wet", "as-found"]]}
    path = made(tmp_path, event, knowledge="of last year")
    done = run("replay", str(path))
    assert "Recorded with other knowledge (of last year)" in done.err
    assert kb.digest in done.err
    assert "Recorded" not in done.out
    assert done.code == 0, "it still reads as it did"


def test_what_is_read_otherwise_is_told_line_by_line(run: Run, tmp_path: Path, kb: KnowledgeBase) -> None:
    """The recorded facts stand, whatever the words mean today; the exit code tells that something differs."""
    path = made(
        tmp_path,
        {"said": "pan wet", "facts": [["pan-bottom", "wet", "as-found"]]},
        {"said": "bellhousing hole wet", "facts": [["bellhousing-hole", "damp", "as-found"]]},
        {"said": "gloopy all over", "facts": [["colour", "red", ""], ["engine-rear", "wet", "as-found"]]},
        {"said": "smell burnt", "facts": [["smell", "burnt", ""]]},
        {"said": "never mind", "facts": [], "taken-back": [["colour", "red", ""]]},
        {"said": "facts", "facts": []},
        knowledge=kb.digest,
    )
    done = run("replay", str(path))
    assert done.code == 1
    told = [line.split(":")[0] for line in done.err.splitlines()]
    assert told == ["line 3", "line 4", "line 6"]
    listed = done.out.rsplit("> facts", 1)[1]
    assert "bellhousing: damp" in listed
    assert "back of the engine above the bellhousing: wet" in listed
    assert "colour" not in listed


def test_a_recorded_drive_still_moves_the_stage(run: Run, tmp_path: Path, kb: KnowledgeBase) -> None:
    """Read otherwise or not, what follows was seen after the drive."""
    path = made(
        tmp_path,
        {"said": "did the thing", "facts": [["cleaned-and-driven", "short drive", ""]]},
        {"said": "pan wet", "facts": [["pan-bottom", "wet", "after-clean"]]},
        knowledge=kb.digest,
    )
    done = run("replay", str(path))
    assert [line.split(":")[0] for line in done.err.splitlines()] == ["line 2"]
    assert "pan and its drain plug: wet (after clean and short drive)" in " ".join(done.out.split())


def demos() -> Iterator[Path]:
    """The sessions that travel with the program."""
    yield from sorted((ROOT / "transcripts_demo").glob("*.jsonl"))


@pytest.mark.parametrize("path", list(demos()), ids=lambda path: path.stem)
def test_the_demo_sessions_replay(path: Path) -> None:
    """Each reads today as it did, on its own layout, and ends in a conclusion."""
    done = firstwet("replay", str(path))
    assert (done.returncode, [line for line in done.stderr.splitlines() if line.startswith("line ")]) == (0, [])
    assert "How likely each source is" in done.stdout


@pytest.mark.parametrize("name", [name for name, demo in DEMOS.items() if demo.leaks])
def test_a_demo_finds_what_leaks(name: str) -> None:
    """What it concludes is the source that leaks on the simulated vehicle it is about."""
    shown = firstwet("replay", str(FOLDER / f"{name}.jsonl")).stdout
    (leak,) = DEMOS[name].leaks
    base = load(packaged_rules())
    heads = re.findall(r"(?:CONCLUSION: the leak is|FOUND: a leak at) ([^()]*)\(", " ".join(shown.split()))
    partners = [leak, *base.machine(str(DEMOS[name].layout)).inseparable.get(leak, ())]
    assert heads, "nothing was concluded"
    assert any(base.sources[source].name in heads[-1] for source in partners)


def test_every_layout_has_a_demo(kb: KnowledgeBase) -> None:
    assert {store.read(path).header["layout"] for path in demos()} == set(kb.layouts)
