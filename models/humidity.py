r"""Water in air: dew point under pressure, humidity ratio and what a compressor takes in. Scalars or arrays.

Under the sump's pressure air holds 3 to 4 % more water than an ideal gas would (`enhancement_factor`); at the
barometer's that factor is 1.004 to 1.006 and left out. Every relation is derived in docs/physics.md.
Arguments are positional; a reading that can't be gives NaN. Not here: what the water does in the sump.
"""

from __future__ import annotations

import math

from ingest.units_of_measure import M3_H_PER_CFM, PA_PER_KPA, ZERO_CELSIUS_K
from models.compiled import ufunc
from models.saturation import (
    COLDEST_ICE_C,
    TRIPLE_POINT_C,
    enhancement_factor,
    saturation_pressure_over_water_pa,
    saturation_pressure_pa,
    saturation_temp_c,
)

HIGHEST_RH_PCT = 105.0
"""A wet capacitive sensor overshoots 100 a little; further than this it is not a humidity."""

MOLAR_MASS_RATIO = 0.621945
"""Water over dry air (ASHRAE)."""
DRY_AIR_GAS_CONSTANT = 287.042
"""[J/(kg K)] (ASHRAE)"""
WATER_GAS_CONSTANT = DRY_AIR_GAS_CONSTANT / MOLAR_MASS_RATIO
"""[J/(kg K)]"""


@ufunc("float64(float64,float64,boolean)")
def vapour_pressure_pa(temp_c: float, rh_pct: float, over_water: bool) -> float:
    r"""Partial pressure of water vapour in air of a relative humidity.

    .. math:: e = \phi \, p_s(t)

    Parameters
    ----------
    temp_c : float or array, shape (n,)
        Air temperature. [°C] -80..373.946
    rh_pct : float or array, shape (n,)
        Relative humidity. [%] 0..105; above 100 counts as 100.
    over_water : bool or array, shape (n,)
        Whether humidity below 0.01 °C refers to supercooled water (meteorology, capacitive sensors) or to
        ice (handbook charts). Above it makes no difference.

    Returns
    -------
    float or array, shape (n,)
        [Pa] NaN outside the ranges.

    Examples
    --------
    >>> print(f"{vapour_pressure_pa(21.0, 60.0, True):.1f}")
    1492.9
    """
    if not 0.0 <= rh_pct <= HIGHEST_RH_PCT:
        return math.nan
    phi = min(rh_pct, 100.0) / 100.0
    if over_water:
        return phi * saturation_pressure_over_water_pa(temp_c)
    return phi * saturation_pressure_pa(temp_c)


@ufunc("float64(float64,float64,float64)")
def pressure_dew_point_c(vapour_pressure_pa: float, ambient_abs_pa: float, sump_abs_pa: float) -> float:
    r"""Temperature below which the air in the sump drops water, from the vapour in the air outside.

    .. math:: f(t_d, P_2)\, p_s(t_d) = e \, P_2 / P_1

    Compression leaves the mole fraction of vapour as it was, so its partial pressure rises as the total.

    Parameters
    ----------
    vapour_pressure_pa : float or array, shape (n,)
        In the intake air. [Pa] > 0, below `ambient_abs_pa`
    ambient_abs_pa, sump_abs_pa : float or array, shape (n,)
        Total pressures. [Pa absolute] > 0

    Returns
    -------
    float or array, shape (n,)
        [°C] Frost point below 0.01. NaN outside the ranges.

    Notes
    -----
    One step from the ideal gas's dew point, where f is taken, and below freezing a second one: what is left
    of f is under 0.2 %. Against real moist air up to 0.2 K low, as f at the intake is left out.

    Examples
    --------
    >>> print(f"{pressure_dew_point_c(1492.6, 101325.0, 1135325.0):.2f}")
    55.63
    """
    if not 0.0 < vapour_pressure_pa < ambient_abs_pa or not sump_abs_pa > 0.0:
        return math.nan
    squeezed_pa = vapour_pressure_pa * sump_abs_pa / ambient_abs_pa
    ideal_c = saturation_temp_c(squeezed_pa)
    real_pa = squeezed_pa / enhancement_factor(ideal_c, squeezed_pa, sump_abs_pa)
    dew_c = saturation_temp_c(real_pa)
    if dew_c >= TRIPLE_POINT_C or math.isnan(dew_c):
        return dew_c
    return saturation_temp_c(squeezed_pa / enhancement_factor(dew_c, real_pa, sump_abs_pa))


@ufunc("float64(float64,float64,float64)")
def required_temp_c(dew_point_c: float, margin_k: float, floor_c: float) -> float:
    r"""Sump temperature from which the air carries its water out again.

    .. math:: t_r = \max(t_d + \Delta, t_f)

    Parameters
    ----------
    dew_point_c : float or array, shape (n,)
        `pressure_dew_point_c`. [°C] NaN where it is not known.
    margin_k, floor_c : float or array, shape (n,)
        Above the dew point, and at least. [K], [°C]

    Returns
    -------
    float or array, shape (n,)
        [°C] The floor where the dew point is NaN.

    Examples
    --------
    >>> print(required_temp_c(58.0, 10.0, 65.0))
    68.0
    """
    if math.isnan(dew_point_c):
        return floor_c
    return max(dew_point_c + margin_k, floor_c)


@ufunc("float64(float64,float64)")
def humidity_ratio(vapour_pressure_pa: float, total_abs_pa: float) -> float:
    r"""Water carried by a kilogram of dry air.

    .. math:: W = 0.621945 \, \frac{e}{P - e}

    Parameters
    ----------
    vapour_pressure_pa : float or array, shape (n,)
        [Pa] >= 0
    total_abs_pa : float or array, shape (n,)
        [Pa absolute] > 0

    Returns
    -------
    float or array, shape (n,)
        [kg/kg dry air] ``inf`` where the vapour pressure reaches the total (water at the boil: there is no
        dry air left, and any amount can leave); NaN outside the ranges.

    Examples
    --------
    >>> print(f"{humidity_ratio(1492.6, 101325.0):.6f}")
    0.009299
    >>> print(humidity_ratio(120000.0, 101325.0))
    inf

    References
    ----------
    .. [1] ASHRAE Handbook - Fundamentals (2017), ch. 1 "Psychrometrics", humidity ratio from vapour
       pressure. From memory.
    """
    if not vapour_pressure_pa >= 0.0 or not total_abs_pa > 0.0:
        return math.nan
    dry_pa = total_abs_pa - vapour_pressure_pa
    if dry_pa <= 0.0:
        return math.inf
    return MOLAR_MASS_RATIO * vapour_pressure_pa / dry_pa


@ufunc("float64(float64,float64)")
def saturated_humidity_ratio(temp_c: float, pressure_abs_kpa: float) -> float:
    r"""Most water that a kilogram of dry air carries at a temperature and pressure.

    .. math:: W_s = 0.621945 \, \frac{f p_s}{P - f p_s}

    Parameters
    ----------
    temp_c : float or array, shape (n,)
        Of gas in touch with water or ice. [°C] -150..373.946
    pressure_abs_kpa : float or array, shape (n,)
        [kPa absolute] > 0

    Returns
    -------
    float or array, shape (n,)
        [kg/kg dry air] ``inf`` at or above the boiling point; NaN outside the ranges.

    Examples
    --------
    >>> print(f"{saturated_humidity_ratio(80.0, 1135.325):.4f}")
    0.0280
    """
    total_abs_pa = PA_PER_KPA * pressure_abs_kpa
    saturation_pa = saturation_pressure_pa(temp_c)
    return humidity_ratio(
        enhancement_factor(temp_c, saturation_pa, total_abs_pa) * saturation_pa, total_abs_pa
    )


@ufunc("float64(float64,float64,float64)")
def dry_air_density_kg_m3(temp_c: float, vapour_pressure_pa: float, total_abs_pa: float) -> float:
    r"""Dry air in a cubic metre of moist air.

    .. math:: \rho_a = \frac{P - e}{287.042 \, T}

    Parameters
    ----------
    temp_c : float or array, shape (n,)
        [°C] above -150
    vapour_pressure_pa : float or array, shape (n,)
        [Pa] 0..`total_abs_pa`
    total_abs_pa : float or array, shape (n,)
        [Pa absolute] > 0

    Returns
    -------
    float or array, shape (n,)
        [kg/m3] NaN outside the ranges.

    Examples
    --------
    >>> print(f"{dry_air_density_kg_m3(21.0, 1492.6, 101325.0):.4f}")
    1.1824
    """
    if not temp_c >= COLDEST_ICE_C or not 0.0 <= vapour_pressure_pa <= total_abs_pa or not total_abs_pa > 0.0:
        return math.nan
    return (total_abs_pa - vapour_pressure_pa) / (DRY_AIR_GAS_CONSTANT * (temp_c + ZERO_CELSIUS_K))


@ufunc("float64(float64,float64,float64)")
def moist_air_volume_m3_kg(temp_c: float, vapour_pressure_pa: float, total_abs_pa: float) -> float:
    r"""Volume of moist air that holds a kilogram of dry air. One over `dry_air_density_kg_m3`.

    Parameters
    ----------
    temp_c, vapour_pressure_pa, total_abs_pa : float or array, shape (n,)
        As there. [°C], [Pa], [Pa absolute]

    Returns
    -------
    float or array, shape (n,)
        [m3/kg dry air] ``inf`` where there is no dry air; NaN outside the ranges.

    Examples
    --------
    >>> print(f"{moist_air_volume_m3_kg(21.0, 1492.6, 101325.0):.4f}")
    0.8458
    """
    density = dry_air_density_kg_m3(temp_c, vapour_pressure_pa, total_abs_pa)
    if density == 0.0:
        return math.inf
    return 1.0 / density


@ufunc("float64(float64,float64)")
def vapour_density_g_m3(temp_c: float, vapour_pressure_pa: float) -> float:
    r"""Water vapour in a cubic metre of air ("absolute humidity").

    .. math:: \rho_v = \frac{e}{R_v T}, \quad R_v = 287.042 / 0.621945

    Parameters
    ----------
    temp_c : float or array, shape (n,)
        [°C] above -150
    vapour_pressure_pa : float or array, shape (n,)
        [Pa] >= 0

    Returns
    -------
    float or array, shape (n,)
        [g/m3] NaN outside the ranges.

    Examples
    --------
    >>> print(f"{vapour_density_g_m3(21.0, 1492.6):.3f}")
    10.995
    """
    if not temp_c >= COLDEST_ICE_C or not vapour_pressure_pa >= 0.0:
        return math.nan
    return 1000.0 * vapour_pressure_pa / (WATER_GAS_CONSTANT * (temp_c + ZERO_CELSIUS_K))


@ufunc("float64(float64,float64,float64)")
def intake_water_g_h(free_air_cfm: float, temp_c: float, vapour_pressure_pa: float) -> float:
    r"""Water that comes in with the intake air. Independent of altitude at a given volume flow.

    Parameters
    ----------
    free_air_cfm : float or array, shape (n,)
        Flow at intake conditions, not at any standard. [actual ft3/min] >= 0
    temp_c : float or array, shape (n,)
        Intake air. [°C] above -150
    vapour_pressure_pa : float or array, shape (n,)
        In the intake air. [Pa] >= 0

    Returns
    -------
    float or array, shape (n,)
        [g/h] NaN outside the ranges.

    Examples
    --------
    >>> print(f"{intake_water_g_h(80.0, 21.0, 1492.6):.0f}")
    1494
    """
    if not free_air_cfm >= 0.0:
        return math.nan
    return M3_H_PER_CFM * free_air_cfm * vapour_density_g_m3(temp_c, vapour_pressure_pa)


@ufunc("float64(float64,float64,float64,float64)")
def intake_dry_air_kg_h(
    free_air_cfm: float, temp_c: float, vapour_pressure_pa: float, ambient_abs_pa: float
) -> float:
    r"""Dry air that comes in: what carries the water, in and out.

    Parameters
    ----------
    free_air_cfm : float or array, shape (n,)
        Flow at intake conditions. [actual ft3/min] >= 0
    temp_c, vapour_pressure_pa, ambient_abs_pa : float or array, shape (n,)
        Intake air, as in `dry_air_density_kg_m3`. [°C], [Pa], [Pa absolute]

    Returns
    -------
    float or array, shape (n,)
        [kg/h] NaN outside the ranges.

    Examples
    --------
    >>> print(f"{intake_dry_air_kg_h(80.0, 21.0, 1492.6, 101325.0):.1f}")
    160.7
    """
    if not free_air_cfm >= 0.0:
        return math.nan
    return M3_H_PER_CFM * free_air_cfm * dry_air_density_kg_m3(temp_c, vapour_pressure_pa, ambient_abs_pa)
