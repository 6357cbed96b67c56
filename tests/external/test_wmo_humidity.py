"""Vapour pressure over supercooled water, which humidity below freezing refers to in meteorology.

Sources: WMO-No. 8, "Guide to Meteorological Instruments and Methods of Observation", annex 4.B, the Magnus
formulae for water (-45 to 60 °C) and ice (-65 to 0 °C); D. M. Murphy and T. Koop, "Review of the vapour
pressures of ice and supercooled water for atmospheric applications", Q. J. R. Meteorol. Soc. 131 (2005),
1539-1565, equations 7 and 10. Coefficients recalled from memory.
"""

import numpy as np
import pytest

from models.saturation import saturation_pressure_over_water_pa, saturation_pressure_pa

pytestmark = pytest.mark.external

FROST_C = np.linspace(-40.0, -0.1, 100)


def test_over_water_against_the_magnus_formula():
    magnus = 611.2 * np.exp(17.62 * FROST_C / (243.12 + FROST_C))
    # The guide states 0.6 % for its own formula.
    np.testing.assert_allclose(saturation_pressure_over_water_pa(FROST_C), magnus, rtol=6e-3)


def test_over_ice_against_the_magnus_formula():
    magnus = 611.2 * np.exp(22.46 * FROST_C / (272.62 + FROST_C))
    # The guide states 1 % for its own formula.
    np.testing.assert_allclose(saturation_pressure_pa(FROST_C), magnus, rtol=1e-2)


def test_over_water_against_murphy_and_koop():
    t = FROST_C + 273.15
    logarithm = (54.842763 - 6763.22 / t - 4.210 * np.log(t) + 0.000367 * t) + np.tanh(
        0.0415 * (t - 218.8)
    ) * (53.878 - 1331.22 / t - 9.44523 * np.log(t) + 0.014025 * t)
    # This curve is known to some tenths of a percent at -40 °C; formulas differ by as much.
    np.testing.assert_allclose(saturation_pressure_over_water_pa(FROST_C), np.exp(logarithm), rtol=5e-3)


def test_over_ice_against_murphy_and_koop():
    t = FROST_C + 273.15
    reference = np.exp(9.550426 - 5723.265 / t + 3.53068 * np.log(t) - 0.00728332 * t)
    # Both claim better than 0.05 % in this range.
    np.testing.assert_allclose(saturation_pressure_pa(FROST_C), reference, rtol=5e-4)
