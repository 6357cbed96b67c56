"""How sure a run is said to be, held against the truth of machines that it was not learnt from."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from models.evaluation import HELD_OUT, evidence
from models.event_matching import within_errors
from models.run_confidence import (
    FILE,
    LEAST_SURE,
    SUREST,
    load_run_confidence,
    save_run_confidence,
    terms,
)
from models.run_confidence_training import RunTable, fit_run_confidence
from models.skops_file import ModelFileError
from models.state import RUN_ROW

FRESH_SEED = 71
NAN = float("nan")


@pytest.mark.parametrize(
    ("found", "stated", "right"),
    [
        ((100.0, 200.0), (5.0, 5.0), True),
        ((104.0, 195.0), (5.0, 5.0), True),
        ((106.0, 200.0), (5.0, 5.0), False),
        ((100.0, 206.0), (5.0, 5.0), False),
        ((150.0, 200.0), (NAN, 5.0), True),
        ((90.0, 200.0), (NAN, 5.0), False),
        ((300.0, 400.0), (1e6, 1e6), False),
    ],
    ids=["exact", "within", "late start", "late end", "under way", "under way too soon", "invented"],
)
def test_a_run_is_right_when_it_is_one_and_both_edges_are_within_their_errors(
    found: tuple[float, float], stated: tuple[float, float], right: bool
) -> None:
    true_s = np.array([[100.0, 200.0], [1000.0, 1100.0]])
    assert within_errors(np.array([found]), np.array([stated]), true_s, 10.0).tolist() == [right]


def test_no_true_run_leaves_none_right() -> None:
    assert not within_errors(np.ones((2, 2)), np.ones((2, 2)), np.zeros((0, 2)), 10.0).any()


def row(**values: float) -> np.ndarray:
    one = np.zeros(1, RUN_ROW)
    for name, value in values.items():
        one[name] = value
    return one[0]


def test_what_is_learnt_is_the_share_that_was_right() -> None:
    """Two kinds of ends: of ten thousand each, nine in ten and three in ten right."""
    clear, vague = terms(row(end_how=2.0)), terms(row(end_how=4.0))
    table = RunTable(
        terms=[clear] * 10000 + [vague] * 10000,
        right=[True] * 9000 + [False] * 1000 + [True] * 3000 + [False] * 7000,
    )
    model = fit_run_confidence(table, seed=1)
    assert model.probability(row(end_how=2.0)) == pytest.approx(0.9, abs=0.01)
    assert model.probability(row(end_how=4.0)) == pytest.approx(0.3, abs=0.01)
    assert (model.runs, model.within) == (20000, 12000)


@pytest.mark.parametrize("span_s", [0.0, 1.0, 1e9, NAN])
@pytest.mark.parametrize("how", [0.0, 1.0, 7.0])
def test_it_is_never_certain_whatever_a_row_says(span_s: float, how: float) -> None:
    one = row(start_how=how, end_how=how, start_error_s=span_s, end_error_s=span_s, last_t=span_s)
    assert LEAST_SURE <= load_run_confidence().probability(one) <= SUREST


def test_a_model_goes_through_its_file_unharmed(tmp_path: Path) -> None:
    model = load_run_confidence()
    save_run_confidence(model, tmp_path)
    (path,) = tmp_path.iterdir()
    assert load_run_confidence(path) == model


@pytest.mark.parametrize(
    "text", ["", "{}", '{"base": "much", "weights": {}, "runs": 1, "within": 1, "seed": 1}']
)
def test_a_file_that_is_no_such_model_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / FILE).write_text(text)
    with pytest.raises(ModelFileError, match="how sure a run is"):
        load_run_confidence(tmp_path / FILE)
    with pytest.raises(ModelFileError, match="nowhere"):
        load_run_confidence(tmp_path / "nowhere.json")


def test_an_error_is_worth_what_the_way_it_was_seen_makes_it() -> None:
    """Seen one way a small error is right and a large one wrong; seen another way the reverse."""
    kinds = [
        (how, error_s, (how == 2.0) == (error_s < 50.0)) for how in (2.0, 4.0) for error_s in (10.0, 150.0)
    ]
    table = RunTable(
        terms=[
            terms(row(end_how=how, end_error_s=error_s)) for how, error_s, _ in kinds for _ in range(1000)
        ],
        right=[right for _, _, right in kinds for _ in range(1000)],
    )
    model = fit_run_confidence(table, seed=1)
    for how, error_s, right in kinds:
        assert (model.probability(row(end_how=how, end_error_s=error_s)) > 0.9) == right


@pytest.mark.slow
def test_runs_of_unseen_kinds_are_as_often_right_as_was_said() -> None:
    """Machines, climates, crews and seed that took no part in learning."""
    units = evidence(HELD_OUT, seed=FRESH_SEED, n_units=24, days=10, workers=1)
    said = np.concatenate([unit.runs.confidence for unit in units])
    right = np.concatenate([unit.runs.within for unit in units])
    assert len(said) > 150
    assert np.mean(said) == pytest.approx(np.mean(right), abs=0.05)
    # Not worse than saying of each run no more than how many are right, by more than chance on so few.
    assert np.mean((said - right) ** 2) <= np.mean(right) * (1.0 - np.mean(right)) + 0.01
