"""The project as a whole: its pages, its two commands, its wheel, and the direction in which its modules import."""

from __future__ import annotations

import argparse
import ast
import io
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import expert
from expert import cli
from expert.cli import common
from expert.commands import COMMANDS
from expert.engine import DURABLE
from expert.facts import Fact
from expert.knowledge import model
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.model import Entry

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "expert"
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))

# Where modules that are not marked `edge` on the module map may not reach: the world and the clock.
WORLD = {
    "asyncio", "datetime", "getpass", "glob", "io", "locale", "logging", "os", "pathlib", "platform", "shutil",
    "signal", "socket", "subprocess", "sys", "tempfile", "threading", "time", "urllib", "uuid",
}  # fmt: skip
CHANCE = {"random", "secrets"}
BUILT_IN = {"breakpoint", "exec", "eval", "input", "open", "print"}
# Libraries that one place alone may touch.
ALONE = {
    "durable": {"chaining"},
    "durable_rules_engine": {"chaining", "engine"},
    "pint": {"arithmetic.units"},
    "platformdirs": {"store"},
    "prompt_toolkit": {"terminal"},
    "yaml": {"knowledge.lines"},
}
ESCAPE = "\x1b"


def run(*arguments: str, cwd: Path = ROOT, said: str = "", **environment: str) -> subprocess.CompletedProcess[str]:
    """`firstwet` with these arguments, in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "expert", *arguments],
        cwd=cwd,
        input=said,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
    )


def fenced(page: str, mark: str) -> str:
    """The text of the fenced block that follows a marking comment."""
    found = re.search(rf"^<!-- {re.escape(mark)} -->\n```\w*\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    assert found, f"there is no fenced block below <!-- {mark} -->"
    return found[1]


def blocks(page: str, kind: str) -> list[str]:
    """The texts of all fenced blocks of one kind."""
    return re.findall(rf"^```{kind}\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)


def tables(text: str) -> set[str]:
    """The words in the first column of a page's tables, as they stand in backquotes there."""
    return {name for row in re.findall(r"^\| (`.*?`) \|", text, re.MULTILINE) for name in re.findall(r"`([^`]+)`", row)}


def section(page: str, heading: str) -> str:
    """A part of a page, from its heading to the next one as high or higher."""
    level = heading.split(" ")[0]
    found = re.search(rf"^{re.escape(heading)}\n(.*?)(?=^#{{1,{len(level)}}} |\Z)", page, re.MULTILINE | re.DOTALL)
    assert found, f"there is no heading {heading!r}"
    return found[1]


# --- README ----------------------------------------------------------------------------------------------


def test_the_first_paragraph_says_what_the_job_is() -> None:
    title, first, *_ = README.split("\n\n")
    assert title == "# firstwet"
    for word in ("vehicle", "drip", "runs down", "blown back", "first", "leak", "before", "wrong part"):
        assert word in first, word


def test_ci_runs_the_two_commands_of_the_readme_unchanged() -> None:
    demo, tests = fenced(README, "command: demo"), fenced(README, "command: tests")
    shown = subprocess.run(
        ["bash", str(ROOT / ".ci" / "run"), "--show"], capture_output=True, text=True, check=True, cwd="/"
    )
    assert shown.stdout == demo + tests
    assert os.access(ROOT / ".ci" / "run", os.X_OK)


def test_each_of_the_two_commands_is_one_command_that_sets_everything_up() -> None:
    commands = {"command: demo": "firstwet replay", "command: tests": "python -m pytest -n 2 --dist loadfile"}
    for mark, ends in commands.items():
        steps = [" ".join(step.split()) for step in fenced(README, mark).replace("\\\n", " ").split("&&")]
        assert len(blocks(README, "sh")) >= 2
        assert steps[0].startswith("python3 -m venv ")
        folder = steps[0].split()[-1]
        assert steps[1].startswith(f"{folder}/bin/pip install ")
        assert all(step.startswith(f"{folder}/bin/") for step in steps[1:]), "each step uses what was set up"
        assert steps[-1].startswith(f"{folder}/bin/{ends}")
        assert "\n" not in fenced(README, mark).replace("\\\n", " ").strip(), "one command, one paste"


def test_the_test_command_checks_lint_and_types_and_has_the_oracle() -> None:
    tests = fenced(README, "command: tests")
    for needed in ("'.[test]'", "--no-deps pyagrum", "ruff check", "mypy", "pytest"):
        assert needed in tests, needed
    assert PROJECT["tool"]["mypy"] == {**PROJECT["tool"]["mypy"], "strict": True, "files": ["expert"]}


def test_the_demo_finds_a_leak() -> None:
    file = fenced(README, "command: demo").split()[-1]
    shown = run("replay", file)
    assert (shown.returncode, shown.stderr) == (0, "")
    assert "CONCLUSION: " in shown.stdout


def test_every_demo_is_named_in_the_readme_and_there() -> None:
    named = set(re.findall(r"transcripts_demo/([\w.-]+\.jsonl)", README))
    assert named == {path.name for path in (ROOT / "transcripts_demo").glob("*.jsonl")}
    assert len(named) >= 3


def test_every_chat_command_is_in_the_readme() -> None:
    assert tables(section(README, "## Chat commands")) == {f"{c.name} {c.takes}".strip() for c in COMMANDS}


def test_every_command_of_the_program_is_in_the_readme() -> None:
    parsers = next(a for a in cli.parser()._actions if isinstance(a, argparse._SubParsersAction))
    named = {name.split()[0] for name in tables(section(README, "## Commands"))}
    assert named == set(parsers.choices)
    options = {
        option
        for parser in (cli.parser(), *parsers.choices.values())
        for action in parser._actions
        for option in action.option_strings
        if option.startswith("--") and option != "--help"
    }
    assert {option for option in options if f"`{option}" not in README} == set()


def test_every_key_of_the_json_object_is_in_the_readme_and_no_other() -> None:
    texts = ("red fluid, bellhousing hole wet, rear of engine dry, overfull, xyzzy", "pan wet, fill tube wet")
    found: set[str] = set()

    def gather(value: Any, path: str) -> None:
        if isinstance(value, dict):
            for key, part in value.items():
                found.add(f"{path}{key}")
                gather(part, f"{path}{key}.")
        elif isinstance(value, list):
            for part in value:
                gather(part, path.removesuffix(".") + "[].")

    for text in texts:
        gather(json.loads(run("facts", "--json", text).stdout), "")
    said = tables(section(README, "## The JSON object"))
    assert found - said == set(), "in the object but not in README"
    # What these cases happen not to hold is looked for in the code that writes it.
    code = (PACKAGE / "jsonform.py").read_text(encoding="utf-8")
    assert {key for key in said - found if f'"{re.split(r"[.]", key)[-1]}"' not in code} == set()


def test_the_exit_codes_are_those_of_the_program() -> None:
    said = section(README, "## Exit codes")
    for code in (common.OK, common.NEGATIVE, common.BAD):
        assert re.search(rf"^\| {code} \|", said, re.MULTILINE)


def shown_commands() -> list[tuple[str, str]]:
    """Every `$ firstwet ...` line of the two pages that needs no file or answer of the reader's."""
    lines = [
        (name, line)
        for name, page in (("README.md", README), ("DEVELOPERS.md", DEVELOPERS))
        for block in blocks(page, "console")
        for line in re.findall(r"^\$ firstwet (.*)$", block, re.MULTILINE)
    ]
    return [(name, line) for name, line in lines if not re.search(r"my-rules|our-shop|--case|^ask|^cases|\| ", line)]


@pytest.mark.parametrize(("page", "line"), shown_commands())
def test_every_command_shown_works(page: str, line: str) -> None:
    done = run(*shlex.split(line, comments=True))
    assert done.returncode == 0, f"{page}: {done.stderr}"


def test_safety_and_limits_are_stated() -> None:
    said = " ".join(section(README, "## Safety").split())
    for words in ("advice", "local codes", "service data", "licensed", "stands", "jack"):
        assert words in said, words
    assert section(README, "## Limits").strip()


# --- versions, engine, dependencies ------------------------------------------------------------------------


def test_the_version_is_said_once_and_the_changelog_has_it() -> None:
    assert PROJECT["project"]["dynamic"] == ["version"]
    assert PROJECT["tool"]["hatch"]["version"] == {"path": "expert/__init__.py"}
    latest = re.search(r"^## (\S+)", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert latest
    assert latest[1] == expert.__version__


def test_version_names_the_engine_that_runs() -> None:
    said = run("--version")
    assert said.returncode == 0
    assert said.stdout.startswith(f"firstwet {expert.__version__}, ")
    (pinned,) = (d for d in PROJECT["project"]["dependencies"] if d.startswith("durable-rules"))
    wanted = pinned.split(";")[0].strip().replace("==", " ") if DURABLE else "reference chainer"
    assert wanted in said.stdout
    if sys.version_info < (3, 13):
        assert DURABLE, "on this Python durable-rules is the engine; is gcc there, with the Python headers?"


def test_every_dependency_says_why_it_is_there() -> None:
    """A comment stands right above each."""
    lines = [line.strip() for line in (ROOT / "pyproject.toml").read_text(encoding="utf-8").splitlines()]
    project = PROJECT["project"]
    for wanted in (
        *project["dependencies"],
        *project["optional-dependencies"]["test"],
        *PROJECT["build-system"]["requires"],
    ):
        above = [lines[at - 1] for at, line in enumerate(lines) if f'"{wanted}"' in line]
        assert above, wanted
        assert all(line.startswith("# ") for line in above), wanted
    assert "pyagrum" not in str(project), "it is installed with --no-deps, see the comment there"


def test_the_licence_is_the_one_declared() -> None:
    text = (ROOT / "LICENSE").read_text(encoding="utf-8")
    assert text.startswith("MIT License\n\nCopyright (c) 2026 the firstwet authors\n")
    assert PROJECT["project"]["license"] == "MIT"


# --- the wheel ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the wheel and the source archive, built from a copy (a build must not litter the checkout)."""
    pytest.importorskip("hatchling")
    copy, out = tmp_path_factory.mktemp("copy") / "firstwet", tmp_path_factory.mktemp("dist")
    unwanted = shutil.ignore_patterns(".git", ".venv*", "__pycache__", ".*_cache", ".hypothesis", "dist", "build")
    shutil.copytree(ROOT, copy, ignore=unwanted)
    subprocess.run([sys.executable, "-m", "hatchling", "build", "-d", str(out)], cwd=copy, check=True, timeout=120)
    return out


@pytest.fixture(scope="module")
def wheel(built: Path) -> zipfile.ZipFile:
    """The built wheel, opened."""
    (path,) = built.glob("*.whl")
    return zipfile.ZipFile(path)


def test_the_wheel_holds_the_code_and_the_knowledge_and_nothing_else(wheel: zipfile.ZipFile) -> None:
    names = {name for name in wheel.namelist() if ".dist-info/" not in name}
    code = {path.relative_to(ROOT).as_posix() for path in PACKAGE.rglob("*.py")}
    code |= {"expert/py.typed", "expert/schema/facts.schema.json"}
    knowledge = {f"expert/{path.relative_to(ROOT).as_posix()}" for path in (ROOT / "rules").rglob("*.yaml")}
    assert knowledge
    assert names == code | knowledge
    for name in knowledge:
        assert wheel.read(name) == (ROOT / name.removeprefix("expert/")).read_bytes()


def test_the_wheel_says_its_version_licence_and_command(wheel: zipfile.ZipFile) -> None:
    about = {name.split("/", 1)[1]: name for name in wheel.namelist() if ".dist-info/" in name}
    metadata = wheel.read(about["METADATA"]).decode("utf-8")
    assert f"\nVersion: {expert.__version__}\n" in metadata
    assert "\nLicense-Expression: MIT\n" in metadata
    assert "firstwet = expert.__main__:main" in wheel.read(about["entry_points.txt"]).decode("utf-8")
    assert "licenses/LICENSE" in about


def test_the_knowledge_in_the_wheel_is_used_outside_the_checkout(wheel: zipfile.ZipFile, tmp_path: Path) -> None:
    wheel.extractall(tmp_path / "site")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    path = {"PYTHONPATH": str(tmp_path / "site")}
    where = subprocess.run(
        [sys.executable, "-c", "from expert.knowledge.load import packaged_rules as p; print(p())"],
        cwd=elsewhere, capture_output=True, text=True, check=True, env={**os.environ, **path},
    )  # fmt: skip
    assert Path(where.stdout.strip()) == tmp_path / "site" / "expert" / "rules"
    done = run("check", cwd=elsewhere, **path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("All well: ")


def test_the_source_archive_can_be_tested(built: Path) -> None:
    (path,) = built.glob("*.tar.gz")
    with tarfile.open(fileobj=io.BytesIO(path.read_bytes())) as archive:
        names = {name.split("/", 1)[1] for name in archive.getnames()}
    pages = {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml", ".ci/run"}
    wanted = pages | {f"tests/{Path(__file__).name}", "rules/scale.yaml", "expert/__main__.py"}
    assert wanted - names == set()


# --- modules -----------------------------------------------------------------------------------------------


def module_name(path: Path) -> str:
    """The module's name below `expert`; a package's own is that of its folder, and `expert` itself is ""."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def modules() -> dict[str, ast.Module]:
    """Every module of the package, parsed."""
    return {module_name(p): ast.parse(p.read_text(encoding="utf-8"), str(p)) for p in sorted(PACKAGE.rglob("*.py"))}


def with_code() -> list[str]:
    """The modules that hold more than a docstring."""
    return sorted(name for name, tree in modules().items() if name and tree.body[1:])


@cache
def mapped() -> dict[str, str]:
    """The module map of DEVELOPERS.md: name and mark (edge, dice or nothing) from the top to the bottom."""
    found = {}
    for line in fenced(DEVELOPERS, "module map").splitlines():
        name, mark = re.match(r"^(\S+) +(edge|dice|-) +\S", line).groups()  # type: ignore[union-attr]
        assert name not in found, f"{name} stands twice on the map"
        found[name] = mark
    return found


def imports(tree: ast.Module) -> Iterator[tuple[str, str | None]]:
    """(module, name taken from it) of everything that is imported when the program runs, wherever it stands."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            continue
        if isinstance(node, ast.Import):
            yield from ((alias.name, None) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative imports hide the direction"
            yield from ((node.module or "", alias.name) for alias in node.names)
        else:
            yield from imports(node)  # type: ignore[arg-type]


def ours(tree: ast.Module) -> set[str]:
    """The modules of `expert` that a module imports."""
    found = set()
    for module, name in imports(tree):
        if module.split(".")[0] != "expert":
            continue
        inner = module.removeprefix("expert").removeprefix(".")
        whole = f"{inner}.{name}".lstrip(".") if name else inner
        found.add(whole if whole in modules() else inner)
    return found - {""}


def test_every_module_is_on_the_module_map() -> None:
    assert set(mapped()) == set(with_code()), "DEVELOPERS.md, below <!-- module map -->"


@pytest.mark.parametrize("name", with_code())
def test_arrows_only_go_down(name: str) -> None:
    """A module imports only what stands further down on the map."""
    order = list(mapped())
    if name not in order:
        pytest.skip("not on the map; another test says so")
    up = [other for other in ours(modules()[name]) if other in order and order.index(other) <= order.index(name)]
    assert up == []


def test_the_knowledge_imports_only_itself_and_facts() -> None:
    for name, tree in modules().items():
        if name.startswith("knowledge"):
            assert {o for o in ours(tree) if not o.startswith("knowledge") and o != "facts"} == set(), name


def test_reasoning_and_conversation_import_no_edge() -> None:
    edges = {name for name, mark in mapped().items() if mark == "edge"}
    assert {"terminal", "store", "cli"} <= edges

    def reached(name: str, seen: set[str]) -> set[str]:
        for other in ours(modules()[name]):
            if other not in seen:
                seen.add(other)
                reached(other, seen)
        return seen

    for name in ("evidence", "belief", "information", "questions", "inspection", "conclusion", "report", "dialogue"):
        assert reached(name, set()) & edges == set(), name


@pytest.mark.parametrize("name", with_code())
def test_pure_modules_reach_neither_the_world_nor_the_clock(name: str) -> None:
    mark, tree = mapped().get(name, "-"), modules()[name]
    forbidden = (WORLD if mark != "edge" else set()) | (CHANCE if mark != "dice" else set())
    assert {module.split(".")[0] for module, _ in imports(tree)} & forbidden == set()
    called = {n.func.id for n in ast.walk(tree) if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)}
    assert called & (BUILT_IN - {"open", "print"} if mark == "edge" else BUILT_IN) == set()


def test_few_modules_are_edges() -> None:
    marks = list(mapped().values())
    assert marks.count("edge") <= len(marks) / 4
    assert {name.split(".")[0] for name, mark in mapped().items() if mark == "dice"} == {"vehicle"}


@pytest.mark.parametrize("library", sorted(ALONE))
def test_a_library_is_touched_in_one_place(library: str) -> None:
    users = {n for n, tree in modules().items() if library in {module.split(".")[0] for module, _ in imports(tree)}}
    assert users
    assert users <= ALONE[library]


def test_the_simulated_vehicle_and_the_expert_share_only_names_and_places() -> None:
    allowed = {f"knowledge.{name}" for name in ("base", "lines", "load", "model", "problems", "shapes")}
    for name, tree in modules().items():
        if name.split(".")[0] == "vehicle":
            assert {o for o in ours(tree) if o.split(".")[0] != "vehicle"} <= allowed, name
    for name in ("dialogue", "conclusion", "lint", "chaining", "phrases"):
        assert not any(o.startswith("vehicle") for o in ours(modules()[name])), name


def test_nothing_about_leaks_is_in_python(kb: KnowledgeBase) -> None:
    """No id of a place, part, finding, rule or repair stands in the code (ids with a dash; plain words are English)."""
    scale = kb.scale
    ids = {*kb.zones, *kb.sources, *kb.findings, *kb.rules, *kb.repairs, *kb.layouts, *kb.cautions}
    ids |= {entry.stage for entry in scale.stages} | {entry.phase for entry in scale.phases} | set(kb.access)
    told = {word for word in ids if "-" in word} | {name for name in scale.fluids if " " in name}
    assert told
    found = {
        (name, node.value)
        for name, tree in modules().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and node.value in told
    }
    assert found == set()


def test_no_colour_codes_in_the_sources() -> None:
    """NO_COLOR needs no switch: nothing is ever coloured."""
    for name, tree in modules().items():
        texts = [n.value for n in ast.walk(tree) if isinstance(n, ast.Constant) and isinstance(n.value, str)]
        assert not any(ESCAPE in text for text in texts), name
    for path in (*(ROOT / "rules").rglob("*.yaml"), *ROOT.glob("*.md"), *(ROOT / "transcripts_demo").glob("*")):
        assert ESCAPE not in path.read_text(encoding="utf-8"), path
    assert ESCAPE not in run("facts", "bellhousing hole wet", NO_COLOR="1", TERM="xterm-256color").stdout


def test_only_pages_that_travel_with_the_project_are_referred_to() -> None:
    """A reader of a clone can open every page that a file mentions."""
    elsewhere = re.compile(r"/work/|\bshared/|\bDESIGN\.md|\bcheck_values\b|/tmp/(?:format|common)|\bexamples\.md")
    paths = [ROOT / ".ci" / "run", ROOT / "pyproject.toml", *ROOT.glob("*.md")]
    paths += [p for folder in ("expert", "rules", "tests", "transcripts_demo") for p in (ROOT / folder).rglob("*")]
    kinds = {".md", ".py", ".yaml", ".toml", ".jsonl", ""}
    found = {
        path.relative_to(ROOT).as_posix()
        for path in paths
        if path.is_file() and path.suffix in kinds and path != Path(__file__).resolve()
        if not any(part.startswith(".") for part in path.relative_to(ROOT).parts[1:-1])
        if elsewhere.search(path.read_text(encoding="utf-8", errors="replace"))
    }
    assert found == set()
    for page in (README, DEVELOPERS):
        for target in re.findall(r"\]\(([^)#:]+)\)", page):
            assert (ROOT / target).exists(), target


# --- DEVELOPERS ------------------------------------------------------------------------------------------


def test_every_key_an_author_may_write_is_in_the_developers_page() -> None:
    said = set(re.findall(r"`([a-z][a-z-]*)`", section(DEVELOPERS, "## The knowledge format")))
    shapes = [s for s in vars(model).values() if isinstance(s, type) and issubclass(s, Entry) and s is not Entry]
    assert len(shapes) >= 15
    lacking = {
        (shape.__name__, str(field.alias))
        for shape in shapes
        for field in shape.model_fields.values()
        if field.alias not in said
    }
    assert lacking == set()


def test_the_worked_rule_is_right_as_it_stands(tmp_path: Path) -> None:
    rules = tmp_path / "rules"
    shutil.copytree(ROOT / "rules", rules)
    name = re.match(r"- rule: (\S+)", rule := fenced(DEVELOPERS, "worked rule"))[1]  # type: ignore[index]
    file = rules / "heuristics" / "when-it-leaks.yaml"
    file.write_text(file.read_text(encoding="utf-8") + "\n" + rule, encoding="utf-8")
    done = run("check", "--rules", str(rules))
    assert done.returncode == 0, done.stderr
    text = next(line for line in shown_lines(DEVELOPERS) if line.startswith("facts --rules"))
    words = shlex.split(text)[3:]
    plain, ruled = (json.loads(run("facts", "--json", *o, *words).stdout) for o in ((), ("--rules", str(rules))))
    assert name not in {reason["rule"] for reason in plain["reasons"]}
    assert plain["ranking"] != ruled["ranking"], "the example must show a difference"


def shown_lines(page: str) -> list[str]:
    """All `$ firstwet ...` lines of a page's console blocks."""
    return [line for b in blocks(page, "console") for line in re.findall(r"^\$ firstwet (.*)$", b, re.MULTILINE)]


def test_every_test_file_is_on_the_tests_map() -> None:
    said = set(re.findall(r"`(test_\w+\.py|bench/\w+\.py)`", section(DEVELOPERS, "## Tests")))
    real = {p.relative_to(ROOT / "tests").as_posix() for p in (ROOT / "tests").rglob("test_*.py")}
    assert real - said == set(), "add a line for it"
    assert {name for name in said - real if not (ROOT / "tests" / name).exists()} == set()


def test_the_case_file_format_is_as_described(kb: KnowledgeBase, tmp_path: Path) -> None:
    """Every key that a case file may hold is described, and a written case holds no other."""
    source = next(iter(kb.machine(kb.default_layout).sources))
    said = f"confirmed {source}\nquit\n"
    assert run("ask", "--case-dir", str(tmp_path), "--case", "before", said=said).returncode == 0
    overlay = str(tmp_path / "overlay.yaml")
    assert run("learn", "--case-dir", str(tmp_path), "--out", overlay).returncode == 0
    said = f"why\nred fluid\nbrown fluid\n2\nback\nconfirmed {source}\nquit\n"
    done = run("ask", "--case-dir", str(tmp_path), "--case", "one", "--overlay", overlay, said=said)
    assert done.returncode == 0, done.stderr
    lines = [json.loads(line) for line in (tmp_path / "one.jsonl").read_text(encoding="utf-8").splitlines()]
    keys = {key for line in lines for key in line}
    assert keys == tables(section(DEVELOPERS, "## The case file"))
    facts = [Fact(*fact) for line in lines[1:] for fact in line["facts"]]
    assert {fact.finding for fact in facts} <= {*kb.findings, *kb.zones}
