"""Saturation against the international steam formulations.

Sources: IAPWS R7-97(2012), "Revised Release on the IAPWS Industrial Formulation 1997", tables 35 and 36
(computer program verification, region 4); IAPWS R14-08(2011), "Revised Release on the Pressure along the
Melting and Sublimation Curves of Ordinary Water Substance", the value given with equation 6. Table values
recalled from memory and confirmed by the `iapws` package (GPL-3, used as a reference only).
"""

import warnings

import numpy as np
import pytest

from models.saturation import saturation_pressure_pa, saturation_temp_c

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from iapws._iapws import _Sublimation_Pressure
    from iapws.iapws97 import _PSat_T, _TSat_P

pytestmark = pytest.mark.external


@pytest.mark.parametrize(
    ("kelvin", "mpa"), [(300.0, 0.353658941e-2), (500.0, 0.263889776e1), (600.0, 0.123443146e2)]
)
def test_saturation_pressure_in_table_35(kelvin, mpa):
    # Printed to nine significant digits; half a unit of the ninth.
    assert saturation_pressure_pa(kelvin - 273.15) == pytest.approx(mpa * 1e6, rel=2e-9)


@pytest.mark.parametrize(
    ("mpa", "kelvin"), [(0.1, 0.372755919e3), (1.0, 0.453035632e3), (10.0, 0.584149488e3)]
)
def test_saturation_temp_in_table_36(mpa, kelvin):
    # Printed to a millionth of a kelvin; half a unit.
    assert saturation_temp_c(mpa * 1e6) + 273.15 == pytest.approx(kelvin, abs=5.1e-7)


def test_sublimation_pressure_at_230_k():
    # 8.94735e-6 MPa, six digits.
    assert saturation_pressure_pa(230.0 - 273.15) == pytest.approx(8.94735, abs=5e-6)


def test_saturation_pressure_over_the_weather_and_the_sump():
    # The same equations, so no more than rounding apart.
    for temp_c in np.linspace(0.01, 130.0, 60):
        assert saturation_pressure_pa(temp_c) == pytest.approx(1e6 * _PSat_T(temp_c + 273.15), rel=1e-9)
    for temp_c in np.linspace(-80.0, 0.0, 60):
        reference = 1e6 * _Sublimation_Pressure(temp_c + 273.15)
        assert saturation_pressure_pa(temp_c) == pytest.approx(reference, rel=1e-9)


def test_saturation_temp_over_the_sump():
    for pressure_pa in np.geomspace(620.0, 1.5e6, 60):
        assert saturation_temp_c(pressure_pa) == pytest.approx(_TSat_P(pressure_pa / 1e6) - 273.15, abs=1e-8)
