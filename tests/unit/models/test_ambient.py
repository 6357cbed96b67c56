"""The air around the truck: read off a soaked or cooling unit, carried on, or measured."""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import pytest

from ingest.profile import UnitProfile
from models import ambient, soak
from models.air_filter import AIR, AT_FIRST, SWING
from models.humidity import vapour_pressure_pa
from models.parameters import Parameters
from models.plant import SLOW
from models.state import Record, constants, fresh_state
from tests.external.handbook import psychrolib
from tests.unit.models.histories import QUIET, Folded, by_hand, fold, machine_history, observed

CONST = constants(UnitProfile(unit_id="unit"), Parameters())[0]
HOUR_S = 3600.0


def estimate(found: Folded) -> tuple[float, float]:
    s = found.state.memory[0]
    return float(s["ambient_c"]), float(np.sqrt(s["ambient_var"]))


def state(ambient_c: float = 15.0, var_k2: float = 4.0) -> Record:
    s = fresh_state()[0]
    s["t"] = s["ambient_t"] = s["first_t"] = 0.0
    s["temp_c"] = ambient_c
    ambient.first_guess(s, CONST, 0.0)
    s["ambient_c"] = ambient_c
    s["air_p"][AIR, SWING] = s["air_p"][SWING, AIR] = 0.0
    s["air_p"][AIR, AIR] = var_k2
    s["ambient_var"] = var_k2 + ambient.SENSOR_VAR_K2
    return s


@pytest.mark.parametrize("air_c", [-15.0, 0.0, 15.0, 32.0])
@pytest.mark.parametrize("start_c", [None, 60.0])
def test_a_soaked_unit_tells_the_air(air_c: float, start_c: float | None) -> None:
    truth = machine_history([(2, 60, 0.7)], air_c=air_c, hours=11.0, start_temp_c=start_c)
    found = fold(observed(truth))
    air, error_k = estimate(found)
    assert air == pytest.approx(air_c, abs=2.0), "eight hours after the stop"
    assert error_k < 3.0


def test_the_estimate_follows_the_air_from_one_day_to_the_next() -> None:
    air_c = np.where(np.arange(74) < 36, 20.0, 2.0)
    truth = machine_history([(12, 60, 0.7), (60, 60, 0.7)], air_c=air_c, hours=72.0)
    assert estimate(fold(observed(truth)))[0] == pytest.approx(2.0, abs=2.5)


def test_a_unit_that_was_silent_while_it_soaked_tells_the_air_at_its_first_word() -> None:
    truth = machine_history([(2, 60, 0.7)], air_c=5.0, hours=13.0)
    readings = observed(truth)
    at_h = (readings.observed_at_ms - truth.start_at_ms) / 3.6e6
    found = fold(readings[(at_h < 3.2) | (at_h > 12.9)])
    assert estimate(found)[0] == pytest.approx(5.0, abs=2.5)


def test_doubt_grows_with_age_up_to_what_a_climate_spans() -> None:
    s = state()
    doubts = []
    for hour in range(1, 400):
        ambient.drift(s, CONST, hour * HOUR_S)
        doubts.append(float(s["ambient_var"]))
    # Within the day the swing's own doubt comes and goes with the hour; from day to day doubt grows.
    daily = [doubt for doubt in doubts[::24] if doubt < 0.9 * AT_FIRST[AIR]]
    assert len(daily) >= 3
    assert all(later > earlier for earlier, later in itertools.pairwise(daily))
    assert doubts[23] > 4.0 + 24.0 * 3600.0 * ambient.NIGHT_K2_PER_S
    assert doubts[-1] == pytest.approx(AT_FIRST[AIR], rel=0.1)
    assert max(doubts) <= AT_FIRST[AIR] + ambient.SENSOR_VAR_K2 + 1e-9


def test_carried_over_a_whole_day_the_estimate_comes_back_to_itself() -> None:
    s = state(15.0)
    seen_c = []
    for minute in range(1, 24 * 60 + 1):
        ambient.drift(s, CONST, 60.0 * minute)
        seen_c.append(float(s["ambient_c"]))
    assert seen_c[-1] == pytest.approx(15.0, abs=1e-6)
    # Handbook - Fundamentals, chapter 14 (from memory): warmest from 14 to 15 h, coldest at 5 h.
    assert (np.argmax(seen_c) + 1) / 60.0 == pytest.approx(14.5, abs=0.5)
    assert (np.argmin(seen_c) + 1) / 60.0 == pytest.approx(5.0, abs=1.0)
    assert max(seen_c) - min(seen_c) == pytest.approx(2.0 * CONST["swing_k"], rel=0.05)


def test_local_noon_is_the_suns() -> None:
    """West of Greenwich the day comes later: the same instant lies earlier in the day."""
    west = constants(UnitProfile(unit_id="unit", tz="America/Denver"), Parameters())[0]
    assert west["solar_offset_s"] == -7 * HOUR_S
    s = state(15.0)
    warmest_s, warmest_c = 0.0, -99.0
    for minute in range(1, 24 * 60):
        ambient.drift(s, west, 60.0 * minute)
        if s["ambient_c"] > warmest_c:
            warmest_s, warmest_c = 60.0 * minute, float(s["ambient_c"])
    assert warmest_s / HOUR_S == pytest.approx(21.5, abs=0.5)


def test_falling_humidity_is_taken_as_warming() -> None:
    """At constant vapour pressure 60 % at 15 degC become 44 % at 20 degC (handbook psychrometrics)."""
    later_pct = 100.0 * psychrolib.GetRelHumFromVapPres(20.0, psychrolib.GetVapPresFromRelHum(15.0, 0.6))
    assert later_pct == pytest.approx(43.8, abs=0.3)
    falling, steady = state(15.0, 1.0), state(15.0, 1.0)
    for s in (falling, steady):
        s["rh_pct"] = s["rh_smooth"] = 60.0
        s["rh_t"] = math.inf
    for minute in range(1, 181):
        falling["rh_pct"] = 60.0 + (later_pct - 60.0) * min(minute / 120.0, 1.0)
        ambient.drift(falling, CONST, 60.0 * minute)
        ambient.drift(steady, CONST, 60.0 * minute)
    warmed_k = float(falling["ambient_c"] - steady["ambient_c"])
    # Part of it may be drier air.
    assert 2.0 < warmed_k < 5.0


def test_a_measured_temperature_wins() -> None:
    truth = machine_history([(1, 240, 0.7)], air_c=12.0, hours=5.0)
    instruments = dataclasses.replace(QUIET, sends_ambient=True)
    air, error_k = estimate(fold(observed(truth, instruments)))
    assert air == pytest.approx(12.0, abs=1.0)
    assert error_k <= 1.0
    hot_running = by_hand(range(0, 7200, 10), temp_c=85.0, pressure_kpa=900.0, ambient_c=-8.0)
    assert estimate(fold(hot_running))[0] == pytest.approx(-8.0, abs=1.0)


def test_no_unit_stays_colder_than_the_air() -> None:
    s = state(25.0)
    s["smooth_c"] = 10.0
    for _ in range(30):
        soak.cap(s, CONST)
    assert s["ambient_c"] <= 10.0 + soak.LAG_K + 2.0 * CONST["swing_k"]
    assert s["ambient_c"] < 20.0


def test_a_warm_first_reading_says_little_about_the_air() -> None:
    cool, warm = state(), state()
    cool["temp_c"], warm["temp_c"] = 12.0, 80.0
    ambient.first_guess(cool, CONST, 0.0)
    ambient.first_guess(warm, CONST, 0.0)
    assert cool["ambient_c"] == pytest.approx(12.0, abs=3.0), "but for what it lags behind the day"
    assert warm["ambient_c"] < 35.0
    assert warm["ambient_var"] > cool["ambient_var"]


def test_hours_of_frost_are_counted_and_thaw_away() -> None:
    s = state(-5.0)
    for minute in range(1, 601):
        ambient.drift(s, CONST, 60.0 * minute)
        s["ambient_c"] = -5.0
    assert s["cold_s"] == pytest.approx(10.0 * HOUR_S, rel=0.05)
    assert s["cold_low_c"] <= -5.0
    s["ambient_c"] = 10.0
    for minute in range(601, 601 + 300):
        s["ambient_c"] = 10.0
        ambient.drift(s, CONST, 60.0 * minute)
    assert s["cold_s"] == 0.0
    assert math.isnan(s["cold_low_c"])


@pytest.mark.parametrize("rh_pct", [math.nan, 0.0, 40.0, 100.0])
def test_vapour_bounds_hold_the_estimate_between_them(rh_pct: float) -> None:
    s = state(12.0, 9.0)
    s["rh_pct"] = s["rh_smooth"] = rh_pct
    s["rh_t"] = math.nan if math.isnan(rh_pct) else s["ambient_t"]
    ambient.take_vapour(s, CONST)
    assert 0.0 < s["vapour_low_pa"] < s["vapour_pa"] <= s["vapour_high_pa"]
    if 0.0 < rh_pct <= 100.0:
        # Handbook psychrometrics, above freezing.
        assert s["vapour_pa"] == pytest.approx(psychrolib.GetVapPresFromRelHum(12.0, rh_pct / 100), rel=5e-4)


def test_humidity_below_freezing_is_over_water_unless_set_otherwise() -> None:
    over_ice = constants(UnitProfile(unit_id="unit"), Parameters(rh_over_water=False))[0]
    s = state(-20.0)
    s["rh_pct"] = s["rh_smooth"] = 80.0
    s["rh_t"] = s["ambient_t"]
    ambient.take_vapour(s, over_ice)
    ice_pa = float(s["vapour_pa"])
    ambient.take_vapour(s, CONST)
    assert s["vapour_pa"] == pytest.approx(vapour_pressure_pa(-20.0, 80.0, True))
    # The handbook's saturation pressure below freezing is over ice.
    assert ice_pa == pytest.approx(0.8 * psychrolib.GetSatVapPres(-20.0), rel=1e-3)
    assert s["vapour_pa"] > 1.15 * ice_pa


def swinging(swing_k: float, days: int, *, mean_c: float = 18.0) -> np.ndarray:
    """Hourly air with a daily cosine, warmest at 15 h."""
    return mean_c + swing_k * np.cos(2.0 * np.pi * (np.arange(24 * days + 2) - 15.0) / 24.0)


@pytest.mark.parametrize("swing_k", [2.0, 5.0, 12.0])
def test_the_sites_own_daily_swing_is_learnt(swing_k: float) -> None:
    """From marine to mountain sites: half the daily range in climate tables spans 2 to 12 K."""
    days = 8
    truth = machine_history(
        [(24 * day + 9, 45, 0.7) for day in range(0, days, 2)],
        air_c=swinging(swing_k, days),
        hours=24.0 * days,
    )
    s = fold(observed(truth)).state.memory[0]
    assert s["swing_k"] == pytest.approx(swing_k, rel=0.25, abs=0.7)
    assert s["air_p"][SWING, SWING] < AT_FIRST[SWING] / 4.0


def test_a_unit_heard_only_at_work_learns_its_swing_from_starts_at_different_hours() -> None:
    days, runs = 20, [(24 * day + (6.0 if day % 2 else 14.0), 40, 0.7) for day in range(20)]
    truth = machine_history(runs, air_c=swinging(10.0, days), hours=24.0 * days)
    at_h = (observed(truth).observed_at_ms - truth.start_at_ms) / 3.6e6
    awake = np.zeros(len(at_h), bool)
    for start_h, minutes, _ in runs:
        awake |= (at_h > start_h - 0.1) & (at_h < start_h + minutes / 60.0 + 0.1)
    readings = observed(truth)[awake]
    readings = dataclasses.replace(readings, ambient_rh_pct=np.full(len(readings), np.nan))
    s = fold(readings).state.memory[0]
    assert s["swing_k"] == pytest.approx(10.0, abs=2.5)


def test_how_fast_a_unit_cools_is_learnt() -> None:
    """Against the slower of the two time constants of the simulated machine's two bodies."""
    machine = SLOW
    still_w_k = machine.cooler_still_frac * machine.valve_leak_frac * machine.cooler_w_k
    across = machine.loop_frame_w_k
    rates = np.linalg.eigvals(
        np.array(
            [
                [-(across + still_w_k) / machine.loop_j_k, across / machine.loop_j_k],
                [across / machine.frame_j_k, -(across + machine.case_w_k) / machine.frame_j_k],
            ]
        )
    )
    slow_s = float(np.max(-1.0 / rates.real))
    truth = machine_history([(h, 60, 0.7) for h in (8, 32, 56, 80)], air_c=15.0, hours=96.0, machine=machine)
    assert fold(observed(truth)).state.memory[0]["cooling_s"] == pytest.approx(slow_s, rel=0.3)


def test_leaving_a_warm_garage_is_seen_by_humidity() -> None:
    """12 degC inside, 0 degC outside with the same vapour: 35 % become 82 % (handbook psychrometrics)."""
    outside_pct = 100.0 * psychrolib.GetRelHumFromVapPres(0.0, psychrolib.GetVapPresFromRelHum(12.0, 0.35))
    s = state(12.0, 1.0)
    s["rh_pct"] = s["rh_smooth"] = 35.0
    s["rh_t"] = math.inf
    for minute in range(1, 61):
        ambient.drift(s, CONST, 60.0 * minute)
    for minute in range(61, 121):
        s["rh_pct"] = outside_pct
        ambient.drift(s, CONST, 60.0 * minute)
    assert s["ambient_c"] == pytest.approx(0.0, abs=3.0)


def test_a_still_sensor_that_never_changes_does_not_keep_a_unit_from_soaking() -> None:
    """One kelvin a step and no noise: readings repeat for longer than a silence would count."""
    truth = machine_history([(2, 60, 0.7)], air_c=swinging(3.0, 3, mean_c=10.0), hours=72.0)
    instruments = dataclasses.replace(QUIET, temp_noise_k=0.0, temp_step_c=1.0, pressure_noise_kpa=0.0)
    readings = observed(truth, instruments)
    readings = dataclasses.replace(readings, ambient_rh_pct=np.full(len(readings), np.nan))
    air, error_k = estimate(fold(readings))
    assert air == pytest.approx(truth.air_temp_c[-1], abs=2.5)
    assert error_k < 2.5
