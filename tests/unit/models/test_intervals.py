"""Figures against hand-computed ratios, exact limits and what theory says of a bootstrap."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from models import intervals
from models.intervals import FEWEST_UNITS, LEVEL, NOTHING, Figure

NORMAL = 1.6449
"""95th percentile of the standard normal distribution (any table of it)."""


def test_share_pools_things_not_units() -> None:
    figure = intervals.share([1, 0, 8], [1, 1, 10])
    assert figure.value == pytest.approx(9 / 12)
    assert (figure.n, figure.units) == (12, 3)


def test_share_of_nothing_is_not_known() -> None:
    assert intervals.share([], []) == NOTHING
    assert intervals.share([0, 0], [0, 0]) == NOTHING


def test_share_interval_is_that_of_theory_when_every_unit_shows_one_thing() -> None:
    """Standard error of a proportion, sqrt(p (1 - p) / n): any textbook of statistics."""
    hits = np.repeat([1, 0], [300, 100])
    figure = intervals.share(hits, np.ones(400))
    half = NORMAL * math.sqrt(0.75 * 0.25 / 400)
    assert figure.low == pytest.approx(0.75 - half, abs=0.15 * half)
    assert figure.high == pytest.approx(0.75 + half, abs=0.15 * half)


def test_share_interval_counts_units_not_the_things_that_hang_together() -> None:
    """Ten things that always agree say no more than one."""
    hits = np.repeat([1, 0], [300, 100])
    once, tenfold = intervals.share(hits, np.ones(400)), intervals.share(10 * hits, np.full(400, 10))
    assert (tenfold.low, tenfold.high) == (once.low, once.high)
    assert tenfold.n == 10 * once.n


@pytest.mark.parametrize("n_units", [5, 20, 100])
def test_share_when_all_agree_has_the_exact_interval(n_units: int) -> None:
    """C. J. Clopper, E. S. Pearson, Biometrika 26 (1934); for k = n the limit is (alpha / 2) ** (1 / n)."""
    all_found = intervals.share(np.full(n_units, 3), np.full(n_units, 3))
    none_found = intervals.share(np.zeros(n_units), np.full(n_units, 3))
    limit = ((1 - LEVEL) / 2) ** (1 / n_units)
    assert (all_found.value, all_found.high) == (1.0, 1.0)
    assert all_found.low == pytest.approx(limit, rel=1e-9)
    assert (none_found.value, none_found.low) == (0.0, 0.0)
    assert none_found.high == pytest.approx(1 - limit, rel=1e-9)


def test_too_few_units_have_no_interval() -> None:
    n = FEWEST_UNITS - 1
    for figure in (
        intervals.share(np.ones(n), np.full(n, 2)),
        intervals.share(np.ones(n), np.ones(n)),
        intervals.quantile([np.arange(3.0)] * n, 0.5),
        intervals.rate(np.ones(n), np.ones(n)),
    ):
        assert figure.value is not None
        assert (figure.low, figure.high, figure.units) == (None, None, n)


def test_rate_of_nothing_seen_has_the_exact_upper_limit() -> None:
    """The rule of three, 3 / n: J. A. Hanley, A. Lippman-Hand, JAMA 249 (1983) 1743; exactly -ln 0.05."""
    figure = intervals.rate(np.zeros(40), np.full(40, 1.5))
    assert (figure.value, figure.low, figure.n, figure.units) == (0.0, 0.0, 0, 40)
    assert figure.high == pytest.approx(-math.log(0.05) / 60.0, rel=1e-9)


def test_rate_is_events_over_exposure() -> None:
    figure = intervals.rate([2, 0, 1], [1.0, 2.0, 3.0])
    assert figure == Figure(value=0.5, n=3, units=3)


def test_root_mean_square_and_mean_by_hand() -> None:
    values = [np.array([3.0]), np.array([4.0, 0.0]), np.array([])]
    assert intervals.mean(values).value == pytest.approx(7 / 3)
    assert intervals.root_mean_square(values).value == pytest.approx(math.sqrt(25 / 3))
    assert intervals.root_mean_square([]) == NOTHING


def test_quantile_interval_agrees_with_the_distribution_free_one() -> None:
    """Order statistics give a quantile's interval without resampling: scipy.stats.quantile_test."""
    values = np.random.default_rng(3).exponential(10.0, 600)
    figure = intervals.quantile([values[i : i + 1] for i in range(600)], 0.5)
    exact = stats.quantile_test(values, q=figure.value, p=0.5).confidence_interval(LEVEL)
    width = exact.high - exact.low
    assert figure.value == pytest.approx(np.median(values))
    assert figure.low == pytest.approx(exact.low, abs=0.3 * width)
    assert figure.high == pytest.approx(exact.high, abs=0.3 * width)


def test_the_same_seed_gives_the_same_interval() -> None:
    hits, of = np.arange(20) % 3, np.full(20, 3)
    assert intervals.share(hits, of, seed=4) == intervals.share(hits, of, seed=4)
    assert intervals.share(hits, of, seed=4) != intervals.share(hits, of, seed=5)
