"""The moisture ledger against the handbook's psychrometrics and a general solver of differential equations.

Sources: ASHRAE Handbook - Fundamentals (2017), chapter 1 "Psychrometrics", as computed by `psychrolib`;
real moist air under pressure (ASHRAE RP-1485) as computed by CoolProp;
scipy's `solve_ivp` for the law of drying.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from CoolProp.CoolProp import HAPropsSI
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from ingest.profile import UnitProfile
from ingest.units_of_measure import M3_S_PER_CFM
from models import ambient, moisture
from models.atmosphere import standard_pressure_kpa
from models.humidity import humidity_ratio, saturated_humidity_ratio, vapour_pressure_pa
from models.parameters import Parameters
from models.state import Record, constants, fresh_state
from tests.external.handbook import psychrolib

SEA_LEVEL_PA = 101325.0
CONST = constants(UnitProfile(unit_id="unit"), Parameters())[0]
grams = st.floats(0.0, 600.0)
flows = st.floats(0.0, 1.0)
temps = st.floats(-10.0, 110.0)
pressures = st.floats(0.0, 1100.0)
spans = st.floats(0.1, 3600.0)


def sump(
    air_c: float, rh_pct: float, *, water_g: float = 0.0, low_g: float = 0.0, high_g: float = 0.0
) -> Record:
    s = fresh_state()[0]
    s["ambient_c"], s["ambient_var"], s["rh_smooth"] = air_c, 0.25, rh_pct
    s["rh_pct"], s["rh_t"], s["ambient_t"] = rh_pct, 0.0, 0.0
    s["water_g"], s["water_low_g"], s["water_high_g"] = water_g, low_g, high_g
    for name in ("run_in_g", "run_out_g", "run_over_g", "run_air_m3"):
        s[name] = 0.0
    ambient.take_vapour(s, CONST)
    return s


@given(water_g=grams, rate_g_s=st.floats(0.0, 1.0), dt_s=spans)
@settings(max_examples=60)
def test_drying_in_closed_form_is_what_a_solver_makes_of_its_law(
    water_g: float, rate_g_s: float, dt_s: float
) -> None:
    def law(_: float, left_g: np.ndarray) -> np.ndarray:
        return -rate_g_s * np.minimum(1.0, left_g / moisture.LAST_GRAMS)

    solved = solve_ivp(law, (0.0, dt_s), [water_g], rtol=1e-8, atol=1e-8, max_step=max(dt_s / 200.0, 0.1))
    assert moisture.dried_g(water_g, rate_g_s, dt_s) == pytest.approx(solved.y[0, -1], rel=1e-4, abs=1e-4)


@given(water_g=grams, rate_g_s=st.floats(0.0, 1.0), first_s=spans, second_s=spans)
def test_drying_twice_is_drying_for_the_sum(
    water_g: float, rate_g_s: float, first_s: float, second_s: float
) -> None:
    twice_g = moisture.dried_g(moisture.dried_g(water_g, rate_g_s, first_s), rate_g_s, second_s)
    once_g = moisture.dried_g(water_g, rate_g_s, first_s + second_s)
    assert twice_g == pytest.approx(once_g, rel=1e-9, abs=1e-9)
    assert 0.0 <= once_g <= water_g


@pytest.mark.external
@pytest.mark.parametrize(("air_c", "rh_pct"), [(21.0, 60.0), (30.0, 80.0), (5.0, 90.0), (35.0, 50.0)])
@pytest.mark.parametrize(("sump_c", "gauge_kpa"), [(25.0, 700.0), (40.0, 1000.0), (30.0, 350.0)])
def test_a_cold_run_gains_what_saturated_air_can_not_carry(
    air_c: float, rh_pct: float, sump_c: float, gauge_kpa: float
) -> None:
    """m_da (W_in - W_sat) dt for constant conditions: the handbook's intake, real moist air in the sump."""
    ratio_in = psychrolib.GetHumRatioFromRelHum(air_c, rh_pct / 100.0, SEA_LEVEL_PA)
    ratio_out = HAPropsSI("W", "T", sump_c + 273.15, "P", SEA_LEVEL_PA + 1000.0 * gauge_kpa, "R", 1.0)
    flow, dt_s = 0.8, 300.0
    volume_m3_s = flow * 80.0 * M3_S_PER_CFM
    dry_air_kg_s = volume_m3_s / psychrolib.GetMoistAirVolume(air_c, ratio_in, SEA_LEVEL_PA)
    wanted_g = 1000.0 * dry_air_kg_s * max(ratio_in - ratio_out, 0.0) * dt_s

    ours_g = moisture.held_g(
        0.0,
        dry_air_kg_s,
        humidity_ratio(vapour_pressure_pa(air_c, rh_pct, True), SEA_LEVEL_PA),
        saturated_humidity_ratio(sump_c, (SEA_LEVEL_PA + 1000.0 * gauge_kpa) / 1000.0),
        0.15,
        dt_s,
    )
    # Either ratio is good to 0.1 %, their difference to several times that.
    assert ours_g == pytest.approx(wanted_g, rel=6e-3)

    s = sump(air_c, rh_pct, high_g=moisture.FILM_G)
    for _ in range(30):
        moisture.keep_ledger(s, CONST, sump_c, gauge_kpa, flow, flow, flow, dt_s / 30)
    assert s["water_g"] == pytest.approx(wanted_g, rel=6e-3)
    assert s["run_in_g"] == pytest.approx(s["water_g"], rel=1e-12)
    assert s["run_air_m3"] == pytest.approx(volume_m3_s * dt_s)


@given(water_g=grams, flow=flows, sump_c=temps, gauge_kpa=pressures, dt_s=spans, air_c=st.floats(-30.0, 40.0))
def test_water_never_falls_when_the_air_is_wetter(
    water_g: float, flow: float, sump_c: float, gauge_kpa: float, dt_s: float, air_c: float
) -> None:
    ends_g = []
    for rh_pct in (5.0, 30.0, 60.0, 90.0, 100.0):
        s = sump(air_c, rh_pct, water_g=water_g, low_g=water_g, high_g=water_g)
        moisture.keep_ledger(s, CONST, sump_c, gauge_kpa, flow, flow, flow, dt_s)
        ends_g.append(float(s["water_g"]))
    # Wetter air is a little lighter, so at the edge of drying and gaining a hair may be lost in rounding.
    assert all(later >= earlier - 1e-9 for earlier, later in itertools.pairwise(ends_g))


def _account_g(s: Record) -> float:
    """Taken in, less driven off, less carried over."""
    return float(s["run_in_g"] - s["run_out_g"] - s["run_over_g"])


steps = st.tuples(temps, pressures, flows, flows, flows, spans)


@given(
    history=st.lists(steps, min_size=1, max_size=30),
    air_c=st.floats(-30.0, 40.0),
    rh_pct=st.floats(0.0, 101.0),
)
def test_the_three_ledgers_keep_their_order_and_their_balance(
    history: list[tuple[float, ...]], air_c: float, rh_pct: float
) -> None:
    s = sump(air_c, rh_pct)
    for sump_c, gauge_kpa, a, b, c, dt_s in history:
        least, best, most = sorted((a, b, c))
        before_g, account_g = float(s["water_g"]), _account_g(s)
        moisture.keep_ledger(s, CONST, sump_c, gauge_kpa, best, least, most, dt_s)
        assert 0.0 <= s["water_low_g"] <= s["water_g"] <= s["water_high_g"]
        assert s["water_high_g"] <= moisture.FULLEST_FRACTION * CONST["oil_g"]
        assert s["water_g"] - before_g == pytest.approx(_account_g(s) - account_g, rel=0.0, abs=1e-9)


@given(water_g=grams, sump_c=st.floats(70.0, 110.0), dt_s=spans)
def test_without_flow_nothing_dries_and_nothing_gathers(water_g: float, sump_c: float, dt_s: float) -> None:
    s = sump(20.0, 80.0, water_g=water_g, low_g=water_g, high_g=water_g)
    moisture.keep_ledger(s, CONST, sump_c, 1034.0, 0.0, 0.0, 0.0, dt_s)
    assert s["water_g"] == water_g


@given(water_g=grams, flow=flows, sump_c=temps, dt_s=spans)
def test_unknown_air_leaves_the_ledger_alone(water_g: float, flow: float, sump_c: float, dt_s: float) -> None:
    assert moisture.held_g(water_g, flow, math.nan, 0.01, 0.15, dt_s) == water_g
    assert moisture.held_g(water_g, flow, 0.01, math.nan, 0.15, dt_s) == water_g


@given(water_g=st.floats(6.0, 200.0), sump_c=st.floats(75.0, 100.0))
def test_the_minutes_advised_dry_the_sump(water_g: float, sump_c: float) -> None:
    """Folded with the flow and pressure that the advice reckons with, they leave just the dry amount."""
    s = sump(10.0, 60.0, water_g=water_g, low_g=0.0, high_g=water_g)
    needed_s = moisture.dry_out_needed_s(s, CONST, sump_c)
    assume(math.isfinite(needed_s))
    assert standard_pressure_kpa(0.0) == pytest.approx(CONST["ambient_abs_kpa"])
    moisture.keep_ledger(s, CONST, sump_c, float(CONST["assumed_kpa"]), 0.6, 0.6, 0.6, needed_s)
    assert s["water_g"] == pytest.approx(max(min(water_g, CONST["dry_g"]), 0.0), rel=1e-6)
