"""The command: what to measure, on how many vehicles, and where the figures go."""

from __future__ import annotations

import argparse
import json
import math
import platform
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from expert.engine import engine_name
from expert.knowledge.load import load, packaged_rules
from expert.knowledge.problems import KnowledgeError

from . import measure, optimal, speed, text
from .bench import Setting
from .policies import EXPERT, POLICIES, Outcome
from .run import CHECK_EVERY, Outcomes, Progress, outcomes

PARTS = ("outcomes", "optimal", "speed")


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the figures of every layout asked for. 2 for a faulty command or faulty rules, else 0."""
    asked = _parser().parse_args(arguments)
    try:
        return _measure(asked)
    except KnowledgeError as error:
        print(error, file=sys.stderr)
        return 2


def _measure(asked: argparse.Namespace) -> int:
    layouts = tuple(load(asked.rules).layouts)
    unknown = [name for name in asked.layout if name not in layouts]
    if unknown:
        print(f"there is no layout {unknown[0]!r}; known: {', '.join(layouts)}", file=sys.stderr)
        return 2
    found = {name: _layout(Setting(asked.rules, name, asked.seed), asked) for name in asked.layout or layouts}
    if asked.json:
        head = {"vehicles": asked.vehicles, "seed": asked.seed, "python": platform.python_version()}
        asked.json.write_text(json.dumps(_plain({**head, "layouts": found}), indent=1) + "\n", encoding="utf-8")
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.diagnosis", description=__doc__)
    parser.add_argument("--vehicles", type=_positive, default=2000, metavar="N", help="vehicles a layout (2000)")
    parser.add_argument("--seed", type=int, default=1, metavar="S", help="of the vehicles (1)")
    parser.add_argument("--jobs", type=_positive, default=2, metavar="J", help="processes (2); no figure depends on it")
    parser.add_argument("--layout", action="append", default=[], metavar="L", help="only this one; may be repeated")
    parser.add_argument("--parts", nargs="+", choices=PARTS, default=PARTS, help="what to measure (everything)")
    parser.add_argument("--rules", type=Path, default=packaged_rules(), metavar="DIR", help="folder of knowledge")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures there as well")
    return parser


def _positive(words: str) -> int:
    if not words.isdecimal() or int(words) < 1:
        raise argparse.ArgumentTypeError(f"{words!r} is not a whole number from 1 up")
    return int(words)


def _layout(setting: Setting, asked: argparse.Namespace) -> dict[str, Any]:
    say = _Say()
    bench = setting.bench()
    say.title(f"{bench.machine.layout.name} ({setting.layout})")
    say(f"  {len(bench.machine.sources)} sources, {len(bench.machine.zones)} zones, seed {setting.seed}")
    found: dict[str, Any] = {}
    if "outcomes" in asked.parts:
        begun = time.monotonic()
        every = outcomes(setting, asked.vehicles, asked.jobs, Progress(setting.layout, asked.vehicles))
        took = time.monotonic() - begun
        found["outcomes"] = figures(every, tuple(bench.machine.sources), say)
        found["run"] = {"seconds": took, "jobs": asked.jobs, "stepwise": _stepwise(every)}
        say(
            f"  Chained stepwise; of every {CHECK_EVERY} vehicles one was diagnosed by {engine_name()} too, with equal"
            f" results.\n  {asked.vehicles} vehicles took {took:.0f} s on {asked.jobs} processes;"
            f" from answer to next question {_milliseconds(every)}"
        )
    if "optimal" in asked.parts:
        say.title("The best policy on small layouts, by dynamic programming")
        compared = [c for group in optimal.families(bench) for c in optimal.compare(setting, group)]
        say(text.optima(compared) if compared else "  this layout has no sources alike enough in number")
        found["optimal"] = [{**asdict(c), "ratio": c.ratio} for c in compared]
    if "speed" in asked.parts:
        found["speed"] = _speed(setting, say)
    return found


def figures(every: Outcomes, sources: Sequence[str], say: Callable[[str], None] = lambda line: None) -> dict[str, Any]:
    """All figures that follow from the outcomes; the same in every run with the same seed."""
    by = {name: [o for vehicle in every for o in vehicle if o.policy == name] for name in POLICIES}
    scores = [measure.score(name, some) for name, some in by.items()]
    title = say.title if isinstance(say, _Say) else say
    title("Policies side by side on the same vehicles")
    say(text.scores(scores))
    gaps = [measure.paired(by[EXPERT], some) for name, some in by.items() if name != EXPERT]
    title("The expert against the others, vehicle by vehicle")
    say(text.pairs(gaps))
    title("Against the targets")
    say(text.targets(scores))
    phases = measure.by_phase(by[EXPERT])
    title("Where the expert's questions go")
    say(text.phases(phases))
    found: dict[str, Any] = {
        "scores": {s.policy: asdict(s) for s in scores},
        "phases": {name: {"questions": q, "minutes": m} for name, (q, m) in phases.items()},
        "paired": [asdict(gap) for gap in gaps],
        "certainty": {},
    }
    title("Honest certainty: stated chance against how often it was so")
    for score in scores:
        if score.believes:
            found["certainty"][score.policy] = _certainty(score.policy, by[score.policy], sources, say)
    lost, alarms = measure.missed(by[EXPERT]), measure.false_alarms(by[EXPERT])
    title("What the expert missed, and what it took it for")
    say(text.mistakes(lost, alarms))
    found["missed"] = [asdict(one) for one in lost]
    found["false_alarms"] = dict(alarms)
    return found


def _certainty(
    policy: str, some: Sequence[Outcome], sources: Sequence[str], say: Callable[[str], None]
) -> dict[str, Any]:
    found: dict[str, Any] = {}
    kinds = {
        "each source's chance": measure.of_sources(some, sources),
        "the concluded set": measure.of_conclusions(some),
    }
    for name, forecasts in kinds.items():
        bins, parts, loss = measure.bins(forecasts), measure.murphy(forecasts), measure.log_loss(forecasts)
        if policy == EXPERT:
            say(f"  {policy}, {name}:\n{text.diagram(bins)}")
        say(text.brier(f"{policy}, {name}", parts, loss))
        found[name] = {
            "bins": [asdict(one) for one in bins],
            "murphy": {**asdict(parts), "within": parts.within},
            "log_loss": loss,
        }
    found["loss_of_truth"] = measure.loss_of_truth(some)
    say(f"  {policy}, log loss of exactly the set that leaks: {found['loss_of_truth']:.3f} nat")
    return found


def _speed(setting: Setting, say: _Say) -> dict[str, Any]:
    say.title("Speed: from an answer to the next question")
    answering = speed.answering(setting)
    say(text.answers(answering))
    say.title("One question as the sources grow")
    sizes = speed.growth(setting)
    say(text.sizes(sizes))
    say.title("One posterior beside pyagrum")
    beside = speed.beside(setting)
    say(text.library(beside))
    return {
        "answering": asdict(answering),
        "growth": [asdict(one) for one in sizes],
        "beside": None if beside is None else [asdict(one) for one in beside],
    }


def _times(every: Outcomes) -> list[float]:
    return [ms for vehicle in every for o in vehicle if o.policy == EXPERT for ms in o.took]


def _stepwise(every: Outcomes) -> dict[str, float]:
    took = _times(every)
    return {"p50": measure.centile(took, 0.5), "p95": measure.centile(took, 0.95)}


def _milliseconds(every: Outcomes) -> str:
    took = _stepwise(every)
    return f"p50 {took['p50']:.0f} ms, p95 {took['p95']:.0f} ms (stepwise, all processes busy)"


class _Say:
    """Prints at once, so that what is found already can be read while the rest still runs."""

    def __call__(self, words: str) -> None:
        print(words, flush=True)

    def title(self, words: str) -> None:
        """A heading."""
        self(f"\n{words}\n{'-' * len(words)}")


def _plain(value: Any) -> Any:
    """What JSON can hold: none for what is not a number, words for keys."""
    if isinstance(value, dict):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
