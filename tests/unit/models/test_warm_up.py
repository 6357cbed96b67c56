"""The fitted approach against curves whose law is known: Newton's law of heating."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import curve_fit

from ingest.reading import FloatArray
from models.signals import take_temp
from models.state import Record, fresh_state
from models.warm_up import FURTHEST_K, LONGEST_TAU_MIN, SHORTEST_TAU_MIN, USUAL_TAU_MIN, approach


def newton_c(t_min: FloatArray, start_c: float, end_c: float, tau_min: float) -> FloatArray:
    return np.asarray(end_c + (start_c - end_c) * np.exp(-t_min / tau_min))


def after(t_s: FloatArray, temps_c: FloatArray) -> Record:
    s = fresh_state()[0]
    for t, temp_c in zip(t_s.tolist(), temps_c.tolist(), strict=True):
        take_temp(s, t, temp_c, True)
    return s


@pytest.mark.parametrize("tau_min", [3.0, 6.0, 12.0])
@pytest.mark.parametrize("end_c", [42.0, 63.0, 95.0])
@pytest.mark.parametrize("every_s", [5.0, 10.0, 30.0, 60.0])
def test_an_exponential_without_noise_is_recovered(tau_min: float, end_c: float, every_s: float) -> None:
    t_s = np.arange(0.0, 900.0 + every_s, every_s)
    s = after(t_s, newton_c(t_s / 60.0, 10.0, end_c, tau_min))
    rate, tau, left_k, _, _ = approach(s, 0.0)
    now_c = newton_c(np.array([15.0]), 10.0, end_c, tau_min)[0]
    # Half-minute means and the trapezoid rule over samples a minute apart cost a little.
    assert now_c + left_k == pytest.approx(end_c, abs=0.04 * (end_c - 10.0))
    assert tau == pytest.approx(tau_min, rel=0.12)
    assert rate == pytest.approx((end_c - now_c) / tau_min, abs=0.25)


def test_with_noise_it_does_as_well_as_iterative_least_squares() -> None:
    """Reference: scipy.optimize.curve_fit of the same law on the same noisy samples."""
    ours, reference = [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        t_s = np.arange(0.0, 721.0, 10.0)
        temps_c = newton_c(t_s / 60.0, 15.0, 58.0, 5.0) + rng.normal(0.0, 0.3, len(t_s))
        s = after(t_s, temps_c)
        now_c = newton_c(np.array([12.0]), 15.0, 58.0, 5.0)[0]
        ours.append(now_c + approach(s, 0.0)[2] - 58.0)
        fitted, _ = curve_fit(newton_c, t_s / 60.0, temps_c, p0=(15.0, 60.0, 6.0))
        reference.append(fitted[1] - 58.0)
    rms = [float(np.sqrt(np.mean(np.square(errors)))) for errors in (ours, reference)]
    assert rms[0] < 1.5 * rms[1] + 0.2


def test_a_curve_that_has_not_bent_leaves_the_prior_and_says_how_little_it_knows() -> None:
    t_s = np.arange(0.0, 301.0, 10.0)
    s = after(t_s, 10.0 + 2.0 * t_s / 60.0)
    rate, tau, left_k, sd_k, scatter_k = approach(s, 0.0)
    assert rate == pytest.approx(2.0, abs=0.3)
    assert tau > 0.8 * USUAL_TAU_MIN
    assert left_k > 20.0
    assert sd_k > 8.0
    assert scatter_k < 0.2


def test_the_longer_the_curve_the_surer_its_end() -> None:
    sds = []
    for minutes in (5.0, 8.0, 12.0, 15.0):
        t_s = np.arange(0.0, 60.0 * minutes + 1.0, 10.0)
        sds.append(approach(after(t_s, newton_c(t_s / 60.0, 10.0, 70.0, 5.0)), 0.0)[3])
    assert sds == sorted(sds, reverse=True)


@pytest.mark.parametrize("temps_c", [[], [20.0], [20.0, 21.0]])
def test_too_little_gives_nothing(temps_c: list[float]) -> None:
    s = after(60.0 * np.arange(len(temps_c)), np.array(temps_c))
    assert all(math.isnan(value) for value in approach(s, 0.0))


def test_what_lies_before_the_run_does_not_count() -> None:
    t_s = np.arange(0.0, 901.0, 10.0)
    cold = np.full(30, 5.0)
    run = newton_c((t_s[30:] - 300.0) / 60.0, 5.0, 60.0, 4.0)
    s = after(t_s, np.concatenate([cold, run]))
    now_c = run[-1]
    assert now_c + approach(s, 300.0)[2] == pytest.approx(60.0, abs=3.0)


@pytest.mark.parametrize(
    "temps_c",
    [
        np.full(60, 40.0),
        80.0 - 0.5 * np.arange(60.0),
        np.where(np.arange(60) % 2, 20.0, 90.0),
        np.linspace(0.0, 500.0, 60) ** 2,
    ],
    ids=["flat", "cooling", "alternating", "runaway"],
)
def test_any_curve_gives_bounded_numbers(temps_c: FloatArray) -> None:
    s = after(10.0 * np.arange(len(temps_c)), temps_c)
    rate, tau, left_k, sd_k, scatter_k = approach(s, 0.0)
    assert math.isfinite(rate)
    assert SHORTEST_TAU_MIN <= tau <= LONGEST_TAU_MIN * (1.0 + 1e-12)
    assert abs(left_k) <= FURTHEST_K
    assert 0.0 <= sd_k <= FURTHEST_K
    assert scatter_k >= 0.0
