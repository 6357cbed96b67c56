"""Conversion factors against the printed tables of NIST SP 811 (2008), appendix B.8."""

from __future__ import annotations

import re
import tokenize
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from ingest import units_of_measure as units
from ingest.reading import SIGNALS

ROOT = Path(__file__).parents[3]
PACKAGES = ("ingest", "models", "alerts", "dashboards", "dewline")


@pytest.mark.parametrize(
    ("factor", "printed"),
    [
        # NIST SP 811 (2008) appendix B.8, seven digits as printed there (from memory of the table).
        (units.KPA_PER_PSI, 6.894757),
        (units.KPA_PER_BAR, 100.0),
        (units.M3_S_PER_CFM, 4.719474e-4),
        (units.M3_PER_US_GALLON, 3.785412e-3),
        (units.M3_S_PER_GPM, 6.309020e-5),
        (units.L_S_PER_GPM, 6.309020e-2),
        (units.KW_PER_HP, 0.7456999),
        (units.N_PER_POUND_FORCE, 4.448222),
        (units.M3_PER_FT3, 2.831685e-2),
        (units.STANDARD_ATMOSPHERE_KPA, 101.325),
        (1.0 / units.BTU_H_PER_KW * 1000.0, 0.2930711),
        # Published trade figures: 80 CFM is 135.921 m3/h, a US gallon of water 3785.41 g.
        (units.M3_H_PER_CFM, 135.921 / 80.0),
        (units.GRAMS_PER_US_GALLON_WATER, 3785.41),
        # A US fluid ounce is 29.57353 mL (NIST SP 811).
        (units.GRAMS_PER_US_FLUID_OUNCE_WATER, 29.57353),
    ],
)
def test_factor_matches_the_printed_table(factor: float, printed: float) -> None:
    assert factor == pytest.approx(printed, rel=2e-6)


@pytest.mark.parametrize(
    # Fixed points of the scales: they meet at -40; ice point; steam point; absolute zero.
    ("fahrenheit", "celsius"),
    [(-40.0, -40.0), (32.0, 0.0), (212.0, 100.0), (-459.67, -273.15)],
)
def test_fahrenheit_fixed_points(fahrenheit: float, celsius: float) -> None:
    assert units.c_from_f(fahrenheit) == pytest.approx(celsius, abs=1e-9)
    assert units.f_from_c(celsius) == pytest.approx(fahrenheit, abs=1e-9)
    assert units.WIRE_NAMES["discharge_temp_f"].conversion.house(fahrenheit) == pytest.approx(
        celsius, abs=1e-9
    )


def test_rated_pressure_in_all_spellings() -> None:
    # 150 psi = 1034.214 kPa (NIST SP 811).
    for name, value in [
        ("pressure_kpa", 1034.214),
        ("pressure_psi", 150.0),
        ("pressure_bar", 10.34214),
        ("pressure_mpa", 1.034214),
        ("pressure_pa", 1034214.0),
    ]:
        signal, conversion = units.WIRE_NAMES[name]
        assert signal == "pressure_kpa"
        assert conversion.house(value) == pytest.approx(1034.214, abs=5e-4)


def test_arrays_keep_shape_and_nan() -> None:
    celsius = units.c_from_f(np.array([32.0, np.nan, 212.0]))
    np.testing.assert_allclose(celsius, [0.0, np.nan, 100.0], atol=1e-12)


def test_every_signal_has_its_own_name_on_the_wire_unconverted() -> None:
    for signal in SIGNALS:
        assert units.WIRE_NAMES[signal] == (signal, units.AS_IS)
    assert {name.signal for name in units.WIRE_NAMES.values()} == set(SIGNALS)


def numbers(source: Path) -> Iterator[tuple[int, str]]:
    """Line and text of each number in the code of a file: worked examples in docstrings are no code."""
    with tokenize.open(source) as file:
        for token in tokenize.generate_tokens(file.readline):
            if token.type == tokenize.NUMBER:
                yield token.start[0], token.string.replace("_", "")


def test_factors_are_written_nowhere_else() -> None:
    factor = re.compile(r"273\.15|6\.894|6894\.|101\.325|101325")
    found = [
        f"{path.relative_to(ROOT)}:{line}: {number}"
        for package in PACKAGES
        for path in sorted((ROOT / package).rglob("*.py"))
        if path.name != "units_of_measure.py"
        for line, number in numbers(path)
        if factor.match(number)
    ]
    assert not found, "import these from ingest.units_of_measure:\n" + "\n".join(found)
