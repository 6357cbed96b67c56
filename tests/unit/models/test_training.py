"""Training: labels from truth alone, nothing learnt from one class, the same data give the same model."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from ingest.quality import Quality
from ingest.reading import IntArray
from models.artefact import PatternModel
from models.engine import decision_rows
from models.fleets import fleet_unit
from models.forecast_training import forecast_table
from models.labels import Label
from models.parameters import Parameters
from models.patterns import LEARNT
from models.records import Pattern
from models.state import WARMING
from models.training import (
    MARGINAL_WEIGHT,
    NEAR_S,
    THRESHOLDS,
    WARM_TWIN_C,
    Table,
    as_judged_at_the_door,
    fit,
    forecast_tables,
    labelled,
    simulated_tables,
    thinned,
    unit_rows,
    with_warm_twins,
)
from tests.unit.models.histories import ICING_UNIT, NEVER_HOT_UNIT, SHORT_CYCLING_UNIT, by_hand, simulated

ICING = Pattern.PRESSURE_SENSOR_ICING
NEVER = Pattern.NEVER_REACHING_TEMPERATURE
CYCLING = Pattern.SHORT_CYCLING
N_UNITS = 32


@pytest.fixture(scope="module")
def tables() -> dict[Pattern, Table]:
    return simulated_tables(seed=7, n_units=N_UNITS, days=6, workers=1).of


def spans_ms(labels: tuple[Label, ...], pattern: Pattern) -> list[tuple[int, int]]:
    return [(label.start_at_ms, label.end_at_ms) for label in labels if label.pattern is pattern]


@pytest.mark.parametrize("pattern", list(LEARNT))
def test_a_row_is_what_its_model_is_asked(tables: dict[Pattern, Table], pattern: Pattern) -> None:
    table = tables[pattern]
    n = len(table.truth)
    assert n > 0
    assert table.features.shape == (n, len(LEARNT[pattern].FEATURES))
    assert {len(column) for column in (table.weight, table.group, table.at_s)} == {n}
    assert np.all((table.weight >= 0.0) & (table.weight <= 1.0))
    assert set(np.unique(table.group)) <= set(range(N_UNITS))


@pytest.mark.parametrize(
    ("pattern", "index"), [(CYCLING, SHORT_CYCLING_UNIT), (ICING, ICING_UNIT)], ids=["cycling", "icing"]
)
def test_rows_inside_a_true_occurrence_are_true_and_no_others(pattern: Pattern, index: int) -> None:
    unit = simulated(index)
    table = labelled(unit, unit_rows(unit, Parameters()), 0)[pattern]
    inside = np.zeros(len(table.truth), bool)
    for start_ms, end_ms in spans_ms(unit.labels, pattern):
        at_ms = 1000.0 * table.at_s
        inside |= (at_ms >= start_ms - 1000.0 * NEAR_S) & (at_ms <= end_ms + 1000.0 * NEAR_S)
    assert inside.any()
    np.testing.assert_array_equal(table.truth, inside)


def test_rows_of_a_run_that_truly_never_gets_hot_are_true() -> None:
    unit = simulated(NEVER_HOT_UNIT)
    table = labelled(unit, unit_rows(unit, Parameters()), 0)[NEVER]
    starts_s = (
        np.array([ms for label in unit.labels if label.pattern is NEVER for ms in label.moments_at_ms]) / 1e3
    )
    assert table.truth.any()
    for at_s in table.at_s[table.truth]:
        before = starts_s[starts_s <= at_s + NEAR_S]
        assert len(before), "after some such run began"
        assert at_s - before.max() < 86400.0


def test_a_marginal_occurrence_says_less() -> None:
    unit = simulated(ICING_UNIT)
    marginal = dataclasses.replace(
        unit, labels=tuple(dataclasses.replace(label, marginal=True) for label in unit.labels)
    )
    clear, weak = (labelled(u, unit_rows(u, Parameters()), 0)[ICING] for u in (unit, marginal))
    np.testing.assert_array_equal(clear.truth, weak.truth)
    assert np.all(weak.weight[weak.truth] == MARGINAL_WEIGHT)
    assert np.all(weak.weight[~weak.truth] == 1.0)


def test_what_is_no_finding_by_its_meaning_teaches_neither_way() -> None:
    """A run outdone by its healthy twin, yet no true occurrence, weighs nothing."""
    unit = simulated(NEVER_HOT_UNIT)
    unlabelled = dataclasses.replace(unit, labels=())
    table = labelled(unlabelled, unit_rows(unlabelled, Parameters()), 0)[NEVER]
    assert not table.truth.any()
    true = labelled(unit, unit_rows(unit, Parameters()), 0)[NEVER]
    outdone = true.truth & (table.weight == 0.0)
    assert outdone.any()


def test_moments_are_those_of_live_operation() -> None:
    unit = simulated(NEVER_HOT_UNIT)
    _, rows = decision_rows(unit.readings, unit.profile, Parameters())
    rows = rows[rows["kind"] == WARMING]
    assert LEARNT[NEVER].JUDGED_AT == WARMING
    np.testing.assert_array_equal(labelled(unit, unit_rows(unit, Parameters()), 0)[NEVER].at_s, rows["t"])


def test_the_door_flags_what_the_listener_would() -> None:
    rows = by_hand(range(3), temp_c=np.array([20.0, 215.0, np.nan]))
    flags = as_judged_at_the_door(rows).quality
    assert flags[0] == flags[2] == 0
    assert flags[1] & int(Quality.DISCHARGE_TEMP_OUT_OF_RANGE)


def test_warm_twins_are_negative(tables: dict[Pattern, Table]) -> None:
    """Water freezes at 0 degC: what happened in frost can't be ice in warm weather."""
    table = tables[ICING]
    both = with_warm_twins(table, np.random.default_rng(1))
    n = len(table.truth)
    names = LEARNT[ICING].FEATURES
    assert len(both.truth) == 2 * n
    np.testing.assert_array_equal(both.features[:n], table.features)
    np.testing.assert_array_equal(both.truth[:n], table.truth)
    assert not both.truth[n:].any()
    twin_c = both.features[n:, names.index("ambient_c")]
    assert np.all((twin_c >= WARM_TWIN_C[0]) & (twin_c <= WARM_TWIN_C[1]))
    assert np.all(both.features[n:, names.index("cold_h")] == 0.0)
    kept = [names.index(name) for name in ("conflict_kind", "conflict_min", "temp_change_k", "unmoved_min")]
    np.testing.assert_array_equal(both.features[n:, kept], table.features[:, kept])


@pytest.mark.parametrize("truth", [True, False])
@pytest.mark.parametrize("pattern", list(LEARNT))
def test_one_class_teaches_nothing(tables: dict[Pattern, Table], pattern: Pattern, truth: bool) -> None:
    one = dataclasses.replace(tables[pattern], truth=np.full(len(tables[pattern].truth), truth))
    with pytest.raises(ValueError, match=rf"{pattern.value}: \d+ moments, all of one class"):
        fit(pattern, one, seed=1)


def test_no_moments_teach_nothing(tables: dict[Pattern, Table]) -> None:
    none: IntArray = np.zeros(0, np.int64)
    empty = Table(**{f.name: getattr(tables[CYCLING], f.name)[none] for f in dataclasses.fields(Table)})
    with pytest.raises(ValueError, match="0 moments"):
        fit(CYCLING, empty, seed=1)


@pytest.fixture(scope="module")
def fitted(tables: dict[Pattern, Table]) -> dict[Pattern, PatternModel]:
    return {pattern: fit(pattern, table, seed=8) for pattern, table in tables.items()}


@pytest.mark.parametrize("pattern", list(LEARNT))
def test_the_same_table_gives_the_same_model(
    tables: dict[Pattern, Table], fitted: dict[Pattern, PatternModel], pattern: Pattern
) -> None:
    again = fit(pattern, tables[pattern], seed=8)
    rows = tables[pattern].features
    np.testing.assert_array_equal(again.probability(rows), fitted[pattern].probability(rows))
    assert again.card == fitted[pattern].card


@pytest.mark.parametrize("pattern", list(LEARNT))
def test_a_model_tells_the_rows_it_has_seen_apart(
    tables: dict[Pattern, Table], fitted: dict[Pattern, PatternModel], pattern: Pattern
) -> None:
    table = tables[pattern]
    if pattern is ICING:
        table = with_warm_twins(table, np.random.default_rng(2))
    said = fitted[pattern].probability(table.features)
    weighty = table.weight == 1.0
    assert said[table.truth & weighty].mean() > said[~table.truth & weighty].mean() + 0.2


def test_the_card_says_what_it_was_fitted_on(
    tables: dict[Pattern, Table], fitted: dict[Pattern, PatternModel]
) -> None:
    card = fitted[CYCLING].card
    assert (card.pattern, card.features, card.seed) == (CYCLING, LEARNT[CYCLING].FEATURES, 8)
    assert card.threshold == THRESHOLDS[CYCLING]
    assert card.data_fingerprint == tables[CYCLING].fingerprint
    assert card.figures["moments"] == len(tables[CYCLING].truth)
    assert fit(CYCLING, tables[CYCLING], seed=8, threshold=0.3).threshold == 0.3


def test_a_fingerprint_changes_with_any_column(tables: dict[Pattern, Table]) -> None:
    table = tables[CYCLING]
    changed = [
        table,
        dataclasses.replace(table, features=table.features + 1e-9),
        dataclasses.replace(table, truth=~table.truth),
        dataclasses.replace(table, weight=table.weight * 0.5),
        dataclasses.replace(table, group=table.group + 1),
    ]
    assert len({each.fingerprint for each in changed}) == len(changed)


def test_workers_change_nothing(tables: dict[Pattern, Table]) -> None:
    seen: list[tuple[int, int]] = []
    other = simulated_tables(
        seed=7, n_units=N_UNITS, days=6, workers=2, on_progress=lambda done, total: seen.append((done, total))
    )
    assert seen == [(i + 1, N_UNITS) for i in range(N_UNITS)]
    assert {p: t.fingerprint for p, t in other.of.items()} == {p: t.fingerprint for p, t in tables.items()}


def test_a_thinned_unit_reports_as_seldom_as_asked_and_keeps_its_truth() -> None:
    unit = fleet_unit(3, 1, days=3, keep_truth=True)
    twin = thinned(unit, 300)
    steps_s = np.diff(twin.readings.observed_at_ms) / 1000.0
    assert np.median(steps_s) == pytest.approx(300.0, abs=unit.spec.instruments.every_s)
    assert set(twin.readings.observed_at_ms) <= set(unit.readings.observed_at_ms)
    assert twin.truth is unit.truth


def test_forecasts_are_learnt_at_the_pace_of_seldom_readings_too() -> None:
    """More moments of the same runs, with the answers of the same truth, as one unit's."""
    more = 0
    for i in range(4):
        unit = fleet_unit(3, i, days=4, operator_names=("all_day", "sessions"), keep_truth=True)
        rows = unit_rows(unit, Parameters())
        own = forecast_table(unit, rows, i)
        joined = forecast_tables(unit, rows, Parameters(), i)
        assert unit.truth is not None
        true_c = [
            unit.truth.discharge_temp_c[
                int(run.start_s + 2400) // unit.truth.step_s : int(run.start_s + 3000) // unit.truth.step_s
            ].mean()
            for run in unit.runs
            if run.duration_s >= 3600
        ]
        assert all(np.isclose(level_c, true_c).any() for level_c in joined.level_c)
        assert np.array_equal(joined.features[: len(own.level_c)], own.features, equal_nan=True)
        assert set(joined.group) <= {i}
        more += len(joined.level_c) > len(own.level_c)
    assert more >= 1
