"""Measures the speeds that are promised, each in this run on this machine: ``python -m benchmarks``.

Nothing here is a test: a slow machine gives slow figures, and `bench.json` says whether the targets hold.
"""
