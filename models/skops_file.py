"""A file with something trained in it and the card that says what it was made of: skops, never pickle.

A file that was trained on other features, or holds a type that is not on the list, is refused.
"""

from __future__ import annotations

import hashlib
import io
import platform
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Protocol, TypeVar

import msgspec
import numpy as np
import sklearn
import skops.io
from numpy.typing import NDArray


class Card(Protocol):
    """What every card tells."""

    @property
    def features(self) -> tuple[str, ...]:
        """Columns that the model was trained on, in order."""


AnyCard = TypeVar("AnyCard", bound=Card)


class ModelFileError(ValueError):
    """A model file is missing, was made for other features or holds a type that is not trusted."""


TRUSTED = [
    "numpy.dtype",
    "sklearn.tree._tree.Tree",
    "scipy.interpolate._bsplines.BSpline",
    "scipy._lib.array_api_compat.numpy._aliases.asarray",
]
"""Types beyond skops's own list that our pipelines hold; reviewed, plain data of scikit-learn and numpy. A
tree walks its nodes without looking where they lead, so each is checked when it is read."""


LEAF = -1


def data_fingerprint(*columns: NDArray[Any]) -> str:
    """Short hash of the data that something was trained on."""
    digest = hashlib.sha256()
    for column in columns:
        digest.update(np.ascontiguousarray(column).tobytes())
    return digest.hexdigest()[:16]


def versions() -> dict[str, str]:
    """What the training ran on."""
    return {
        "python": platform.python_version(),
        "numpy": np.__version__,
        "scikit-learn": sklearn.__version__,
    }


def write_skops(path: Path, trained: object, card: msgspec.Struct) -> Path:
    """Write what was trained with its card inside; the file appears whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    body = io.BytesIO(skops.io.dumps(trained, compression=zipfile.ZIP_DEFLATED))
    with zipfile.ZipFile(body, "a") as archive:
        archive.writestr(zipfile.ZipInfo("card.json"), msgspec.json.format(msgspec.json.encode(card)))
    part = path.with_suffix(".part")
    part.write_bytes(body.getvalue())
    part.replace(path)
    return path


def read_skops(path: Path, card_type: type[AnyCard], features: tuple[str, ...]) -> tuple[AnyCard, Any]:
    """Read a card and what was trained.

    Raises
    ------
    ModelFileError
        If the file is missing or broken, holds an untrusted type, or was trained on other features.
    """
    try:
        body = path.read_bytes()
        with zipfile.ZipFile(io.BytesIO(body)) as archive:
            card = msgspec.json.decode(archive.read("card.json"), type=card_type)
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
    trained = skops.io.loads(body, trusted=TRUSTED)
    if not all(_leads_nowhere_else(tree) for tree in _trees(trained)):
        raise ModelFileError(f"model file {path.name!r} holds a tree whose nodes lead outside it")
    return card, trained


def _trees(trained: Any) -> Iterator[Any]:
    """Every decision tree inside pipelines, ensembles and lists of them."""
    if isinstance(trained, (list, tuple)):
        for part in trained:
            yield from _trees(part)
    elif hasattr(trained, "tree_"):
        yield trained.tree_
    elif hasattr(trained, "steps"):
        yield from _trees([step for _, step in trained.steps])
    elif hasattr(trained, "estimators_"):
        yield from _trees(np.ravel(trained.estimators_).tolist())


def _leads_nowhere_else(tree: Any) -> bool:
    left, right = tree.children_left, tree.children_right
    inner = left != LEAF
    parents = np.arange(tree.node_count)[inner]
    # Children come after their parents, so that no path goes round in a circle either.
    return bool(
        np.all((left[inner] > parents) & (left[inner] < tree.node_count))
        and np.all((right[inner] > parents) & (right[inner] < tree.node_count))
        and np.all((tree.feature[inner] >= 0) & (tree.feature[inner] < tree.n_features))
        and np.all(right[~inner] == LEAF)
    )
