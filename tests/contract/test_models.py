"""What every pattern's model keeps to, whatever is asked of it."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.reading import FloatArray
from models.artefact import PatternModel, load_models
from models.patterns import BY_RULE, LEARNT, NOVEL
from models.records import Pattern

EXTREMES = (-np.inf, -1e30, -1e6, -1.0, 0.0, 1e-300, 1.0, 1e6, 1e30, np.inf)
FINITE = tuple(value for value in EXTREMES if np.isfinite(value))


@pytest.fixture(params=list(LEARNT))
def model(request: pytest.FixtureRequest) -> PatternModel:
    return load_models().of[request.param]


def usual_rows(model: PatternModel, n: int = 200) -> FloatArray:
    return np.random.default_rng(11).uniform(-20.0, 60.0, (n, len(model.card.features)))


def assert_probabilities(values: FloatArray, n: int) -> None:
    assert values.shape == (n,)
    assert values.dtype == np.float64
    assert np.all(np.isfinite(values))
    assert np.all((values >= 0.0) & (values <= 1.0))


def test_there_is_a_model_a_pattern() -> None:
    assert set(load_models().of) == set(LEARNT)
    assert set(load_models().novel) == set(NOVEL)
    assert set(Pattern) == set(LEARNT) | set(NOVEL) | set(BY_RULE)


def test_unknown_features_still_give_a_probability(model: PatternModel) -> None:
    n = len(model.card.features)
    assert_probabilities(model.probability(np.full((1, n), np.nan)), 1)
    one_missing = np.repeat(usual_rows(model, 1), n, axis=0)
    np.fill_diagonal(one_missing, np.nan)
    assert_probabilities(model.probability(one_missing), n)


@pytest.mark.parametrize("value", FINITE)
def test_extreme_features_still_give_a_probability(model: PatternModel, value: float) -> None:
    n = len(model.card.features)
    assert_probabilities(model.probability(np.full((1, n), value)), 1)
    one_extreme = np.repeat(usual_rows(model, 1), n, axis=0)
    np.fill_diagonal(one_extreme, value)
    assert_probabilities(model.probability(one_extreme), n)


def test_rows_are_left_as_they_were(model: PatternModel) -> None:
    rows = usual_rows(model)
    rows[::7, 0] = np.nan
    before = rows.copy()
    model.probability(rows)
    np.testing.assert_array_equal(rows, before)


def test_rows_that_may_not_be_written_are_enough(model: PatternModel) -> None:
    rows = usual_rows(model)
    rows.setflags(write=False)
    assert_probabilities(model.probability(rows), len(rows))


@pytest.mark.parametrize("size", [1, 2, 7, 64])
def test_how_many_are_asked_at_once_changes_nothing(model: PatternModel, size: int) -> None:
    rows = usual_rows(model)
    parts = [model.probability(rows[i : i + size]) for i in range(0, len(rows), size)]
    np.testing.assert_allclose(np.concatenate(parts), model.probability(rows), rtol=0.0, atol=1e-12)


def test_asking_twice_answers_the_same(model: PatternModel) -> None:
    rows = usual_rows(model)
    np.testing.assert_array_equal(model.probability(rows), model.probability(rows))


def test_the_threshold_can_be_passed_and_missed(model: PatternModel) -> None:
    assert 0.0 < model.threshold < 1.0


def test_answers_differ(model: PatternModel) -> None:
    assert np.ptp(model.probability(usual_rows(model))) > 0.5
