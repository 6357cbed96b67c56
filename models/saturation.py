r"""Saturation of water vapour: over water, over ice, over supercooled water, and the way back.

Pure water with a flat surface; what air pressed on top changes is left out (docs/physics.md). Arguments are
positional; a value outside the range of a formula gives NaN. `models.humidity` builds on this.
"""

from __future__ import annotations

import math

from ingest.units_of_measure import ZERO_CELSIUS_K
from models.compiled import ufunc

TRIPLE_POINT_C = 0.01
TRIPLE_POINT_K = 273.16
TRIPLE_POINT_PA = 611.657
"""Sublimation and evaporation curves meet here (IAPWS R14-08)."""
CRITICAL_POINT_C = 373.946
CRITICAL_POINT_PA = 22.064e6
COLDEST_ICE_C = -150.0
"""Far inside the range of the sublimation equation (50 K and up), far below any weather."""
COLDEST_SUPERCOOLED_C = -80.0
# IAPWS-IF97 region 4, table 34.
_N1, _N2, _N3, _N4, _N5 = (
    1167.0521452767,
    -724213.16703206,
    -17.073846940092,
    12020.824702470,
    -3232555.0322333,
)
_N6, _N7, _N8, _N9, _N10 = (
    14.915108613530,
    -4823.2657361591,
    405113.40542057,
    -0.23855557567849,
    650.17534844798,
)
# IAPWS R14-08, equation 6: the sublimation curve.
_A1, _A2, _A3 = -21.2144006, 27.3203819, -6.10598130
_B1, _B2, _B3 = 0.00333333333, 1.20666667, 1.70333333
# Enhancement factor over water (0..100 degC) and over ice (-100..0 degC), by powers of the temperature.
_WATER_A1, _WATER_A2, _WATER_A3, _WATER_A4 = 3.53624e-4, 2.93228e-5, 2.61474e-7, 8.57538e-9
_WATER_B1, _WATER_B2, _WATER_B3, _WATER_B4 = -1.07588e1, 6.32529e-2, -2.53591e-4, 6.33784e-7
_ICE_A1, _ICE_A2, _ICE_A3, _ICE_A4 = 3.64449e-4, 2.93631e-5, 4.88635e-7, 4.36543e-9
_ICE_B1, _ICE_B2, _ICE_B3, _ICE_B4 = -1.07271e1, 7.61989e-2, -1.74771e-4, 2.46721e-6
COLDEST_ENHANCED_C, HOTTEST_ENHANCED_C = -100.0, 130.0
"""Beyond these the enhancement factor is that of the nearest of the two: no sump is, and the polynomials
would run away."""


@ufunc("float64(float64)")
def _evaporation_pa(temp_c: float) -> float:
    kelvin = temp_c + ZERO_CELSIUS_K
    theta = kelvin + _N9 / (kelvin - _N10)
    a = (theta + _N1) * theta + _N2
    b = (_N3 * theta + _N4) * theta + _N5
    c = (_N6 * theta + _N7) * theta + _N8
    root = 2.0 * c / (math.sqrt(b * b - 4.0 * a * c) - b)
    return 1e6 * (root * root) * (root * root)


@ufunc("float64(float64)")
def _boiling_c(pressure_pa: float) -> float:
    beta = math.sqrt(math.sqrt(pressure_pa * 1e-6))
    e = (beta + _N3) * beta + _N6
    f = (_N1 * beta + _N4) * beta + _N7
    g = (_N2 * beta + _N5) * beta + _N8
    d = 2.0 * g / (-f - math.sqrt(f * f - 4.0 * e * g))
    root = math.sqrt((_N10 + d) * (_N10 + d) - 4.0 * (_N9 + _N10 * d))
    return (_N10 + d - root) / 2.0 - ZERO_CELSIUS_K


@ufunc("float64(float64)")
def _sublimation_log_ratio(theta: float) -> float:
    return (
        _A1 * math.pow(theta, _B1 - 1.0) + _A2 * math.pow(theta, _B2 - 1.0) + _A3 * math.pow(theta, _B3 - 1.0)
    )


@ufunc("float64(float64)")
def _frost_c(pressure_pa: float) -> float:
    wanted = math.log(pressure_pa / TRIPLE_POINT_PA)
    # One latent heat for all temperatures (L / (R T_t) = 22.5) is within 2 K; Newton closes the rest.
    theta = 1.0 / (1.0 - wanted / 22.5)
    for _ in range(4):
        slope = (
            _A1 * (_B1 - 1.0) * math.pow(theta, _B1 - 2.0)
            + _A2 * (_B2 - 1.0) * math.pow(theta, _B2 - 2.0)
            + _A3 * (_B3 - 1.0) * math.pow(theta, _B3 - 2.0)
        )
        theta -= (_sublimation_log_ratio(theta) - wanted) / slope
    return theta * TRIPLE_POINT_K - ZERO_CELSIUS_K


@ufunc("float64(float64)")
def saturation_pressure_pa(temp_c: float) -> float:
    r"""Vapour pressure over liquid water from 0.01 °C up, over ice below.

    .. math:: p_s = \left[\frac{2C}{-B + \sqrt{B^2 - 4AC}}\right]^4

    with A, B, C quadratics in a scaled temperature; over ice
    :math:`\ln(p/p_t) = \theta^{-1} \sum_i a_i \theta^{b_i}`, :math:`\theta = T/T_t`.

    Parameters
    ----------
    temp_c : float or array, shape (n,)
        Temperature of the water or ice. [°C] -150..373.946

    Returns
    -------
    float or array, shape (n,)
        [Pa] NaN outside the range.

    Notes
    -----
    Pure water; air above it raises the figure: `enhancement_factor`.

    Examples
    --------
    >>> print(f"{saturation_pressure_pa(26.85):.5f}")
    3536.58941

    References
    ----------
    .. [1] IAPWS R7-97(2012), "Industrial Formulation 1997", eq. 30, table 34. Typed from memory, checked
       against its verification table 35.
    .. [2] IAPWS R14-08(2011), "Pressure along the Melting and Sublimation Curves", eq. 6. Likewise.
    """
    if not COLDEST_ICE_C <= temp_c <= CRITICAL_POINT_C:
        return math.nan
    if temp_c >= TRIPLE_POINT_C:
        return _evaporation_pa(temp_c)
    return TRIPLE_POINT_PA * math.exp(_sublimation_log_ratio((temp_c + ZERO_CELSIUS_K) / TRIPLE_POINT_K))


@ufunc("float64(float64,float64,float64)")
def enhancement_factor(temp_c: float, saturation_pa: float, total_abs_pa: float) -> float:
    r"""By how much air that presses on water raises the vapour above it.

    .. math:: f = \exp[\alpha (1 - p_s / P) + \beta (P / p_s - 1)]

    with :math:`\alpha` and :math:`\ln \beta` cubic in the temperature.

    Parameters
    ----------
    temp_c : float or array, shape (n,)
        Of water and gas. [°C] -150..373.946; outside -100..130 as at the nearer of the two.
    saturation_pa : float or array, shape (n,)
        `saturation_pressure_pa` of that temperature. [Pa] > 0
    total_abs_pa : float or array, shape (n,)
        [Pa absolute] > 0

    Returns
    -------
    float or array, shape (n,)
        [-] 1 where the water boils; NaN outside the ranges.

    Notes
    -----
    Within 0.4 % of real moist air (ASHRAE RP-1485) over -40..100 °C and 20 kPa to 1.4 MPa absolute, 0.1 %
    above 10 °C; 3 to 4 % at 1034 kPa gauge, which is what an ideal gas leaves out.

    Examples
    --------
    >>> print(f"{enhancement_factor(80.0, saturation_pressure_pa(80.0), 1135325.0):.4f}")
    1.0298

    References
    ----------
    .. [1] L. Greenspan, 1976, J. Res. Natl. Bur. Stand. 80A, 41-44, "Functional equations for the enhancement
       factors for CO2-free moist air", with coefficients fitted again to ITS-90 by B. Hardy, 1998.
       From memory.
    """
    if not COLDEST_ICE_C <= temp_c <= CRITICAL_POINT_C or not saturation_pa > 0.0 or not total_abs_pa > 0.0:
        return math.nan
    if saturation_pa >= total_abs_pa:
        return 1.0
    t = min(max(temp_c, COLDEST_ENHANCED_C), HOTTEST_ENHANCED_C)
    if t >= TRIPLE_POINT_C:
        alpha = _WATER_A1 + t * (_WATER_A2 + t * (_WATER_A3 + t * _WATER_A4))
        beta_ln = _WATER_B1 + t * (_WATER_B2 + t * (_WATER_B3 + t * _WATER_B4))
    else:
        alpha = _ICE_A1 + t * (_ICE_A2 + t * (_ICE_A3 + t * _ICE_A4))
        beta_ln = _ICE_B1 + t * (_ICE_B2 + t * (_ICE_B3 + t * _ICE_B4))
    at_p = alpha * (1.0 - saturation_pa / total_abs_pa)
    return math.exp(at_p + math.exp(beta_ln) * (total_abs_pa / saturation_pa - 1.0))


@ufunc("float64(float64)")
def saturation_pressure_over_water_pa(temp_c: float) -> float:
    r"""Vapour pressure over liquid water at any temperature, supercooled below 0.01 °C.

    .. math:: e = 611.21 \exp\frac{(18.678 - t/234.5)\,t}{257.14 + t}

    below the triple point; `saturation_pressure_pa` above it.

    Parameters
    ----------
    temp_c : float or array, shape (n,)
        [°C] -80..373.946

    Returns
    -------
    float or array, shape (n,)
        [Pa] NaN outside the range.

    Notes
    -----
    What a relative humidity refers to in meteorology, frost or not: 5 % above ice at -5 °C, 16 % at -15 °C.
    The two branches differ by 0.001 % where they meet.

    Examples
    --------
    >>> print(f"{saturation_pressure_over_water_pa(-15.0):.1f}")
    191.4

    References
    ----------
    .. [1] A. L. Buck, 1981, J. Appl. Meteorol. 20, 1527-1532, with the revised coefficients of 1996.
       From memory.
    .. [2] WMO-No. 8, "Guide to Instruments and Methods of Observation": humidity over liquid water.
    """
    if not COLDEST_SUPERCOOLED_C <= temp_c <= CRITICAL_POINT_C:
        return math.nan
    if temp_c >= TRIPLE_POINT_C:
        return _evaporation_pa(temp_c)
    return 611.21 * math.exp((18.678 - temp_c / 234.5) * temp_c / (257.14 + temp_c))


@ufunc("float64(float64)")
def saturation_temp_c(pressure_pa: float) -> float:
    r"""Dew point of a vapour pressure; frost point below 611.657 Pa. Inverse of `saturation_pressure_pa`.

    Parameters
    ----------
    pressure_pa : float or array, shape (n,)
        Partial pressure of the vapour. [Pa] > 0, at most 22.064e6

    Returns
    -------
    float or array, shape (n,)
        [°C] NaN outside the range, or where the frost point would be below -150 °C.

    Notes
    -----
    Closed form above the triple point, four Newton steps below (residual under 1e-6 K to -150 °C).

    Examples
    --------
    >>> print(f"{saturation_temp_c(1e6):.6f}")
    179.885632

    References
    ----------
    .. [1] IAPWS R7-97(2012), eq. 31; its table 36 gives 453.035632 K at 1 MPa.
    """
    if not 0.0 < pressure_pa <= CRITICAL_POINT_PA:
        return math.nan
    if pressure_pa >= TRIPLE_POINT_PA:
        return _boiling_c(pressure_pa)
    frost_c = _frost_c(max(pressure_pa, 1e-12))
    return frost_c if frost_c >= COLDEST_ICE_C else math.nan
