"""The `firstwet` command. Asking for the version must not wait for anything else to load."""

from __future__ import annotations

import sys


def main() -> int:
    """Run the command line; returns the exit code."""
    if sys.argv[1:] in (["--version"], ["-V"]):
        from expert.engine import version_line

        print(version_line())
        return 0
    from expert.cli import run

    return run(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())
