"""The warm-up forecast: where the run in hand levels off and when it will be hot, each with a 90 % interval.

The fitted approach (`models.warm_up`) knows nothing of the thermal valve that will open, of iron that warms
behind the oil or of loads to come. Gradient-boosted quantiles, trained on simulated machines of every
build, put that right. Quantiles lie too close on data that they have not seen, so each interval is widened
by what units left out of the fit showed to be missing (conformalised quantile regression: Romano, Patterson
and Candes, 2019).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import msgspec
import numpy as np

from ingest.reading import FloatArray
from models.features import WARMING_COLUMNS
from models.records import WarmUpForecast
from models.skops_file import read_skops, write_skops

NAME = "warm_up_forecast"
FEATURES = WARMING_COLUMNS
LEVEL_QUANTILES = (0.05, 0.5, 0.95)
HOT_QUANTILES = (0.05, 0.1, 0.5, 0.95)
LEVEL_FROM_MIN, LEVEL_TO_MIN = 40.0, 50.0
"""Where a run levels off: its mean temperature in these minutes. Thermal loops have settled by then, and
loads seldom stay the same for much longer."""
LATEST_MIN = LEVEL_FROM_MIN
"""From here on the level is there to be read."""
HORIZON_MIN = 60.0
"""A run that is not hot by then is not warming up any more."""
NARROWEST_K, NARROWEST_LOG = 1.0, 0.2
"""Least width of an interval that a widening is a part of: sensors and minutes are no finer."""
SOON_MIN = 2.0
"""Times to hot are learnt as logarithms of what remains and this: near at hand a minute counts for more."""

_NOW, _ELAPSED = FEATURES.index("now_c"), FEATURES.index("elapsed_min")


class Regressor(Protocol):
    """The part of a scikit-learn regressor that is used."""

    def predict(self, table: FloatArray) -> FloatArray:
        """Values, shape (n,)."""


class ForecastCard(msgspec.Struct, frozen=True, kw_only=True):
    """What a forecaster was made of."""

    features: tuple[str, ...]
    level_widening: float
    """Part of the half-width by which both ends of the level's interval are moved out. [-] May be
    negative."""
    hot_widening: float
    seed: int
    data_fingerprint: str
    versions: dict[str, str]
    figures: dict[str, float]


@dataclass(frozen=True, kw_only=True)
class Forecaster:
    """Quantiles of the level and of the time to hot."""

    card: ForecastCard
    level: tuple[Regressor, ...]
    hot: tuple[Regressor, ...]

    def predict(self, table: FloatArray) -> FloatArray:
        """Forecasts for warming rows.

        Parameters
        ----------
        table : array, shape (n, len(FEATURES))

        Returns
        -------
        array, shape (n, 6)
            Level: low, median, high [degC]; time from the run's start to hot: low, median, high [min],
            infinite when that is not within the hour.
        """
        level = widened(quantiles(self.level, table), self.card.level_widening, NARROWEST_K)
        level = level + table[:, [_NOW]]
        hot = hot_interval(quantiles(self.hot, table), table[:, _ELAPSED])
        hot = remaining_min(widened(hot, self.card.hot_widening, NARROWEST_LOG))
        hot = np.maximum(hot, 0.0) + table[:, [_ELAPSED]]
        forecasts: FloatArray = np.hstack([level, np.where(hot > HORIZON_MIN, np.inf, hot)])
        return forecasts

    def forecast(self, row: FloatArray) -> WarmUpForecast:
        """The forecast for one warming row, shape (len(FEATURES),)."""
        low_c, level_c, high_c, *hot = self.predict(row[None, :])[0].tolist()
        soonest, median, latest = (minutes if minutes < np.inf else None for minutes in hot)
        return WarmUpForecast(
            level_low_c=low_c,
            level_c=level_c,
            level_high_c=high_c,
            to_hot_low_min=soonest,
            to_hot_min=median,
            to_hot_high_min=latest,
        )


def quantiles(regressors: tuple[Regressor, ...], table: FloatArray) -> FloatArray:
    """Quantiles side by side in order, shape (n, number of them): separate fits may cross."""
    values: FloatArray = np.sort(np.column_stack([one.predict(table) for one in regressors]), axis=1)
    return values


def hot_interval(values: FloatArray, elapsed_min: FloatArray) -> FloatArray:
    """Low, median and high of the learnt time to hot, shape (n, 3), from `HOT_QUANTILES`, shape (n, 4).

    A run that may well never get hot has no upper end to miss: its nine in ten then leave out the soonest
    tenth.
    """
    open_ended = values[:, 3] > logarithm(HORIZON_MIN - elapsed_min)
    low = np.where(open_ended, values[:, 1], values[:, 0])
    return np.column_stack([low, values[:, 2], values[:, 3]])


def widened(values: FloatArray, part: float, narrowest: float) -> FloatArray:
    """Intervals of shape (n, 3), both ends moved out by a part of the half-width, or in where it is negative.

    `narrowest`: least width that the part is taken of, in the unit of the values.
    """
    half = 0.5 * np.maximum(values[:, 2] - values[:, 0], narrowest)
    moved: FloatArray = values + part * half[:, None] * np.array([-1.0, 0.0, 1.0])
    return np.sort(moved, axis=1)


def logarithm(minutes: FloatArray) -> FloatArray:
    """What is learnt of the minutes that remain until a run is hot."""
    return np.log(np.maximum(minutes, 0.0) + SOON_MIN)


def remaining_min(learnt: FloatArray) -> FloatArray:
    """The inverse of `logarithm`. [min]"""
    return np.exp(learnt) - SOON_MIN


def save_forecaster(model: Forecaster, folder: Path) -> Path:
    """Write the forecaster with its card; the file appears whole or not at all."""
    return write_skops(folder / f"{NAME}.skops", [*model.level, *model.hot], model.card)


def load_forecaster(folder: Path) -> Forecaster:
    """Read the forecaster.

    Raises
    ------
    ModelFileError
        If the file is missing or broken, holds an untrusted type, or was trained on other features.
    """
    card, regressors = read_skops(folder / f"{NAME}.skops", ForecastCard, FEATURES)
    n = len(LEVEL_QUANTILES)
    return Forecaster(card=card, level=tuple(regressors[:n]), hot=tuple(regressors[n:]))
