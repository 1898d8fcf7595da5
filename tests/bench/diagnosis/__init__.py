"""The benchmark of the diagnosis: simulated vehicles, inspected side by side by the expert and by plainer ways.

Run it from the checkout: `python -m tests.bench.diagnosis --help`, or `python tests/bench/diagnosis --help`.
"""
