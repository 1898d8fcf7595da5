"""`python -m tests.bench.diagnosis`, or `python tests/bench/diagnosis`."""

import importlib
import sys
from pathlib import Path

home = __package__
if not home:  # started by the folder's name: neither the checkout nor this package can be imported yet
    root = Path(__file__).resolve().parents[3]
    sys.path[:1] = [str(root), str(root / "tests")]
    home = "bench.diagnosis"

if __name__ == "__main__":
    sys.exit(importlib.import_module(f"{home}.command").main())
