"""The novelty model: its ranks, its file, and that nothing but the seed and the data decide it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from ingest.reading import FloatArray
from models.artefact import load_models
from models.novelty import NoveltyModel, load_novelty, save_novelty
from models.novelty_training import fit_novelty
from models.patterns.unlike_itself import FEATURES, PATTERN
from models.skops_file import ModelFileError

N = len(FEATURES)


def tables(n_units: int = 6, n_runs: int = 150) -> list[FloatArray]:
    rng = np.random.default_rng(4)
    return [rng.standard_t(5, (n_runs, N)) for _ in range(n_units)]


@pytest.fixture(scope="module")
def fitted() -> NoveltyModel:
    return fit_novelty(tables(), seed=3)


@pytest.fixture(params=["fitted", "shipped"])
def model(request: pytest.FixtureRequest, fitted: NoveltyModel) -> NoveltyModel:
    return fitted if request.param == "fitted" else load_models().novel[PATTERN]


def test_as_many_of_the_runs_left_out_lie_beyond_as_the_threshold_says(fitted: NoveltyModel) -> None:
    left_out = np.concatenate(tables()[1::2])
    beyond = np.mean(fitted.probability(left_out) >= fitted.threshold)
    assert beyond == pytest.approx(1.0 - fitted.threshold, abs=1.0 / len(left_out) + 1e-9)


def test_far_off_is_unlike_and_nothing_off_is_not(model: NoveltyModel) -> None:
    rows = np.vstack([np.full(N, 9.0), np.zeros(N)])
    far, near = model.probability(rows)
    assert far >= model.threshold > 0.9 > near


@pytest.mark.parametrize("value", [-np.inf, -1e30, -1e6, 0.0, 1e6, 1e30, np.inf, np.nan])
def test_any_value_gives_a_rank(model: NoveltyModel, value: float) -> None:
    rows = np.full((3, N), value)
    before = rows.copy()
    ranks = model.probability(rows)
    assert ranks.shape == (3,)
    assert np.all((ranks >= 0.0) & (ranks <= 1.0))
    np.testing.assert_array_equal(rows, before)


def test_what_is_not_known_counts_as_usual(model: NoveltyModel) -> None:
    rows = np.full((1, N), np.nan)
    np.testing.assert_array_equal(model.probability(rows), model.probability(np.zeros((1, N))))


def test_how_many_are_asked_at_once_changes_nothing(model: NoveltyModel) -> None:
    rows = tables(1)[0]
    each = np.concatenate([model.probability(rows[i : i + 7]) for i in range(0, len(rows), 7)])
    np.testing.assert_array_equal(each, model.probability(rows))


def test_the_same_data_and_seed_give_the_same_model(fitted: NoveltyModel) -> None:
    again = fit_novelty(tables(), seed=3)
    rows = tables(1)[0]
    assert again.card == fitted.card
    np.testing.assert_array_equal(again.probability(rows), fitted.probability(rows))
    assert fit_novelty(tables(5), seed=3).card.data_fingerprint != fitted.card.data_fingerprint


def test_there_and_back_through_a_file(fitted: NoveltyModel, tmp_path: Path) -> None:
    path = save_novelty(fitted, tmp_path)
    back = load_novelty(path, FEATURES)
    rows = tables(1)[0]
    assert back.card == fitted.card
    np.testing.assert_array_equal(back.probability(rows), fitted.probability(rows))
    with pytest.raises(ModelFileError, match="was trained on"):
        load_novelty(path, FEATURES[1:])


@pytest.mark.parametrize("without", [tables(1), []], ids=["one unit", "none"])
def test_too_few_units_teach_nothing(without: list[FloatArray]) -> None:
    with pytest.raises(ValueError, match="no runs to compare"):
        fit_novelty(without, seed=1)


def test_shipped_model_was_made_for_todays_features() -> None:
    card = load_models().novel[PATTERN].card
    assert (card.pattern, card.features) == (PATTERN, FEATURES)
    assert card.figures["fitted_runs"] > 500
    assert card.figures["ranked_runs"] > 500
    assert list(card.ranked_scores) == sorted(card.ranked_scores)
