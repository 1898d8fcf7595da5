"""`facts`: the conclusion at once, from facts stated in free words."""

from __future__ import annotations

import argparse
import json
import sys

from expert import report
from expert.cli.common import OK, BadInput, Commands, Parents, base_of, given_text, talk_of
from expert.conclusion import conclude
from expert.dialogue import entering, reading_notes
from expert.inspection import stage_of
from expert.jsonform import conclusion_object
from expert.phrases import understand
from expert.wording import WIDTH, fact_words, joined, wrap


def add(commands: Commands, parents: Parents) -> None:
    """The command's parser."""
    facts = commands.add_parser(
        "facts", parents=[parents.knowledge], help="conclusion and reasons at once, from stated facts"
    )
    facts.add_argument("text", nargs="*", help="what is known, in short phrases; '-' or nothing reads standard input")
    facts.add_argument("--json", action="store_true", help="print the documented JSON object")
    facts.add_argument("--stage", default=None, help="when it was seen: as-found (default) or after-clean")
    facts.add_argument("--plan", action="store_true", help="print the steps and cautions of the repair too")
    facts.set_defaults(run=_facts)


def _facts(options: argparse.Namespace) -> int:
    text = given_text(options.text)
    base = base_of(options)
    talk = talk_of(base, options.layout, WIDTH)
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
