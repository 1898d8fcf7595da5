"""The commands, thin: arguments in, the right function called, its text out, an exit code.

0 for success, 1 for a negative result (a rule that fails its example, a session that reads differently
today), 2 for bad input. What a person typed or a file holds never ends in a traceback.
Each module of this package adds its own parsers and runs its own commands.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

from expert import store
from expert.chaining import EngineLimit
from expert.cli import chat, facts, knowledge, learn, oring, plan, rate
from expert.cli.common import BAD, OK, BadInput, Parser, parents
from expert.engine import version_line
from expert.knowledge.problems import KnowledgeError
from expert.store import StoreError

# In the order in which the help lists them.
MODULES = (chat, facts, plan, knowledge, learn, rate, oring)


def parser() -> Parser:
    """The command line."""
    top = Parser(
        prog="firstwet",
        description="Finds where fluid first escapes from an ageing vehicle's automatic transmission, "
        "before the wrong part is bought. Without a command it starts the chat.",
        epilog="Exit code: 0 done, 1 a negative result, 2 bad input.",
    )
    top.add_argument("--version", "-V", action="version", version=version_line())
    commands = top.add_subparsers(dest="command", metavar="COMMAND")
    for module in MODULES:
        module.add(commands, parents())
    return top


def run(arguments: Sequence[str]) -> int:
    """Run one command line; returns the exit code."""
    if not arguments or (arguments[0].startswith("-") and arguments[0] not in ("-h", "--help", "-V", "--version")):
        arguments = ["ask", *arguments]
    try:
        options = parser().parse_args(arguments)
        code = int(options.run(options))
        sys.stdout.flush()
        return code
    except KnowledgeError as error:
        print(f"The knowledge cannot be used ({len(error.problems)} problems):", file=sys.stderr)
        for problem in error.problems:
            print(f"  {store.shown(problem)}", file=sys.stderr)
        return BAD
    except (BadInput, StoreError, EngineLimit) as error:
        print(error, file=sys.stderr)
        return BAD
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # the reader went away; nothing is wrong
        return OK
    except OSError as error:  # a full disk behind the output, say; whatever is still unwritten goes nowhere
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        print(f"The output cannot be written: {error.strerror}.", file=sys.stderr)
        return BAD
    except KeyboardInterrupt:
        return OK
