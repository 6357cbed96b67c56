"""The only conversion factors in the project, and the one table from wire names to house names.

Every factor is built from exact definitions (NIST SP 811, 2008 edition, appendix B.8; the International
System of Units for the zero of the Celsius scale), so no rounded number is typed in. House units: degC,
kPa gauge, hours, percent relative humidity. Kelvin and absolute pressure live only inside physics.
"""

from __future__ import annotations

from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

Numeric = TypeVar("Numeric", float, NDArray[np.float64])

# Exact by definition.
ZERO_CELSIUS_K = 273.15
STANDARD_ATMOSPHERE_PA = 101_325.0
PA_PER_KPA = 1_000.0
PA_PER_BAR = 100_000.0
PA_PER_HPA = 100.0
M_PER_INCH = 0.0254
M_PER_FOOT = 0.3048
KG_PER_POUND = 0.453_592_37
STANDARD_GRAVITY_M_S2 = 9.806_65
J_PER_BTU = 1_055.055_852_62
"""International Table Btu."""
S_PER_MIN = 60.0
S_PER_H = 3_600.0
FAHRENHEIT_PER_KELVIN = 1.8
FAHRENHEIT_AT_ZERO_C = 32.0
CUBIC_INCHES_PER_US_GALLON = 231.0
FOOT_POUNDS_PER_S_PER_HP = 550.0
KG_PER_SHORT_TON = 2_000.0 * KG_PER_POUND

# Derived from the above.
STANDARD_ATMOSPHERE_KPA = STANDARD_ATMOSPHERE_PA / PA_PER_KPA
N_PER_POUND_FORCE = KG_PER_POUND * STANDARD_GRAVITY_M_S2
KPA_PER_PSI = N_PER_POUND_FORCE / M_PER_INCH**2 / PA_PER_KPA
KPA_PER_BAR = PA_PER_BAR / PA_PER_KPA
KPA_PER_MPA = 1_000.0
M3_PER_FT3 = M_PER_FOOT**3
M3_S_PER_CFM = M3_PER_FT3 / S_PER_MIN
M3_H_PER_CFM = M3_S_PER_CFM * S_PER_H
M3_PER_US_GALLON = CUBIC_INCHES_PER_US_GALLON * M_PER_INCH**3
L_PER_US_GALLON = M3_PER_US_GALLON * 1_000.0
L_S_PER_GPM = L_PER_US_GALLON / S_PER_MIN
M3_S_PER_GPM = M3_PER_US_GALLON / S_PER_MIN
KW_PER_HP = FOOT_POUNDS_PER_S_PER_HP * M_PER_FOOT * N_PER_POUND_FORCE / 1_000.0
"""Mechanical horsepower, 550 foot pounds-force per second."""
BTU_H_PER_KW = 1_000.0 * S_PER_H / J_PER_BTU
GRAMS_PER_POUND = KG_PER_POUND * 1_000.0
GRAMS_PER_US_GALLON_WATER = M3_PER_US_GALLON * 1_000_000.0
"""Water taken at 1000 kg/m3, as condensate tables of the trade do."""
GRAMS_PER_US_FLUID_OUNCE_WATER = GRAMS_PER_US_GALLON_WATER / 128.0
MS_PER_S = 1_000
MS_PER_H = 3_600_000
MS_PER_DAY = 86_400_000


def c_from_f(fahrenheit: Numeric) -> Numeric:
    """Temperature in degC from degF; shape kept, NaN stays NaN."""
    return (fahrenheit - FAHRENHEIT_AT_ZERO_C) / FAHRENHEIT_PER_KELVIN


def f_from_c(celsius: Numeric) -> Numeric:
    """Temperature in degF from degC; shape kept, NaN stays NaN."""
    return celsius * FAHRENHEIT_PER_KELVIN + FAHRENHEIT_AT_ZERO_C


def c_from_k(kelvin: Numeric) -> Numeric:
    """Temperature in degC from K; shape kept, NaN stays NaN."""
    return kelvin - ZERO_CELSIUS_K


def k_from_c(celsius: Numeric) -> Numeric:
    """Temperature in K from degC; shape kept, NaN stays NaN."""
    return celsius + ZERO_CELSIUS_K


def kpa_from_psi(psi: Numeric) -> Numeric:
    """Pressure in kPa from psi, both gauge or both absolute; shape kept, NaN stays NaN."""
    return psi * KPA_PER_PSI


def psi_from_kpa(kpa: Numeric) -> Numeric:
    """Pressure in psi from kPa, both gauge or both absolute; shape kept, NaN stays NaN."""
    return kpa / KPA_PER_PSI


class Conversion(NamedTuple):
    """Straight line from a foreign unit to the house unit: ``(value + shift) * scale``."""

    shift: float = 0.0
    scale: float = 1.0

    def house(self, value: float) -> float:
        """The value in the house unit of its kind."""
        return (value + self.shift) * self.scale


AS_IS = Conversion()
_FROM_F = Conversion(-FAHRENHEIT_AT_ZERO_C, 1.0 / FAHRENHEIT_PER_KELVIN)
_FROM_K = Conversion(-ZERO_CELSIUS_K, 1.0)

KINDS: dict[str, dict[str, Conversion]] = {
    "temp": {"c": AS_IS, "f": _FROM_F, "k": _FROM_K},
    "pressure": {
        "kpa": AS_IS,
        "psi": Conversion(0.0, KPA_PER_PSI),
        "bar": Conversion(0.0, KPA_PER_BAR),
        "mpa": Conversion(0.0, KPA_PER_MPA),
        "pa": Conversion(0.0, 1.0 / PA_PER_KPA),
    },
    "humidity": {"pct": AS_IS, "frac": Conversion(0.0, 100.0)},
}
"""Kind of quantity -> suffix of a wire name -> conversion to the house unit. Pressure is gauge."""

STEMS: dict[str, tuple[str, str]] = {
    "discharge_temp": ("temp", "discharge_temp_c"),
    "pressure": ("pressure", "pressure_kpa"),
    "ambient_rh": ("humidity", "ambient_rh_pct"),
    "ambient_temp": ("temp", "ambient_temp_c"),
}
"""Wire name without its unit -> (kind, house name)."""


class WireName(NamedTuple):
    """What a name on the wire means: which signal, and how its value becomes one in house units."""

    signal: str
    conversion: Conversion


WIRE_NAMES: dict[str, WireName] = {
    f"{stem}_{suffix}": WireName(signal, conversion)
    for stem, (kind, signal) in STEMS.items()
    for suffix, conversion in KINDS[kind].items()
} | {"hours": WireName("hours", AS_IS)}
"""Every signal name accepted in JSON, CSV columns and SenML names without a unit."""

SENML_UNITS: dict[str, tuple[str, Conversion]] = {
    "Cel": ("temp", AS_IS),
    "K": ("temp", _FROM_K),
    "degF": ("temp", _FROM_F),
    "Pa": ("pressure", KINDS["pressure"]["pa"]),
    "hPa": ("pressure", Conversion(0.0, PA_PER_HPA / PA_PER_KPA)),
    "kPa": ("pressure", AS_IS),
    "bar": ("pressure", KINDS["pressure"]["bar"]),
    "psi": ("pressure", KINDS["pressure"]["psi"]),
    "%RH": ("humidity", AS_IS),
    "%": ("humidity", AS_IS),
    "/100": ("humidity", AS_IS),
    "/": ("humidity", KINDS["humidity"]["frac"]),
    "s": ("time", Conversion(0.0, 1.0 / S_PER_H)),
    "min": ("time", Conversion(0.0, S_PER_MIN / S_PER_H)),
    "h": ("time", AS_IS),
}
"""SenML unit -> (kind, conversion): IANA SenML registry and RFC 8798 names, and the four unregistered
spellings (degF, kPa, bar, psi) that can mean only one thing."""
