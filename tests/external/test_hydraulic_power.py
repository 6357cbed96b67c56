"""Power of the drive against the trade's formula and rules of thumb.

Source: published trade figures: hydraulic horsepower = gpm x psi / 1714; 4 CFM for each horsepower at 100
psig, and half a percent more power for each psi above; a mobile reservoir of two minutes of pump flow.
"""

import pytest

from models.hydraulics import hydraulic_hp, hydraulic_power_kw, isentropic_power_kw, least_reservoir_gal

pytestmark = pytest.mark.external

KW_PER_HP = 0.7457


@pytest.mark.parametrize(("gpm", "psi"), [(1.0, 1714.0), (18.0, 2900.0), (12.0, 3000.0), (20.0, 2500.0)])
def test_hydraulic_horsepower(gpm, psi):
    # 1714 is 1714.2857 rounded: 0.017 %.
    assert hydraulic_hp(gpm, psi) == pytest.approx(gpm * psi / 1714.0, rel=2e-4)


def test_power_in_kilowatts_is_the_horsepower_converted():
    assert hydraulic_power_kw(18.0, 2900.0 * 6.894757) == pytest.approx(
        hydraulic_hp(18.0, 2900.0) * KW_PER_HP, rel=1e-5
    )


def test_rule_of_thumb_power_leaves_a_credible_efficiency():
    """By the rule 80 CFM at 150 psig take 25 hp; small screws reach 0.65-0.75 (common practice)."""
    rule_kw = 80.0 / 4.0 * (1.0 + 0.005 * 50.0) * KW_PER_HP
    ideal_kw = isentropic_power_kw(80.0, 101.325, 101.325 + 150.0 * 6.894757)
    assert 0.65 < ideal_kw / rule_kw < 0.75


def test_reservoir_for_18_gpm():
    assert least_reservoir_gal(18.0) == 36.0
