r"""Air pressure at a yard's altitude, and absolute sump pressure from the gauge on the truck.

Altitude matters: at the same gauge pressure thin air is squeezed harder, and water drops out sooner.
Not here: the weather of the day, which moves the barometer by 3 kPa either way.
"""

from __future__ import annotations

import math

from ingest.units_of_measure import STANDARD_ATMOSPHERE_KPA, STANDARD_GRAVITY_M_S2
from models.compiled import ufunc

SEA_LEVEL_K = 288.15
LAPSE_K_M = 0.0065
AIR_GAS_CONSTANT = 287.05287
"""[J/(kg K)] the standard's own value, which is not that of humid air tables"""
LOWEST_M = -2000.0
TROPOPAUSE_M = 11000.0
_EXPONENT = STANDARD_GRAVITY_M_S2 / (AIR_GAS_CONSTANT * LAPSE_K_M)


@ufunc("float64(float64)")
def standard_pressure_kpa(altitude_m: float) -> float:
    r"""Pressure of the standard atmosphere.

    .. math:: p = 101.325 \left(1 - \frac{0.0065\,H}{288.15}\right)^{g/(R \cdot 0.0065)}

    Parameters
    ----------
    altitude_m : float or array, shape (n,)
        Above mean sea level, taken as geopotential. [m] -2000..11000

    Returns
    -------
    float or array, shape (n,)
        [kPa absolute] NaN outside the range.

    Notes
    -----
    A surveyed (geometric) altitude gives a pressure at most 10 Pa too low up to 2500 m.

    Examples
    --------
    >>> print(f"{standard_pressure_kpa(1500.0):.3f}")
    84.556

    References
    ----------
    .. [1] ISO 2533:1975, "Standard Atmosphere", troposphere. From memory.
    """
    if not LOWEST_M <= altitude_m <= TROPOPAUSE_M:
        return math.nan
    return STANDARD_ATMOSPHERE_KPA * math.pow(1.0 - LAPSE_K_M * altitude_m / SEA_LEVEL_K, _EXPONENT)


@ufunc("float64(float64,float64)")
def sump_abs_kpa(pressure_kpa: float, altitude_m: float) -> float:
    r"""Absolute pressure of a gauge reading taken at an altitude.

    Parameters
    ----------
    pressure_kpa : float or array, shape (n,)
        Gauge that is open to the air around it. [kPa gauge]
    altitude_m : float or array, shape (n,)
        As in `standard_pressure_kpa`. [m]

    Returns
    -------
    float or array, shape (n,)
        [kPa absolute] NaN outside the range, or where the reading is below a vacuum.

    Notes
    -----
    A sealed gauge keeps sea level air behind its diaphragm and reads low at altitude by the difference,
    17 kPa at 1500 m.

    Examples
    --------
    >>> print(f"{sump_abs_kpa(1034.0, 0.0):.3f}")
    1135.325
    """
    absolute = pressure_kpa + standard_pressure_kpa(altitude_m)
    return absolute if absolute > 0.0 else math.nan
