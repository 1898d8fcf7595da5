"""The commands, thin: arguments in, the right function called, its text out, an exit code.

0 for success, 1 for a negative result (a rule that fails its example, a session that reads differently
today), 2 for bad input. What a person typed or a file holds never ends in a traceback.
"""

from __future__ import annotations

import argparse
import datetime
import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

from expert import explain as explaining
from expert import report, store
from expert.case import Case, Message
from expert.chaining import EngineLimit, chainer
from expert.conclusion import conclude
from expert.diagnosis import Expert
from expert.dialogue import Talk, begin, entering, follow, reading_notes, waiting
from expert.engine import version_line
from expert.inspection import stage_of
from expert.jsonform import conclusion_object
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.load import load, packaged_rules
from expert.knowledge.problems import KnowledgeError
from expert.lint import survey
from expert.phrases import Lexicon, understand
from expert.session import LONGEST_LINE, PROMPT, clean, converse
from expert.store import CaseFile, Saved, StoreError
from expert.terminal import PipeReader, TerminalReader, columns, on_terminal, shower
from expert.wording import WIDTH, fact_words, joined, wrap

OK, NEGATIVE, BAD = 0, 1, 2


class _Parser(argparse.ArgumentParser):
    """argparse, except that it never repeats raw control characters."""

    def error(self, message: str) -> NoReturn:
        super().error(store.shown(message))


class BadInput(Exception):
    """Something the user gave that cannot be used; the message says what is allowed instead."""


def parser() -> argparse.ArgumentParser:
    """The command line."""
    top = _Parser(
        prog="firstwet",
        description="Finds where fluid first escapes from an ageing vehicle's automatic transmission, "
        "before the wrong part is bought. Without a command it starts the chat.",
        epilog="Exit code: 0 done, 1 a negative result, 2 bad input.",
    )
    top.add_argument("--version", "-V", action="version", version=version_line())
    shared = _Parser(add_help=False)
    shared.add_argument(
        "--rules", metavar="DIR", type=Path, default=None, help="knowledge folder (default: the one installed)"
    )
    shared.add_argument("--layout", metavar="NAME", default=None, help="kind of vehicle (default: the knowledge's own)")
    cases = _Parser(add_help=False)
    cases.add_argument(
        "--case-dir",
        metavar="DIR",
        type=Path,
        default=None,
        help="folder of case files (default: the user data folder)",
    )
    commands = top.add_subparsers(dest="command", metavar="COMMAND")

    ask = commands.add_parser(
        "ask", parents=[shared, cases], help="the chat: one plain question at a time (the default)"
    )
    ask.add_argument(
        "--case", metavar="NAME", default=None, help="name of the new case (default: the day and a number)"
    )
    ask.add_argument("--resume", metavar="NAME", default=None, help="go on with a saved case")

    facts = commands.add_parser("facts", parents=[shared], help="conclusion and reasons at once, from stated facts")
    facts.add_argument("text", nargs="*", help="what is known, in short phrases; '-' or nothing reads standard input")
    facts.add_argument("--json", action="store_true", help="print the documented JSON object")
    facts.add_argument("--stage", default=None, help="when it was seen: as-found (default) or after-clean")
    facts.add_argument("--plan", action="store_true", help="print the steps and cautions of the repair too")

    listed = commands.add_parser("cases", parents=[shared, cases], help="list saved cases; show or resume one")
    listed.add_argument("action", nargs="?", choices=["list", "show", "resume"], default="list")
    listed.add_argument("name", nargs="?", default=None)

    replay = commands.add_parser("replay", parents=[shared], help="print a saved session again, byte for byte")
    replay.add_argument("file", type=Path)

    commands.add_parser("check", parents=[shared], help="validate the knowledge and run every rule's examples")

    explain = commands.add_parser("explain", parents=[shared], help="print a source, rule, finding, zone or term")
    explain.add_argument("name", nargs="+")
    return top


def run(arguments: Sequence[str]) -> int:
    """Run one command line; returns the exit code."""
    if not arguments or (arguments[0].startswith("-") and arguments[0] not in ("-h", "--help", "-V", "--version")):
        arguments = ["ask", *arguments]
    try:
        options = parser().parse_args(arguments)
        code = _COMMANDS[options.command](options)
        sys.stdout.flush()
        return code
    except KnowledgeError as error:
        print(f"The knowledge cannot be used ({len(error.problems)} problems):", file=sys.stderr)
        for problem in error.problems:
            print(f"  {store.shown(problem)}", file=sys.stderr)
        return BAD
    except (BadInput, StoreError, EngineLimit) as error:
        print(error, file=sys.stderr)
        return BAD
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # the reader went away; nothing is wrong
        return OK
    except OSError as error:  # a full disk behind the output, say; whatever is still unwritten goes nowhere
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        print(f"The output cannot be written: {error.strerror}.", file=sys.stderr)
        return BAD
    except KeyboardInterrupt:
        return OK


def _base(options: argparse.Namespace) -> KnowledgeBase:
    return load(options.rules or packaged_rules())


def _layout(base: KnowledgeBase, wanted: str | None) -> str:
    name = wanted or base.default_layout
    if name not in base.layouts:
        raise BadInput(f"There is no layout {name!r}. Allowed: {', '.join(base.layouts)}.")
    return name


def _talk(base: KnowledgeBase, layout: str | None, width: int) -> Talk:
    machine = base.machine(_layout(base, layout))
    return Talk(Expert(machine, chainer), Lexicon.of(machine), width)


def _folder(options: argparse.Namespace) -> Path:
    return options.case_dir or store.default_folder()


# --- the chat ------------------------------------------------------------------------------------------------


def _ask(options: argparse.Namespace) -> int:
    if options.resume is not None:
        return _resume(options, options.resume)
    base = _base(options)
    talk = _talk(base, options.layout, columns())
    header = {"layout": talk.expert.machine.layout.layout, "knowledge": base.digest}
    with store.create(_folder(options), options.case, header, _now) as keep:
        case, messages = begin(talk)
        return _chat(talk, case, messages, keep)


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")


def _chat(talk: Talk, case: Case, messages: Sequence[Message], keep: CaseFile) -> int:
    reader = TerminalReader(talk) if on_terminal() else PipeReader(sys.stdin.buffer, sys.stdout)
    well = converse(talk, case, messages, reader, shower(sys.stdout), keep)
    print(
        f"Case saved in {store.shown(keep.path)}; `firstwet ask --resume {keep.path.stem}` goes on with it.",
        file=sys.stderr,
    )
    return OK if well or on_terminal() else BAD


def _resume(options: argparse.Namespace, name: str) -> int:
    path = _case_path(_folder(options), name)
    saved, keep = store.resume(path)
    with keep:
        _tell_torn(saved)
        base = _base(options)
        talk = _talk(base, str(saved.header["layout"]), columns())
        case, messages = begin(talk)
        for recorded in saved.events:
            case, messages, _ = follow(talk, case, recorded)
        # After `why` or `quit`, say, what is waiting is shown; a question or conclusion is shown as it was.
        if not any(message.kind == "question" for message in messages) and (
            case.asked or case.conflicts or any(message.kind == "bye" for message in messages)
        ):
            messages = waiting(talk, case)
        note = f"Going on with case {saved.header['case']}: {len(saved.events)} inputs, {len(case.facts)} facts."
        return _chat(talk, case, (Message("info", wrap(note, talk.width)), *messages), keep)


def _tell_torn(saved: Saved) -> None:
    if saved.torn is not None:
        print(
            f"{store.shown(saved.path)}: the last line was cut short and is left out: {saved.torn[:60]}",
            file=sys.stderr,
        )


def _case_path(folder: Path, name: str) -> Path:
    """The file of a case given by name, or by path."""
    given = Path(name)
    return given if given.suffix == store.SUFFIX else store.path_of(folder, name)


# --- facts ---------------------------------------------------------------------------------------------------


def _facts(options: argparse.Namespace) -> int:
    text = _given_text(options.text)
    base = _base(options)
    talk = _talk(base, options.layout, WIDTH)
    expert = talk.expert
    stages = [entry.stage for entry in base.scale.stages]
    if options.stage is not None and options.stage not in stages:
        raise BadInput(f"There is no stage {options.stage!r}. Allowed: {', '.join(stages)}.")
    stage = options.stage or stages[0]
    reading = understand(talk.lexicon, text, stage)
    facts = entering(expert, reading, stage)
    for message in reading_notes(talk, reading):
        print(message.text, file=sys.stderr)
    for old, new in reading.contradictions:
        raise BadInput(
            f"Two facts contradict each other: {fact_words(expert.machine, old)}, and "
            f"{fact_words(expert.machine, new)}. Which is right? Leave one out, or say when each was seen "
            "(as found, after cleaning)."
        )
    if not facts:
        raise BadInput(
            "Nothing in that was understood. Say for example: red fluid, bellhousing hole wet, rear of engine dry"
        )
    if options.stage is None:
        stage = stage_of(expert, facts)
    now = expert.diagnose(facts)
    end = conclude(expert, now, stage)
    if options.json:
        shown = conclusion_object(expert, now, end, stage, reading.not_understood)
        print(json.dumps(shown, indent=2, ensure_ascii=False))
        return OK
    words = joined(fact_words(expert.machine, fact) for fact in facts)
    print(wrap(f"Understood: {words}.", talk.width, rest="  ") + "\n")
    print(report.conclusion_text(expert, now, end, stage, width=talk.width))
    if options.plan:
        print("\n" + report.plan_text(expert, end, talk.width))
    return OK


def _given_text(words: list[str]) -> str:
    if words and words != ["-"]:
        text = ", ".join(words)
    elif sys.stdin.isatty():
        raise BadInput('Say what is known, for example: firstwet facts "red fluid, bellhousing hole wet"')
    else:
        raw = sys.stdin.buffer.read(LONGEST_LINE * 4 + 1)
        if len(raw) > LONGEST_LINE * 4:  # no character takes more than four bytes
            raise BadInput(
                f"The text is too long; at most {LONGEST_LINE} characters are read at once. Say it in parts."
            )
        try:
            text = raw.decode("utf-8")
        except UnicodeDecodeError as error:
            raise BadInput(f"Standard input is not UTF-8 text (byte {error.start + 1}). Save it as UTF-8.") from None
    if any(0xD800 <= ord(c) <= 0xDFFF for c in text):
        raise BadInput("The text is not UTF-8. Give it as UTF-8.")
    if len(text) > LONGEST_LINE:
        raise BadInput(
            f"The text has {len(text)} characters; at most {LONGEST_LINE} are read at once. Say it in parts."
        )
    return "\n".join(clean(line) for line in text.splitlines())


# --- saved cases -----------------------------------------------------------------------------------------------


def _cases(options: argparse.Namespace) -> int:
    folder = _folder(options)
    if options.action == "list":
        found = store.listing(folder)
        if not found:
            print(f"No cases in {store.shown(folder)}.")
        for entry in found:
            torn = ", last line cut short" if entry.torn else ""
            print(
                f"{store.shown(entry.case)}  "
                + (f"{entry.events} inputs{torn}" if entry.header else f"unreadable: {entry.problem}")
            )
        return OK
    if options.name is None:
        raise BadInput(f"Say which case: firstwet cases {options.action} NAME")
    if options.action == "resume":
        return _resume(options, options.name)
    return _replayed(options, _case_path(folder, options.name))


def _replay(options: argparse.Namespace) -> int:
    return _replayed(options, options.file)


def _replayed(options: argparse.Namespace, path: Path) -> int:
    """Print the conversation again. 1 where today's words or rules read an input otherwise than it was recorded."""
    saved = store.read(path)
    _tell_torn(saved)
    base = _base(options)
    talk = _talk(base, str(saved.header["layout"]), WIDTH)
    if saved.header["knowledge"] != base.digest:
        print(
            f"Recorded with other knowledge ({saved.header['knowledge']}); today's is {base.digest}.", file=sys.stderr
        )
    show = shower(sys.stdout)
    case, messages = begin(talk)
    for message in messages:
        show(message)
    differing = 0
    for number, recorded in enumerate(saved.events, start=2):
        show(Message("said", f"{PROMPT}{clean(str(recorded['said']))}"))
        case, messages, same = follow(talk, case, recorded)
        if not same:
            differing += 1
            print(f"line {number}: read otherwise today; the recorded facts were used.", file=sys.stderr)
        for message in messages:
            show(message)
    return NEGATIVE if differing else OK


# --- the knowledge -----------------------------------------------------------------------------------------------


def _check(options: argparse.Namespace) -> int:
    found = survey(options.rules or packaged_rules(), chainer)
    base, problems = found.base, found.problems
    if base is None:
        raise KnowledgeError(problems)
    for problem in problems:
        print(problem, file=sys.stderr)
    counts = (
        f"{len(base.rules)} rules, {len(base.sources)} sources, {len(base.findings)} findings, {len(base.zones)} zones"
    )
    examples = sum(len(r.examples.fires) + len(r.examples.not_fires) for r in base.rules.values())
    if problems:
        print(f"{len(problems)} problems in {counts}.", file=sys.stderr)
        return NEGATIVE
    print(f"All well: {counts}, {len(base.layouts)} layouts; {examples} examples run.")
    return OK


def _explain(options: argparse.Namespace) -> int:
    base = _base(options)
    name = " ".join(options.name)
    text = explaining.explain(base, _layout(base, options.layout), name, WIDTH)
    if text is None:
        near = explaining.suggestions(base, name)
        raise BadInput(f"Nothing is called {name!r}." + (f" Near it: {joined(near, 'or')}." if near else ""))
    print(text)
    return OK


_COMMANDS = {
    "ask": _ask,
    "facts": _facts,
    "cases": _cases,
    "replay": _replay,
    "check": _check,
    "explain": _explain,
}
