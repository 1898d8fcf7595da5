"""`plan`: repairs in the order that costs least under what is believed, from a saved case or from stated facts."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from expert import store
from expert.cli.common import (
    NEGATIVE,
    OK,
    BadInput,
    Commands,
    Parents,
    base_of,
    case_path,
    folder_of,
    given_text,
    recorded_shop,
    shop_of,
    talk_of,
    tell_torn,
    understood,
)
from expert.conclusion import conclude
from expert.consult import Consultant, FactsError
from expert.dialogue import Talk, begin, follow, reading_notes
from expert.facts import Fact
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.load import packaged_rules
from expert.knowledge.problems import KnowledgeError
from expert.plan.costs import Costs
from expert.plan.making import make
from expert.plan.planform import plan_object
from expert.plan.pricing import costs_of, priced
from expert.plan.tables import load_prices, load_visits
from expert.plan.text import plan_text
from expert.wording import WIDTH, joined, source_name

_EXAMPLE = 'firstwet plan --facts "cleaned and short drive, red fluid, bellhousing hole wet"'


@dataclass(frozen=True)
class _Known:
    """What a plan starts from: facts, in which stage, what need not be asked, what the repair proved already."""

    talk: Talk
    facts: tuple[Fact, ...]
    stage: str
    closed: Collection[tuple[str, str]] = ()
    confirmed: tuple[str, ...] = ()


def add(commands: Commands, parents: Parents) -> None:
    """The command's parser."""
    parser = commands.add_parser(
        "plan",
        parents=[parents.knowledge, parents.cases, parents.overlay],
        help="repairs in the order that costs least under what is believed",
    )
    parser.add_argument("case", nargs="?", metavar="CASE", default=None, help="a saved case, by name or by file")
    parser.add_argument(
        "--facts", metavar="TEXT", nargs="+", default=None, help="what is known, in short phrases, in place of a case"
    )
    parser.add_argument("--stage", default=None, help="with --facts, when seen: as-found (default) or after-clean")
    parser.add_argument(
        "--prices",
        metavar="FILE",
        type=Path,
        default=None,
        help="your own figures (YAML): currency, money-per-hour, access, repairs with hours and parts",
    )
    parser.add_argument("--all", action="store_true", help="print the steps of every repair, however seldom it is due")
    parser.add_argument("--json", action="store_true", help="print the documented JSON object")
    parser.set_defaults(run=_plan)


def _plan(options: argparse.Namespace) -> int:
    if (options.case is None) == (options.facts is None):
        raise BadInput(f"Name a case (`firstwet cases` lists them), or give facts, not both: {_EXAMPLE}")
    if options.stage is not None and options.facts is None:
        raise BadInput("--stage goes with --facts; a case knows when each thing was seen.")
    base = base_of(options)
    visits = load_visits(options.rules or packaged_rules(), base)
    known = _of_case(options, base) if options.facts is None else _of_facts(options, base)
    expert = known.talk.expert
    if known.confirmed:
        names = joined(source_name(expert.machine, source) for source in known.confirmed)
        print(f"Nothing is left to plan: the repair proved {names}, which closed the case.", file=sys.stderr)
        return NEGATIVE
    if not known.facts:
        raise BadInput("Nothing is known of this vehicle yet. Tell the chat what you see, or use --facts.")
    costs = _costs(options, base, costs_of(expert, visits))
    if options.facts is not None and not options.json:
        print(understood(known.talk, known.facts) + "\n")
    now = expert.diagnose(known.facts)
    end = conclude(expert, now, known.stage, known.closed)
    plan = make(expert, now, known.stage, known.closed, costs)
    if options.json:
        print(json.dumps(plan_object(expert, end, plan, visits), indent=2, ensure_ascii=False))
    else:
        print(plan_text(expert, end, plan, visits, options.all, known.talk.width))
    return OK


def _of_case(options: argparse.Namespace, base: KnowledgeBase) -> _Known:
    """What a saved case holds."""
    saved = store.read(case_path(folder_of(options), options.case))
    tell_torn(saved)
    layout = str(saved.header["layout"])
    if options.layout is not None and options.layout != layout:
        raise BadInput(f"The case is of layout {store.shown(layout)}; leave --layout out.")
    shop = shop_of(options, base, layout) or recorded_shop(saved, base)
    talk = talk_of(base, layout, WIDTH, shop)
    case, _ = begin(talk)
    for recorded in saved.events:
        case, _, _ = follow(talk, case, recorded)
    return _Known(talk, case.facts, case.stage, case.closed, case.confirmed)


def _of_facts(options: argparse.Namespace, base: KnowledgeBase) -> _Known:
    """What the words of --facts say."""
    text = given_text(options.facts)
    talk = talk_of(base, options.layout, WIDTH, shop_of(options, base, options.layout))
    consultant = Consultant(talk.expert, talk.lexicon, talk.shop)
    try:
        reading = consultant.read(text, options.stage)
        for message in reading_notes(talk, reading):
            print(message.text, file=sys.stderr)
        if not (reading.facts or reading.contradictions):
            raise BadInput(f"Nothing in that was understood. Say for example: {_EXAMPLE}")
        stated = consultant.stated(reading, options.stage)
    except FactsError as error:
        raise BadInput(str(error)) from None
    return _Known(talk, stated.facts, stated.stage)


def _costs(options: argparse.Namespace, base: KnowledgeBase, costs: Costs) -> Costs:
    """The costs with the figures of --prices in them; BadInput names file, line and what is allowed."""
    if options.prices is None:
        return costs
    try:
        prices, lined = load_prices(options.prices, base)
        return priced(costs, prices, lined, str(options.prices))
    except KnowledgeError as error:
        wrong = "\n".join(f"  {store.shown(problem)}" for problem in error.problems)
        raise BadInput(f"The prices cannot be used ({len(error.problems)} problems):\n{wrong}") from None
