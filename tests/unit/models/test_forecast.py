"""The warm-up forecast: its arithmetic, its file, and its coverage on machines it was not trained on."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from ingest.reading import FloatArray
from models import forecast
from models.artefact import load_models
from models.fleets import fleet_unit
from models.forecast import FEATURES, HORIZON_MIN, Forecaster, Regressor
from models.forecast_training import ForecastTable, fit_forecaster, forecast_table, missing_width
from models.parameters import Parameters
from models.skops_file import ModelFileError, write_skops
from models.training import unit_rows


def warming_rows(n: int, seed: int = 3) -> FloatArray:
    rng = np.random.default_rng(seed)
    rows = rng.uniform(0.0, 1.0, (n, len(FEATURES)))
    rows[:, FEATURES.index("elapsed_min")] = rng.integers(8, 40, n)
    rows[:, FEATURES.index("now_c")] = rng.uniform(10.0, 80.0, n)
    return rows


def test_widening_by_hand() -> None:
    moved = forecast.widened(np.array([[-2.0, 0.0, 4.0]]), 0.5, 1.0)
    np.testing.assert_allclose(moved, [[-3.5, 0.0, 5.5]])


def test_a_run_that_may_never_get_hot_has_one_sided_odds() -> None:
    values = forecast.logarithm(np.array([[3.0, 4.0, 6.0, 20.0], [3.0, 4.0, 6.0, 60.0]]))
    sides = forecast.remaining_min(forecast.hot_interval(values, np.array([10.0, 10.0])))
    np.testing.assert_allclose(sides, [[3.0, 6.0, 20.0], [4.0, 6.0, 60.0]])


def test_minutes_to_hot_there_and_back() -> None:
    minutes = np.array([0.0, 0.5, 3.0, 52.0])
    np.testing.assert_allclose(forecast.remaining_min(forecast.logarithm(minutes)), minutes, atol=1e-12)


@pytest.mark.parametrize("seed", range(5))
def test_the_missing_width_makes_nine_in_ten_lie_inside(seed: int) -> None:
    """The defining property of conformal intervals (Romano, Patterson and Candes, 2019) on their own data."""
    rng = np.random.default_rng(seed)
    answer = rng.normal(0.0, 3.0, 997)
    values = np.tile([-1.0, 0.0, 1.0], (997, 1))
    wide = forecast.widened(values, missing_width(values, answer, 0.1), 0.1)
    share = np.mean((answer >= wide[:, 0]) & (answer <= wide[:, 2]))
    assert 0.9 <= share <= 0.9 + 1.0 / 997.0 + 1e-9


def test_intervals_that_are_too_wide_are_drawn_in() -> None:
    values = np.tile([-9.0, 0.0, 9.0], (101, 1))
    # Ninety of a hundred and one answers, spread evenly over -3 to 3, lie within 2.7 of the middle.
    part = missing_width(values, np.linspace(-3.0, 3.0, 101), 0.1)
    assert part == pytest.approx(2.7 / 9.0 - 1.0, abs=0.01)


def test_low_median_and_high_are_in_order_and_in_the_future() -> None:
    rows = warming_rows(500)
    said = load_models().forecast.predict(rows)
    assert said.shape == (500, 6)
    assert np.all(np.diff(said[:, :3], axis=1) >= 0.0)
    assert np.all(said[:, 3] <= said[:, 4])
    assert np.all(said[:, 4] <= said[:, 5])
    assert np.all(said[:, 3] >= rows[:, FEATURES.index("elapsed_min")])
    assert np.all((said[:, 3:] <= HORIZON_MIN) | np.isinf(said[:, 3:]))


def test_one_row_says_the_same_as_many() -> None:
    rows = warming_rows(20)
    model = load_models().forecast
    many = model.predict(rows)
    for row, wanted in zip(rows, many, strict=True):
        said = model.forecast(row)
        assert [said.level_low_c, said.level_c, said.level_high_c] == pytest.approx(wanted[:3].tolist())
        times = [said.to_hot_low_min, said.to_hot_min, said.to_hot_high_min]
        assert [minutes is None for minutes in times] == np.isinf(wanted[3:]).tolist()


def test_it_goes_through_its_file(tmp_path: Path) -> None:
    model = load_models().forecast
    forecast.save_forecaster(model, tmp_path)
    again = forecast.load_forecaster(tmp_path)
    rows = warming_rows(50)
    np.testing.assert_array_equal(again.predict(rows), model.predict(rows))
    assert again.card == model.card


def test_a_file_for_other_features_is_refused(tmp_path: Path) -> None:
    model = load_models().forecast
    other = Forecaster(
        card=type(model.card)(
            **{**{f: getattr(model.card, f) for f in model.card.__struct_fields__}, "features": ("a", "b")}
        ),
        level=model.level,
        hot=model.hot,
    )
    write_skops(tmp_path / f"{forecast.NAME}.skops", [*other.level, *other.hot], other.card)
    with pytest.raises(ModelFileError, match="trained on"):
        forecast.load_forecaster(tmp_path)


def test_no_file_is_told_plainly(tmp_path: Path) -> None:
    with pytest.raises(ModelFileError, match="can't be read"):
        forecast.load_forecaster(tmp_path)


def held_out_table(n_units: int) -> ForecastTable:
    units = [
        fleet_unit(
            77,
            index,
            days=15,
            kind="held_out",
            operator_names=("steady_work", "long_light_shift", "crew_shifts"),
            keep_truth=True,
        )
        for index in range(n_units)
    ]
    return ForecastTable.joined(
        forecast_table(unit, unit_rows(unit, Parameters()), index) for index, unit in enumerate(units)
    )


@pytest.fixture(scope="module")
def unseen() -> ForecastTable:
    return held_out_table(24)


def test_nine_in_ten_unseen_runs_go_as_forecast(unseen: ForecastTable) -> None:
    """Families, climates and crews of another kind than trained on; two dozen units leave a wide margin."""
    said = load_models().forecast.predict(unseen.features)
    inside = (unseen.level_c >= said[:, 0]) & (unseen.level_c <= said[:, 2])
    by_unit = [float(inside[unseen.group == unit].mean()) for unit in np.unique(unseen.group)]
    assert len(by_unit) >= 8
    assert 0.75 <= float(np.mean(by_unit)) <= 1.0
    hot_min = np.where(unseen.hot_min > HORIZON_MIN, np.inf, unseen.hot_min)
    in_time = (hot_min >= said[:, 3]) & (hot_min <= said[:, 5])
    assert float(np.mean([in_time[unseen.group == unit].mean() for unit in np.unique(unseen.group)])) >= 0.8


def test_a_forecast_beats_staying_where_it_is(unseen: ForecastTable) -> None:
    said = load_models().forecast.predict(unseen.features)[:, 1]
    now_c = unseen.features[:, FEATURES.index("now_c")]
    assert np.median(np.abs(said - unseen.level_c)) < 0.5 * np.median(np.abs(now_c - unseen.level_c))


def test_the_same_seed_gives_the_same_forecaster(unseen: ForecastTable) -> None:
    one, two = (fit_forecaster(unseen, seed=5) for _ in range(2))
    rows = unseen.features[:50]
    np.testing.assert_array_equal(one.predict(rows), two.predict(rows))
    assert one.card == two.card


def test_a_regressor_is_all_it_needs() -> None:
    class Constant:
        def __init__(self, value: float) -> None:
            self.value = value

        def predict(self, table: FloatArray) -> FloatArray:
            return np.full(len(table), self.value)

    def three(low: float, mid: float, high: float) -> tuple[Regressor, ...]:
        return Constant(low), Constant(mid), Constant(high)

    card = load_models().forecast.card
    plain = type(card)(
        **{
            **{f: getattr(card, f) for f in card.__struct_fields__},
            "level_widening": 0.0,
            "hot_widening": 0.0,
        }
    )
    hot = (Constant(0.0), *three(np.log(4.0), np.log(7.0), np.log(100.0)))
    model = Forecaster(card=plain, level=three(5.0, 10.0, 20.0), hot=hot)
    row = warming_rows(1)[0]
    row[FEATURES.index("now_c")], row[FEATURES.index("elapsed_min")] = 50.0, 10.0
    said = model.forecast(row)
    assert (said.level_low_c, said.level_c, said.level_high_c) == (55.0, 60.0, 70.0)
    # Open-ended, so the lower end is the tenth part's: exp(log 4) - 2 from now.
    assert (said.to_hot_low_min, said.to_hot_high_min) == (pytest.approx(12.0), None)
    assert said.to_hot_min == pytest.approx(15.0)


def test_intervals_grow_by_what_a_kind_of_machine_not_seen_lies_off(unseen: ForecastTable) -> None:
    """One kind levels off 20 K higher than the others from the same start: units left out would not tell."""
    rng = np.random.default_rng(1)
    rows = rng.integers(0, len(unseen.level_c), 1200)
    family = np.array(["one", "two", "hotter"])[np.arange(1200) % 3]
    now_c = unseen.features[rows, FEATURES.index("now_c")]
    level_c = now_c + 20.0 * (family == "hotter") + rng.normal(0.0, 2.0, 1200)
    table = ForecastTable(
        features=unseen.features[rows],
        level_c=level_c,
        hot_min=unseen.hot_min[rows],
        group=np.arange(1200) // 3,
        family=family,
    )
    by_unit = dataclasses.replace(table, family=np.full(1200, "one"))
    kinds, units = (fit_forecaster(one, seed=5).card.level_widening for one in (table, by_unit))
    assert kinds > units + 0.5
