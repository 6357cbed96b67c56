"""The engine's face: what `advance`, `status`, `trace` and the state promise, beside what the fold finds."""

from __future__ import annotations

import dataclasses
import datetime as dt
import itertools
import math

import msgspec
import numpy as np
import pytest
from CoolProp.CoolProp import HAPropsSI

from ingest.profile import UnitProfile
from ingest.quality import Quality
from ingest.reading import COLUMNS, Readings
from models import engine, senses_pressure, senses_temp
from models.artefact import PatternModels, load_models
from models.fold import ROOM
from models.parameters import Parameters
from models.records import Finding, Outcome, Pattern, Run, WaterDay
from models.run_confidence import RunConfidence
from models.state import STATE
from tests.unit.models.histories import (
    ICING_UNIT,
    NEVER_HOT_UNIT,
    PARAMETERS,
    PROFILE,
    SHORT_CYCLING_UNIT,
    by_hand,
    changed,
    fold,
    machine_history,
    observed,
    seconds,
    simulated,
)
from tests.unit.models.patterns.moments import assert_readable

FAULTY = (SHORT_CYCLING_UNIT, NEVER_HOT_UNIT, ICING_UNIT, 3, 20, 36, 43, 44)
EMPTY = by_hand([])


@pytest.fixture(scope="module")
def history() -> Readings:
    return observed(machine_history([(1, 30, 0.7), (4, 5, 0.8), (7, 60, 0.6)], air_c=12.0, hours=10.0))


def test_advance_changes_nothing_that_it_was_given(history: Readings) -> None:
    before = fold(history[:1000]).state
    state_bytes = engine.encode_state(before)
    columns = {name: getattr(history, name).copy() for name in COLUMNS}
    fold(history[1000:], state=before)
    assert engine.encode_state(before) == state_bytes
    for name, column in columns.items():
        np.testing.assert_array_equal(getattr(history, name), column)


def test_no_readings_change_nothing(history: Readings) -> None:
    for state in (engine.initial_state("unit"), fold(history).state):
        after = fold(EMPTY, state=state)
        assert after.events == []
        assert engine.encode_state(after.state) == engine.encode_state(state)


def test_readings_of_another_unit_are_refused(history: Readings) -> None:
    with pytest.raises(ValueError, match="readings of unit 'unit' for the state of 'other'"):
        engine.advance(engine.initial_state("other"), history, PROFILE, PARAMETERS, load_models())


@pytest.mark.parametrize("back", [1, 2, 500])
def test_readings_that_are_not_later_are_refused(history: Readings, back: int) -> None:
    state = fold(history[:1000]).state
    with pytest.raises(ValueError, match="are not later than its state"):
        fold(history[1000 - back :], state=state)
    with pytest.raises(ValueError, match="are not later than its state"):
        engine.trace(state, history[1000 - back :], PROFILE, PARAMETERS)


@pytest.mark.parametrize("stored", [b"", b"\x00", b"of another version", b"\x93\x01\x02\x03"])
def test_a_state_that_is_none_is_refused(stored: bytes) -> None:
    with pytest.raises(engine.StateError, match="can't be read"):
        engine.decode_state(stored)


def test_a_state_of_another_layout_is_refused(history: Readings) -> None:
    stored = msgspec.msgpack.decode(engine.encode_state(fold(history).state))
    assert stored["layout"] == repr(STATE)
    stored["layout"] = repr(np.dtype([("t", "f8")]))
    with pytest.raises(engine.StateError, match="'unit' was written by another version"):
        engine.decode_state(msgspec.msgpack.encode(stored))


def test_room_for_rows_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """However often the fold has to hand over what it has found, it finds the same."""
    unit = simulated(NEVER_HOT_UNIT)
    once = fold(unit.readings, profile=unit.profile)
    monkeypatch.setattr(engine, "ROWS", ROOM + 1)
    often = fold(unit.readings, profile=unit.profile)
    assert often.told == once.told
    assert engine.encode_state(often.state) == engine.encode_state(once.state)


def less_sure(models: PatternModels) -> RunConfidence:
    return msgspec.structs.replace(models.run_confidence, base=models.run_confidence.base - 2.0)


def test_a_run_is_as_sure_as_the_models_given_say() -> None:
    """Those of another folder, not those that come with the program, in what is over and what still turns."""
    readings, models = simulated(SHORT_CYCLING_UNIT).readings, load_models()
    other = dataclasses.replace(models, run_confidence=less_sure(models))
    sure, doubted = (
        engine.advance(engine.initial_state(readings.unit_id), readings, PROFILE, PARAMETERS, used)[1]
        for used in (models, other)
    )
    pairs = [(a, b) for a, b in zip(sure, doubted, strict=True) if isinstance(a, Run) and isinstance(b, Run)]
    assert len(pairs) > 10
    assert all(b.confidence < a.confidence for a, b in pairs)
    state, _ = engine.advance(
        engine.initial_state("unit"),
        observed(machine_history([(1.0, 60.0, 0.6)], hours=1.5)),
        PROFILE,
        PARAMETERS,
        models,
    )
    (now, _), (then, _) = engine.unfinished(state, other), engine.unfinished(state, models)
    assert isinstance(now, Run)
    assert isinstance(then, Run)
    assert now.confidence < then.confidence


def test_what_was_found_is_made_of_all_that_decides_it() -> None:
    models = load_models()
    card = models.of[Pattern.SHORT_CYCLING].card
    other = dataclasses.replace(
        models.of[Pattern.SHORT_CYCLING], card=msgspec.structs.replace(card, threshold=0.9)
    )
    prints = {
        engine.fingerprint(PROFILE, PARAMETERS, models),
        engine.fingerprint(msgspec.structs.replace(PROFILE, max_pressure_kpa=900.0), PARAMETERS, models),
        engine.fingerprint(PROFILE, Parameters(required_margin_k=12.0), models),
        engine.fingerprint(
            PROFILE, PARAMETERS, dataclasses.replace(models, of={**models.of, Pattern.SHORT_CYCLING: other})
        ),
        engine.fingerprint(
            PROFILE, PARAMETERS, dataclasses.replace(models, run_confidence=less_sure(models))
        ),
    }
    assert len(prints) == 5
    same = msgspec.structs.replace(PROFILE, label="another name on the door", yard="north")
    assert engine.fingerprint(same, PARAMETERS, models) == engine.fingerprint(PROFILE, PARAMETERS, models)


def test_nothing_is_known_before_the_first_reading() -> None:
    state = engine.initial_state("unit")
    assert engine.status(state, PROFILE, PARAMETERS, load_models()) is None
    assert engine.newest_ms(state) is None
    assert engine.unfinished(state) == []
    assert engine.standing(state) == []


def test_the_status_of_a_running_unit(history: Readings) -> None:
    until = history[history.observed_at_ms <= history.observed_at_ms[0] + 8 * 3_600_000 - 1_200_000]
    state = fold(until).state
    status = engine.status(state, PROFILE, PARAMETERS, load_models())
    assert status is not None
    assert status.running
    assert status.run is not None
    assert status.run.end_at is None
    assert seconds(status.run.start_at) == pytest.approx(7 * 3600, abs=10.0)
    assert round(status.observed_at.timestamp() * 1000) == engine.newest_ms(state) == until.observed_at_ms[-1]
    assert status.discharge_temp_c == pytest.approx(until.discharge_temp_c[-1], abs=1.0)
    assert status.pressure_kpa == until.pressure_kpa[-1]
    assert status.hours == until.hours[-1]
    assert abs(status.ambient_temp_c - 12.0) <= 2.0 * status.ambient_error_k
    assert 0.0 <= status.water_low_g <= status.water_g <= status.water_high_g
    assert engine.unfinished(state)[0] == status.run


@pytest.mark.parametrize("at_h", [3.0, 7.7], ids=["standing", "running"])
def test_required_temperature_is_the_dew_point_and_the_margin(history: Readings, at_h: float) -> None:
    """Dew point of the intake air squeezed to the sump's pressure: real moist air (RP-1485, CoolProp)."""
    until = history[history.observed_at_ms <= history.observed_at_ms[0] + int(at_h * 3_600_000)]
    warm = dataclasses.replace(
        until, ambient_temp_c=np.full(len(until), 33.0), ambient_rh_pct=np.full(len(until), 70.0)
    )
    status = engine.status(fold(warm).state, PROFILE, PARAMETERS, load_models())
    assert status is not None
    gauge_kpa = status.pressure_kpa if status.running else 0.95 * PROFILE.max_pressure_kpa
    ratio = HAPropsSI("W", "T", status.ambient_temp_c + 273.15, "P", 101325.0, "R", 0.70)
    sump_pa = 1000.0 * (gauge_kpa + 101.325)
    dew_c = HAPropsSI("D", "T", 150.0 + 273.15, "P", sump_pa, "W", ratio) - 273.15
    assert status.pressure_dew_point_c == pytest.approx(dew_c, abs=0.2)
    assert status.required_temp_c == pytest.approx(max(dew_c + 10.0, 65.0), abs=0.2)


def test_dry_air_leaves_the_floor_as_required(history: Readings) -> None:
    dry = dataclasses.replace(history, ambient_rh_pct=np.full(len(history), 15.0))
    status = engine.status(fold(dry).state, PROFILE, PARAMETERS, load_models())
    assert status is not None
    assert status.required_temp_c == PARAMETERS.required_floor_c
    assert status.pressure_dew_point_c < status.required_temp_c - PARAMETERS.required_margin_k


def test_a_trace_ends_where_the_status_stands(history: Readings) -> None:
    trace = engine.trace(engine.initial_state("unit"), history, PROFILE, PARAMETERS)
    status = engine.status(fold(history).state, PROFILE, PARAMETERS, load_models())
    assert status is not None
    assert trace.water_g[-1] == status.water_g
    assert trace.ambient_temp_c[-1] == status.ambient_temp_c
    assert trace.required_temp_c[-1] == pytest.approx(status.required_temp_c, abs=1e-9)
    assert trace.pressure_dew_point_c[-1] == pytest.approx(status.pressure_dew_point_c, abs=1e-9)
    lengths = {len(getattr(trace, field.name)) for field in dataclasses.fields(trace)}
    assert lengths == {len(history)}
    assert not np.any(trace.hot & ~trace.running)
    assert np.all((trace.water_low_g <= trace.water_g) & (trace.water_g <= trace.water_high_g))
    running_s = 10.0 * trace.running.sum()
    assert running_s == pytest.approx(95 * 60.0, abs=60.0)


def test_rows_of_a_wrong_clock_are_blank_in_a_trace(history: Readings) -> None:
    rows = slice(100, 110)
    wrong = changed(history, "quality", rows, int(Quality.CLOCK_WRONG))
    trace = engine.trace(engine.initial_state("unit"), wrong, PROFILE, PARAMETERS)
    assert np.all(np.isnan(trace.water_g[rows]))
    assert not np.isnan(trace.water_g[110])
    assert len(wrong) - fold(wrong).state.rows == 10


@pytest.mark.parametrize(
    ("signal", "value"),
    [
        ("discharge_temp_c", math.inf),
        ("discharge_temp_c", senses_temp.HIGHEST_C + 1.0),
        ("pressure_kpa", -math.inf),
        ("pressure_kpa", senses_pressure.RELIEF_RATIO * UnitProfile(unit_id="unit").max_pressure_kpa + 1.0),
    ],
)
def test_what_can_not_be_is_as_if_not_reported(history: Readings, signal: str, value: float) -> None:
    rows = np.arange(len(history)) % 11 == 3
    wrong, unsent = (changed(history, signal, rows, v) for v in (value, math.nan))
    assert fold(wrong).told == fold(unsent).told


def test_a_value_the_door_flagged_is_as_if_not_reported(history: Readings) -> None:
    rows = np.arange(len(history)) % 11 == 3
    flagged = changed(
        changed(history, "ambient_rh_pct", rows, 50.0),
        "quality",
        rows,
        int(Quality.AMBIENT_RH_OUT_OF_RANGE),
    )
    assert fold(flagged).told == fold(changed(history, "ambient_rh_pct", rows, math.nan)).told


def test_nothing_but_unreported_signals_is_no_news() -> None:
    blank = by_hand(
        range(0, 3600, 10), **dict.fromkeys(("temp_c", "pressure_kpa", "hours", "rh_pct"), math.nan)
    )
    found = fold(blank)
    assert found.events == []
    status = engine.status(found.state, PROFILE, PARAMETERS, load_models())
    assert status is not None
    assert math.isnan(status.discharge_temp_c)
    assert not status.running


@pytest.mark.parametrize("index", FAULTY)
def test_records_make_sense(index: int) -> None:
    unit = simulated(index)
    found = fold(unit.readings, profile=unit.profile)
    for run in found.runs:
        check_run(run, unit.profile)
    for finding in found.findings:
        check_finding(finding, unit.readings)
    days = [day.date for day in found.water_days]
    assert days == [days[0] + dt.timedelta(days=n) for n in range(len(days))]
    assert len({event.date for event in found.told[2]}) == len(found.told[2]), "a day ends once"


def check_run(run: Run, profile: UnitProfile) -> None:
    assert run.unit_id == profile.unit_id
    assert run.end_at is not None
    assert run.start_at <= run.end_at
    assert run.required_temp_c >= PARAMETERS.required_floor_c
    assert run.dew_margin_k == pytest.approx(run.peak_temp_c - run.pressure_dew_point_c)
    assert 0.0 <= run.dry_min <= run.hot_min
    assert (run.time_to_hot_min is None) or run.time_to_hot_min >= 0.0
    assert run.hot_min == 0.0 or run.time_to_hot_min is not None
    assert 0.0 < run.confidence <= 1.0
    minutes = (run.end_at - run.start_at).total_seconds() / 60.0
    if run.wet:
        assert minutes < PARAMETERS.short_run_min
        assert run.hot_min < PARAMETERS.wet_hot_min
        assert run.water_end_g - run.water_start_g >= PARAMETERS.wet_gain_g
        assert run.outcome is not Outcome.HELD


def check_finding(finding: Finding, readings: Readings) -> None:
    assert finding.unit_id == readings.unit_id
    assert finding.start_at <= finding.first_flagged_at
    assert finding.end_at is None or finding.end_at >= finding.start_at
    learnt = load_models().of.get(finding.pattern)
    assert (learnt.threshold - 1e-4 if learnt else 0.0) <= finding.confidence <= 1.0
    assert finding.run_start_at is None or finding.run_start_at >= finding.start_at
    assert_readable(
        fact for fact in finding.evidence if fact.name != "never_hot_runs" and "month" not in fact.text
    )


@pytest.mark.parametrize("index", FAULTY)
def test_one_finding_of_a_pattern_stands_at_a_time(index: int) -> None:
    unit = simulated(index)
    found = fold(unit.readings, profile=unit.profile)
    for pattern in Pattern:
        spans = [(f.start_at, f.end_at) for f in found.findings if f.pattern is pattern]
        for (_, end_at), (start_at, _) in itertools.pairwise(sorted(spans, key=lambda span: span[0])):
            assert end_at is not None
            assert end_at <= start_at
    assert {f.finding_id for f in engine.standing(found.state)} == {
        f.finding_id for f in found.findings if f.end_at is None
    }


def test_every_day_is_told_though_nothing_came_in_it(history: Readings) -> None:
    later = dataclasses.replace(history, observed_at_ms=history.observed_at_ms + 5 * 86_400_000)
    days = fold(history, later).water_days
    assert [day.date for day in days] == [dt.date(2026, 1, 5) + dt.timedelta(days=n) for n in range(5)]
    (today,) = [event for event in engine.unfinished(fold(history).state) if isinstance(event, WaterDay)]
    assert (today.date, today.grams) == (days[0].date, days[0].grams)
