r"""How much air a unit makes and sends out, judged from its hydraulic flow and its sump pressure alone.

No truck measures air flow. Where the sump pressure stands says it: below the minimum-pressure valve nothing
leaves, in the working range everything does, and in the control band the inlet closes. Machines differ in
where that band lies, so there is a low, a high and a middle answer. Not here: the water in that air.
"""

from __future__ import annotations

import math

from models.compiled import ufunc

NAMEPLATE_GPM = 18.0
"""Hydraulic flow at which the usual 80 CFM machine makes its rated air. [US gal/min] Assumption."""
CONTROL_BAND_KPA = 70.0
"""Width over which a modulating inlet closes: 10 psi (common practice). [kPa]"""
VALVE_LIFT_KPA = 35.0
"""The minimum-pressure valve starts to lift this far below its setting: 5 psi. [kPa] Assumption."""


@ufunc("float64(float64,float64,float64)")
def free_air_cfm(rated_cfm: float, hydraulic_gpm: float, nameplate_gpm: float) -> float:
    r"""Free air that a unit makes with its inlet open.

    .. math:: Q = Q_r \, q / q_r

    Air end and hydraulic motor both displace a fixed volume a turn, so air follows hydraulic flow.

    Parameters
    ----------
    rated_cfm : float or array, shape (n,)
        Nameplate free air. [actual ft3/min at the inlet] > 0
    hydraulic_gpm : float or array, shape (n,)
        Flow that the truck supplies. [US gal/min] >= 0
    nameplate_gpm : float or array, shape (n,)
        Flow at which the nameplate holds; `NAMEPLATE_GPM` unless the nameplate says. [US gal/min] > 0

    Returns
    -------
    float or array, shape (n,)
        [actual ft3/min at the inlet] NaN outside the ranges.

    Notes
    -----
    Slip in motor and air end, which grows at low speed, is left out: within 10 % from 12 to 20 gpm.

    Examples
    --------
    >>> free_air_cfm(80.0, 13.5, 18.0)
    60.0
    """
    if not rated_cfm > 0.0 or not hydraulic_gpm >= 0.0 or not nameplate_gpm > 0.0:
        return math.nan
    return rated_cfm * hydraulic_gpm / nameplate_gpm


@ufunc("float64(float64,float64,float64)")
def rise_fraction(value: float, low: float, high: float) -> float:
    r"""Smooth step from 0 at `low` to 1 at `high`, level at both ends.

    .. math:: 3x^2 - 2x^3

    Parameters
    ----------
    value, low, high : float or array, shape (n,)
        In one unit; `low` below `high`.

    Returns
    -------
    float or array, shape (n,)
        [-] 0..1, NaN where `low` is not below `high`.

    Notes
    -----
    Never further than 0.1 from the straight line, which is all that is known of a regulator.

    Examples
    --------
    >>> rise_fraction(10.0, 0.0, 20.0)
    0.5
    """
    if not low < high or math.isnan(value):
        return math.nan
    x = min(max((value - low) / (high - low), 0.0), 1.0)
    return x * x * (3.0 - 2.0 * x)


@ufunc("float64(float64,float64,float64)")
def inlet_fraction(pressure_kpa: float, band_low_kpa: float, band_high_kpa: float) -> float:
    r"""Share of its free air that the air end takes in through a modulating inlet.

    Parameters
    ----------
    pressure_kpa : float or array, shape (n,)
        Sump. [kPa gauge]
    band_low_kpa, band_high_kpa : float or array, shape (n,)
        Where the inlet begins to close, and where it is closed. [kPa gauge]

    Returns
    -------
    float or array, shape (n,)
        [-] 1 below the band, 0 above, falling between; NaN where the band has no width.

    Notes
    -----
    Says nothing of a unit at rest.

    Examples
    --------
    >>> inlet_fraction(1069.0, 1034.0, 1104.0)
    0.5
    """
    return 1.0 - rise_fraction(pressure_kpa, band_low_kpa, band_high_kpa)


@ufunc("float64(float64,float64)")
def valve_fraction(pressure_kpa: float, min_pressure_valve_kpa: float) -> float:
    r"""How far the minimum-pressure valve is open: what leaves the sump for the line.

    Parameters
    ----------
    pressure_kpa : float or array, shape (n,)
        Sump. [kPa gauge]
    min_pressure_valve_kpa : float or array, shape (n,)
        Its setting. [kPa gauge]

    Returns
    -------
    float or array, shape (n,)
        [-] 0 up to `VALVE_LIFT_KPA` below the setting, 1 from the setting up.

    Examples
    --------
    >>> valve_fraction(200.0, 380.0), valve_fraction(380.0, 380.0)
    (0.0, 1.0)
    """
    return rise_fraction(pressure_kpa, min_pressure_valve_kpa - VALVE_LIFT_KPA, min_pressure_valve_kpa)


@ufunc("float64(float64,float64,float64,float64)")
def delivered_fraction_low(
    pressure_kpa: float, max_pressure_kpa: float, min_pressure_valve_kpa: float, band_kpa: float
) -> float:
    r"""Share of free air sent out, if the inlet has closed by the rated pressure. The least there can be.

    Parameters
    ----------
    pressure_kpa : float or array, shape (n,)
        Sump of a running unit. [kPa gauge]
    max_pressure_kpa : float or array, shape (n,)
        Rated pressure on the nameplate. [kPa gauge]
    min_pressure_valve_kpa : float or array, shape (n,)
        [kPa gauge]
    band_kpa : float or array, shape (n,)
        `CONTROL_BAND_KPA` unless known better. [kPa] > 0

    Returns
    -------
    float or array, shape (n,)
        [-] 0..1

    Examples
    --------
    >>> delivered_fraction_low(1034.0, 1034.0, 380.0, 70.0)
    0.0
    """
    return valve_fraction(pressure_kpa, min_pressure_valve_kpa) * inlet_fraction(
        pressure_kpa, max_pressure_kpa - band_kpa, max_pressure_kpa
    )


@ufunc("float64(float64,float64,float64,float64)")
def delivered_fraction_high(
    pressure_kpa: float, max_pressure_kpa: float, min_pressure_valve_kpa: float, band_kpa: float
) -> float:
    r"""Share of free air sent out, if the inlet only begins to close at the rated pressure. The most.

    Parameters
    ----------
    pressure_kpa, max_pressure_kpa, min_pressure_valve_kpa, band_kpa : float or array, shape (n,)
        As in `delivered_fraction_low`. [kPa gauge], `band_kpa` [kPa] > 0

    Returns
    -------
    float or array, shape (n,)
        [-] 0..1

    Examples
    --------
    >>> delivered_fraction_high(1034.0, 1034.0, 380.0, 70.0)
    1.0
    """
    return valve_fraction(pressure_kpa, min_pressure_valve_kpa) * inlet_fraction(
        pressure_kpa, max_pressure_kpa, max_pressure_kpa + band_kpa
    )


@ufunc("float64(float64,float64,float64,float64)")
def delivered_fraction(
    pressure_kpa: float, max_pressure_kpa: float, min_pressure_valve_kpa: float, band_kpa: float
) -> float:
    r"""Share of free air that a running unit sends out to the line, halfway between the two conventions.

    Parameters
    ----------
    pressure_kpa, max_pressure_kpa, min_pressure_valve_kpa, band_kpa : float or array, shape (n,)
        As in `delivered_fraction_low`. [kPa gauge], `band_kpa` [kPa] > 0

    Returns
    -------
    float or array, shape (n,)
        [-] 0..1; falls throughout from `band_kpa` below the rated pressure to as far above it.

    Notes
    -----
    Some makers rate a machine at full flow and let it modulate up to 10 psi above, others print the pressure
    at which the inlet is shut; a nameplate does not say which. `delivered_fraction_low` and
    `delivered_fraction_high` bound it, and differ by 1 at the rated pressure itself: take the bounds along.
    Not for load/unload control, whose unloaded sump rests at 200-400 kPa with the inlet shut: where that is
    above the minimum-pressure valve, nothing in the pressure tells it from full flow.

    Examples
    --------
    >>> [delivered_fraction(p, 1034.0, 380.0, 70.0) for p in (100.0, 700.0, 1034.0, 1104.0)]
    [0.0, 1.0, 0.5, 0.0]
    """
    low = delivered_fraction_low(pressure_kpa, max_pressure_kpa, min_pressure_valve_kpa, band_kpa)
    high = delivered_fraction_high(pressure_kpa, max_pressure_kpa, min_pressure_valve_kpa, band_kpa)
    return 0.5 * (low + high)
