"""Trained models on disk, and all of them together as the engine is given them.

Beside each model stands what it was trained on: features, threshold, data fingerprint, seed, versions,
figures.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

import msgspec
import numpy as np

from ingest.reading import FloatArray
from models.forecast import Forecaster, load_forecaster
from models.novelty import NoveltyModel, load_novelty
from models.records import Pattern
from models.run_confidence import FILE as CONFIDENCE_FILE
from models.run_confidence import RunConfidence, load_run_confidence
from models.skops_file import ModelFileError, read_skops, write_skops

__all__ = [
    "SHIPPED",
    "Classifier",
    "ModelCard",
    "ModelFileError",
    "PatternModel",
    "PatternModels",
    "load_model",
    "load_models",
    "save_model",
]

SHIPPED = Path(__file__).parent / "shipped"


class Classifier(Protocol):
    """The part of a scikit-learn classifier that is used."""

    def predict_proba(self, table: FloatArray) -> FloatArray:
        """Probabilities, shape (n, 2)."""


class ModelCard(msgspec.Struct, frozen=True, kw_only=True):
    """What a model was made of."""

    pattern: Pattern
    features: tuple[str, ...]
    threshold: float
    seed: int
    data_fingerprint: str
    versions: dict[str, str]
    figures: dict[str, float]


@dataclass(frozen=True, kw_only=True)
class PatternModel:
    """A classifier with its decision threshold."""

    card: ModelCard
    classifier: Classifier

    @property
    def threshold(self) -> float:
        """Probability from which a finding is opened."""
        return self.card.threshold

    def probability(self, table: FloatArray) -> FloatArray:
        """Probability of the pattern for feature rows of shape (n, len(card.features)); shape (n,)."""
        return np.asarray(self.classifier.predict_proba(table)[:, 1], dtype=np.float64)


@dataclass(frozen=True, kw_only=True)
class PatternModels:
    """All that was trained: one model a learnt or novel pattern, the warm-up forecast, how sure a run is."""

    of: dict[Pattern, PatternModel]
    forecast: Forecaster
    novel: dict[Pattern, NoveltyModel] = field(default_factory=dict)
    run_confidence: RunConfidence = field(default_factory=load_run_confidence)

    def judging(self, pattern: Pattern) -> PatternModel | NoveltyModel:
        """The model that judges a learnt or novel pattern."""
        return self.of[pattern] if pattern in self.of else self.novel[pattern]


def save_model(model: PatternModel, folder: Path) -> Path:
    """Write one model as `<pattern>.skops` with its card inside; the file appears whole or not at all."""
    return write_skops(folder / f"{model.card.pattern.value}.skops", model.classifier, model.card)


def load_model(path: Path, features: tuple[str, ...]) -> PatternModel:
    """Read one model.

    Raises
    ------
    ModelFileError
        If the file is missing or broken, holds an untrusted type, or was trained on other features.
    """
    card, classifier = read_skops(path, ModelCard, features)
    return PatternModel(card=card, classifier=classifier)


@functools.cache
def load_models(folder: Path | None = None) -> PatternModels:
    """Everything trained, from `folder` or as it comes with the program.

    Raises
    ------
    ModelFileError
        If a file is missing, broken or not for this version.
    """
    from models.patterns import LEARNT, NOVEL

    home = folder or SHIPPED
    return PatternModels(
        of={
            pattern: load_model(home / f"{pattern.value}.skops", module.FEATURES)
            for pattern, module in LEARNT.items()
        },
        forecast=load_forecaster(home),
        novel={
            pattern: load_novelty(home / f"{pattern.value}.skops", module.FEATURES)
            for pattern, module in NOVEL.items()
        },
        run_confidence=load_run_confidence(home / CONFIDENCE_FILE),
    )
