"""The moisture ledger: water that came in with the air and could not leave again.

Air compressed below its pressure dew point drops what it can't carry; oil that is hot with air flowing gives
it back, at some effectiveness below one. A hot run with no air flow dries nothing. Three ledgers run side by
side: the best estimate and two that take every doubtful figure at its wet and its dry end. Compiled.
"""

from __future__ import annotations

import math

from ingest.units_of_measure import PA_PER_KPA
from models.compiled import kernel
from models.humidity import (
    dry_air_density_kg_m3,
    humidity_ratio,
    saturated_humidity_ratio,
    vapour_density_g_m3,
)
from models.saturation import saturation_pressure_pa
from models.state import Record

GRAMS_PER_KILOGRAM = 1000.0

LAST_GRAMS = 2.0
"""Below this the wetted surface shrinks with what is left, so drying slows in proportion. [g]"""
FILM_G = 5.0
"""What no ledger of runs sees: vapour left in the sump's gas at a stop (a few grams) and wet walls. [g]"""
UNSEEN_FRACTION = 0.5
"""Of the harmful amount: what a unit may hold when it is first heard of, for nobody watched it before. [-]"""
LEAST_AIR, MOST_AIR = 0.85, 1.15
"""Of the air reckoned with: nameplates are good to 5 %, the hydraulic flow to 10 % (common practice). [-]"""
ADVISED_FLOW, LEAST_ADVISED_FLOW = 0.6, 0.4
"""Part of rated air that a tool or an open hose takes in a dry-out run. [-]"""
FULLEST_FRACTION = 0.25
"""More water than this part of the oil charge does not stay: it is carried over with the air. A sump holds
two to three times its oil charge (published trade figure), so its gas takes up as much room as its oil at
least, and one overfilled by a quarter starts to carry over (common practice). Fifty times what does harm.
[-]"""

WETTEST_DEW_C = 30.0
"""Dew point that outdoor air hardly ever passes where such trucks work (common practice). [degC]"""
DRY_OUT_S = 1200.0
"""A dry-out run takes 20 to 30 minutes at temperature (published trade figure). [s]"""
SURE_OF_DRYING = 2.0
"""Times as long as the best estimate takes to get dry must have been dried before it is told, so that it
holds at half the effectiveness too. [-] Judgement."""
TELLING_SHARE = 2.0 / 3.0
"""Of the most water that stays: with the wet bound above it the ledger has lost count. [-] Judgement."""


@kernel
def dried_g(water_g: float, rate_g_s: float, dt_s: float) -> float:
    r"""Water left after drying for a while, in closed form.

    .. math:: \dot m = -r \min(1, m / m_0)

    Parameters
    ----------
    water_g : float
        Held at the start. [g] >= 0
    rate_g_s : float
        Drying rate with the surface fully wet. [g/s] >= 0
    dt_s : float
        [s] >= 0

    Returns
    -------
    float
        [g] >= 0. A straight line down to 2 g, an exponential below.
    """
    if water_g > LAST_GRAMS:
        to_last_s = (water_g - LAST_GRAMS) / rate_g_s if rate_g_s > 0.0 else math.inf
        if dt_s <= to_last_s:
            return water_g - rate_g_s * dt_s
        dt_s -= to_last_s
        water_g = LAST_GRAMS
    return water_g * math.exp(-rate_g_s * dt_s / LAST_GRAMS)


@kernel
def held_g(
    water_g: float, air_kg_s: float, ratio_in: float, ratio_out: float, effectiveness: float, dt_s: float
) -> float:
    """Water held after `dt_s` of air passing through the sump.

    Parameters
    ----------
    water_g : float
        Held at the start. [g]
    air_kg_s : float
        Dry air delivered. [kg/s]
    ratio_in, ratio_out : float
        Humidity ratio of the intake air, and of saturated air at sump temperature and pressure. [kg/kg]
    effectiveness : float
        Of drying, 0-1. [-]
    dt_s : float
        [s]

    Returns
    -------
    float
        [g] Never negative.
    """
    if math.isnan(ratio_in) or math.isnan(ratio_out):
        return water_g
    if ratio_in > ratio_out:
        return water_g + GRAMS_PER_KILOGRAM * air_kg_s * (ratio_in - ratio_out) * dt_s
    spare = min(ratio_out - ratio_in, 1.0)
    return dried_g(water_g, effectiveness * GRAMS_PER_KILOGRAM * air_kg_s * spare, dt_s)


@kernel
def keep_ledger(
    s: Record,
    c: Record,
    temp_c: float,
    pressure_kpa: float,
    flow: float,
    flow_low: float,
    flow_high: float,
    dt_s: float,
) -> None:
    """Carry all three ledgers over `dt_s` of running at a temperature, gauge pressure and part of rated air.

    The dry ledger gains by the least air from the driest intake and dries by the most; the wet one the
    reverse.
    """
    ambient_pa = c.ambient_abs_kpa * PA_PER_KPA
    ratio_out = saturated_humidity_ratio(temp_c, c.ambient_abs_kpa + pressure_kpa)
    rated_kg_s = c.rated_m3_s * dry_air_density_kg_m3(s.ambient_c, s.vapour_pa, ambient_pa)
    if math.isnan(rated_kg_s):
        return
    most_g = FULLEST_FRACTION * c.oil_g
    before_g = s.water_g
    ratio_in = humidity_ratio(s.vapour_pa, ambient_pa)
    best_g = held_g(before_g, flow * rated_kg_s, ratio_in, ratio_out, c.drying_best, dt_s)
    if s.run_shut > 0.0 and best_g < before_g:
        # What may be a shut inlet dries nothing that anybody should rely on. But were it shut, it would have
        # brought nothing in either: only what it is reckoned to have brought since can leave again.
        best_g = max(best_g, before_g if math.isnan(s.shut_from_g) else min(s.shut_from_g, before_g))
    s.water_g = min(best_g, most_g)
    s.run_in_g += max(best_g - before_g, 0.0)
    s.run_out_g += max(before_g - best_g, 0.0)
    s.run_over_g += best_g - s.water_g
    s.run_air_m3 += flow * c.rated_m3_s * dt_s
    ratio_in = humidity_ratio(s.vapour_low_pa, ambient_pa)
    air_kg_s = rated_kg_s * (LEAST_AIR * flow_low if ratio_in > ratio_out else MOST_AIR * flow_high)
    low_g = held_g(s.water_low_g, air_kg_s, ratio_in, ratio_out, c.drying_high, dt_s)
    s.water_low_g = min(low_g, s.water_g)
    ratio_in = humidity_ratio(s.vapour_high_pa, ambient_pa)
    air_kg_s = rated_kg_s * (MOST_AIR * flow_high if ratio_in > ratio_out else LEAST_AIR * flow_low)
    high_g = held_g(s.water_high_g, air_kg_s, ratio_in, ratio_out, c.drying_low, dt_s)
    s.water_high_g = min(max(high_g, s.water_g, FILM_G), most_g)


@kernel
def let_all_in(s: Record, c: Record, dt_s: float) -> None:
    """Let the wet bound take all that air can bring in `dt_s` of running whose temperature nobody knows."""
    density_g_m3 = vapour_density_g_m3(WETTEST_DEW_C, saturation_pressure_pa(WETTEST_DEW_C))
    most_g = density_g_m3 * MOST_AIR * c.rated_m3_s * dt_s
    s.water_high_g = min(s.water_high_g + most_g, FULLEST_FRACTION * c.oil_g)


@kernel
def _drying_s(
    s: Record, c: Record, temp_c: float, water_g: float, vapour_pa: float, flow: float, effectiveness: float
) -> float:
    if water_g <= c.dry_g:
        return 0.0
    ambient_pa = c.ambient_abs_kpa * PA_PER_KPA
    air_kg_s = flow * c.rated_m3_s * dry_air_density_kg_m3(s.ambient_c, s.vapour_pa, ambient_pa)
    spare = saturated_humidity_ratio(temp_c, c.ambient_abs_kpa + c.assumed_kpa) - humidity_ratio(
        vapour_pa, ambient_pa
    )
    if math.isnan(spare) or math.isnan(air_kg_s) or spare <= 0.0:
        return math.inf
    return (water_g - c.dry_g) / (effectiveness * GRAMS_PER_KILOGRAM * air_kg_s * spare)


@kernel
def dry_out_needed_s(s: Record, c: Record, temp_c: float) -> float:
    """Seconds of hot running with the air valve open that would still dry the sump, best estimate. [s]

    Infinite where the air that comes in is too wet to dry anything at that temperature.
    """
    return _drying_s(s, c, temp_c, s.water_g, s.vapour_pa, ADVISED_FLOW, c.drying_best)


@kernel
def dry_out_longest_s(s: Record, c: Record, temp_c: float) -> float:
    """The same at the wet end of every doubt: most water, wettest air, least flow, slowest drying. [s]"""
    if s.water_high_g <= FILM_G:
        return 0.0
    return _drying_s(s, c, temp_c, s.water_high_g, s.vapour_high_pa, LEAST_ADVISED_FLOW, c.drying_low)


@kernel
def has_dried(s: Record, c: Record) -> bool:
    """Whether the run in hand has left the sump dry, as far as that can be said.

    The best estimate must be dry, and air must have flowed through hot oil for certain: for as long as a
    dry-out run takes and twice as long as the estimate took, or, where the wet bound is harmless too, as long
    as keeps a run from being a wet one. While the wet bound stands near the most that a sump holds, nothing
    can be said.
    """
    if s.water_g > c.dry_g or s.water_high_g > TELLING_SHARE * FULLEST_FRACTION * c.oil_g:
        return False
    if s.water_high_g < c.harmful_g:
        return bool(s.run_dry_s >= c.wet_hot_s)
    # NaN where the estimate has not got dry in this run.
    return bool(s.run_dry_s >= DRY_OUT_S and s.run_dry_s >= SURE_OF_DRYING * s.dry_after_s)


@kernel
def forget_wetness(s: Record, t: float) -> None:
    """Start counting wet runs anew: the sump is dry at `t`."""
    s.last_dry_t = t
    s.first_wet_t = math.nan
    s.wet_runs = 0.0
    for i in range(16):
        s.wet_t[i] = math.nan
