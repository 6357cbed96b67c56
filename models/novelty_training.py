"""Training of the novelty model: runs of simulated sound units, half of them to fit, half to rank by."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context

import numpy as np
from sklearn.ensemble import IsolationForest

from ingest.reading import FloatArray
from models.faulty_fleets import MachineFault, faulty_unit
from models.fleets import FleetUnit
from models.novelty import NoveltyCard, NoveltyModel, abnormality
from models.parameters import Parameters
from models.patterns.unlike_itself import COLUMNS, FEATURES, JUDGED_AT, PATTERN
from models.skops_file import data_fingerprint, versions
from models.state import Record

N_TREES, N_SAMPLES = 100, 128
DAYS = 45
UNITS_SHARE = 9
"""One sound unit for so many of the fleet that teaches the other patterns."""
LEAST_UNITS = 4
THRESHOLD = 0.98
"""One sound run in fifty is this unlike its unit's own; a finding needs three of five."""
RowsOf = Callable[[FleetUnit, Parameters], Record]
"""Decision moments of a simulated unit as the engine meets them."""
RANKS = tuple(np.round(np.concatenate([np.arange(0.0, 0.9, 0.05), np.linspace(0.9, 1.0, 41)]), 4).tolist())


def sound_rows(index: int, *, rows_of: RowsOf, seed: int, days: int) -> FloatArray:
    """Deviations of the runs of one sound unit, shape (n, number of features)."""
    unit = faulty_unit(seed, index, MachineFault.NONE, days=days)
    rows = rows_of(unit, Parameters())
    rows = rows[rows["kind"] == JUDGED_AT]
    table: FloatArray = rows["features"][:, [COLUMNS.index(name) for name in FEATURES]].copy()
    return table


def sound_tables(
    *, rows_of: RowsOf, seed: int, n_units: int, days: int = DAYS, workers: int = 2
) -> list[FloatArray]:
    """The same of several units, one after another over `workers` processes."""
    work = partial(sound_rows, rows_of=rows_of, seed=seed, days=days)
    if workers <= 1:
        return list(map(work, range(n_units)))
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        return list(pool.map(work, range(n_units)))


def train_novelty(*, rows_of: RowsOf, seed: int, n_fleet: int, workers: int = 2) -> NoveltyModel:
    """The novelty model that goes with a fleet of `n_fleet` units: the same for the same seed and size."""
    n_units = max(n_fleet // UNITS_SHARE, LEAST_UNITS)
    tables = sound_tables(rows_of=rows_of, seed=seed, n_units=n_units, workers=workers)
    return fit_novelty(tables, seed=seed)


def fit_novelty(tables: list[FloatArray], *, seed: int) -> NoveltyModel:
    """A forest on every other unit's runs, ranked by those of the others.

    Parameters
    ----------
    tables : list of array, shape (n, number of features)
        Deviations of sound runs, one table a unit.
    seed : int
        Of the forest; kept in the card.

    Raises
    ------
    ValueError
        If either half has no runs.
    """
    fitted, ranked = (np.concatenate([*tables[half::2], np.zeros((0, len(FEATURES)))]) for half in (0, 1))
    if not len(fitted) or not len(ranked):
        raise ValueError(f"{PATTERN.value}: no runs to compare; simulate more units")
    forest = IsolationForest(n_estimators=N_TREES, max_samples=min(N_SAMPLES, len(fitted)), random_state=seed)
    forest.fit(np.nan_to_num(fitted))
    return NoveltyModel(
        card=NoveltyCard(
            pattern=PATTERN,
            features=FEATURES,
            threshold=THRESHOLD,
            ranks=RANKS,
            ranked_scores=tuple(np.quantile(abnormality(forest, ranked), RANKS).tolist()),
            seed=seed,
            data_fingerprint=data_fingerprint(fitted, ranked),
            versions=versions(),
            figures={
                "units": float(len(tables)),
                "fitted_runs": float(len(fitted)),
                "ranked_runs": float(len(ranked)),
                "sound_runs_beyond": 1.0 - THRESHOLD,
            },
        ),
        forest=forest,
    )
