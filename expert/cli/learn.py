"""`learn`: how common each source is in this shop, from the cases whose source was confirmed."""

from __future__ import annotations

import argparse
import contextlib
import math
import os
import sys
from pathlib import Path

from expert import store
from expert.cli.common import NEGATIVE, OK, BadInput, Commands, Parents, base_of, folder_of, layout_of
from expert.diagnosis import chances_of
from expert.knowledge.base import Machine
from expert.knowledge.load import packaged_rules
from expert.learning import CREDIBLE, LEAST_WEIGHT, MOST_WEIGHT, WEIGHT, Learnt, learn
from expert.overlay import digest_of, is_overlay, written
from expert.wording import WIDTH, source_name, wrap

_CELL = "{:>6}  {:>7}  {:>7}  {:>16}  "


def add(commands: Commands, parents: Parents) -> None:
    """The command's parser."""
    learn_parser = commands.add_parser(
        "learn",
        parents=[parents.knowledge, parents.cases],
        help="how common each source is in this shop, from its confirmed cases",
    )
    learn_parser.add_argument(
        "--out",
        metavar="FILE",
        type=Path,
        default=None,
        help="where to write the overlay (default: overlay-LAYOUT.yaml in the folder of case files)",
    )
    learn_parser.add_argument(
        "--weight",
        metavar="N",
        type=_weight,
        default=WEIGHT,
        help=f"how many confirmed cases the knowledge's own chances count for (default: {WEIGHT:g})",
    )
    learn_parser.add_argument("--dry-run", action="store_true", help="print what would be learnt, write nothing")
    learn_parser.set_defaults(run=_learn)


def _weight(text: str) -> float:
    try:
        weight = float(text)
    except ValueError:
        weight = math.nan
    if not LEAST_WEIGHT <= weight <= MOST_WEIGHT:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no number of cases; allowed: {LEAST_WEIGHT:g} to {MOST_WEIGHT:.0f}"
        )
    return weight


def _learn(options: argparse.Namespace) -> int:
    base = base_of(options)
    machine = base.machine(layout_of(base, options.layout))
    folder = folder_of(options)
    out = None if options.dry_run else _out_of(options, folder, machine)
    proved = _confirmed_cases(folder, machine)
    if not proved:
        print(
            f"Nothing to learn from: no case of layout {machine.layout.layout} in {store.shown(folder)} has a "
            "confirmed source. In the chat, `confirmed SOURCE` closes a case with what the repair proved.",
            file=sys.stderr,
        )
        return NEGATIVE
    learnt = learn(chances_of(machine), proved, options.weight)
    text = written(learnt, machine, len(proved), options.weight).encode()
    if out is not None:  # before anything is printed, for whoever reads that may stop reading
        _write(out, text)
    print(_table(machine, learnt, len(proved), options.weight))
    if out is None:
        print("\nNothing was written (--dry-run).")
        return OK
    print("\n" + wrap(f"Written: overlay {digest_of(text)}. Use it with --overlay {store.shown(out)}", WIDTH))
    return OK


def _out_of(options: argparse.Namespace, folder: Path, machine: Machine) -> Path:
    """Where the overlay goes; BadInput for a place inside the knowledge, or a file that is something else."""
    out: Path = options.out or folder / f"overlay-{machine.layout.layout}.yaml"
    rules = (options.rules or packaged_rules()).resolve()
    if out.resolve().is_relative_to(rules):
        raise BadInput(
            f"The overlay is no part of the knowledge, so it is not written into {store.shown(rules)}. "
            "Name another file with `--out`."
        )
    if out.is_dir():
        raise BadInput(f"{store.shown(out)} is a folder. Name a file with `--out`.")
    if out.exists():
        try:
            ours = is_overlay(out.read_bytes()) if out.is_file() else False
        except OSError as error:
            raise BadInput(f"{store.shown(out)} is there and cannot be read: {error.strerror}.") from None
        if not ours:
            raise BadInput(
                f"{store.shown(out)} is there and is no overlay, so it is not overwritten. "
                "Name another file with `--out`, or move it away."
            )
    return out


def _confirmed_cases(folder: Path, machine: Machine) -> list[tuple[str, ...]]:
    """The confirmed sources of each case that counts; every other case is named, with the reason, on standard error."""
    proved = []
    for entry in sorted(store.listing(folder), key=lambda entry: entry.case):
        why = _left_out(entry, machine)
        if why:
            print(f"Left out: {store.shown(entry.case)}: {store.shown(why)}", file=sys.stderr)
        else:
            proved.append(entry.confirmed)
    return proved


def _left_out(entry: store.Listed, machine: Machine) -> str:
    """Why a case does not count; "" if it does."""
    if entry.header is None:
        return f"unreadable: {entry.problem}"
    if entry.header["layout"] != machine.layout.layout:
        return f"of another layout, {entry.header['layout']}"
    if entry.torn:
        return "its last line was cut short, so what was confirmed last is not sure; resume it to see"
    if not entry.confirmed:
        return "nothing was confirmed"
    gone = [source for source in entry.confirmed if source not in machine.sources]
    return f"confirmed is what the knowledge does not have: {', '.join(gone)}" if gone else ""


def _table(machine: Machine, learnt: tuple[Learnt, ...], cases: int, weight: float) -> str:
    """Before and after of each source that moved by what is printed, the most confirmed first."""
    confirmed = "1 confirmed case" if cases == 1 else f"{cases} confirmed cases"
    lines = [
        wrap(
            f"{confirmed} of layout {machine.layout.layout}. The knowledge's own chances count for {weight:g} cases. "
            f"How often each source leaks (after: with its {CREDIBLE:.0%} credible interval):",
            WIDTH,
        ),
        _CELL.format("cases", "before", "after", "interval") + "source",
    ]
    still = 0
    for one in sorted(learnt, key=lambda one: (-one.confirmed, -one.after.mean, one.source)):
        before, after = _share(one.before.mean), _share(one.after.mean)
        if before == after:
            still += 1
            continue
        least, most = map(_share, one.after.interval())
        lead = _CELL.format(one.confirmed, before, after, f"{least} to {most}")
        lines.append(wrap(source_name(machine, one.source), WIDTH, lead))
    if still:
        lines.append(f"{still} more did not move by as much as 0.1%.")
    return "\n".join(lines)


def _share(chance: float) -> str:
    return f"{chance:.1%}"


def _write(path: Path, text: bytes) -> None:
    """Put the file there whole or not at all. BadInput if that cannot be done."""
    half = path.with_name(path.name + ".new")
    try:
        with half.open("wb") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        half.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            half.unlink(missing_ok=True)
        raise BadInput(
            f"The overlay cannot be written to {store.shown(path)}: {error.strerror}. Name another file with `--out`."
        ) from None
