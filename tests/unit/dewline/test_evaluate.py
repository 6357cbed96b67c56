"""`dewline evaluate` as a person types it."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from dewline import cli
from models.artefact import load_models
from models.evaluation_summary import read
from models.model_card import render
from models.records import Pattern


def typed(monkeypatch: pytest.MonkeyPatch, *words: str) -> int:
    monkeypatch.setattr(sys, "argv", ["dewline", "--quiet", "evaluate", *words])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    return int(ended.value.code or 0)


def test_evaluate_writes_the_card_and_its_figures(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    card = tmp_path / "pages" / "card.md"
    words = ("--units", "5", "--days", "7", "--seed", "8", "--workers", "1", "--out", str(card))
    assert typed(monkeypatch, *words) == 0
    figures = read(card.with_suffix(".json"))
    assert (figures.n_units, figures.days, figures.seed) == (5, 7, 8)
    assert card.read_text(encoding="utf-8") == render(figures)


def test_evaluate_on_the_fleet_of_training_is_refused_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    seed = load_models().of[Pattern.SHORT_CYCLING].card.seed
    card = tmp_path / "card.md"
    assert typed(monkeypatch, "--seed", str(seed), "--out", str(card)) == 1
    assert f"seed {seed} made the fleet" in capsys.readouterr().err
    assert not card.exists()


def test_evaluate_of_models_that_are_not_there_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("--models", str(tmp_path / "none"), "--out", str(tmp_path / "card.md"))
    assert typed(monkeypatch, *words) == 1
    assert "can't be read" in capsys.readouterr().err
