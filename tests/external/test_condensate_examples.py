"""Water taken in and dropped, against published condensate tables and worked examples of the trade.

Source: published trade figures for compressed air condensate (gallons an hour for each CFM, gallons in 1000
cubic feet, a day at 500 scfm, grams in a cubic metre). Tables carry two to four digits and older saturation
data, so each tolerance is half the last printed digit plus 1 %. One entry of the gallons-an-hour table
(70 °F, 40 %: 0.0030) contradicts its neighbours by 10 % and is a misprint: left out. The table calls itself
one of air cooled to 35 °F, but lists all the vapour that comes in, and is read as that.
"""

import pytest

from models.humidity import (
    dry_air_density_kg_m3,
    humidity_ratio,
    intake_water_g_h,
    saturated_humidity_ratio,
    vapour_density_g_m3,
    vapour_pressure_pa,
)

pytestmark = pytest.mark.external

GRAMS_PER_GALLON = 3785.41
PSI_KPA = 6.894757
STANDARD_PA = 14.7 * PSI_KPA * 1000.0
KG_DRY_PER_1000_SCF = 1000.0 * 0.3048**3 * dry_air_density_kg_m3((60.0 - 32.0) / 1.8, 0.0, STANDARD_PA)
SCF_A_DAY_AT_500 = 500.0 * 60.0 * 24.0


def _c(fahrenheit):
    return (fahrenheit - 32.0) / 1.8


def _near(published, last_digit):
    return pytest.approx(published, abs=0.5 * last_digit + 0.01 * published)


def _taken_in_gal_per_1000_scf(fahrenheit, rh_pct):
    ratio = humidity_ratio(vapour_pressure_pa(_c(fahrenheit), rh_pct, True), STANDARD_PA)
    return 1000.0 * ratio * KG_DRY_PER_1000_SCF / GRAMS_PER_GALLON


def _ideal_ratio(temp_c, pressure_abs_kpa):
    """The tables take air under pressure as an ideal gas; real air holds the enhancement factor more."""
    ideal = humidity_ratio(vapour_pressure_pa(temp_c, 100.0, True), 1000.0 * pressure_abs_kpa)
    assert 1.0 < saturated_humidity_ratio(temp_c, pressure_abs_kpa) / ideal < 1.04
    return ideal


def _left_gal_per_1000_scf(fahrenheit, gauge_psi):
    return (
        1000.0
        * _ideal_ratio(_c(fahrenheit), (gauge_psi + 14.7) * PSI_KPA)
        * KG_DRY_PER_1000_SCF
        / GRAMS_PER_GALLON
    )


@pytest.mark.parametrize(
    ("fahrenheit", "rh_pct", "gal_h_per_cfm"),
    [
        (40.0, 100.0, 0.0029),
        (50.0, 60.0, 0.0025),
        (70.0, 60.0, 0.0050),
        (80.0, 70.0, 0.0080),
        (80.0, 100.0, 0.0114),
        (90.0, 80.0, 0.0123),
        (100.0, 40.0, 0.0082),
        (100.0, 100.0, 0.0205),
        (120.0, 100.0, 0.0354),
    ],
)
def test_gallons_an_hour_for_each_cfm(fahrenheit, rh_pct, gal_h_per_cfm):
    vapour = vapour_pressure_pa(_c(fahrenheit), rh_pct, True)
    assert intake_water_g_h(1.0, _c(fahrenheit), vapour) / GRAMS_PER_GALLON == _near(gal_h_per_cfm, 0.0001)


def test_gallons_taken_in_with_1000_standard_cubic_feet():
    assert _taken_in_gal_per_1000_scf(80.0, 75.0) == _near(0.1521, 0.0001)


def test_basis_of_a_cubic_foot_matters():
    """A thousand actual cubic feet at 80 °F hold 6 to 7 % less than a thousand standard ones at 60 °F."""
    vapour = vapour_pressure_pa(_c(80.0), 75.0, True)
    actual = intake_water_g_h(1000.0 / 60.0, _c(80.0), vapour) / GRAMS_PER_GALLON
    assert 0.06 < 1.0 - actual / 0.1521 < 0.08


def test_gallons_left_after_cooling_under_pressure():
    assert _left_gal_per_1000_scf(100.0, 100.0) == _near(0.0478, 0.0001)


def test_condensate_of_500_scfm_after_a_cooler():
    gal_h = 30.0 * (_taken_in_gal_per_1000_scf(80.0, 75.0) - _left_gal_per_1000_scf(100.0, 100.0))
    assert gal_h == _near(3.13, 0.01)


def test_a_day_of_500_scfm_from_intake_to_dryer():
    # The source rounds each step to a whole gallon and builds on the rounded one: a gallon a step more.
    taken = SCF_A_DAY_AT_500 / 1000.0 * _taken_in_gal_per_1000_scf(75.0, 75.0)
    after_cooler = SCF_A_DAY_AT_500 / 1000.0 * _left_gal_per_1000_scf(100.0, 100.0)
    after_dryer = SCF_A_DAY_AT_500 / 1000.0 * _left_gal_per_1000_scf(38.0, 100.0)
    assert taken == pytest.approx(90.0, abs=0.5 + 0.9 + 1.0)
    assert taken - after_cooler == pytest.approx(57.0, abs=0.5 + 0.6 + 1.0)
    assert after_cooler == pytest.approx(33.0, abs=0.5 + 0.3 + 1.0)
    assert after_cooler - after_dryer == pytest.approx(29.0, abs=0.5 + 0.3 + 1.0)


@pytest.mark.parametrize(("temp_c", "g_m3"), [(20.0, 17.30), (35.0, 39.63)])
def test_grams_in_a_saturated_cubic_metre(temp_c, g_m3):
    assert vapour_density_g_m3(temp_c, vapour_pressure_pa(temp_c, 100.0, True)) == _near(g_m3, 0.01)


def test_one_eighth_stays_when_squeezed_to_8_bar_and_cooled_back():
    """35 °C saturated from 1 to 8 bar absolute: 4.95 g of 39.63 stay, 34.68 drop (for each m3 of intake).

    The example counts partial pressures against the total; for a kilogram of dry air the share is smaller, as
    there is 5 % less dry air before compression.
    """
    came_in = _ideal_ratio(35.0, 100.0)
    stays = _ideal_ratio(35.0, 800.0)
    grams = vapour_density_g_m3(35.0, vapour_pressure_pa(35.0, 100.0, True))
    dry_share = 1.0 - vapour_pressure_pa(35.0, 100.0, True) / 100e3
    assert grams * stays / came_in == pytest.approx(4.95 * dry_share, rel=0.02)
    assert grams * (1.0 - stays / came_in) == pytest.approx(34.68, rel=0.02)
