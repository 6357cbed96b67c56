"""Conversions are inverses of each other and straight lines, whatever the value."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest import units_of_measure as units

values = st.floats(-1e6, 1e6)


@given(values)
def test_there_and_back(value: float) -> None:
    assert units.c_from_f(units.f_from_c(value)) == pytest.approx(value, abs=1e-8)
    assert units.c_from_k(units.k_from_c(value)) == pytest.approx(value, abs=1e-8)
    assert units.kpa_from_psi(units.psi_from_kpa(value)) == pytest.approx(value, abs=1e-8)


@given(values, st.sampled_from(sorted(units.WIRE_NAMES)))
def test_wire_conversions_keep_order(value: float, name: str) -> None:
    house = units.WIRE_NAMES[name].conversion.house
    assert house(value + 1.0) > house(value)
