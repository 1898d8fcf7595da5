"""The figures as plain text."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from .calibrate import OUTCOMES, Calibration
from .job import MOST_VISITS
from .measure import Bin, Difference, JobScore, Missed, Murphy, Paired, Score, Share
from .optimal import BAYES, OWN, Compared
from .policies import CHECKLIST, COMMONNESS, EXPERT
from .speed import Answering, Beside, Size

WIDTH = 50
ABOUT = {
    "expert": "firstwet's own next question",
    "checklist": "clean, drive, every zone from the top down once, the fluid",
    "random": "the expert's phases and stop rule, questions drawn blindly",
    "commonness": "replacing parts in order of commonness until dry",
}


def table(rows: Sequence[Sequence[str]]) -> str:
    """Columns set under each other, the first to the left, the others to the right."""
    widths = [max(len(row[at]) for row in rows if at < len(row)) for at in range(max(map(len, rows)))]

    def line(row: Sequence[str]) -> str:
        first, *others = (
            cell.rjust(width) if at else cell.ljust(width)
            for at, (cell, width) in enumerate(zip(row, widths, strict=False))
        )
        return "  ".join(("  " + first, *others)).rstrip()

    return "\n".join(map(line, rows))


def percent(part: Share) -> str:
    """A share in percent with its standard error."""
    return "-" if not part.of else f"{100 * part.value:.1f} ±{100 * part.error:.1f}"


def number(value: float, digits: int = 1) -> str:
    """A number; a dash for none."""
    return "-" if math.isnan(value) else f"{value:.{digits}f}"


def scores(found: Sequence[Score]) -> str:
    """The policies side by side on the same vehicles."""
    singles, doubles, triples = (found[0].exact[n].of for n in (1, 2, 3))
    believing: list[tuple[str, Callable[[Score], str]]] = [
        ("single leaks: in the first place", lambda s: percent(s.top_one)),
        ("single leaks: among the first three", lambda s: percent(s.top_three)),
    ]
    sets: list[tuple[str, Callable[[Score], str]]] = [
        ("singles: exactly that concluded", lambda s: percent(s.exact[1])),
        ("doubles: both concluded", lambda s: percent(s.all_found[2])),
        ("doubles: ranked first and second", lambda s: percent(s.all_ranked[2])),
        ("doubles: exactly those concluded", lambda s: percent(s.exact[2])),
        ("triples: all concluded", lambda s: percent(s.all_found[3])),
        ("triples: ranked first to third", lambda s: percent(s.all_ranked[3])),
        ("triples: exactly those concluded", lambda s: percent(s.exact[3])),
        ("one explanation stood out", lambda s: percent(s.stands_out)),
        ("questions asked", lambda s: number(s.questions)),
        ("minutes of inspection, mean", lambda s: number(s.minutes)),
        ("minutes of inspection, median", lambda s: number(s.minutes_median)),
    ]
    acting: list[tuple[str, Callable[[Score], str]]] = [
        ("wrong parts bought a vehicle", lambda s: number(s.wrong, 2)),
        ("vehicles without a wrong part", lambda s: percent(s.none_wrong)),
        ("hours of repairs a vehicle", lambda s: number(s.hours)),
        ("  of them on what did not leak", lambda s: number(s.wasted, 2)),
    ]
    rows = [["", *(s.policy for s in found)]]
    rows += [[name, *(show(s) for s in found)] for name, show in believing]
    rows += [[name, *(show(s) if s.believes else "-" for s in found)] for name, show in sets]
    rows += [[name, *(show(s) for s in found)] for name, show in acting]
    lines = [f"  {singles} single leaks, {doubles} doubles, {triples} triples; percent ± standard error", table(rows)]
    return "\n".join([*lines, *(f"  {s.policy}: {ABOUT[s.policy]}" for s in found)])


def pairs(found: Sequence[Paired]) -> str:
    """What the expert spends more (or, below zero, less) than each other policy on the same vehicle."""

    def cell(gap: Difference, digits: int) -> str:
        return f"{gap.mean:+.{digits}f} ±{number(gap.error, digits)}"

    rows = [["expert more than", "wrong parts", "hours on what did not leak", "minutes of inspection"]]
    rows += [[one.than, cell(one.wrong, 2), cell(one.wasted, 2), cell(one.minutes, 1)] for one in found]
    return table(rows)


def jobs(found: Sequence[JobScore]) -> str:
    """How the whole jobs end, policy by policy."""
    shown: list[tuple[str, Callable[[JobScore], str]]] = [
        ("singles: mended by the end", lambda s: percent(s.mended[1])),
        ("doubles: both mended by the end", lambda s: percent(s.mended[2])),
        ("triples: all mended by the end", lambda s: percent(s.mended[3])),
        ("visits", lambda s: number(s.visits, 2)),
        ("minutes of the first visit", lambda s: number(s.first_minutes)),
        ("minutes of all visits", lambda s: number(s.minutes)),
        ("wrong parts bought on all visits", lambda s: number(s.wrong, 2)),
        ("proved dry within the visits", lambda s: percent(s.proved)),
        ("  of those nothing leaks", lambda s: percent(s.rightly)),
    ]
    rows = [["", *(s.policy for s in found)], *([name, *(show(s) for s in found)] for name, show in shown)]
    return "\n".join(
        [
            table(rows),
            "  What the first inspection concluded is repaired; the vehicle with what still leaks is cleaned, driven",
            "  and looked at again; as long as it is likelier than not that anything leaks, the inspection goes on",
            f"  from there and its conclusion is repaired in turn, on up to {MOST_VISITS} visits, proofs included.",
        ]
    )


def targets(found: Sequence[Score], ended: Sequence[JobScore]) -> str:
    """The targets beside what was reached, and of which figure each is; told, never a pass mark."""
    by, job = {s.policy: s for s in found}, {s.policy: s for s in ended}
    expert, checklist, blind = by[EXPERT], by[CHECKLIST], by[COMMONNESS]
    whole = job[EXPERT].minutes / job[CHECKLIST].minutes
    rows = [
        ["", "reached", "target", "of"],
        ["top one of single leaks", percent(expert.top_one), "at least 92", "the first inspection"],
        ["all leaks of doubles, in one inspection", percent(expert.all_found[2]), "-", "the first inspection"],
        [
            "all leaks of doubles, after repair and proof",
            percent(job[EXPERT].mended[2]),
            "at least 80",
            "the whole job",
        ],
        [
            "minutes to the checklist's",
            _ratio(expert.minutes, checklist.minutes),
            "at most 0.50",
            "the first inspection",
        ],
        ["minutes to the checklist's", number(whole, 2), "-", "the whole job"],
        [
            "wrong parts to replacing by commonness",
            _ratio(expert.wrong, blind.wrong),
            "below 1",
            "the first inspection",
        ],
        ["wrong parts to replacing by commonness", _ratio(job[EXPERT].wrong, blind.wrong), "below 1", "the whole job"],
    ]
    return table(rows)


def _ratio(one: float, other: float) -> str:
    return number(one / other, 2) if other else "-"


@dataclass(frozen=True)
class Line:
    """One layout's, or all layouts', chief figures: scores, jobs, and the chances of the concluded sets."""

    name: str
    scores: dict[str, Score]
    ended: dict[str, JobScore]
    stated: float
    right: Share


def summary(lines: Sequence[Line]) -> str:
    """All layouts under each other."""
    head = ["", "singles", "doubles", "doubles", "minutes", "minutes", "wrong parts", "certainty"]
    under = ["", "first", "at once", "in the end", "first visit", "in all", "e / c / b", "stated, right"]
    rows = [head, under]
    for line in lines:
        expert, checklist, blind = (line.scores[p] for p in (EXPERT, CHECKLIST, COMMONNESS))
        mine, theirs = line.ended[EXPERT], line.ended[CHECKLIST]
        rows.append(
            [
                line.name,
                f"{percent(expert.top_one)} / {_whole(checklist.top_one)}",
                f"{percent(expert.all_found[2])} / {_whole(checklist.all_found[2])}",
                f"{percent(mine.mended[2])} / {_whole(theirs.mended[2])}",
                f"{expert.minutes:.0f} / {checklist.minutes:.0f}",
                f"{mine.minutes:.0f} / {theirs.minutes:.0f}",
                f"{expert.wrong:.2f} / {checklist.wrong:.2f} / {blind.wrong:.2f}",
                f"{100 * line.stated:.0f}, {_whole(line.right)}",
            ]
        )
    return "\n".join(
        [
            table(rows),
            "  Expert / checklist, in percent (the expert's with its standard error) or minutes; singles: the leak",
            "  named first; doubles at once: both concluded in one inspection, in the end: both mended after repair",
            "  and proof; wrong parts after one inspection: expert, checklist, replacing by commonness (b, blindly);",
            "  certainty: the mean chance of the expert's concluded sets, and how many of them were exactly right.",
        ]
    )


def _whole(part: Share) -> str:
    return f"{100 * part.value:.0f}" if part.of else "-"


def calibration(found: Calibration) -> str:
    """What the words' figures are and would best be."""
    now, word, outcome = found.now.figures, found.by_word.figures, found.by_outcome.figures
    rows = [["word", "ratio now", "best for all", *(f"best where it {name}" for name in OUTCOMES)]]
    for at, name in enumerate(found.words):
        best = [f"{math.exp(outcome.logs[row, at]):.2f} ({found.heard[row, at]})" for row in range(len(OUTCOMES))]
        rows.append([name, f"{math.exp(now.logs[0, at]):.2f}", f"{math.exp(word.logs[0, at]):.2f}", *best])
    rows += [
        ["power of what is seen as found", f"{now.found:.2f}", f"{word.found:.2f}", f"{outcome.found:.2f}"],
        ["power of a damp place", f"{now.damp:.2f}", f"{word.damp:.2f}", f"{outcome.damp:.2f}"],
    ]
    losses = [["log loss of exactly the set that leaks, nat", "now", "one figure a word", "by outcome"]]
    fits = (found.now, found.by_word, found.by_outcome)
    losses.append([f"on the {found.fitted} vehicles fitted to", *(f"{fit.fitted:.4f}" for fit in fits)])
    losses.append([f"on {found.held_out} others", *(f"{fit.held_out:.4f}" for fit in fits)])
    return "\n".join(
        [
            table(rows),
            "  In brackets: how many opinions there were; a word never used in a column has the figure best for all.",
            "  Nothing is written: a figure goes into rules/scale.yaml by hand, inside its word's published band.",
            "",
            table(losses),
        ]
    )


def phases(found: dict[str, tuple[float, float]]) -> str:
    """Where the expert's questions and minutes go."""
    rows = [["phase", "questions", "minutes"]]
    rows += [[phase, number(asked), number(minutes)] for phase, (asked, minutes) in found.items()]
    return table(rows)


def diagram(found: Sequence[Bin]) -> str:
    """Stated chance against frequency: `s` stated, `r` right, `x` both at one place."""
    lines = [f"  {'chance':>9} {'count':>7} {'stated':>7} {'right':>7}   0{'':{WIDTH - 2}}1"]
    for one in found:
        if not one.count:
            lines.append(f"  {one.low:.1f} - {one.high:.1f} {0:>7}")
            continue
        ruler = [" "] * WIDTH
        stated, right = (min(WIDTH - 1, int(p * WIDTH)) for p in (one.stated, one.happened))
        ruler[stated], ruler[right] = "s", "r" if stated != right else "x"
        numbers = f"{one.count:>7} {one.stated:>7.3f} {one.happened:>7.3f}"
        lines.append(f"  {one.low:.1f} - {one.high:.1f} {numbers}  |{''.join(ruler)}| ±{one.error:.3f}")
    return "\n".join(lines)


def brier(name: str, parts: Murphy, loss: float) -> str:
    """The Brier score with its parts, and the log loss."""
    return (
        f"  {name}: Brier {parts.brier:.5f} = reliability {parts.reliability:.5f} - resolution {parts.resolution:.5f}"
        f" + uncertainty {parts.uncertainty:.5f} + within bins {parts.within:.5f}; log loss {loss:.4f} nat"
    )


def mistakes(found: Sequence[Missed], alarms: Sequence[tuple[str, int]], most: int = 15) -> str:
    """Sources most often missed and what was concluded in their place."""
    rows = [["source", "leaked", "missed", "taken for"]]
    for one in found[:most]:
        taken = ", ".join(f"{name} {count}" for name, count in one.taken_for[:3])
        rows.append([one.source, str(one.leaked), str(one.missed), taken])
    widths = [max(len(row[at]) for row in rows) for at in range(3)]
    lines = [f"  {a:<{widths[0]}}  {b:>{widths[1]}}  {c:>{widths[2]}}  {d}" for a, b, c, d in rows]
    wrong = ", ".join(f"{name} {count}" for name, count in alarms[:most])
    return "\n".join([*lines, f"  concluded without leaking: {wrong or 'none'}"])


def optima(found: Sequence[Compared]) -> str:
    """The best policy and the expert's on small layouts."""
    lines = []
    for family in dict.fromkeys(c.family for c in found):
        mine = [c for c in found if c.family == family]
        lines.append(f"  sources: {', '.join(family.sources)}")
        lines.append(f"  questions: {', '.join(family.questions)}")
        rows = [["penalty (minutes)", "answers by", "guess", "best", "its order", "its stops", "expert", "to best"]]
        for c in mine:
            costs = (c.guess, c.best, c.ordered, c.concluding, c.expert)
            rows.append([f"{c.penalty:.0f}", c.after, *(f"{cost:.1f}" for cost in costs), f"{c.ratio:.2f}"])
        lines += [table(rows), f"  imbalance of expected beliefs {family.imbalance:.3f}", ""]
    for kind in (BAYES, OWN):
        some = [c for c in found if c.after == kind]
        whole = sum(c.expert for c in some) / sum(c.best for c in some)
        order = sum(c.ordered for c in some) / sum(c.best for c in some)
        lines.append(f"  {kind}: expert to best over all {whole:.3f}, its order of questions alone {order:.3f}")
    return "\n".join(
        [
            *lines,
            "  guess: conclude at once; its order: the expert's order of questions, stopped where that is best;",
            "  its stops: the expert's questions and stops, the best conclusion drawn; expert: all its own.",
            "  bayes: posteriors by the likelihoods looked ahead with; own: what the expert believes after an answer.",
            "  imbalance: total variation between the belief now and the mean of the beliefs expected, worst question.",
            "  (target: within 10 % of the best)",
        ]
    )


def answers(found: Answering) -> str:
    """From an answer to the next question."""
    return (
        f"  with the engine, all facts chained afresh: median {found.median:.0f} ms, p95 {found.p95:.0f} ms, worst "
        f"{found.worst:.0f} ms of {found.questions}; first case after the start p95 {found.first_p95:.0f} ms\n"
        f"  bare interpreter's start {found.bare:.0f} ms, so p95 is {found.p95 / found.bare:.1f} starts "
        "(target: p95 under 50 ms, on a quiet machine)"
    )


def sizes(found: Sequence[Size]) -> str:
    """One question's cost as sources grow."""
    head = ["sources", "sets", "zones", "ground rules", "median", "p95", "all weighed", "answers", "an answer"]
    rows = [[*head, "to first", "a posterior"]]
    for one in found:
        counts = (one.sources, one.sets, one.zones, one.rules)
        times = (f"{one.median:.1f}", f"{one.p95:.1f}", f"{one.all_weighed:.1f}")
        part = (f"{one.answers:.0f}", f"{one.an_answer:.3f}", f"{one.an_answer / found[0].an_answer:.1f}")
        rows.append([*map(str, counts), *times, *part, f"{one.belief:.2f}"])
    return "\n".join(
        [
            table(rows),
            "  Milliseconds; median and p95 of the questions as they come; all weighed: every question that may be",
            "  asked. With up to three leaks the sets grow as n + n(n-1)/2 + n(n-1)(n-2)/6, so towards 8 times as",
            "  sources double. Looking ahead to one answer is following the rules from it, whatever the number of",
            "  sets; its information is then reckoned over groups of sets that no answer tells apart, a handful for",
            "  most questions. Numbering the sets by group takes a few passes over all of them, which the belief",
            "  itself takes too, so in the end the cost grows as the sets do; questions that name a place have as",
            "  many answers as there are zones, and make most of the p95.",
        ]
    )


def library(found: Sequence[Beside] | None) -> str:
    """Beside pyagrum."""
    if found is None:
        return "  pyagrum is not installed (python -m pip install --no-deps pyagrum): not compared"
    rows = [
        [
            "sources",
            "noisy-ORs",
            "cases",
            "clique",
            "ours ms",
            "pyagrum ms",
            "to ours",
            "apart",
            "apart, limit",
        ]
    ]
    for key in dict.fromkeys((b.sources, _band(b.patterns)) for b in found):
        some = [b for b in found if (b.sources, _band(b.patterns)) == key]
        done = [b for b in some if b.library is not None]
        ratios = sorted(b.library / b.ours for b in done if b.library is not None)
        limited = [b.apart_limited for b in done if b.apart_limited is not None]
        rows.append(
            [
                str(key[0]),
                key[1],
                f"{len(done)} of {len(some)}",
                f"2^{max(b.clique for b in some):.0f}",
                number(_mean([b.ours for b in some]), 2),
                number(_mean([b.library for b in done if b.library is not None]), 2),
                f"{ratios[len(ratios) // 2]:.1f}" if ratios else "-",
                f"{max(b.apart or 0 for b in done):.1e}" if done else "-",
                f"{max(limited):.1e}" if limited else "-",
            ]
        )
    return "\n".join(
        [
            table(rows),
            "  One posterior of all sources from the same sources, noisy-ORs and soft evidence, both from nothing",
            "  remembered; pyagrum's time is inference alone, its network (each noisy-OR a chain of ORs) built before.",
            "  What differs: pyagrum's sources are independent, so that none or more than three may leak (apart: the",
            "  largest difference of a marginal), and its cost grows with the largest table (clique) that overlapping",
            "  noisy-ORs make, ours with the number of sets. With a chain of counters that limits it to one to three",
            "  leaks as well, both agree (apart, limit).",
            "  Cases whose table would be larger than memory allows are not run.",
        ]
    )


def _band(count: int) -> str:
    low = (count - 1) // 4 * 4 + 1
    return f"{low} to {low + 3}"


def _mean(some: Sequence[float]) -> float:
    return sum(some) / len(some) if some else math.nan
