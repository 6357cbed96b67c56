"""How unlike a unit's own runs one of them is: an isolation forest over its robust deviations.

The deviations are dimensionless, so one forest serves every unit. What it says is a rank: the part of sound
units' runs, on units left out of the fit, that were more like their own.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import msgspec
import numpy as np

from ingest.reading import FloatArray
from models.own_habits import FARTHEST
from models.records import Pattern
from models.skops_file import read_skops, write_skops


class Forest(Protocol):
    """The part of a scikit-learn isolation forest that is used."""

    def score_samples(self, table: FloatArray) -> FloatArray:
        """The lower, the more abnormal, shape (n,)."""


class NoveltyCard(msgspec.Struct, frozen=True, kw_only=True):
    """What a novelty model was made of."""

    pattern: Pattern
    features: tuple[str, ...]
    threshold: float
    """Rank from which a run counts as unlike the unit's own; the rest of sound runs do so too."""
    ranks: tuple[float, ...]
    ranked_scores: tuple[float, ...]
    """Scores of sound runs left out of the fit at these ranks, rising."""
    seed: int
    data_fingerprint: str
    versions: dict[str, str]
    figures: dict[str, float]


@dataclass(frozen=True, kw_only=True)
class NoveltyModel:
    """An isolation forest with the scores of sound runs to rank by."""

    card: NoveltyCard
    forest: Forest

    @property
    def threshold(self) -> float:
        """Rank from which a run counts as unlike the unit's own."""
        return self.card.threshold

    def probability(self, table: FloatArray) -> FloatArray:
        """Part of sound runs that are more like their unit's own, for rows of shape (n, features).

        Returns
        -------
        array, shape (n,)
            0-1.
        """
        return np.interp(abnormality(self.forest, table), self.card.ranked_scores, self.card.ranks)


def abnormality(forest: Forest, table: FloatArray) -> FloatArray:
    """The higher, the more abnormal; deviations that are not known count as none. Shape (n,)."""
    known = np.clip(np.nan_to_num(table, nan=0.0, posinf=FARTHEST, neginf=-FARTHEST), -FARTHEST, FARTHEST)
    return -np.asarray(forest.score_samples(known), dtype=np.float64)


def save_novelty(model: NoveltyModel, folder: Path) -> Path:
    """Write the model as `<pattern>.skops` with its card; the file appears whole or not at all."""
    return write_skops(folder / f"{model.card.pattern.value}.skops", model.forest, model.card)


def load_novelty(path: Path, features: tuple[str, ...]) -> NoveltyModel:
    """Read one novelty model.

    Raises
    ------
    ModelFileError
        If the file is missing, broken or not for this version.
    """
    card, forest = read_skops(path, NoveltyCard, features)
    return NoveltyModel(card=card, forest=forest)
