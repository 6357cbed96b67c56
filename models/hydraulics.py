r"""Power of the hydraulic drive and of compression, and the rules of thumb an installation is checked by.

Pump, hose and motor losses are not here: they belong to a machine, not to a relation.
"""

from __future__ import annotations

import math

from ingest.units_of_measure import KPA_PER_PSI, KW_PER_HP, M3_S_PER_CFM, M3_S_PER_GPM
from models.compiled import ufunc

HEAT_CAPACITY_RATIO = 1.4
"""cp / cv of dry air near room temperature."""
RESERVOIR_MIN = 2.0
"""Minutes of pump flow that a mobile reservoir holds (common practice; industrial sets 3 to 5)."""
COOLER_SHARE = 0.25
"""Least part of the hydraulic power that a cooler sheds in continuous duty (published trade figure)."""


@ufunc("float64(float64,float64)")
def hydraulic_power_kw(flow_gpm: float, pressure_kpa: float) -> float:
    r"""Power carried by oil.

    .. math:: P = q \, \Delta p

    Parameters
    ----------
    flow_gpm : float or array, shape (n,)
        [US gal/min] >= 0
    pressure_kpa : float or array, shape (n,)
        Difference across the motor or pump. [kPa] >= 0

    Returns
    -------
    float or array, shape (n,)
        [kW] NaN outside the ranges.

    Examples
    --------
    >>> print(f"{hydraulic_power_kw(18.0, 20000.0):.2f}")
    22.71
    """
    if not flow_gpm >= 0.0 or not pressure_kpa >= 0.0:
        return math.nan
    return M3_S_PER_GPM * flow_gpm * pressure_kpa


@ufunc("float64(float64,float64)")
def hydraulic_hp(flow_gpm: float, pressure_psi: float) -> float:
    r"""The same in the units of the trade: gpm times psi over 1714.

    Parameters
    ----------
    flow_gpm : float or array, shape (n,)
        [US gal/min] >= 0
    pressure_psi : float or array, shape (n,)
        [psi] >= 0

    Returns
    -------
    float or array, shape (n,)
        [hp] NaN outside the ranges.

    Notes
    -----
    Exactly, one over 1714.2857: 33,000 ft lbf/min by 12 in/ft by 231 in3 to the gallon.

    Examples
    --------
    >>> print(f"{hydraulic_hp(18.0, 2900.0):.2f}")
    30.45
    """
    return hydraulic_power_kw(flow_gpm, KPA_PER_PSI * pressure_psi) / KW_PER_HP


@ufunc("float64(float64,float64,float64)")
def isentropic_power_kw(free_air_cfm: float, inlet_abs_kpa: float, outlet_abs_kpa: float) -> float:
    r"""Least power to compress a flow of air without taking heat out of it.

    .. math:: P = p_1 Q \frac{k}{k-1}\left[\left(\frac{p_2}{p_1}\right)^{(k-1)/k} - 1\right]

    Parameters
    ----------
    free_air_cfm : float or array, shape (n,)
        At the inlet. [actual ft3/min] >= 0
    inlet_abs_kpa, outlet_abs_kpa : float or array, shape (n,)
        [kPa absolute] > 0; the outlet not below the inlet

    Returns
    -------
    float or array, shape (n,)
        [kW] NaN outside the ranges.

    Notes
    -----
    k = 1.4. What the shaft needs beyond it is the isentropic efficiency, 0.65-0.75 for small oil-flooded
    screws (common practice).

    Examples
    --------
    >>> print(f"{isentropic_power_kw(80.0, 101.325, 1135.325):.2f}")
    13.32
    """
    if not free_air_cfm >= 0.0 or not 0.0 < inlet_abs_kpa <= outlet_abs_kpa:
        return math.nan
    exponent = (HEAT_CAPACITY_RATIO - 1.0) / HEAT_CAPACITY_RATIO
    head = (math.pow(outlet_abs_kpa / inlet_abs_kpa, exponent) - 1.0) / exponent
    return M3_S_PER_CFM * free_air_cfm * inlet_abs_kpa * head


@ufunc("float64(float64,float64,float64)")
def isothermal_power_kw(free_air_cfm: float, inlet_abs_kpa: float, outlet_abs_kpa: float) -> float:
    r"""Least power to compress a flow of air kept at its inlet temperature, which the oil aims at.

    .. math:: P = p_1 Q \ln(p_2/p_1)

    Parameters
    ----------
    free_air_cfm, inlet_abs_kpa, outlet_abs_kpa : float or array, shape (n,)
        As in `isentropic_power_kw`. [actual ft3/min], [kPa absolute]

    Returns
    -------
    float or array, shape (n,)
        [kW] NaN outside the ranges.

    Examples
    --------
    >>> print(f"{isothermal_power_kw(80.0, 101.325, 1135.325):.2f}")
    9.24
    """
    if not free_air_cfm >= 0.0 or not 0.0 < inlet_abs_kpa <= outlet_abs_kpa:
        return math.nan
    return M3_S_PER_CFM * free_air_cfm * inlet_abs_kpa * math.log(outlet_abs_kpa / inlet_abs_kpa)


@ufunc("float64(float64)")
def least_reservoir_gal(flow_gpm: float) -> float:
    r"""Smallest oil reservoir for a mobile drive: `RESERVOIR_MIN` minutes of flow.

    Parameters
    ----------
    flow_gpm : float or array, shape (n,)
        [US gal/min] >= 0

    Returns
    -------
    float or array, shape (n,)
        [US gal] NaN outside the range.

    Examples
    --------
    >>> least_reservoir_gal(18.0)
    36.0
    """
    return RESERVOIR_MIN * flow_gpm if flow_gpm >= 0.0 else math.nan


@ufunc("float64(float64)")
def least_cooler_kw(hydraulic_power_kw: float) -> float:
    r"""Smallest oil cooler for continuous duty: `COOLER_SHARE` of the hydraulic power.

    Parameters
    ----------
    hydraulic_power_kw : float or array, shape (n,)
        [kW] >= 0

    Returns
    -------
    float or array, shape (n,)
        [kW] NaN outside the range.

    Examples
    --------
    >>> least_cooler_kw(24.0)
    6.0
    """
    return COOLER_SHARE * hydraulic_power_kw if hydraulic_power_kw >= 0.0 else math.nan
