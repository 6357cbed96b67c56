"""The estimate of the air against the truth of simulated fleets: how far off, and whether it knows."""

from __future__ import annotations

import functools

import numpy as np
import pytest

from models import engine
from models.fleets import fleet_unit
from models.parameters import Parameters
from models.training import as_judged_at_the_door

SEED, N_UNITS, DAYS = 6173, 16, 8
EVERY_MS = 600_000

pytestmark = pytest.mark.slow


@functools.cache
def errors(kind: str) -> tuple[np.ndarray, np.ndarray]:
    """Estimate less the air at the machine, and the estimate's standard deviation, every ten minutes. [K]"""
    off_k, sigma_k = [], []
    for index in range(N_UNITS):
        unit = fleet_unit(SEED, index, days=DAYS, kind=kind, keep_truth=True)
        if unit.spec.instruments.sends_ambient:
            continue
        assert unit.truth is not None
        readings = as_judged_at_the_door(unit.readings)
        told = engine.trace(engine.initial_state(unit.profile.unit_id), readings, unit.profile, Parameters())
        row = (readings.observed_at_ms - unit.start_at_ms) // (1000 * unit.truth.step_s)
        true_c = unit.truth.air_temp_c[np.clip(row, 0, len(unit.truth.air_temp_c) - 1)]
        first = np.diff(readings.observed_at_ms // EVERY_MS, prepend=-1) > 0
        kept = first & ~np.isnan(told.ambient_temp_c)
        off_k.append((told.ambient_temp_c - true_c)[kept])
        sigma_k.append(told.ambient_error_k[kept])
    return np.concatenate(off_k), np.concatenate(sigma_k)


@pytest.mark.parametrize("kind", ["training", "held_out"])
def test_its_variance_is_honest(kind: str) -> None:
    """Of a normal error two thirds lie within one standard deviation and 95 % within two.

    Units share machines, sites and sensors with themselves only, so few of them spread the shares widely.
    """
    off_k, sigma_k = errors(kind)
    within = [np.mean(np.abs(off_k) <= n * sigma_k) for n in (1, 2)]
    assert 0.6 <= within[0] <= 0.88
    assert within[1] >= 0.85


@pytest.mark.parametrize(("kind", "most_k"), [("training", 4.2), ("held_out", 3.3)])
def test_it_is_no_further_off_than_a_season_and_an_hour_leave_open(kind: str, most_k: float) -> None:
    off_k, _ = errors(kind)
    assert np.sqrt(np.mean(off_k**2)) <= most_k
    assert abs(np.mean(off_k)) <= 1.0
