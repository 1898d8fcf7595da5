"""`check` and `explain`: the knowledge tried as a whole, and any part of it in words."""

from __future__ import annotations

import argparse
import sys

from expert import explain as explaining
from expert.chaining import chainer
from expert.cli.common import NEGATIVE, OK, BadInput, Commands, Parents, base_of, layout_of
from expert.coverage import coverage
from expert.coverage_text import coverage_text
from expert.diagnosis import Expert
from expert.knowledge.base import KnowledgeBase
from expert.knowledge.conditions import BadCondition
from expert.knowledge.load import packaged_rules
from expert.knowledge.problems import KnowledgeError
from expert.lint import plainly, survey
from expert.wording import WIDTH, joined


def add(commands: Commands, parents: Parents) -> None:
    """The parsers of the two commands."""
    check = commands.add_parser(
        "check", parents=[parents.knowledge], help="validate the knowledge and run every rule's examples"
    )
    check.add_argument(
        "--report",
        action="store_true",
        help="print for each source its rules and what tells it from its look-alikes; 1 if two cannot be told apart",
    )
    check.set_defaults(run=_check)

    explain = commands.add_parser(
        "explain", parents=[parents.knowledge], help="print a layout, source, rule, finding, place or term"
    )
    explain.add_argument("name", nargs="+")
    explain.set_defaults(run=_explain)


def _check(options: argparse.Namespace) -> int:
    # What both engines make of every example is a matter of the tests; here the plain one will do, and does it sooner.
    found = survey(options.rules or packaged_rules(), plainly)
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
    else:
        print(f"All well: {counts}, {len(base.layouts)} layouts; {examples} examples run.")
    told = _report(base, options.layout) if options.report else OK
    return NEGATIVE if problems else told


def _report(base: KnowledgeBase, wanted: str | None) -> int:
    """Print the coverage of one layout or of all. 1 where two sources cannot be told apart and nothing says so."""
    left = 0
    for name in [layout_of(base, wanted)] if wanted else base.layouts:
        machine = base.machine(name)
        found = coverage(Expert(machine, chainer))
        print("\n" + coverage_text(machine, found, WIDTH))
        left += len(found.unexplained)
    if left:
        pairs = "1 pair" if left == 1 else f"{left} pairs"
        print(f"{pairs} of sources that no question parts; see NOT PARTED above.", file=sys.stderr)
    return NEGATIVE if left else OK


def _explain(options: argparse.Namespace) -> int:
    base = base_of(options)
    name = " ".join(options.name)
    layout = layout_of(base, options.layout)
    try:
        text = explaining.explain(base, layout, name, WIDTH)
    except BadCondition as error:  # on a layout other than the one whose rules were tried
        raise BadInput(f"The rules cannot be used: {error}. `firstwet check` says in which file and line.") from None
    if text is None:
        near = explaining.suggestions(base, name)
        raise BadInput(f"Nothing is called {name!r}." + (f" Near it: {joined(near, 'or')}." if near else ""))
    print(text)
    return OK
