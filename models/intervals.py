"""Figures with an interval: bootstrap over whole units, because what one unit shows hangs together.

Only units that show any of what a figure counts are drawn from. Where all of them agree, resampling can't
tell how sure that is; a share then takes the exact interval over units, a rate of nothing the exact upper
limit. Pure; the seed is an argument.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import msgspec
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from ingest.reading import FloatArray

LEVEL = 0.9
RESAMPLES = 1000
FEWEST_UNITS = 5
"""An interval from fewer units than this would say more than they know."""


class Figure(msgspec.Struct, frozen=True, kw_only=True):
    """A figure, its interval, and what it rests on. None: not known."""

    value: float | None
    low: float | None = None
    high: float | None = None
    n: int = 0
    """Things counted or measured: occurrences, runs, days."""
    units: int = 0
    """Units that showed them."""


NOTHING = Figure(value=None)


def share(hits: ArrayLike, of: ArrayLike, seed: int = 0) -> Figure:
    """Share of things that are so, pooled over units.

    Parameters
    ----------
    hits, of : arrays, shape (units,)
        How many of each unit's things are so, and how many there are.
    seed : int
        Of the resampling.
    """
    some, all_of = _taking_part(hits, of)
    if not len(all_of):
        return NOTHING
    if some.any() and not np.array_equal(some, all_of):
        return _ratio(some, all_of, round(all_of.sum()), seed)
    low, high = None, None
    if len(all_of) >= FEWEST_UNITS:
        exact = stats.binomtest(len(all_of) if some.any() else 0, len(all_of)).proportion_ci(LEVEL)
        low, high = float(exact.low), float(exact.high)
    return Figure(value=float(some.any()), low=low, high=high, n=round(all_of.sum()), units=len(all_of))


def rate(counts: ArrayLike, exposure: ArrayLike, seed: int = 0) -> Figure:
    """Events per unit of exposure, such as false alarms a unit-month; `n` counts the events.

    Parameters
    ----------
    counts, exposure : arrays, shape (units,)
        Events of each unit, and how long it was watched.
    seed : int
        Of the resampling.
    """
    events, watched = _taking_part(counts, exposure)
    if not len(watched):
        return NOTHING
    if events.any():
        return _ratio(events, watched, round(events.sum()), seed)
    # The exact upper limit of a Poisson mean of which nothing was seen.
    most = float(stats.chi2.ppf(0.5 + LEVEL / 2.0, 2) / 2.0 / watched.sum())
    return Figure(value=0.0, low=0.0, high=most, n=0, units=len(watched))


def ratio(over: ArrayLike, under: ArrayLike, n: int, seed: int = 0) -> Figure:
    """Sum over sum, pooled over units; shape (units,) each."""
    a, b = _taking_part(over, under)
    return _ratio(a, b, n, seed) if len(b) else NOTHING


def mean(values: Sequence[FloatArray], seed: int = 0) -> Figure:
    """Mean of the values of all units together; one array a unit."""
    counts = [len(v) for v in values]
    return ratio([v.sum() for v in values], counts, sum(counts), seed)


def root_mean_square(values: Sequence[FloatArray], seed: int = 0) -> Figure:
    """Root mean square of the values of all units together; one array a unit."""
    squared = mean([v * v for v in values], seed)
    return msgspec.structs.replace(
        squared, **{name: _root(getattr(squared, name)) for name in ("value", "low", "high")}
    )


def quantile(values: Sequence[FloatArray], q: float, seed: int = 0) -> Figure:
    """Quantile of the values of all units together; one array a unit, `q` in 0-1."""
    values = [v for v in values if len(v)]
    if not values:
        return NOTHING

    def drawn(places: NDArray[np.int64]) -> float:
        return float(np.quantile(np.concatenate([values[i] for i in places]), q))

    everyone = np.arange(len(values))
    low, high = _interval(drawn, len(values), seed)
    return Figure(value=drawn(everyone), low=low, high=high, n=sum(len(v) for v in values), units=len(values))


def _taking_part(over: ArrayLike, under: ArrayLike) -> tuple[FloatArray, FloatArray]:
    a, b = np.asarray(over, np.float64), np.asarray(under, np.float64)
    return a[b > 0.0], b[b > 0.0]


def _root(value: float | None) -> float | None:
    return None if value is None else math.sqrt(value)


def _ratio(over: FloatArray, under: FloatArray, n: int, seed: int) -> Figure:
    value = float(over.sum() / under.sum())
    if len(under) < FEWEST_UNITS:
        return Figure(value=value, n=n, units=len(under))
    found = stats.bootstrap(
        (over, under),
        lambda a, b, axis: a.sum(axis) / b.sum(axis),
        paired=True,
        vectorized=True,
        confidence_level=LEVEL,
        n_resamples=RESAMPLES,
        method="percentile",
        rng=np.random.default_rng(seed),
    ).confidence_interval
    return Figure(value=value, low=float(found.low), high=float(found.high), n=n, units=len(under))


def _interval(
    statistic: Callable[[NDArray[np.int64]], float], n_units: int, seed: int
) -> tuple[float | None, float | None]:
    if n_units < FEWEST_UNITS:
        return None, None
    found = stats.bootstrap(
        (np.arange(n_units),),
        statistic,
        vectorized=False,
        confidence_level=LEVEL,
        n_resamples=RESAMPLES,
        method="percentile",
        rng=np.random.default_rng(seed),
    ).confidence_interval
    return float(found.low), float(found.high)
