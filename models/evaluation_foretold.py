"""The warm-up forecast beside how one simulated unit's runs truly went on."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from ingest.reading import FloatArray
from models.fleets import FleetUnit
from models.forecast import FEATURES, HORIZON_MIN, Forecaster
from models.forecast_training import forecast_table
from models.state import Record


@dataclass(frozen=True, kw_only=True)
class Foretold:
    """Forecasts at the moments of one unit's warm-ups, and what came; shape (n,) each."""

    elapsed_min: FloatArray
    level_low_c: FloatArray
    level_c: FloatArray
    level_high_c: FloatArray
    level_true_c: FloatArray
    hot_low_min: FloatArray
    hot_min: FloatArray
    hot_high_min: FloatArray
    hot_true_min: FloatArray
    """Infinite when not within the hour."""

    def at(self, minute: int) -> Foretold:
        """Those of one minute of the run."""
        return self.between(minute, minute)

    def between(self, first: int, last: int) -> Foretold:
        """Those from one minute of the run to another, both included."""
        minute = np.round(self.elapsed_min)
        inside = (minute >= first) & (minute <= last)
        return Foretold(**{one.name: getattr(self, one.name)[inside] for one in fields(Foretold)})


def foretold(unit: FleetUnit, rows: Record, forecaster: Forecaster) -> Foretold:
    """Forecasts for a simulated unit's decision rows beside the truth."""
    table = forecast_table(unit, rows, 0)
    said = forecaster.predict(table.features) if len(table.features) else np.zeros((0, 6))
    return Foretold(
        elapsed_min=table.features[:, FEATURES.index("elapsed_min")],
        level_low_c=said[:, 0],
        level_c=said[:, 1],
        level_high_c=said[:, 2],
        level_true_c=table.level_c,
        hot_low_min=said[:, 3],
        hot_min=said[:, 4],
        hot_high_min=said[:, 5],
        hot_true_min=np.where(table.hot_min > HORIZON_MIN, np.inf, table.hot_min),
    )


def level_inside(said: Foretold) -> np.ndarray:
    """Whether the true level lies within the interval; shape (n,)."""
    return np.asarray((said.level_true_c >= said.level_low_c) & (said.level_true_c <= said.level_high_c))


def hot_inside(said: Foretold) -> np.ndarray:
    """Whether the true time to hot lies within the interval; shape (n,)."""
    return np.asarray((said.hot_true_min >= said.hot_low_min) & (said.hot_true_min <= said.hot_high_min))
