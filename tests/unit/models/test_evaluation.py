"""The whole evaluation on a small fleet, from simulation to the card."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from models import evaluation
from models.artefact import load_models
from models.evaluation import HELD_OUT, Split, evidence
from models.evaluation_summary import Evaluation, decode, encode
from models.evaluation_unit import UnitEvidence
from models.machine_families import KINDS
from models.model_card import render
from models.records import Pattern

UNITS, DAYS = 6, 7


@pytest.fixture(scope="module")
def told_of() -> list[tuple[int, int]]:
    return []


@pytest.fixture(scope="module")
def result(told_of: list[tuple[int, int]]) -> Evaluation:
    return evaluation.evaluate(
        seed=11,
        n_units=UNITS,
        days=DAYS,
        workers=1,
        on_progress=lambda done, total: told_of.append((done, total)),
    )


def test_progress_is_told_unit_by_unit(result: Evaluation, told_of: list[tuple[int, int]]) -> None:
    assert told_of == [(n + 1, 3 * UNITS) for n in range(3 * UNITS)]


def test_every_table_is_on_the_card(result: Evaluation) -> None:
    card = render(result)
    for name, grid in result.grids.items():
        assert all(len(row) == len(grid.columns) for row in grid.rows), name
        for row in grid.rows:
            assert f"| {row[0]}" in card, name


def test_the_card_tells_of_the_models_and_the_seed(result: Evaluation) -> None:
    card = render(result)
    for pattern, model in load_models().of.items():
        assert model.card.data_fingerprint in card
        assert pattern.value.replace("_", " ") in card
    assert "seed 11" in card
    assert "second, independent gauge" in card


def test_stored_and_read_again_makes_the_same_card(result: Evaluation) -> None:
    stored = encode(result)
    assert encode(decode(stored)) == stored
    assert decode(stored).targets[0].name == result.targets[0].name
    assert render(decode(stored)).count("\n") == render(result).count("\n")


def test_targets_are_those_asked_for(result: Evaluation) -> None:
    assert len(result.targets) == 4 * 3 + 4
    shares = [target for target in result.targets if target.percent]
    assert {(one.at_least, one.at_most) for one in shares} == {(0.95, None), (0.85, 0.95)}


def test_the_seed_of_training_is_refused() -> None:
    seed = load_models().of[Pattern.SHORT_CYCLING].card.seed
    with pytest.raises(evaluation.SeedError, match="was trained on"):
        evaluation.evaluate(seed=seed, n_units=5, days=7, workers=1)


def equal(a: object, b: object) -> bool:
    """Equality of evidence, arrays included."""
    if dataclasses.is_dataclass(a) and dataclasses.is_dataclass(b):
        return all(equal(getattr(a, f.name), getattr(b, f.name)) for f in dataclasses.fields(a))
    if isinstance(a, dict) and isinstance(b, dict):
        return a.keys() == b.keys() and all(equal(a[k], b[k]) for k in a)
    if isinstance(a, tuple) and isinstance(b, tuple):
        return len(a) == len(b) and all(map(equal, a, b))
    if isinstance(a, np.ndarray):
        return bool(np.array_equal(a, b, equal_nan=a.dtype.kind == "f"))
    return bool(a == b or (a != a and b != b))


def held_out(seed: int, workers: int = 1) -> list[UnitEvidence]:
    return evidence(HELD_OUT, seed=seed, n_units=2, days=7, workers=workers)


def test_the_same_seed_gives_the_same_evidence() -> None:
    first, again, other = held_out(3), held_out(3), held_out(4)
    assert all(equal(a, b) for a, b in zip(first, again, strict=True))
    assert not equal(first[0], other[0])


@pytest.mark.slow
def test_workers_change_nothing() -> None:
    assert all(equal(a, b) for a, b in zip(held_out(3), held_out(3, workers=2), strict=True))


def test_a_split_draws_from_what_it_names() -> None:
    split = Split(kind="held_out", machine_families=("compact",), climate_names=("mountain",))
    units = evidence(split, seed=3, n_units=2, days=7, workers=1)
    assert {(unit.family, unit.climate) for unit in units} == {("compact", "mountain")}
    assert {unit.operator for unit in units} <= set(KINDS["held_out"].operators)


def test_unseen_kinds_share_nothing_with_training() -> None:
    seen, unseen = KINDS["training"], KINDS["held_out"]
    for name in ("families", "climates", "operators"):
        assert not set(getattr(seen, name)) & set(getattr(unseen, name))
