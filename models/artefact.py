"""Trained models on disk: saved and loaded with skops, never unpickled.

Beside each model stands what it was trained on (features, threshold, data fingerprint, seed, versions,
figures); a file that names another set of features, or holds a type that is not on the list, is refused.
"""

from __future__ import annotations

import functools
import io
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import msgspec
import numpy as np
import skops.io

from ingest.reading import FloatArray
from models.records import Pattern

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
    """One model a pattern."""

    of: dict[Pattern, PatternModel]


class ModelFileError(ValueError):
    """A model file is missing, was made for other features or holds a type that is not trusted."""


TRUSTED = [
    "scipy.interpolate._bsplines.BSpline",
    "scipy._lib.array_api_compat.numpy._aliases.asarray",
]
"""Types beyond skops's own list that our pipelines hold; reviewed, plain data of scikit-learn and numpy."""


def save_model(model: PatternModel, folder: Path) -> Path:
    """Write one model as `<pattern>.skops` with its card inside; the file appears whole or not at all."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{model.card.pattern.value}.skops"
    body = io.BytesIO(skops.io.dumps(model.classifier))
    with zipfile.ZipFile(body, "a") as archive:
        archive.writestr(zipfile.ZipInfo("card.json"), msgspec.json.format(msgspec.json.encode(model.card)))
    part = path.with_suffix(".part")
    part.write_bytes(body.getvalue())
    part.replace(path)
    return path


def load_model(path: Path, features: tuple[str, ...]) -> PatternModel:
    """Read one model.

    Raises
    ------
    ModelFileError
        If the file is missing or broken, holds an untrusted type, or was trained on other features.
    """
    try:
        body = path.read_bytes()
        with zipfile.ZipFile(io.BytesIO(body)) as archive:
            card = msgspec.json.decode(archive.read("card.json"), type=ModelCard)
            # What skops will read: it lets the archive's own faults through.
            archive.getinfo("schema.json")
            if damaged := archive.testzip():
                raise zipfile.BadZipFile(f"{damaged!r} in it is damaged")
    except (OSError, KeyError, zipfile.BadZipFile, zlib.error, msgspec.MsgspecError) as reason:
        raise ModelFileError(f"model file {path.name!r} can't be read: {reason}") from reason
    if card.features != features:
        raise ModelFileError(
            f"model file {path.name!r} was trained on {list(card.features)}, expected {list(features)}"
        )
    untrusted = set(skops.io.get_untrusted_types(data=body)) - set(TRUSTED)
    if untrusted:
        raise ModelFileError(
            f"model file {path.name!r} holds types that are not trusted: {sorted(untrusted)}"
        )
    classifier: Any = skops.io.loads(body, trusted=TRUSTED)
    return PatternModel(card=card, classifier=classifier)


@functools.cache
def load_models(folder: Path | None = None) -> PatternModels:
    """The models of every pattern, from `folder` or those that come with the program."""
    from models.patterns import LEARNT

    home = folder or SHIPPED
    return PatternModels(
        of={
            pattern: load_model(home / f"{pattern.value}.skops", module.FEATURES)
            for pattern, module in LEARNT.items()
        }
    )
