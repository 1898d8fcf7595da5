"""`check` and `explain`: the knowledge tried as a whole, and any part of it in words."""

from __future__ import annotations

import argparse
import sys

from expert import explain as explaining
from expert.chaining import chainer
from expert.cli.common import NEGATIVE, OK, BadInput, Commands, Parents, base_of, layout_of
from expert.knowledge.load import packaged_rules
from expert.knowledge.problems import KnowledgeError
from expert.lint import survey
from expert.wording import WIDTH, joined


def add(commands: Commands, parents: Parents) -> None:
    """The parsers of the two commands."""
    check = commands.add_parser(
        "check", parents=[parents.knowledge], help="validate the knowledge and run every rule's examples"
    )
    check.set_defaults(run=_check)

    explain = commands.add_parser(
        "explain", parents=[parents.knowledge], help="print a source, rule, finding, zone or term"
    )
    explain.add_argument("name", nargs="+")
    explain.set_defaults(run=_explain)


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
    base = base_of(options)
    name = " ".join(options.name)
    text = explaining.explain(base, layout_of(base, options.layout), name, WIDTH)
    if text is None:
        near = explaining.suggestions(base, name)
        raise BadInput(f"Nothing is called {name!r}." + (f" Near it: {joined(near, 'or')}." if near else ""))
    print(text)
    return OK
