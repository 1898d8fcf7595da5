"""`rate`: how much leaks, how long the fluid lasts, and what the leak's class means for driving on."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from typing import TypedDict

from expert.arithmetic import drops, expansion, rate
from expert.arithmetic.classes import judge
from expert.arithmetic.rate import Estimate, estimate
from expert.arithmetic.ratetext import Found, Growth, rate_object, rate_text
from expert.arithmetic.shapes import Assumption, Fluid, Tables
from expert.arithmetic.spans import Span, shown
from expert.arithmetic.units import (
    DENSITY,
    DISTANCE,
    LENGTH,
    SPEED,
    TEMPERATURE,
    TENSION,
    TIME,
    VOLUME,
    Kind,
    counted,
    parted,
    per_unit,
    quantity,
    spells,
)
from expert.cli.common import OK, BadInput, Commands, Parents
from expert.cli.figures import add_quantity, add_shared, choice, reading, span_of, tables_of, words
from expert.wording import WIDTH

_EXAMPLES = (
    "Say what you measured, for example: firstwet rate --drops 12 a minute, or --spot 10 cm in 8 h, "
    "or --lost 1 US qt in 500 miles, or --seen falls --level low, or --fill 8 L. See firstwet rate --help."
)


class _Basis(TypedDict):
    """What every estimate is reckoned with: speed in km/h, reserve in mL."""

    speed: Span
    reserve: Span | None


def add(commands: Commands, parents: Parents) -> None:
    """The command's parser."""
    parser = commands.add_parser("rate", parents=[], help="how much leaks, how long the fluid lasts, may it be driven")
    add_quantity(parser, "--drops", "COUNT", "drops counted in a time: 12 a minute, 30 in 5 min, 10-15 per minute")
    add_quantity(parser, "--spot", "WIDTH", "width of the spot on clean cardboard and the time: 10 cm in 8 h")
    add_quantity(parser, "--lost", "VOLUME", "fall of the level, over a time or a distance: 1 US qt in 500 miles")
    add_quantity(
        parser, "--fluid", "NAME", "the fluid by name (default: that of the transmission); a wrong name lists all"
    )
    add_quantity(parser, "--drop-size", "VOLUME", "size of one drop, if you measured it: 0.03 mL")
    add_quantity(parser, "--lip", "WIDTH", "width of what the drops fall from: 5 mm, 3/16 in")
    add_quantity(parser, "--tension", "VALUE", "surface tension from a data sheet, with --lip: 30 mN/m")
    add_quantity(parser, "--density", "VALUE", "density at 15 °C from a data sheet, with --lip or --fill: 860 kg/m3")
    add_quantity(
        parser, "--test-spot", "WIDTH", "width of the spot that 1 mL makes on the same card, with --spot: 5 cm"
    )
    add_quantity(parser, "--speed", "SPEED", "average speed over a drive: 50 km/h, 30 mph")
    add_quantity(parser, "--reserve", "VOLUME", "fluid between the level now and the low mark: 0.5 L, 1 US pt")
    add_quantity(parser, "--seen", "SIGN", "what the leak does: wet, hangs (drops), falls (drops) or stream")
    add_quantity(parser, "--level", "LEVEL", "the level against the marks: in range, low or unknown")
    add_quantity(parser, "--moment", "MOMENT", "before, during or after a drive (default: before)")
    add_quantity(parser, "--fill", "VOLUME", "all the fluid in the unit, to reckon its growth with heat: 8 L")
    add_quantity(parser, "--cold", "TEMPERATURE", "temperature when cold, with --fill: 10 C (write -10 C with a space)")
    add_quantity(parser, "--hot", "TEMPERATURE", "temperature when hot, with --fill: 80 C, 180 F")
    add_shared(parser)
    parser.set_defaults(run=_rate)


def _rate(options: argparse.Namespace) -> int:
    tables = tables_of(options)
    table = tables.rate
    _check_company(options)
    fluid = _fluid(options, tables)
    needs_drop = any(words(options, name) is not None for name in ("--drops", "--lip", "--drop-size"))
    drop, drop_assumed = _drop(options, tables, fluid) if needs_drop else (None, ())
    common, speed, reserve = _common(options, tables, fluid)
    basis = _Basis(speed=speed, reserve=reserve)
    lost, fallen = _lost(options, common, basis)
    found = Found(
        fluid=fluid,
        drop=drop,
        drop_assumed=drop_assumed,
        estimates=tuple(
            entry
            for entry in (
                _drops(options, tables, drop, drop_assumed, common, basis),
                _spot(options, tables, common, basis),
                fallen,
            )
            if entry
        ),
        judgement=None,
        growth=_growth(options, tables, fluid),
        lost=lost,
        reserve=reserve,
    )
    sign = _sign(options, tables, found)
    if sign is not None:
        found = _judged(options, tables, found, sign)
    if not (found.estimates or found.judgement or found.growth or found.drop):
        raise BadInput(_EXAMPLES)
    cautions = tables.warnings(table.cautions)
    if options.json:
        print(json.dumps(rate_object(found, table, cautions), indent=2, ensure_ascii=False))
    else:
        print(rate_text(found, table, tables.classes, cautions, WIDTH))
    return OK


def _common(options: argparse.Namespace, tables: Tables, fluid: Fluid) -> tuple[list[str], Span, Span | None]:
    """What all estimates rest on: what was assumed, the speed, and the reserve if it is known.

    A fluid whose leak ends the drive has no reserve to drive on.
    """
    said: list[str] = []
    usual = tables.rate.assumptions.speed
    speed, reserve = span_of(options, "--speed", SPEED, said), span_of(options, "--reserve", VOLUME, said)
    if speed is None:
        speed = usual.between
        said.append(_assumed(usual))
    if fluid.stop:
        return said, speed, None
    if reserve is None and fluid.reserve is not None:
        reserve = fluid.reserve.between
        said.append(_assumed(fluid.reserve))
    return said, speed, reserve


def _check_company(options: argparse.Namespace) -> None:
    """Options that mean nothing alone are refused rather than ignored."""
    for option, company in (
        ("--tension", ("--lip",)),
        ("--density", ("--lip", "--fill")),
        ("--test-spot", ("--spot",)),
        ("--cold", ("--fill",)),
        ("--hot", ("--fill",)),
        ("--speed", ("--drops", "--spot", "--lost")),
        ("--reserve", ("--drops", "--spot", "--lost", "--fill")),
        ("--level", ("--seen", "--drops", "--spot")),
        ("--moment", ("--seen", "--drops", "--spot")),
    ):
        if words(options, option) is not None and all(words(options, other) is None for other in company):
            raise BadInput(f"{option} goes with {' or '.join(company)}; give one of them too.")
    if words(options, "--lip") is not None and words(options, "--drop-size") is not None:
        raise BadInput("--lip and --drop-size both say how large a drop is; give one of them.")


def _assumed(entry: Assumption) -> str:
    return f"{entry.says} [{entry.basis}]"


def _fluid(options: argparse.Namespace, tables: Tables) -> Fluid:
    given = words(options, "--fluid")
    if given is None:
        return next(iter(tables.fluids.values()))
    also = [(word, name) for name, entry in tables.fluids.items() for word in entry.words]
    return tables.fluids[choice("--fluid", given, tables.fluids, also)]


def _drop(options: argparse.Namespace, tables: Tables, fluid: Fluid) -> tuple[Span, tuple[str, ...]]:
    notes: list[str] = []
    measured = span_of(options, "--drop-size", VOLUME, notes)
    if measured:
        return measured, ("as you measured it", *notes)
    lip = span_of(options, "--lip", LENGTH, notes)
    if lip is None:
        return fluid.drop, (f"from a bolt head, a lip or a line, not from a dropper [{fluid.drop_basis}]",)
    tension = span_of(options, "--tension", TENSION) or fluid.tension
    density = span_of(options, "--density", DENSITY) or fluid.density
    table = tables.rate
    rows = drops.fractions(table.harkins_brown, table.rayleigh)
    spread = table.assumptions.drop_spread
    volume = reading("--lip", lambda: drops.drop_range(lip, tension, density, spread.between, rows))
    return volume, (
        f"Tate's law with the share that falls [{table.harkins_brown_basis}; wider lips: {table.rayleigh_basis}]",
        f"surface tension {shown(tension, 3)} mN/m, density {shown(density, 3)} kg/m3"
        + (
            ""
            if words(options, "--tension") is not None and words(options, "--density") is not None
            else f" [{fluid.basis}]"
        ),
        _assumed(spread),
    )


def _time(option: str, text: str) -> Span:
    return reading(option, lambda: quantity(per_unit(text), TIME)).span


def _drops(
    options: argparse.Namespace,
    tables: Tables,
    drop: Span | None,
    drop_assumed: tuple[str, ...],
    common: list[str],
    basis: _Basis,
) -> Estimate | None:
    given = words(options, "--drops")
    if given is None or drop is None:
        return None
    table = tables.rate
    # A bare number is a count a minute, as it is spoken of.
    text = (
        given if any(c.isalpha() for c in given.lower().replace("drops", "").replace("to", "")) else f"{given} a minute"
    )
    count, time = reading("--drops", lambda: parted(text, "12 a minute, 30 in 5 min"))
    number = reading("--drops", lambda: counted(count, ("drop", "drops")))
    hours = _time("--drops", time)
    reading("--drops", lambda: rate.check_dripping(number, hours, table.assumptions.dripping.between))
    flow = rate.dripping(number, hours, drop)
    size = (
        f"{drop.low:.2g} to {drop.high:.2g} mL a drop, as above"
        if drop.low < drop.high
        else f"{drop.low:.3g} mL a drop"
    )
    return estimate("drops", text, (size, *common), flow=flow, **basis)


def _spot(options: argparse.Namespace, tables: Tables, common: list[str], basis: _Basis) -> Estimate | None:
    given = words(options, "--spot")
    if given is None:
        return None
    table = tables.rate
    size, time = reading("--spot", lambda: parted(given, "10 cm in 8 h"))
    width = reading("--spot", lambda: quantity(size, LENGTH)).span
    hours = _time("--spot", time)
    known = span_of(options, "--test-spot", LENGTH)
    if known:
        volume, said = rate.spot_like(width, known), "area compared with that of the spot of 1 mL"
    else:
        volume = rate.spot_volume(width, table.assumptions.soaked_layer.between)
        said = _assumed(table.assumptions.soaked_layer)
    return estimate("spot", given, (said, *common), flow=volume.over(hours), **basis)


def _lost(options: argparse.Namespace, common: list[str], basis: _Basis) -> tuple[Span | None, Estimate | None]:
    given = words(options, "--lost")
    if given is None:
        return None, None
    size, over = reading("--lost", lambda: parted(given, "1 US qt in 500 miles, 0.2 L in 3 days"))
    read = reading("--lost", lambda: quantity(size, VOLUME))
    said = ([read.assumed] if read.assumed else []) + common
    over = per_unit(over)
    if spells(over, DISTANCE):
        distance = reading("--lost", lambda: quantity(over, DISTANCE)).span
        return read.span, estimate("lost", given, said, per_km=read.span.over(distance), **basis)
    return read.span, estimate("lost", given, said, flow=read.span.over(_time_or_distance(over)), **basis)


def _time_or_distance(text: str) -> Span:
    if not spells(text, TIME):
        raise BadInput(
            f"--lost: {text!r} is neither a time nor a distance. Allowed: {_units(TIME)}; {_units(DISTANCE)}."
        )
    return _time("--lost", text)


def _units(kind: Kind) -> str:
    return ", ".join(spelled[0] for spelled in kind.spellings.values())


def _sign(options: argparse.Namespace, tables: Tables, found: Found) -> str | None:
    """What is seen: as said, or falling drops where drops were counted or caught."""
    signs = [entry.sign for entry in tables.classes.signs]
    given = words(options, "--seen")
    drops_fell = any(entry.way != "lost" for entry in found.estimates)
    if given is None:
        return tables.classes.falling if drops_fell else None
    sign = choice("--seen", given, signs)
    if drops_fell and signs.index(sign) < signs.index(tables.classes.falling):
        raise BadInput(
            f"--seen {sign} does not go with counted drops or a spot: those fell. Leave --seen out, or the drops."
        )
    return sign


def _judged(options: argparse.Namespace, tables: Tables, found: Found, sign: str) -> Found:
    table = tables.classes
    level = choice("--level", words(options, "--level") or table.levels[-1], table.levels)
    moment = choice("--moment", words(options, "--moment") or table.moments[0], table.moments)
    return replace(found, judgement=judge(table, sign, level, moment, found.fluid))


def _growth(options: argparse.Namespace, tables: Tables, fluid: Fluid) -> Growth | None:
    notes: list[str] = []
    filled = span_of(options, "--fill", VOLUME, notes)
    if filled is None:
        return None
    table = tables.rate
    if not fluid.petroleum:
        petroleum = ", ".join(name for name, entry in tables.fluids.items() if entry.petroleum)
        raise BadInput(f"--fill: the law of growth does not hold for {fluid.fluid}. Allowed: {petroleum}.")
    cold = _temperature(options, "--cold", tables)
    hot = _temperature(options, "--hot", tables)
    cold_span, hot_span = cold or table.assumptions.cold.between, hot or table.assumptions.hot.between
    if hot_span.low < cold_span.high:
        raise BadInput(f"--hot ({hot_span.low:g} °C) is below --cold ({cold_span.high:g} °C); were they swapped?")
    density = span_of(options, "--density", DENSITY) or fluid.density
    said = [
        *notes,
        *(
            _assumed(entry)
            for given, entry in ((cold, table.assumptions.cold), (hot, table.assumptions.hot))
            if given is None
        ),
        f"density {shown(density, 3)} kg/m3 at 15 °C [{fluid.basis}]"
        if words(options, "--density") is None
        else "density as given",
        f"the law of growth [{table.expansion_basis}]",
    ]
    return Growth(filled, expansion.grown(filled, density, cold_span, hot_span), tuple(said))


def _temperature(options: argparse.Namespace, option: str, tables: Tables) -> Span | None:
    table = tables.rate
    found = span_of(options, option, TEMPERATURE)
    if found and found.high > table.hottest:
        raise BadInput(f"{option}: {table.hottest_says}")
    if found and found.low < table.coldest:
        raise BadInput(f"{option}: the law of growth does not reach below {table.coldest:g} °C.")
    return found
