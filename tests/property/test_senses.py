"""Whatever a truck sends: nothing raises, no ledger is poisoned, and the flags don't depend on the cuts."""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.quality import RANGES
from ingest.reading import SIGNALS, FloatArray, Readings
from models import engine
from models.artefact import load_models
from models.state import Record
from models.training import as_judged_at_the_door
from tests.unit.models.histories import (
    MONDAY_MS,
    PARAMETERS,
    PROFILE,
    Folded,
    changed,
    fold,
    machine_history,
    observed,
)

ODD = (math.nan, math.inf, -math.inf, 0.0, -0.0, 5e-324, -5e-324, 1.8e308, -1.8e308, 1e-9, -40.0, 215.0)
"""Ends of the number line, and of a one-byte temperature (SAE J1939, from memory)."""
LIKELY = (1016.0, 1020.0, 2040.0, 176.0, 68.0, 150.0, 10.3, 101.6, 102.0, 0.63, 1000.0, 99_999.9, 15.0)
"""Bus codes and working figures in the units of measure that trucks fall into (codes from memory)."""
values = st.one_of(st.sampled_from(ODD), st.sampled_from(LIKELY), st.floats(-100.0, 1200.0), st.floats())
gaps_ms = st.sampled_from([1, 1000, 10_000, 60_000, 300_000, 4_000_000, 30_000_000, 400 * 86_400_000])
WATER = ("water_g", "water_low_g", "water_high_g")
AIR = ("ambient_c", "ambient_var", "vapour_pa", "vapour_low_pa", "vapour_high_pa")
HOUR = observed(machine_history([(0.3, 30, 0.6)], hours=1.5))


@st.composite
def garbage(draw: st.DrawFn) -> Readings:
    """Rows of anything, seconds or years apart; each signal rests for a while at what it shows."""
    n = draw(st.integers(1, 60))
    at_ms = MONDAY_MS + np.cumsum(np.array(draw(st.lists(gaps_ms, min_size=n, max_size=n)), np.int64))
    columns = {}
    for name in SIGNALS:
        shown = draw(st.lists(st.tuples(values, st.integers(1, 9)), min_size=1, max_size=12))
        column = np.concatenate([np.full(length, value) for value, length in shown])
        columns[name] = np.resize(column, n)
    return as_judged_at_the_door(
        Readings(
            unit_id="unit",
            observed_at_ms=at_ms,
            received_at_ms=at_ms,
            seq=np.array(draw(st.lists(st.integers(-1, 9), min_size=n, max_size=n))),
            quality=np.zeros(n, np.int64),
            **columns,
        )
    )


@st.composite
def spoilt(draw: st.DrawFn) -> Readings:
    """A sound history in which stretches of signals are something else."""
    readings = HOUR
    for name in draw(st.lists(st.sampled_from(SIGNALS), min_size=1, max_size=4)):
        first = draw(st.integers(0, len(readings) - 1))
        rows = slice(first, first + draw(st.integers(1, 200)))
        column: FloatArray = getattr(readings, name)[rows]
        scale, shift = draw(st.sampled_from([(0.0, draw(values)), (1.8, 32.0), (0.145, 0.0), (0.01, 0.0)]))
        with np.errstate(all="ignore"):
            readings = changed(readings, name, rows, column * scale + shift)
    return as_judged_at_the_door(dataclasses.replace(readings, quality=np.zeros(len(readings), np.int64)))


def assert_unharmed(found: Folded) -> None:
    s: Record = found.state.memory[0]
    water = [float(s[name]) for name in WATER]
    assert all(math.isfinite(grams) and grams >= 0.0 for grams in water), water
    assert water[1] <= water[0] <= water[2] or water[2] == 0.0
    if not math.isnan(s["ambient_t"]):
        assert all(math.isfinite(s[name]) for name in AIR), {name: float(s[name]) for name in AIR}
        assert -60.0 <= s["ambient_c"] <= 80.0
        assert 0.0 < s["ambient_var"] <= 400.0
    for day in found.water_days:
        assert 0.0 <= day.low <= day.grams <= day.high
    engine.unfinished(found.state)
    status = engine.status(found.state, PROFILE, PARAMETERS, load_models())
    assert status is None or all(n > 0 for n in status.doubtful.values())


def flags(*chunks: Readings) -> list[int]:
    state, found = engine.initial_state("unit"), []
    for chunk in chunks:
        found += engine.trace(state, chunk, PROFILE, PARAMETERS).quality.tolist()
        state = fold(chunk, state=state).state
    return found


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(readings=garbage())
def test_garbage_harms_nothing_and_is_flagged_alike_one_by_one(readings: Readings) -> None:
    once = fold(readings)
    assert_unharmed(once)
    each = [readings[i : i + 1] for i in range(len(readings))]
    one_by_one = fold(*each)
    assert one_by_one.told == once.told
    assert engine.encode_state(one_by_one.state) == engine.encode_state(once.state)
    assert flags(*each) == flags(readings)


@settings(max_examples=100, suppress_health_check=[HealthCheck.too_slow])
@given(readings=st.one_of(garbage(), spoilt()))
def test_what_has_not_come_through_the_door_is_judged_as_there(readings: Readings) -> None:
    unjudged = dataclasses.replace(readings, quality=np.zeros(len(readings), np.int64))
    assert flags(unjudged) == flags(readings)
    assert fold(unjudged).told == fold(readings).told


@settings(max_examples=100, suppress_health_check=[HealthCheck.too_slow])
@given(readings=spoilt(), parts=st.lists(st.floats(0.0, 1.0), max_size=5))
def test_a_spoilt_history_harms_nothing_and_is_flagged_alike_wherever_cut(
    readings: Readings, parts: list[float]
) -> None:
    once = fold(readings)
    assert_unharmed(once)
    edges = [0, *sorted(round(part * len(readings)) for part in parts), len(readings)]
    chunks = [readings[start:end] for start, end in itertools.pairwise(edges)]
    cut = fold(*chunks)
    assert cut.told == once.told
    assert engine.encode_state(cut.state) == engine.encode_state(once.state)
    assert flags(*chunks) == flags(readings)


@settings(max_examples=100, deadline=None)
@given(readings=spoilt())
def test_the_stored_reading_stays_as_it_came(readings: Readings) -> None:
    before = {name: getattr(readings, name).tobytes() for name in SIGNALS}
    trace = engine.trace(engine.initial_state("unit"), readings, PROFILE, PARAMETERS)
    assert {name: getattr(readings, name).tobytes() for name in SIGNALS} == before
    assert np.all((trace.quality & readings.quality & ~0b11111) == readings.quality & ~0b11111)
    taken = trace.discharge_temp_c[np.isfinite(trace.discharge_temp_c)]
    low_c, high_c = RANGES["discharge_temp_c"]
    assert np.all((taken >= low_c) & (taken <= high_c))
