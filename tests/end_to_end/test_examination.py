"""Detection on machines that took no part in training: two simulators with physics and habits of their own.

The whole way that logs take: files written as trucks would send them, units registered, rows imported,
history replayed by the command line, findings compared with what was truly so. The limits guard against a
loss of skill; the figures themselves come from larger examinations, see `tests/exam/README.md`.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from models.patterns import LEARNT
from tests.exam import scorer, write_fleet

UNITS, DAYS = 12, 25
FLEETS = ((1, 301), (2, 302))
LEAST_SHARE, ALLOWED = 0.95, 1
"""Share of cases to find, and of findings to be right; one more may go wrong, since the cases are few."""
MOST_FALSE_PER_UNIT_MONTH = 0.15


def dewline(home: Path, *words: str) -> None:
    command = [str(Path(sys.executable).with_name("dewline")), "--home", str(home), "--quiet", *words]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def examined(folder: Path, simulator: int, seed: int) -> dict[str, Any]:
    fleet, home, out = folder / "fleet", folder / "home", folder / "out"
    words = f"--simulator {simulator} --seed {seed} --units {UNITS} --days {DAYS} --out {fleet}"
    write_fleet.main(words.split())
    dewline(home, "units", "import", str(fleet / "fleet.csv"))
    dewline(home, "import", *(str(path) for path in sorted(fleet.glob("readings-*"))))
    dewline(home, "replay", "--all", "--out", str(out))
    return scorer.score(fleet, out)


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    return [examined(tmp_path_factory.mktemp("examination"), *fleet) for fleet in FLEETS]


@pytest.mark.slow
@pytest.mark.parametrize("pattern", LEARNT)
def test_pattern_is_found_on_unknown_machines(results: list[dict[str, Any]], pattern: str) -> None:
    marks = [result["patterns"][pattern] for result in results]
    n_true, n_found = sum(mark["episodes"] for mark in marks), sum(mark["found"] for mark in marks)
    n_right, n_false = sum(mark["right"] for mark in marks), sum(mark["false_alarms"] for mark in marks)
    assert n_true >= 3, "the fleets show too few cases to judge by"
    assert n_found >= LEAST_SHARE * n_true - ALLOWED
    assert n_right >= LEAST_SHARE * (n_right + n_false) - ALLOWED
    assert n_false / sum(result["unit_months"] for result in results) <= MOST_FALSE_PER_UNIT_MONTH


@pytest.mark.slow
def test_runs_are_found_on_unknown_machines(results: list[dict[str, Any]]) -> None:
    for result in results:
        runs = result["runs"]
        assert runs["missed"] + runs["invented"] <= 0.03 * runs["true_runs"]
        assert runs["start_error_s"]["abs"]["p95"] <= 75.0
