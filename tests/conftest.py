"""The knowledge that travels with the program, loaded once for all tests."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest
from driving import Result, Run, Say
from hypothesis import settings
from technician import Technician

from expert import cli
from expert.chaining import chainer
from expert.cli import common
from expert.diagnosis import Expert
from expert.dialogue import Talk, begin
from expert.knowledge.base import KnowledgeBase, Machine
from expert.knowledge.load import load, packaged_rules
from expert.phrases import Lexicon

# The same examples in every run, so that a red run is a fault and not a matter of luck;
# `pytest --hypothesis-profile=search` looks for new ones.
settings.register_profile("same", derandomize=True, deadline=None)
settings.register_profile("search", deadline=None, max_examples=2000)
settings.load_profile("same")


@pytest.fixture(scope="session")
def rules() -> Path:
    """The folder of rules."""
    return packaged_rules()


@pytest.fixture(scope="session")
def kb(rules: Path) -> KnowledgeBase:
    """The whole knowledge base."""
    return load(rules)


@pytest.fixture(scope="session")
def machine(kb: KnowledgeBase) -> Machine:
    """The default layout."""
    return kb.machine(kb.default_layout)


@pytest.fixture(scope="session")
def expert(machine: Machine) -> Expert:
    """The default layout's expert, on the engine this Python has."""
    return Expert(machine, chainer)


@pytest.fixture(scope="session")
def experts(kb: KnowledgeBase) -> dict[str, Expert]:
    """Every layout's expert, by the layout's id."""
    return {name: Expert(kb.machine(name), chainer) for name in kb.layouts}


@pytest.fixture(scope="module")
def technician(request: pytest.FixtureRequest, kb: KnowledgeBase) -> Technician:
    """Who tells the expert of the module's LAYOUT what a technician would say."""
    return Technician(kb, request.module.LAYOUT)


@pytest.fixture(scope="session")
def talk(expert: Expert, machine: Machine) -> Talk:
    """An expert to talk to."""
    return Talk(expert, Lexicon.of(machine))


@pytest.fixture
def ready(kb: KnowledgeBase, talk: Talk, monkeypatch: pytest.MonkeyPatch) -> None:
    """The knowledge is loaded once and the engine built; commands take both as they are."""
    monkeypatch.setattr(common, "load_for", lambda folder, layout: kb)
    for module in cli.MODULES:
        if hasattr(module, "talk_of"):
            monkeypatch.setattr(
                module,
                "talk_of",
                lambda base, layout, width, shop=None: common.talk_of(base, layout, width, shop) if shop else talk,
            )
    begin(talk)


@pytest.fixture
def run(ready: None, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs a command line in this process, on the knowledge loaded once."""

    def run(*arguments: str, stdin: str = "") -> Result:
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(stdin.encode()), encoding="utf-8"))
        capsys.readouterr()
        code = cli.run(list(arguments))
        out, err = capsys.readouterr()
        return Result(code, out, err)

    return run


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str]) -> Say:
    """Prints a line of figures past pytest's capture."""

    def out(line: str) -> None:
        with capsys.disabled():
            print(f"\n  bench: {line}", end="")

    return out
