"""Dew point and humidity ratio against the handbook's psychrometrics.

Source: ASHRAE Handbook - Fundamentals (2017), chapter 1 "Psychrometrics", as computed by the `psychrolib`
package (MIT). Six intakes from arctic to tropic, four sump pressures.
"""

import numpy as np
import pytest

from models.humidity import (
    dry_air_density_kg_m3,
    humidity_ratio,
    intake_dry_air_kg_h,
    intake_water_g_h,
    moist_air_volume_m3_kg,
    pressure_dew_point_c,
    saturated_humidity_ratio,
    vapour_density_g_m3,
    vapour_pressure_pa,
)
from models.saturation import enhancement_factor, saturation_pressure_pa, saturation_temp_c
from tests.external.handbook import psychrolib

pytestmark = pytest.mark.external

SEA_LEVEL_PA = 101325.0
HOTTER_THAN_ANY_DEW_POINT_C = 150.0
INTAKES = [(21.0, 60.0), (30.0, 80.0), (0.0, 90.0), (-15.0, 80.0), (35.0, 30.0), (10.0, 100.0)]
M3_H_AT_80_CFM = 80.0 * 60.0 * 0.3048**3


@pytest.mark.parametrize(
    "temp_c", [-40.0, -30.0, -15.0, -5.0, 0.01, 10.0, 21.0, 30.0, 50.0, 75.0, 90.0, 110.0]
)
def test_saturation_pressure(temp_c):
    # The handbook's own fit (Hyland and Wexler) and the IAPWS equations agree to 0.05 %.
    assert saturation_pressure_pa(temp_c) == pytest.approx(psychrolib.GetSatVapPres(temp_c), rel=5e-4)


@pytest.mark.parametrize(("temp_c", "rh_pct"), INTAKES)
@pytest.mark.parametrize("gauge_pa", [0.0, 350e3, 700e3, 1034e3])
@pytest.mark.parametrize("ambient_pa", [SEA_LEVEL_PA, 84556.0, 74682.0])
def test_pressure_dew_point(temp_c, rh_pct, gauge_pa, ambient_pa):
    vapour = psychrolib.GetVapPresFromRelHum(temp_c, rh_pct / 100.0)
    squeezed = vapour * (ambient_pa + gauge_pa) / ambient_pa
    reference_c = psychrolib.GetTDewPointFromVapPres(HOTTER_THAN_ANY_DEW_POINT_C, squeezed)
    ours = pressure_dew_point_c(vapour_pressure_pa(temp_c, rh_pct, False), ambient_pa, ambient_pa + gauge_pa)
    # The handbook's formulas take air as an ideal gas; real air under pressure holds more.
    factor = enhancement_factor(reference_c, saturation_pressure_pa(reference_c), ambient_pa + gauge_pa)
    lowered_c = psychrolib.GetTDewPointFromVapPres(HOTTER_THAN_ANY_DEW_POINT_C, squeezed / factor)
    # The reference iterates to 0.001 K on a curve 0.03 % away.
    assert ours == pytest.approx(lowered_c, abs=0.05)


def test_reference_holds_its_dew_point_down_to_the_dry_bulb():
    """Why the reference is asked with a dry bulb of 150 °C: a sump's dew point is above the air outside."""
    assert psychrolib.GetTDewPointFromVapPres(21.0, 16724.0) == 21.0
    assert saturation_temp_c(16724.0) == pytest.approx(
        psychrolib.GetTDewPointFromVapPres(HOTTER_THAN_ANY_DEW_POINT_C, 16724.0), abs=0.05
    )


@pytest.mark.parametrize(("temp_c", "rh_pct"), INTAKES)
def test_what_comes_in_with_80_cfm(temp_c, rh_pct):
    ratio = psychrolib.GetHumRatioFromRelHum(temp_c, rh_pct / 100.0, SEA_LEVEL_PA)
    volume = psychrolib.GetMoistAirVolume(temp_c, ratio, SEA_LEVEL_PA)
    vapour = vapour_pressure_pa(temp_c, rh_pct, False)
    # 0.05 % from the saturation curves, and the handbook's gas constant printed to six digits.
    assert humidity_ratio(vapour, SEA_LEVEL_PA) == pytest.approx(ratio, rel=5e-4)
    assert moist_air_volume_m3_kg(temp_c, vapour, SEA_LEVEL_PA) == pytest.approx(volume, rel=1e-4)
    assert dry_air_density_kg_m3(temp_c, vapour, SEA_LEVEL_PA) == pytest.approx(1.0 / volume, rel=1e-4)
    dry_kg_h = M3_H_AT_80_CFM / volume
    assert intake_dry_air_kg_h(80.0, temp_c, vapour, SEA_LEVEL_PA) == pytest.approx(dry_kg_h, rel=1e-4)
    assert intake_water_g_h(80.0, temp_c, vapour) == pytest.approx(1000.0 * ratio * dry_kg_h, rel=6e-4)
    assert vapour_density_g_m3(temp_c, vapour) == pytest.approx(1000.0 * ratio / volume, rel=6e-4)


@pytest.mark.parametrize("gauge_pa", [350e3, 1034e3])
def test_saturated_humidity_ratio_in_the_sump(gauge_pa):
    for temp_c in np.arange(40.0, 101.0, 5.0):
        reference = psychrolib.GetSatHumRatio(temp_c, SEA_LEVEL_PA + gauge_pa)
        total_pa = SEA_LEVEL_PA + gauge_pa
        ours = humidity_ratio(saturation_pressure_pa(temp_c), total_pa)
        assert ours == pytest.approx(reference, rel=5e-4), "the handbook's ideal gas"
        assert 1.01 < saturated_humidity_ratio(temp_c, total_pa / 1000.0) / reference < 1.04, "and real air"
