"""The command: what to measure, on how many vehicles, and where the figures go."""

from __future__ import annotations

import argparse
import json
import math
import platform
import sys
import time
from collections.abc import Callable, Collection, Sequence
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

from expert.engine import engine_name
from expert.knowledge.load import load, packaged_rules
from expert.knowledge.problems import KnowledgeError

from . import measure, optimal, speed, text
from .bench import Setting
from .calibrate import OUTCOMES, calibrate
from .job import LOOKS
from .outcome import Outcome
from .policies import EXPERT, POLICIES
from .run import CHECK_EVERY, Outcomes, Progress, mapped, outcomes

PARTS = ("outcomes", "optimal", "speed")


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the figures of every layout asked for. 2 for a faulty command or faulty rules, else 0."""
    asked = _parser().parse_args(arguments)
    try:
        return _calibrate(asked) if asked.calibrate else _measure(asked)
    except KnowledgeError as error:
        print(error, file=sys.stderr)
        return 2


def _settings(asked: argparse.Namespace, layouts: Collection[str]) -> dict[str, Setting]:
    """The layouts asked for; none, and a message, where one is not known."""
    unknown = [name for name in asked.layout if name not in layouts]
    if unknown:
        print(f"there is no layout {unknown[0]!r}; known: {', '.join(layouts)}", file=sys.stderr)
        return {}
    return {name: Setting(asked.rules, name, asked.seed) for name in dict.fromkeys(asked.layout or layouts)}


def _calibrate(asked: argparse.Namespace) -> int:
    base = load(asked.rules)
    settings = _settings(asked, base.layouts)
    if not settings:
        return 2
    if asked.calibrate < 2:
        print("--calibrate: at least 2 vehicles, one to fit to and one to judge by", file=sys.stderr)
        return 2
    say = _Say()
    say.title(f"Calibration on {asked.calibrate} vehicles of {', '.join(settings)}, seed {asked.seed}")
    found = calibrate(
        tuple(settings.values()), base.scale, asked.calibrate, mapped, asked.jobs, partial(print, file=sys.stderr)
    )
    say(text.calibration(found))
    if asked.json:
        fits = {name: getattr(found, name) for name in ("now", "by_word", "by_outcome")}
        plain = {
            name: {
                "ratios": {
                    outcome: {word: math.exp(log) for word, log in zip(found.words, row, strict=True)}
                    for outcome, row in zip(OUTCOMES, fit.figures.logs.tolist(), strict=True)
                },
                "trust": fit.figures.found,
                "damp": fit.figures.damp,
                "loss": {"fitted": fit.fitted, "held_out": fit.held_out},
            }
            for name, fit in fits.items()
        }
        asked.json.write_text(json.dumps({"vehicles": asked.calibrate, "seed": asked.seed, **plain}, indent=1) + "\n")
    return 0


def _measure(asked: argparse.Namespace) -> int:
    settings = _settings(asked, load(asked.rules).layouts)
    if not settings:
        return 2
    whole: dict[str, Outcomes] = {}
    found = {name: _layout(setting, asked, whole) for name, setting in settings.items()}
    if len(whole) > 1:
        say = _Say()
        say.title(f"All layouts, {asked.vehicles} vehicles each, seed {asked.seed}")
        together = [vehicle for every in whole.values() for vehicle in every]
        say(text.summary([*(line(name, every) for name, every in whole.items()), line("all layouts", together)]))
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
    parser.add_argument(
        "--calibrate",
        type=_positive,
        metavar="N",
        help="fit the strength words to N other vehicles instead; writes nothing",
    )
    parser.add_argument("--rules", type=Path, default=packaged_rules(), metavar="DIR", help="folder of knowledge")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures there as well")
    return parser


def _positive(words: str) -> int:
    if not words.isdecimal() or int(words) < 1:
        raise argparse.ArgumentTypeError(f"{words!r} is not a whole number from 1 up")
    return int(words)


def _layout(setting: Setting, asked: argparse.Namespace, whole: dict[str, Outcomes]) -> dict[str, Any]:
    """The layout's figures, printed as they come; its outcomes are put into `whole`."""
    say = _Say()
    bench = setting.bench()
    say.title(f"{bench.machine.layout.name} ({setting.layout})")
    say(f"  {len(bench.machine.sources)} sources, {len(bench.machine.zones)} zones, seed {setting.seed}")
    found: dict[str, Any] = {}
    if "outcomes" in asked.parts:
        begun = time.monotonic()
        every = outcomes(setting, asked.vehicles, asked.jobs, Progress(setting.layout, asked.vehicles))
        took = time.monotonic() - begun
        whole[setting.layout] = every
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
    by = by_policy(every)
    scores = [measure.score(name, some) for name, some in by.items()]
    ended = [measure.of_jobs(name, by[name]) for name in LOOKS]
    title = say.title if isinstance(say, _Say) else say
    title("Policies side by side on the same vehicles")
    say(text.scores(scores))
    gaps = [measure.paired(by[EXPERT], some) for name, some in by.items() if name != EXPERT]
    title("The expert against the others, vehicle by vehicle")
    say(text.pairs(gaps))
    title("The whole job: repair, proof, and on from there where it is not dry")
    say(text.jobs(ended))
    title("Against the targets")
    say(text.targets(scores, ended))
    phases = measure.by_phase(by[EXPERT])
    title("Where the expert's questions go")
    say(text.phases(phases))
    found: dict[str, Any] = {
        "scores": {s.policy: asdict(s) for s in scores},
        "jobs": {s.policy: asdict(s) for s in ended},
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


def by_policy(every: Outcomes) -> dict[str, list[Outcome]]:
    """The outcomes of all vehicles, policy by policy."""
    return {name: [o for vehicle in every for o in vehicle if o.policy == name] for name in POLICIES}


def line(name: str, every: Outcomes) -> text.Line:
    """The chief figures of some vehicles, as one line of the summary."""
    by = by_policy(every)
    concluded = measure.of_conclusions(by[EXPERT])
    return text.Line(
        name,
        {policy: measure.score(policy, some) for policy, some in by.items()},
        {policy: measure.of_jobs(policy, by[policy]) for policy in LOOKS},
        measure.mean(chance for chance, _ in concluded),
        measure.share(right for _, right in concluded),
    )


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
