"""Bus codes at 4 kPa a bit, 1016 and 1020 kPa (SAE J1939 0xFE, 0xFF, from memory), against real pressures."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.quality import Quality
from ingest.reading import IntArray, Readings
from models import engine
from tests.unit.models.histories import PARAMETERS, PROFILE, changed
from tests.unit.models.test_pressure_units import FROST_C, RUNS, WARM_C, history
from tests.unit.models.test_senses import judged, rows_between

PACES = pytest.mark.parametrize("every_s", [10, 60, 300])
AIRS = pytest.mark.parametrize("air_c", [WARM_C, FROST_C])
CODES = pytest.mark.parametrize("code_kpa", [1016.0, 1020.0])


def coded(readings: Readings, from_h: float, to_h: float, code_kpa: float) -> tuple[IntArray, IntArray]:
    """Rows in which the code is sent, and rows that are flagged for it."""
    rows = rows_between(readings, from_h, to_h)
    sent = judged(changed(readings, "pressure_kpa", rows, code_kpa))
    trace = engine.trace(engine.initial_state("unit"), sent, PROFILE, PARAMETERS)
    return rows, np.flatnonzero(trace.quality & int(Quality.PRESSURE_AMBIGUOUS))


@PACES
@AIRS
@CODES
@pytest.mark.parametrize(
    ("from_h", "to_h"), [(0.0, 0.9), (6.0, 6.8), (22.0, 24.0)], ids=["first", "mid", "last"]
)
def test_a_code_in_a_standing_unit_is_told_at_once(
    from_h: float, to_h: float, code_kpa: float, air_c: float, every_s: int
) -> None:
    rows, found = coded(history(air_c, every_s), from_h, to_h, code_kpa)
    np.testing.assert_array_equal(found, rows)


@PACES
@AIRS
@CODES
@pytest.mark.parametrize("cut_h", [0.0, 7.1], ids=["learnt", "history begins in this run"])
def test_a_code_in_a_hot_run_is_told_by_its_stillness(
    cut_h: float, code_kpa: float, air_c: float, every_s: int
) -> None:
    """From 7.2 h to 7.8 h of a run; nothing but codes are ever flagged."""
    clean = history(air_c, every_s)
    clean = clean[rows_between(clean, cut_h, 24.0)]
    rows, found = coded(clean, 7.2 - cut_h, 7.8 - cut_h, code_kpa)
    assert set(found) <= set(rows.tolist())
    late_s = every_s * (np.count_nonzero(~np.isin(rows, found)))
    assert late_s <= max(660, 6 * every_s)
    # At five minutes' pace half an hour is six readings: just as many as are asked for.
    assert rows[-1] in found or every_s == 300


@PACES
@AIRS
@pytest.mark.parametrize("centre_kpa", [1013.0, 1016.0, 1018.0, 1020.0])
def test_a_machine_that_really_holds_such_a_pressure_is_believed(
    centre_kpa: float, air_c: float, every_s: int
) -> None:
    """A working pressure about the figure of a code, resolved to 1 kPa; a start's first may wait."""
    clean = history(air_c, every_s)
    works = clean.pressure_kpa > 500.0
    shift_kpa = np.round(centre_kpa - np.median(clean.pressure_kpa[works]))
    near = judged(
        changed(clean, "pressure_kpa", slice(None), np.where(works, shift_kpa, 0.0) + clean.pressure_kpa)
    )
    held = np.isin(near.pressure_kpa, (1016.0, 1020.0))
    trace = engine.trace(engine.initial_state("unit"), near, PROFILE, PARAMETERS)
    refused = (trace.quality & int(Quality.PRESSURE_AMBIGUOUS)) != 0
    assert np.count_nonzero(refused) <= len(RUNS)
    assert not (refused & ~held).any()
