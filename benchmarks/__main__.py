"""Runs every benchmark, prints a table, and writes `bench.json` in the current folder."""

from __future__ import annotations

import logging
import tempfile
from pathlib import Path

import msgspec

from benchmarks import history, ingest_rate, latency, live
from benchmarks.broker import program
from benchmarks.row import Row
from dewline.console import Terminal

NEEDS_BROKER = (ingest_rate, latency)


def main() -> None:
    """Each benchmark in a folder of its own; those without their broker are named, not guessed."""
    logging.basicConfig(level=logging.ERROR)
    terminal = Terminal()
    rows: list[Row] = []
    has_broker = all(program(name) for name in ("mosquitto", "mosquitto_sub", "mosquitto_pub"))
    for benchmark in (ingest_rate, history, live, latency):
        name = benchmark.__name__.rpartition(".")[2]
        if benchmark in NEEDS_BROKER and not has_broker:
            terminal.complain(f"{name} is skipped: it needs Debian's mosquitto and mosquitto-clients")
            continue
        terminal.say(f"measuring {name} ...")
        with tempfile.TemporaryDirectory(prefix="dewline-bench-", ignore_cleanup_errors=True) as folder:
            rows += benchmark.measure(Path(folder))
    terminal.table(
        ("what", "measured", "unit", "target", "holds"),
        [(row.name, _number(row.value), row.unit, _number(row.target), _words(row.holds)) for row in rows],
    )
    Path("bench.json").write_bytes(msgspec.json.format(msgspec.json.encode(rows)))


def _number(value: float | None) -> str:
    if value is None:
        return ""
    return f"{value:,.0f}" if value >= 100 else f"{value:.3g}"


def _words(holds: bool | None) -> str:
    return "" if holds is None else ("yes" if holds else "NO")


if __name__ == "__main__":
    main()
