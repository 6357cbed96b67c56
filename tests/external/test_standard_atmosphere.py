"""Pressure at altitude against the standard atmosphere.

Source: ISO 2533:1975 / ICAO Doc 7488, "Standard Atmosphere", as computed by the `ambiance`
package (Apache-2.0).
"""

import pytest
from ambiance import Atmosphere

from models.atmosphere import standard_pressure_kpa

pytestmark = pytest.mark.external

ALTITUDES_M = [-500.0, 0.0, 500.0, 1000.0, 1500.0, 2000.0, 2500.0, 4000.0]


@pytest.mark.parametrize("altitude_m", ALTITUDES_M)
def test_pressure_at_a_geopotential_altitude(altitude_m):
    geometric_m = Atmosphere.geop2geom_height(altitude_m)
    # The same equation; printed tables go to 0.1 Pa.
    reference = float(Atmosphere(geometric_m).pressure[0])
    assert 1000.0 * standard_pressure_kpa(altitude_m) == pytest.approx(reference, abs=0.05)


@pytest.mark.parametrize("altitude_m", [h for h in ALTITUDES_M if h <= 2500.0])
def test_pressure_at_a_surveyed_altitude(altitude_m):
    # Gravity falls with height, which a surveyed altitude ignores: under 10 Pa up to 2500 m.
    reference = float(Atmosphere(altitude_m).pressure[0])
    assert 1000.0 * standard_pressure_kpa(altitude_m) == pytest.approx(reference, abs=15.0)
