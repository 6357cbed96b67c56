"""The committed model card is what the program makes of its figures, for the models that are shipped."""

from __future__ import annotations

from pathlib import Path

import pytest

from models.artefact import load_models
from models.evaluation_summary import Evaluation, encode, model_line, read
from models.model_card import render

CARD = Path(__file__).parents[2] / "docs" / "model-card.md"
HOW = "run `dewline evaluate` again"


@pytest.fixture(scope="module")
def made() -> Evaluation:
    return read(CARD.with_suffix(".json"))


def test_card_is_made_of_its_figures_by_the_present_template(made: Evaluation) -> None:
    assert CARD.read_text(encoding="utf-8") == render(made), HOW


def test_figures_are_as_the_program_writes_them(made: Evaluation) -> None:
    assert CARD.with_suffix(".json").read_bytes() == encode(made), HOW


def test_models_on_the_card_are_those_that_are_shipped(made: Evaluation) -> None:
    models = load_models()
    assert list(made.models) == [model_line(models, pattern) for pattern in sorted(models.of)], HOW
    shipped = models.forecast.card
    assert (made.forecast.data_fingerprint, made.forecast.features) == (
        shipped.data_fingerprint,
        shipped.features,
    ), HOW
