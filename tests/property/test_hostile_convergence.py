"""After a hostile stretch of any kind the engine comes back: sound days with a proper dry-out heal it.

A twin that never had the stretch is the measure. From the second sound day on, runs and water must agree with
the twin's: what is known by then can't depend on what was never true. Where a stretch has hidden the heat,
the ledger goes by the cold that was shown, as it must: more water is believed, and each dry-out takes of it.
"""

from __future__ import annotations

import dataclasses
import functools

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.batch import Batch, unstacked
from ingest.payload import Limits
from ingest.reading import Readings
from models.records import Run
from tests.unit.models.histories import DAY_S, Folded, fold, seconds
from tests.unit.models.hostile import KINDS, SOUND, Kind, messages

DAYS, SOUND_DAYS = 5, 2
HEALED_S = (DAYS - SOUND_DAYS + 1) * DAY_S
"""One sound day with its dry-out lies between the stretch and what is compared. [s]"""
EDGE_S = 120.0
"""Two readings. [s]"""
PEAK_K = 2.0
SLIGHT_G, SLIGHT = 6.0, 0.2
"""An eighth of the harmful amount: what is known of air and inlet takes days to be the same again. [g, -]"""
HIDE_HEAT = (
    "bus code for error",
    "temperature standing still",
    "infinity",
    "infinity beside NaN",
    "clock years ahead",
    "clock years behind",
    "clock at its epoch",
    "no JSON",
)
"""The temperature is lost or wrong, or the whole reading: of a run that goes on, only the start is known."""
STRETCHES = [kind for kind in KINDS if kind.name != "a year of nothing"]
"""A year moves everything after it in time, so that there is no twin."""


def taken(kind: Kind) -> Readings:
    batch = Batch()
    for payload, received_at_ms in messages(kind):
        batch.add("compressors/unit/readings", payload, received_at_ms, "compressors", Limits())
    return Readings.from_rows("unit", unstacked(batch.readings, {}))


@functools.cache
def twin() -> Folded:
    return fold(taken(dataclasses.replace(SOUND, days=DAYS)))


def later(found: Folded) -> list[Run]:
    return [run for run in found.runs if seconds(run.start_at) >= HEALED_S]


def assert_drying(runs: list[Run], wanted: list[Run]) -> None:
    """No less water than there is, and less after each hot run, until it is the twin's."""
    for run, sound in zip(runs, wanted, strict=True):
        assert run.water_end_g >= sound.water_end_g - SLIGHT_G
        if run.hot_min > 60.0:
            assert run.water_end_g < max(run.water_start_g, sound.water_end_g + SLIGHT_G)


def assert_healed(found: Folded, *, hid_heat: bool) -> None:
    runs, wanted = later(found), later(twin())
    assert [seconds(run.start_at) for run in runs] == pytest.approx(
        [seconds(run.start_at) for run in wanted], abs=EDGE_S
    )
    assert [seconds(run.end_at) for run in runs] == pytest.approx(
        [seconds(run.end_at) for run in wanted], abs=EDGE_S
    )
    for run, sound in zip(runs, wanted, strict=True):
        assert run.peak_temp_c == pytest.approx(sound.peak_temp_c, abs=PEAK_K)
    if hid_heat:
        assert_drying(runs, wanted)
        return
    for run, sound in zip(runs, wanted, strict=True):
        assert run.water_in_g == pytest.approx(sound.water_in_g, abs=SLIGHT_G, rel=SLIGHT)
        assert run.water_out_g == pytest.approx(sound.water_out_g, abs=SLIGHT_G, rel=SLIGHT)
        assert run.water_end_g == pytest.approx(sound.water_end_g, abs=SLIGHT_G, rel=SLIGHT)


def test_the_twin_has_runs_to_compare_with() -> None:
    assert len(later(twin())) == 3 * (SOUND_DAYS - 1)


@pytest.mark.parametrize("kind", STRETCHES, ids=lambda kind: kind.name)
@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    from_h=st.floats(SOUND_DAYS * 24.0 + 1.0, 100.0),
    for_h=st.floats(0.2, 47.0),
)
def test_sound_days_heal_what_a_hostile_stretch_has_done(kind: Kind, from_h: float, for_h: float) -> None:
    until_h = max(from_h - for_h, SOUND_DAYS * 24.0)
    stretch = dataclasses.replace(kind, days=DAYS, last_h=from_h, until_h=until_h)
    assert_healed(fold(taken(stretch)), hid_heat=kind.name in HIDE_HEAT)
