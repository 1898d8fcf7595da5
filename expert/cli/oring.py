"""`oring`: which ring a groove wants, which compound stands fluid and heat, and whether a torque can be."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from expert.arithmetic import ageing, bolts
from expert.arithmetic.choosing import Seat, chosen, judged
from expert.arithmetic.gland import gland_of
from expert.arithmetic.orings import Ring, listed, ring_from
from expert.arithmetic.oringtext import Ageing, Answer, Bolt, Suited, oring_object, oring_text
from expert.arithmetic.shapes import Compound, Tables
from expert.arithmetic.spans import Span
from expert.arithmetic.tables import load_sizes
from expert.arithmetic.units import ENERGY, LENGTH, TEMPERATURE, TIME, TORQUE
from expert.cli.common import NEGATIVE, OK, BadInput, Commands, Parents
from expert.cli.figures import add_quantity, add_shared, choice, reading, span_of, tables_of, words
from expert.knowledge.problems import KnowledgeError
from expert.wording import WIDTH

_EXAMPLES = (
    "Say what you measured, for example: firstwet oring --inner 25.2 mm --bore 31.2 mm --width 4.8 mm, or "
    "--compound nitrile --fluid atf --heat 110 C, or --bolt M8 --class 8.8 --torque 25 Nm. See firstwet oring --help."
)


def add(commands: Commands, parents: Parents) -> None:
    """The command's parser."""
    parser = commands.add_parser(
        "oring", parents=[], help="which O-ring a groove wants; compounds, ageing, bolt torque"
    )
    add_quantity(
        parser, "--inner", "DIAMETER", "what the ring sits round: bottom of the groove on a plug or tube, or a shaft"
    )
    add_quantity(
        parser, "--bore", "DIAMETER", "what it seals against outside: the bore, or the bottom of a groove in it"
    )
    add_quantity(
        parser, "--depth", "DEPTH", "depth of the groove itself, by depth gauge; needed where there is no --bore"
    )
    add_quantity(parser, "--width", "WIDTH", "width of the groove, to see how far the ring fills it")
    add_quantity(parser, "--use", "USE", "static (default) or moving")
    parser.add_argument("--face", action="store_true", help="the ring lies between two flat faces")
    add_quantity(parser, "--accuracy", "LENGTH", "how far a reading may be wrong: 0.02 mm")
    add_quantity(parser, "--ring", "SIZE", "judge this ring, inner diameter x section: 24.99 x 3.53 mm")
    add_quantity(parser, "--size", "NAME", "judge this size of the list: 214")
    parser.add_argument("--sizes", metavar="FILE", type=Path, default=None, help="your own sizes too, .yaml or .csv")
    add_quantity(parser, "--compound", "NAME", "what the ring is made of: nitrile, NBR, FKM ...")
    add_quantity(parser, "--fluid", "NAME", "the fluid it has to stand")
    add_quantity(parser, "--heat", "TEMPERATURE", "the heat it has to stand: 110 C, 230 F")
    add_quantity(parser, "--usual", "TEMPERATURE", "a cooler temperature, to compare ageing at --heat with")
    add_quantity(parser, "--for", "TIME", "how long it was that hot, with --usual: 1000 h")
    add_quantity(parser, "--energy", "VALUE", "activation energy of its ageing, with --usual: 65 kJ/mol")
    add_quantity(parser, "--bolt", "SIZE", "a metric bolt: M8, M8x1")
    add_quantity(parser, "--class", "CLASS", "the class on its head: 8.8")
    add_quantity(parser, "--torque", "TORQUE", "a tightening figure to judge: 25 Nm, 18 ft-lb")
    add_shared(parser)
    parser.set_defaults(run=_oring)


def _oring(options: argparse.Namespace) -> int:
    _check_company(options)
    tables = tables_of(options)
    suited = _suited(options, tables)
    answer = Answer(
        seat=_seat(options, tables),
        suited=suited,
        one_compound=words(options, "--compound") is not None,
        ageing=_ageing(options, tables),
        bolt=_bolt(options, tables),
    )
    if not (answer.seat or answer.suited or answer.ageing or answer.bolt):
        raise BadInput(_EXAMPLES)
    named = [*(tables.rings.cautions if answer.seat else ()), *(tables.bolts.cautions if answer.bolt else ())]
    cautions = tables.warnings(tuple(dict.fromkeys(named)))
    if options.json:
        print(json.dumps(oring_object(answer, cautions), indent=2, ensure_ascii=False))
    else:
        print(oring_text(answer, tables.rings, tables.bolts, cautions, WIDTH))
    return OK if answer.good else NEGATIVE


def _check_company(options: argparse.Namespace) -> None:
    """Options that mean nothing alone are refused rather than ignored."""
    for option, company in (
        *((name, ("--inner",)) for name in ("--bore", "--depth", "--width", "--use", "--accuracy", "--ring", "--size")),
        ("--usual", ("--heat",)),
        ("--for", ("--usual",)),
        ("--energy", ("--usual",)),
        ("--class", ("--bolt",)),
        ("--torque", ("--bolt",)),
        ("--bolt", ("--class",)),
    ):
        if words(options, option) is not None and all(words(options, other) is None for other in company):
            raise BadInput(f"{option} goes with {' or '.join(company)}; give that too.")
    if words(options, "--inner") is None and (options.face or options.sizes):
        raise BadInput("--face and --sizes go with --inner; give that too.")
    if words(options, "--ring") is not None and words(options, "--size") is not None:
        raise BadInput("--ring and --size both name the ring to judge; give one of them.")


def _seat(options: argparse.Namespace, tables: Tables) -> Seat | None:
    inner = span_of(options, "--inner", LENGTH)
    if inner is None:
        return None
    table = tables.rings
    bore, depth, width = (span_of(options, option, LENGTH) for option in ("--bore", "--depth", "--width"))
    given = span_of(options, "--accuracy", LENGTH)
    error = Span(-given.high, given.high) if given else table.accuracy.between
    gland = reading("groove", lambda: gland_of(inner, bore, depth, width, error, options.face))
    uses = [entry.use for entry in table.uses]
    use = table.uses[uses.index(choice("--use", words(options, "--use") or uses[0], uses))]
    assumed = [] if given else [f"{table.accuracy.says} [{table.accuracy.basis}]"]
    if bore is None and not options.face:
        assumed.append("no gap between the plug and its bore, which --bore would show")
    rings = [*listed(table), *_own(options.sizes)]
    ring = words(options, "--ring")
    if ring is not None:
        return judged(reading("--ring", lambda: ring_from(ring)), gland, use, table, assumed)
    size = words(options, "--size")
    if size is not None:
        also = [(entry.name.lstrip("-"), entry.name) for entry in rings]
        name = choice("--size", size, [entry.name for entry in rings], also)
        return judged(next(entry for entry in rings if entry.name == name), gland, use, table, assumed)
    return chosen(rings, gland, use, table, assumed)


def _own(file: Path | None) -> tuple[Ring, ...]:
    """The user's own sizes."""
    try:
        return load_sizes(file) if file else ()
    except KnowledgeError as error:
        raise BadInput("The list of sizes cannot be used:\n" + "\n".join(f"  {p}" for p in error.problems)) from None


def _compound(options: argparse.Namespace, tables: Tables) -> Compound | None:
    given = words(options, "--compound")
    if given is None:
        return None
    also = [(word, name) for name, entry in tables.compounds.items() for word in entry.words]
    return tables.compounds[choice("--compound", given, tables.compounds, also)]


def _suited(options: argparse.Namespace, tables: Tables) -> tuple[Suited, ...]:
    one, fluid_word = _compound(options, tables), words(options, "--fluid")
    heat = span_of(options, "--heat", TEMPERATURE)
    if one is None and fluid_word is None and (heat is None or words(options, "--usual") is not None):
        return ()
    also = [(word, name) for name, entry in tables.fluids.items() for word in entry.words]
    fluid = choice("--fluid", fluid_word, tables.fluids, also) if fluid_word is not None else next(iter(tables.fluids))
    return tuple(
        Suited(
            entry,
            fluid,
            entry.rating(fluid),
            heat,
            None if heat is None else entry.heat.low <= heat.low and heat.high <= entry.heat.high,
        )
        for entry in ((one,) if one else tables.compounds.values())
    )


def _ageing(options: argparse.Namespace, tables: Tables) -> Ageing | None:
    cool, warm = span_of(options, "--usual", TEMPERATURE), span_of(options, "--heat", TEMPERATURE)
    if cool is None or warm is None:
        return None
    if warm.low < cool.high:
        raise BadInput(f"--heat ({warm.low:g} °C) is below --usual ({cool.high:g} °C); were they swapped?")
    energy, compound = span_of(options, "--energy", ENERGY), _compound(options, tables)
    basis = "as given"
    if energy is None:
        if compound is None or compound.activation is None or compound.activation_basis is None:
            known = ", ".join(name for name, entry in tables.compounds.items() if entry.activation)
            raise BadInput(f"--usual: give --energy, or a --compound whose activation energy is known: {known}.")
        energy, basis = compound.activation, compound.activation_basis
    faster = ageing.faster_range(energy, cool, warm)
    return Ageing(cool, warm, energy, basis, faster, span_of(options, "--for", TIME), words(options, "--for") or "")


def _bolt(options: argparse.Namespace, tables: Tables) -> Bolt | None:
    text, class_ = words(options, "--bolt"), words(options, "--class")
    if text is None or class_ is None:
        return None
    table = tables.bolts
    thread, pitch = reading("--bolt", lambda: bolts.read_bolt(text, table))
    proof = reading("--class", lambda: bolts.proof_stress(class_, thread, table))
    meant = bolts.torque_range(thread, pitch, proof, table.load.between, table.friction.between)
    return Bolt(f"M{thread}x{pitch:g}", class_, proof, meant, span_of(options, "--torque", TORQUE))
