"""`facts`: the conclusion at once, from facts stated in free words; the same for many cases; arguing with it."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable
from pathlib import Path

from expert import argument, report
from expert.argument import Argued
from expert.cli import batch
from expert.cli.common import OK, BadInput, Commands, Parents, base_of, given_text, shop_of, talk_of, understood
from expert.conclusion import cautions_of
from expert.consult import Concluded, Consultant, FactsError, Stated
from expert.dialogue import Talk, find_source, reading_notes, supposed
from expert.phrases import Reading
from expert.wording import WIDTH, joined, source_name, wrap

SCHEMA = Path(__file__).parent.parent / "schema" / "facts.schema.json"


def add(commands: Commands, parents: Parents) -> None:
    """The command's parser."""
    facts = commands.add_parser(
        "facts", parents=[parents.knowledge, parents.overlay], help="conclusion and reasons at once, from stated facts"
    )
    facts.add_argument("text", nargs="*", help="what is known, in short phrases; '-' or nothing reads standard input")
    facts.add_argument("--json", action="store_true", help="print the documented JSON object")
    facts.add_argument("--stage", default=None, help="when it was seen: as-found (default) or after-clean")
    facts.add_argument("--plan", action="store_true", help="print the steps and cautions of the repair too")
    facts.add_argument("--schema", action="store_true", help="print the JSON Schema of what --json and --batch print")
    facts.add_argument(
        "--batch", metavar="FILE", default=None, help="one JSON case a line ('-': standard input), one result a line"
    )
    facts.add_argument("--why-not", metavar="SOURCE", default=None, help="what speaks against a source, what for it")
    facts.add_argument(
        "--compare", metavar="SOURCE", nargs=2, default=None, help="two sources side by side, and what would part them"
    )
    facts.add_argument("--what-if", metavar="FACTS", default=None, help="what would follow if these were seen too")
    facts.set_defaults(run=_facts)


def _facts(options: argparse.Namespace) -> int:
    _one_thing_only(options)
    if options.schema:
        print(SCHEMA.read_text(encoding="utf-8"), end="")
        return OK
    if options.batch is not None:
        return batch.run(options)
    text = given_text(options.text)
    base = base_of(options)
    shop = shop_of(options, base, options.layout)
    talk = talk_of(base, options.layout, WIDTH, shop)
    consultant = Consultant(talk.expert, talk.lexicon, shop)
    try:
        reading = consultant.read(text, options.stage)
        for message in reading_notes(talk, reading):
            print(message.text, file=sys.stderr)
        stated = consultant.stated(reading, options.stage)
    except FactsError as error:
        raise BadInput(str(error)) from None
    if options.what_if is not None or options.why_not is not None or options.compare is not None:
        print(understood(talk, stated.facts) + "\n")
        _show(talk, _argued(options, talk, stated))
        return OK
    done = consultant.conclude(stated)
    if options.json:
        print(json.dumps(consultant.as_object(done), indent=2, ensure_ascii=False))
        return OK
    print(understood(talk, stated.facts) + "\n")
    if shop is not None:
        print(wrap(shop.said, talk.width, rest="  ") + "\n")
    print(report.at_once_text(talk.expert, done.now, done.end, stated.stage, done.parting, talk.width))
    _answer_claims(talk, done, reading)
    if options.plan:
        print("\n" + report.plan_text(talk.expert, done.end, talk.width))
    return OK


def _one_thing_only(options: argparse.Namespace) -> None:
    """BadInput where options ask for different things at once."""
    ways = {
        "--schema": options.schema,
        "--batch": options.batch is not None,
        "--json": options.json,
        "--plan": options.plan,
        "--why-not": options.why_not is not None,
        "--compare": options.compare is not None,
        "--what-if": options.what_if is not None,
    }
    asked = [name for name, given in ways.items() if given]
    if len(asked) > 1:
        raise BadInput(f"{joined(asked)} ask for different things; give one of them at a time.")
    if options.text and (options.schema or options.batch is not None):
        raise BadInput(f"{asked[0]} takes no facts beside it.")
    if options.batch is not None and options.stage is not None:
        raise BadInput("In a batch each case says its own 'stage'; leave --stage out.")


def _argued(options: argparse.Namespace, talk: Talk, stated: Stated) -> Argued:
    """The answer to the one argument that the options hold."""
    expert, stage = talk.expert, stated.stage
    now = expert.diagnose(stated.facts)
    if options.why_not is not None:
        return argument.why_not(expert, now, _source(talk, options.why_not), stage, width=talk.width)
    if options.compare is not None:
        one, other = (_source(talk, name) for name in options.compare)
        if one == other:
            raise BadInput(f"Both names mean {source_name(expert.machine, one)}. Name two sources.")
        return argument.compare(expert, now, one, other, stage, width=talk.width)
    facts, instead, reading = supposed(talk, stated.facts, options.what_if, stage)
    for message in reading_notes(talk, reading):
        print(message.text, file=sys.stderr)
    if not facts:
        raise BadInput("Nothing in what is supposed was understood. Say for example: --what-if 'fill tube dry'")
    return argument.what_if(expert, now, facts, instead, talk.width)


def _source(talk: Talk, words: str) -> str:
    found = find_source(talk, words)
    if found is None:
        sources = ", ".join(talk.expert.machine.sources)
        raise BadInput(f"No source is called {words!a}. Allowed: a source's name, or one of: {sources}.")
    return found


def _show(talk: Talk, argued: Argued) -> None:
    """An answer, below the cautions of the look that it sends a person to."""
    warned: Iterable[str] = cautions_of(talk.expert, argued.cautions)
    if warned:
        print(report.cautions_text(talk.expert.machine, warned, talk.width) + "\n")
    print(argued.text)


def _answer_claims(talk: Talk, done: Concluded, reading: Reading) -> None:
    for source in reading.claims[: argument.ANSWERED]:
        print()
        _show(talk, argument.claimed(talk.expert, done.now, source, done.stated.stage, width=talk.width))
