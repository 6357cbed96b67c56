"""Model files: what is saved comes back the same; anything else is refused with its reason."""

from __future__ import annotations

import dataclasses
import io
import json
import zipfile
from pathlib import Path

import msgspec
import numpy as np
import pytest
import skops.io
from sklearn.dummy import DummyClassifier

from models import forecast, run_confidence
from models.artefact import (
    SHIPPED,
    ModelCard,
    ModelFileError,
    PatternModel,
    load_model,
    load_models,
    save_model,
)
from models.patterns import LEARNT, NOVEL
from models.records import Pattern
from models.training import Table, fit

PATTERN = Pattern.SHORT_CYCLING
FEATURES = LEARNT[PATTERN].FEATURES


def table(n: int = 200, seed: int = 4) -> Table:
    rng = np.random.default_rng(seed)
    features = rng.normal(0.0, 1.0, (n, len(FEATURES)))
    return Table(
        features=features,
        truth=features[:, 0] + 0.3 * rng.normal(0.0, 1.0, n) > 0.0,
        weight=np.ones(n),
        group=np.arange(n) // 10,
        at_s=np.arange(n, dtype=float),
    )


@pytest.fixture(scope="module")
def model() -> PatternModel:
    return fit(PATTERN, table(), seed=3)


@pytest.fixture
def saved(model: PatternModel, tmp_path: Path) -> Path:
    return save_model(model, tmp_path)


def test_round_trip(model: PatternModel, saved: Path) -> None:
    loaded = load_model(saved, FEATURES)
    rows = np.random.default_rng(9).normal(0.0, 2.0, (500, len(FEATURES)))
    rows[::5, 2] = np.nan
    np.testing.assert_array_equal(loaded.probability(rows), model.probability(rows))
    assert loaded.card == model.card
    assert loaded.threshold == model.threshold


def test_saving_replaces_and_leaves_nothing_beside(model: PatternModel, saved: Path) -> None:
    other = dataclasses.replace(model, card=msgspec.structs.replace(model.card, threshold=0.7))
    assert save_model(other, saved.parent) == saved
    assert load_model(saved, FEATURES).threshold == 0.7
    assert [path.name for path in saved.parent.iterdir()] == [f"{PATTERN.value}.skops"]


def test_the_card_can_be_read_by_people(saved: Path) -> None:
    with zipfile.ZipFile(saved) as archive:
        card = json.loads(archive.read("card.json"))
    assert card["pattern"] == "short_cycling"
    assert card["features"] == list(FEATURES)
    assert {"seed", "data_fingerprint", "versions", "figures", "threshold"} <= set(card)


def test_another_set_of_features_is_refused(saved: Path) -> None:
    with pytest.raises(ModelFileError, match=r"was trained on .*wet_runs_week.* expected .*'pressure'"):
        load_model(saved, ("pressure",))


def test_the_same_features_in_another_order_are_refused(saved: Path) -> None:
    with pytest.raises(ModelFileError, match="was trained on"):
        load_model(saved, FEATURES[::-1])


def test_no_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ModelFileError, match=r"'nothing\.skops' can't be read"):
        load_model(tmp_path / "nothing.skops", FEATURES)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.99])
def test_a_truncated_file_is_refused(saved: Path, share: float) -> None:
    body = saved.read_bytes()
    saved.write_bytes(body[: int(share * len(body))])
    with pytest.raises(ModelFileError, match="can't be read"):
        load_model(saved, FEATURES)


def without_card(body: bytes, card: bytes | None) -> bytes:
    """The archive with its card left out or replaced."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(body)) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            if name != "card.json":
                new.writestr(name, old.read(name))
        if card is not None:
            new.writestr("card.json", card)
    return out.getvalue()


@pytest.mark.parametrize("card", [None, b"", b"{", b'{"pattern": "short_cycling"}', b'{"pattern": "rust"}'])
def test_a_missing_or_broken_card_is_refused(saved: Path, card: bytes | None) -> None:
    saved.write_bytes(without_card(saved.read_bytes(), card))
    with pytest.raises(ModelFileError, match="can't be read"):
        load_model(saved, FEATURES)


def test_a_card_without_a_model_is_refused(saved: Path, model: PatternModel) -> None:
    with zipfile.ZipFile(saved, "w") as archive:
        archive.writestr("card.json", msgspec.json.encode(model.card))
    with pytest.raises(ModelFileError, match=r"can't be read: .*schema\.json"):
        load_model(saved, FEATURES)


def test_a_spoilt_byte_is_refused(saved: Path) -> None:
    body = bytearray(saved.read_bytes())
    with zipfile.ZipFile(saved) as archive:
        biggest = max(archive.infolist(), key=lambda info: info.compress_size)
    start = biggest.header_offset + 30 + len(biggest.filename.encode())
    for i in range(start + 200, start + 260):
        body[i] ^= 0xFF
    saved.write_bytes(bytes(body))
    with pytest.raises(ModelFileError, match=r"is damaged|can't be read"):
        load_model(saved, FEATURES)


class Stranger(DummyClassifier):
    """A type that nobody has reviewed."""


def test_a_type_that_is_not_trusted_is_refused(saved: Path, model: PatternModel) -> None:
    stranger = Stranger().fit(np.zeros((2, 1)), [0, 1])
    with zipfile.ZipFile(io.BytesIO(saved.read_bytes())) as archive:
        card = archive.read("card.json")
    body = io.BytesIO(skops.io.dumps(stranger))
    with zipfile.ZipFile(body, "a") as archive:
        archive.writestr("card.json", card)
    saved.write_bytes(body.getvalue())
    with pytest.raises(ModelFileError, match=r"not trusted: \[.*Stranger"):
        load_model(saved, FEATURES)


@pytest.mark.parametrize("pattern", list(LEARNT))
def test_shipped_models_were_made_for_todays_features(pattern: Pattern) -> None:
    card = load_models().of[pattern].card
    assert card.pattern is pattern
    assert card.features == LEARNT[pattern].FEATURES
    assert set(card.features) <= set(LEARNT[pattern].COLUMNS)
    assert 0.0 < card.threshold < 1.0
    assert card.figures["moments"] > card.figures["true"] > 0
    assert len(card.data_fingerprint) == 16


def test_only_models_are_shipped() -> None:
    names = {pattern.value for pattern in (*LEARNT, *NOVEL)} | {forecast.NAME}
    files = {f"{name}.skops" for name in names} | {run_confidence.FILE}
    assert {path.name for path in SHIPPED.iterdir()} == files


def test_a_folder_that_lacks_a_model_is_refused(saved: Path) -> None:
    with pytest.raises(ModelFileError, match="never_reaching_temperature"):
        load_models(saved.parent)


def test_a_card_says_what_it_is_of() -> None:
    assert set(ModelCard.__struct_fields__) == {
        "pattern",
        "features",
        "threshold",
        "seed",
        "data_fingerprint",
        "versions",
        "figures",
    }
