"""Ice in a pressure sensor's port: growth, sealing, trapped gas, damping and the step at thaw.

Both examination machines use this one port; what differs is how exposed it is and what feeds it.
"""

from __future__ import annotations

from numba import njit

SEALED_AT = 0.8
DAMPED_AT = 0.4


@njit(cache=True)
def port_step(
    ice: float,
    wet: float,
    sealed: float,
    trap_ratio: float,
    reading_kpa: float,
    port_c: float,
    true_kpa: float,
    atmosphere_kpa: float,
    growth: float,
    ice_cap: float,
    lag_s: float,
) -> tuple[float, float, float, float, float]:
    """One second on: ice, wet, sealed, trapped absolute kPa per kelvin, reading [kPa gauge]."""
    if ice > 0.0 and port_c > 0.2:
        ice -= port_c / 1500.0
        if ice <= 0.0 or (sealed > 0.5 and ice < 0.6):
            ice = 0.0
            wet *= 0.5
            sealed = 0.0
    elif growth > 0.0 and port_c < -0.5 and wet > 0.05:
        ice = min(ice + growth * wet * min(-port_c, 12.0) / 5.0 / 3600.0, ice_cap)
    if sealed < 0.5 and ice >= SEALED_AT:
        sealed = 1.0
        trap_ratio = (reading_kpa + atmosphere_kpa) / (port_c + 273.15)
    if sealed > 0.5:
        reading_kpa = trap_ratio * (port_c + 273.15) - atmosphere_kpa
    else:
        tau_s = lag_s
        if ice > DAMPED_AT:
            tau_s = 60.0 * 25.0 ** ((ice - DAMPED_AT) / (SEALED_AT - DAMPED_AT))
        reading_kpa += (true_kpa - reading_kpa) / max(tau_s, 1.0)
    return ice, wet, sealed, trap_ratio, reading_kpa


@njit(cache=True)
def growth_now(growth: float, true_kpa: float) -> float:
    """Growth per hour. A negative figure marks a port that only wet air under pressure feeds."""
    if growth >= 0.0:
        return growth
    return -growth if true_kpa > 300.0 else 0.0


@njit(cache=True)
def wetness_step(wet: float, running: bool, free_water_g: float, port_c: float) -> float:
    """How much water stands in the port after one more second, 0 to 1."""
    if running:
        wet += (1.0 if free_water_g > 5.0 else 0.35) / 1800.0
    elif port_c > 15.0:
        wet -= 1.0 / 10800.0
    return min(1.0, max(0.0, wet))
