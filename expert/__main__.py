"""The `firstwet` command. Asking for the version must not wait for anything else to load."""

from __future__ import annotations

import io
import os
import sys


def _mend_streams() -> None:
    """A closed stream becomes an empty one, and what a screen cannot show is replaced instead of being fatal."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: PTH123, SIM115
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and stream.errors == "strict":
            stream.reconfigure(errors="replace")


def main() -> int:
    """Run the command line; returns the exit code."""
    _mend_streams()
    if sys.argv[1:] in (["--version"], ["-V"]):
        from expert.engine import version_line

        print(version_line())
        return 0
    from expert.cli import run

    return run(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())
