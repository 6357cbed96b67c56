"""Flags at the door: bus codes of SAE J1939-71 scalings (from memory), sensor ranges, clocks."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.quality import Quality, judge, judge_columns, names
from ingest.reading import SIGNALS, Reading, Readings
from ingest.units_of_measure import KPA_PER_PSI

OBSERVED_AT_MS = 1_767_618_005_000
Q = Quality


def reading(**signals: float) -> Reading:
    return Reading(
        unit_id="A7", observed_at_ms=OBSERVED_AT_MS, received_at_ms=OBSERVED_AT_MS + 900, **signals
    )


@pytest.mark.parametrize(
    # Raw codes and scalings: 1 byte 0xFE error, 0xFF not available; 2 bytes 0xFExx, 0xFFxx; 4 bytes likewise.
    ("signal", "value", "expected"),
    [
        ("discharge_temp_c", 0xFE * 1.0 - 40, Q.DISCHARGE_TEMP_OUT_OF_RANGE | Q.BUS_ERROR_CODE),
        ("discharge_temp_c", 0xFF * 1.0 - 40, Q.DISCHARGE_TEMP_OUT_OF_RANGE | Q.NOT_AVAILABLE),
        ("discharge_temp_c", 0xFE00 * 0.03125 - 273, Q.DISCHARGE_TEMP_OUT_OF_RANGE | Q.BUS_ERROR_CODE),
        ("discharge_temp_c", 0xFFFF * 0.03125 - 273, Q.DISCHARGE_TEMP_OUT_OF_RANGE | Q.NOT_AVAILABLE),
        ("ambient_temp_c", 0xFF00 * 0.03125 - 273, Q.AMBIENT_TEMP_OUT_OF_RANGE | Q.NOT_AVAILABLE),
        ("pressure_kpa", 0xFE * 8.0, Q.PRESSURE_OUT_OF_RANGE | Q.BUS_ERROR_CODE),
        ("pressure_kpa", 0xFF * 16.0, Q.PRESSURE_OUT_OF_RANGE | Q.NOT_AVAILABLE),
        ("pressure_kpa", 0xFE80 * 0.5, Q.PRESSURE_OUT_OF_RANGE | Q.BUS_ERROR_CODE),
        ("ambient_rh_pct", 0xFE * 0.4, Q.AMBIENT_RH_OUT_OF_RANGE | Q.BUS_ERROR_CODE),
        ("ambient_rh_pct", 0xFF * 0.4, Q.AMBIENT_RH_OUT_OF_RANGE | Q.NOT_AVAILABLE),
        ("hours", 0xFE000000 * 0.05, Q.HOURS_OUT_OF_RANGE | Q.BUS_ERROR_CODE),
        ("hours", 0xFFFFFFFF * 0.05, Q.HOURS_OUT_OF_RANGE | Q.NOT_AVAILABLE),
        # Out of range, but no code in any usual scaling.
        ("discharge_temp_c", 412.0, Q.DISCHARGE_TEMP_OUT_OF_RANGE),
        ("pressure_kpa", -40.0, Q.PRESSURE_OUT_OF_RANGE),
        ("hours", -0.1, Q.HOURS_OUT_OF_RANGE),
    ],
)
def test_codes_and_ranges(signal: str, value: float, expected: Quality) -> None:
    assert judge(reading(**{signal: value})) == expected


@pytest.mark.parametrize("psi", [147.4, 147.9, 150.0, 0.0, -3.9, 200.0])
def test_pressures_that_may_be_real_are_not_flagged(psi: float) -> None:
    # 147.4 and 147.9 psi are also the "error" and "not available" codes at 4 kPa a bit; -4 psi is within
    # the zero tolerance of a 200 psi transducer (common practice).
    assert judge(reading(pressure_kpa=psi * KPA_PER_PSI)) == Q.GOOD


def test_code_sent_in_fahrenheit_and_rounded() -> None:
    # 214 degC is 417.2 degF; a sender with whole degrees shows 417.
    value_c = (417.2 - 32) / 1.8
    assert judge(reading(discharge_temp_c=value_c)) & Q.BUS_ERROR_CODE


def test_unreported_signals_are_not_flagged() -> None:
    assert judge(reading()) == Q.GOOD


@pytest.mark.parametrize(
    ("observed_at_ms", "expected"),
    [
        (0, Q.CLOCK_WRONG),
        (OBSERVED_AT_MS, Q.GOOD),
        (OBSERVED_AT_MS - 90 * 86_400_000, Q.GOOD),
        (OBSERVED_AT_MS + 5 * 60_000, Q.GOOD),
        (OBSERVED_AT_MS + 3_600_000, Q.CLOCK_WRONG),
        (OBSERVED_AT_MS + 20 * 365 * 86_400_000, Q.CLOCK_WRONG),
    ],
)
def test_clock(observed_at_ms: int, expected: Quality) -> None:
    row = Reading(unit_id="A7", observed_at_ms=observed_at_ms, received_at_ms=OBSERVED_AT_MS, hours=1.0)
    assert judge(row) == expected


def test_flags_already_there_are_kept() -> None:
    row = Reading(
        unit_id="A7", observed_at_ms=0, received_at_ms=0, hours=-1.0, quality=int(Q.RECEIVED_TIME_USED)
    )
    assert judge(row) == Q.RECEIVED_TIME_USED | Q.HOURS_OUT_OF_RANGE | Q.CLOCK_WRONG


signal_values = (
    st.just(math.nan)
    | st.floats(-300.0, 2_500.0)
    | st.sampled_from([math.inf, -math.inf, 1e300, -1e300])
    | st.sampled_from([214.0, 215.0, 1016.0, 1020.0, 2032.0, 2040.0, 4080.0, 32_600.0, 101.6, 102.0, 2.135e8])
)


@given(
    st.lists(
        st.tuples(st.integers(-1, 4_000_000_000_000), *(signal_values for _ in SIGNALS)),
        max_size=20,
        unique_by=lambda row: row[0],
    )
)
def test_columns_are_judged_like_rows(rows: list[tuple[float, ...]]) -> None:
    one_by_one = [
        Reading(
            unit_id="A7",
            observed_at_ms=int(at),
            received_at_ms=OBSERVED_AT_MS,
            **dict(zip(SIGNALS, signals, strict=True)),
        )
        for at, *signals in sorted(rows)
    ]
    columns = Readings.from_rows("A7", one_by_one)
    np.testing.assert_array_equal(judge_columns(columns), [judge(row) for row in one_by_one])


def test_judge_columns_leaves_its_input_alone() -> None:
    columns = Readings.from_rows("A7", [reading(hours=-1.0)])
    assert judge_columns(columns).tolist() == [Q.HOURS_OUT_OF_RANGE]
    assert columns.quality.tolist() == [0]


def test_names() -> None:
    assert names(int(Q.CLOCK_WRONG | Q.PRESSURE_OUT_OF_RANGE)) == ["PRESSURE_OUT_OF_RANGE", "CLOCK_WRONG"]
    assert names(0) == []
