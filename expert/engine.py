"""Which engine chains the rules on this Python, found out without loading it all."""

from __future__ import annotations

from expert import __version__

try:
    import durable_rules_engine as _core
except ImportError:  # Python 3.13 lacks a symbol the C module needs; the reference chainer is the engine there
    _core = None

DURABLE = _core is not None


def engine_name() -> str:
    """The name shown by `firstwet --version`."""
    return "durable-rules 2.0.28" if DURABLE else "the reference chainer (durable-rules cannot be imported here)"


def version_line() -> str:
    """Version of the program and the engine that runs."""
    return f"firstwet {__version__}, rules chained by {engine_name()}"
