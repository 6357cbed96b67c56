"""Rows that the patterns are judged by: right where the answer is known, finite, free of ratings."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.profile import UnitProfile
from models import engine, features, signals
from models.features import PRESSURE_COLUMNS, RUN_COLUMNS, WARMING_COLUMNS
from models.parameters import Parameters
from models.plant import SLOW
from models.state import (
    DECISION_ROW,
    N_FEATURES,
    PRESSURE_DOUBT,
    RUN_ENDED,
    WARMING,
    Record,
    constants,
    fresh_state,
)
from tests.unit.models.histories import (
    ICING_UNIT,
    NEVER_HOT_UNIT,
    PARAMETERS,
    SHORT_CYCLING_UNIT,
    fold,
    machine_history,
    observed,
    simulated,
)

CONST = constants(UnitProfile(unit_id="unit"), Parameters())[0]
DAY_S = 86400.0
MAY_BE_UNKNOWN = {"own_warm_up_ratio"}
"""A unit that has never got hot has no usual warm-up."""


def warming_up(
    end_c: float, tau_s: float, minutes: float, start_c: float = 10.0, every_s: int = 10
) -> Record:
    """A run whose oil approaches `end_c` as a first-order lag."""
    s = fresh_state()[0]
    s["start_t"], s["start_temp_c"], s["ambient_c"] = 0.0, start_c, start_c
    s["now_least_c"] = 70.0
    for t in range(0, int(minutes * 60) + 1, every_s):
        signals.take_temp(s, float(t), end_c - (end_c - start_c) * math.exp(-t / tau_s), True)
    return s


def warming_features(s: Record, minutes: float) -> dict[str, float]:
    row = np.zeros(1, DECISION_ROW)
    features.warming_row(s, CONST, 60.0 * minutes, row[0])
    return dict(zip(WARMING_COLUMNS, row["features"][0].tolist(), strict=False))


@given(end_c=st.floats(30.0, 62.0), tau_s=st.floats(240.0, 700.0), minutes=st.integers(15, 40))
def test_the_curves_own_bend_tells_where_it_levels_off(end_c: float, tau_s: float, minutes: int) -> None:
    """A first-order lag is the case in which the end temperature is known in closed form."""
    f = warming_features(warming_up(end_c, tau_s, minutes), minutes)
    # The fit ends at the newest half minute, the mean of the last 90 s lies a little before it.
    assert f["now_c"] + f["left_k"] == pytest.approx(end_c, abs=2.5)
    assert f["elapsed_min"] == minutes
    assert f["left_ratio"] < 1.0, "what is left is less than what is needed"
    assert f["spare_ratio"] < 0.0


def test_a_curve_that_leads_beyond_the_requirement_has_degrees_to_spare() -> None:
    tau_s, end_c, minutes = 500.0, 90.0, 8
    f = warming_features(warming_up(end_c, tau_s, minutes), minutes)
    assert f["now_c"] + f["left_k"] == pytest.approx(end_c, abs=6.0)
    assert f["left_ratio"] > 1.0
    assert f["spare_ratio"] > 0.0
    assert f["tau_min"] == pytest.approx(tau_s / 60.0, rel=0.25)


def test_margins_are_of_what_is_required() -> None:
    s = warming_up(50.0, 300.0, 30)
    f = warming_features(s, 30)
    assert f["short_of_required_k"] == pytest.approx(20.0, abs=0.5)
    assert f["required_c"] == 70.0
    assert f["progress"] == pytest.approx(40.0 / 60.0, abs=0.02)
    assert f["rate_k_min"] == pytest.approx(0.0, abs=0.2)


@pytest.mark.parametrize("own_min", [1.0, 8.0, 15.0])
def test_a_units_own_warm_up_is_the_measure_of_patience(own_min: float) -> None:
    s = warming_up(50.0, 300.0, 30)
    s["own_to_hot_min"] = own_min
    f = warming_features(s, 30)
    assert f["own_warm_up_ratio"] == pytest.approx(min(30.0 / max(own_min, 2.0), 10.0))


def test_wet_runs_older_than_a_week_do_not_count() -> None:
    s = fresh_state()[0]
    now_t = 30.0 * DAY_S
    for i, age_days in enumerate((0.0, 1.0, 6.9, 7.1, 20.0)):
        s["wet_t"][i] = now_t - age_days * DAY_S
    assert features.wet_runs_in_week(s, now_t) == 3.0


def test_a_run_row_is_in_parts_of_the_harmful_amount() -> None:
    s = fresh_state()[0]
    harmful_g = float(CONST["harmful_g"])
    s["water_g"], s["water_low_g"], s["water_high_g"] = harmful_g, 0.5 * harmful_g, 2.0 * harmful_g
    s["run_water_start_g"], s["wet_runs"] = 0.75 * harmful_g, 4.0
    s["first_wet_t"], s["last_dry_t"], s["run_hot_s"], s["start_t"] = 0.0, -DAY_S, 90.0, 2.0 * DAY_S - 240.0
    row = np.zeros(1, DECISION_ROW)
    features.run_row(s, CONST, 2.0 * DAY_S + 60.0, 2.0 * DAY_S, True, row[0])
    f = dict(zip(RUN_COLUMNS, row["features"][0].tolist(), strict=False))
    assert (f["water_ratio"], f["water_low_ratio"], f["water_high_ratio"]) == (1.0, 0.5, 2.0)
    assert f["gain_ratio"] == pytest.approx(0.25)
    assert f["mean_gain_ratio"] == pytest.approx(0.25)
    assert f["since_first_wet_days"] == pytest.approx(2.0, abs=0.01)
    assert f["since_dry_days"] == pytest.approx(3.0, abs=0.01)
    assert (f["run_min"], f["hot_min"], f["wet"]) == (4.0, 1.5, 1.0)


def test_a_fleets_oil_charge_is_not_in_the_row() -> None:
    """Twice the oil and twice the water are the same to a pattern."""
    rows = []
    for oil_kg in (8.3, 16.6):
        const = constants(UnitProfile(unit_id="unit", oil_charge_kg=oil_kg), Parameters())[0]
        s = fresh_state()[0]
        for name in ("water_g", "water_low_g", "water_high_g"):
            s[name] = 5.0 * oil_kg
        s["run_water_start_g"], s["wet_runs"], s["start_t"], s["first_t"], s["run_hot_s"] = (
            0.0,
            1.0,
            0.0,
            0.0,
            0.0,
        )
        row = np.zeros(1, DECISION_ROW)
        features.run_row(s, const, 300.0, 240.0, True, row[0])
        rows.append(row["features"][0])
    np.testing.assert_allclose(rows[0], rows[1])


@pytest.mark.parametrize("index", [SHORT_CYCLING_UNIT, NEVER_HOT_UNIT, ICING_UNIT, 3])
def test_whatever_is_asked_is_known(index: int) -> None:
    unit = simulated(index)
    _, rows = engine.decision_rows(unit.readings, unit.profile, PARAMETERS)
    assert len(rows)
    for kind, columns in (
        (WARMING, WARMING_COLUMNS),
        (RUN_ENDED, RUN_COLUMNS),
        (PRESSURE_DOUBT, PRESSURE_COLUMNS),
    ):
        asked = rows["features"][rows["kind"] == kind]
        for i, name in enumerate(columns):
            if name not in MAY_BE_UNKNOWN:
                assert np.all(np.isfinite(asked[:, i])), name


@pytest.mark.parametrize("columns", [WARMING_COLUMNS, RUN_COLUMNS, PRESSURE_COLUMNS])
def test_columns_have_one_name_each_and_room(columns: tuple[str, ...]) -> None:
    assert len(set(columns)) == len(columns) <= N_FEATURES


def test_a_healthy_warm_up_is_asked_about_until_it_is_hot() -> None:
    truth = machine_history([(2, 60, 0.7)], air_c=-10.0, hours=6.0, machine=SLOW._replace(loop_j_k=180000.0))
    readings = observed(truth)
    _, rows = engine.decision_rows(readings, simulated(3).profile, PARAMETERS)
    asked = rows[rows["kind"] == WARMING]["features"][:, 0]
    (run,) = fold(readings).runs
    assert run.time_to_hot_min is not None
    assert asked.min() == pytest.approx(8.0, abs=0.2)
    assert asked.max() <= run.time_to_hot_min + 1.0
    assert np.all(np.diff(asked) == pytest.approx(1.0, abs=0.2))
