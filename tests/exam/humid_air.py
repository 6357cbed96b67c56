"""Humid-air relations of the examination, over liquid water at every temperature (the sensor convention)."""

from __future__ import annotations

import numpy as np
from numba import njit

ZERO_K = 273.15
GAS_CONSTANT_DRY_AIR = 287.055


@njit(cache=True)
def saturation_pa(t_c: float) -> float:
    """Saturation vapour pressure over water. [Pa] Good to 0.3 % up to 110 degC."""
    return 611.21 * np.exp((18.678 - t_c / 234.5) * t_c / (257.14 + t_c))


@njit(cache=True)
def humidity_ratio(vapour_pa: float, total_pa: float) -> float:
    """Mass of vapour to mass of dry air. [kg/kg] Capped where the gas would be all vapour."""
    vapour = min(vapour_pa, 0.95 * total_pa)
    return 0.62198 * vapour / (total_pa - vapour)


def dew_point_c(vapour_pa: np.ndarray) -> np.ndarray:
    """Temperature at which `saturation_pa` equals the vapour pressure. [degC] By Newton's method."""
    log_ratio = np.log(np.maximum(vapour_pa, 0.5) / 611.21)
    t_c = 240.7 * log_ratio / (17.5 - log_ratio)
    for _ in range(4):
        bent = (18.678 - t_c / 234.5) * t_c
        slope = ((18.678 - 2.0 * t_c / 234.5) * (257.14 + t_c) - bent) / (257.14 + t_c) ** 2
        t_c = t_c - (bent / (257.14 + t_c) - log_ratio) / slope
    return t_c


def altitude_pressure_kpa(altitude_m: float) -> float:
    """Air pressure of the ISO 2533 standard atmosphere below 11 km. [kPa]"""
    return 101.325 * (1.0 - 2.25577e-5 * altitude_m) ** 5.25588
