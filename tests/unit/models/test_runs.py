"""When the air end turned, against the simulated machine's truth: clean, iced, spiked and torn data."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest

from ingest.quality import Quality
from ingest.reading import FloatArray, Readings
from models import engine
from models.fleets import fleet_unit
from models.plant import Truth
from models.records import Pattern
from models.sensors import SensorFault, SensorFaultKind
from models.training import as_judged_at_the_door
from tests.unit.models.histories import (
    DAY_S,
    MONDAY_MS,
    PARAMETERS,
    QUIET,
    Folded,
    by_hand,
    changed,
    fold,
    machine_history,
    observed,
    seconds,
)

RUNS = [(1, 40, 0.7), (4, 6, 0.8), (7, 3, 0.5), (9, 90, 0.3), (14, 2, 0.8), (16, 25, 0.6)]
"""Start [h], length [min], demand: long, short, very short, at every load."""
FOUND_WITHIN_S = 120.0
"""Without pressure a start shows by warming and meter, a stop by cooling."""


@functools.cache
def truth_at(air_c: float) -> Truth:
    return machine_history(RUNS, air_c=air_c)


@pytest.fixture(scope="module")
def truth() -> Truth:
    return truth_at(15.0)


@pytest.fixture(scope="module")
def clean(truth: Truth) -> Readings:
    return observed(truth)


def spans(found: Folded) -> list[tuple[float, float]]:
    return [(seconds(run.start_at), seconds(run.end_at)) for run in found.runs]


def true_spans(truth: Truth) -> list[tuple[float, float]]:
    return [(run.start_s, run.end_s) for run in truth.runs]


def assert_same_runs(found: Folded, wanted: list[tuple[float, float]], within_s: float) -> None:
    got = spans(found)
    assert len(got) == len(wanted), got
    assert np.max(np.abs(np.subtract(got, wanted))) <= within_s


@pytest.mark.parametrize("air_c", [-5.0, 15.0, 35.0])
@pytest.mark.parametrize("every_s", [10, 60])
@pytest.mark.parametrize("hours_step_h", [0.01, 0.05, 0.1])
def test_clean_runs_are_found_within_a_sample(air_c: float, every_s: int, hours_step_h: float) -> None:
    truth = truth_at(air_c)
    readings = observed(truth, dataclasses.replace(QUIET, every_s=every_s, hours_step_h=hours_step_h))
    assert_same_runs(fold(readings), true_spans(truth), every_s)


@pytest.mark.parametrize("value_kpa", [0.0, np.nan])
def test_runs_are_found_from_warming_and_meter_alone(truth: Truth, clean: Readings, value_kpa: float) -> None:
    found = fold(changed(clean, "pressure_kpa", slice(None), value_kpa))
    assert_same_runs(found, true_spans(truth), FOUND_WITHIN_S)
    if value_kpa == 0.0:
        assert not any(run.pressure_trusted for run in found.runs if run.end_at - run.start_at > LONG)


LONG = np.timedelta64(10, "m").astype(object)


def iced_high(truth: Truth, pressure_kpa: FloatArray) -> FloatArray:
    """What a port shows that freezes shut at each stop: working pressure until the next start."""
    held = pressure_kpa.copy()
    stopped = ~truth.running
    for run in truth.runs:
        row = run.end_s // truth.step_s
        held[row:][np.cumprod(stopped[row:]).astype(bool)] = pressure_kpa[row - 2]
    return held


def test_a_sump_that_seems_charged_does_not_keep_a_run_open(truth: Truth, clean: Readings) -> None:
    iced = dataclasses.replace(clean, pressure_kpa=iced_high(truth, clean.pressure_kpa))
    found = fold(iced)
    assert_same_runs(found, true_spans(truth), FOUND_WITHIN_S)
    for run, true in zip(found.runs, truth.runs, strict=True):
        assert run.hot_min <= (true.end_s - true.start_s) / 60.0, "hot after the stop is not hot running"
        assert run.dry_min <= run.hot_min


@pytest.mark.parametrize("signal", ["hours", "ambient_rh_pct"])
def test_a_signal_that_is_never_sent_moves_no_run(truth: Truth, clean: Readings, signal: str) -> None:
    assert_same_runs(fold(changed(clean, signal, slice(None), np.nan)), true_spans(truth), 10.0)


@pytest.mark.parametrize("signal", ["discharge_temp_c", "pressure_kpa", "hours", "ambient_rh_pct"])
@pytest.mark.parametrize("share", [0.01, 0.2])
def test_lost_values_move_no_run(truth: Truth, clean: Readings, signal: str, share: float) -> None:
    lost = np.random.default_rng(7).random(len(clean)) < share
    assert_same_runs(fold(changed(clean, signal, lost, np.nan)), true_spans(truth), 30.0)


@pytest.mark.parametrize(
    ("signal", "value"),
    [
        ("pressure_kpa", 2040.0),
        ("pressure_kpa", 1020.0),
        ("pressure_kpa", 0.0),
        ("discharge_temp_c", 215.0),
        ("discharge_temp_c", 150.0),
        ("discharge_temp_c", -40.0),
        ("hours", 0.0),
        ("hours", 99999.0),
    ],
)
def test_a_lone_wrong_value_makes_no_run_and_ends_none(
    truth: Truth, clean: Readings, signal: str, value: float
) -> None:
    spiked = np.arange(len(clean)) % 37 == 5
    found = fold(changed(clean, signal, spiked, value))
    # A working pressure that comes within the engine's 45 s before a true start looks like its beginning.
    assert_same_runs(found, true_spans(truth), 45.0)
    # A sensor that drops out every six minutes, day after day, may well be called faulty.
    assert {finding.pattern for finding in found.findings} <= {Pattern.SENSOR_FAULT}


@pytest.mark.parametrize("value_c", [-40.0, 170.0])
@pytest.mark.parametrize("n", [2, 3, 6])
@pytest.mark.parametrize("row", [3000, 7500])
def test_a_temperature_that_leaps_makes_no_run(
    truth: Truth, clean: Readings, value_c: float, n: int, row: int
) -> None:
    """A lost sensor reads the end of its scale for some messages, while the unit stands."""
    found = fold(changed(clean, "discharge_temp_c", slice(row, row + n), value_c))
    assert_same_runs(found, true_spans(truth), 10.0)
    assert not found.findings


@pytest.mark.parametrize("code_kpa", [1016.0, 1020.0])
@pytest.mark.parametrize("n", [2, 4, 12])
def test_bus_codes_that_look_like_a_working_pressure_make_no_run(
    truth: Truth, clean: Readings, code_kpa: float, n: int
) -> None:
    """SAE J1939: 0xFE and 0xFF at 4 kPa a bit (codes from memory) read 1016 and 1020 kPa."""
    found = fold(changed(clean, "pressure_kpa", slice(3000, 3000 + n), code_kpa))
    assert_same_runs(found, true_spans(truth), 10.0)
    assert not found.findings


def test_an_old_message_over_and_over_makes_no_run(truth: Truth) -> None:
    """Repeated from inside a run on, for hours: the run ends where news ended, none starts till then."""
    first, second = truth.runs[0], truth.runs[4]
    stale = SensorFault(
        kind=SensorFaultKind.STALE, start_s=first.start_s + 1200, end_s=truth.runs[3].end_s + 7200
    )
    found = fold(observed(truth, faults=(stale,)))
    got = spans(found)
    assert got[0] == pytest.approx((first.start_s, stale.start_s), abs=100.0)
    assert [start for start, _ in got[1:]] == pytest.approx([second.start_s, truth.runs[5].start_s], abs=10.0)


def test_an_old_message_of_a_standing_unit_makes_no_run(truth: Truth) -> None:
    stale = SensorFault(kind=SensorFaultKind.STALE, start_s=5 * 3600, end_s=12 * 3600)
    wanted = [span for span in true_spans(truth) if not 5 * 3600 < span[0] < 12 * 3600]
    assert_same_runs(fold(observed(truth, faults=(stale,))), wanted, 10.0)


@pytest.mark.parametrize("into_s", [-1800, 1800], ids=["while it stands", "while it runs"])
def test_a_new_hour_meter_moves_no_run(truth: Truth, into_s: int) -> None:
    replaced = dataclasses.replace(QUIET, meter_replaced_s=truth.runs[3].start_s + into_s)
    assert_same_runs(fold(observed(truth, replaced)), true_spans(truth), 10.0)


def without(readings: Readings, from_h: float, to_h: float) -> Readings:
    at_h = (readings.observed_at_ms - MONDAY_MS) / 3.6e6
    return readings[(at_h < from_h) | (at_h > to_h)]


@pytest.mark.parametrize(
    ("from_h", "to_h"),
    [(9.5, 10.0), (11.0, 13.8), (1.2, 1.5)],
    ids=["inside a run", "between runs", "inside a warm-up"],
)
def test_a_gap_that_hides_no_start_or_stop_moves_no_run(
    truth: Truth, clean: Readings, from_h: float, to_h: float
) -> None:
    assert_same_runs(fold(without(clean, from_h, to_h)), true_spans(truth), 10.0)


def test_a_gap_over_whole_runs_leaves_what_the_meter_proves(truth: Truth, clean: Readings) -> None:
    """93 minutes of two runs are one run as far as anybody can tell, somewhere in six and a half hours."""
    found = fold(without(clean, 6.5, 13.0))
    got = spans(found)
    left = [span for span in true_spans(truth) if not 6.5 * 3600 < span[0] < 13 * 3600]
    assert got[:2] + got[3:] == [pytest.approx(span, abs=10.0) for span in left]
    hidden = found.runs[2]
    assert [run.inferred for run in found.runs] == [False, False, True, False, False]
    assert got[2][1] - got[2][0] == pytest.approx(93 * 60, abs=3600 * QUIET.hours_step_h)
    assert 6.5 * 3600 <= got[2][0] < got[2][1] <= 13 * 3600
    assert hidden.start_error_s is not None
    for true in truth.runs[2:4]:
        assert abs(got[2][0] - true.start_s) <= hidden.start_error_s
        assert abs(got[2][1] - true.end_s) <= hidden.end_error_s


def test_a_gap_over_whole_runs_without_a_meter_leaves_the_others(truth: Truth, clean: Readings) -> None:
    spans_left = [span for span in true_spans(truth) if not 6.5 * 3600 < span[0] < 13 * 3600]
    unmetered = changed(clean, "hours", slice(None), np.nan)
    assert_same_runs(fold(without(unmetered, 6.5, 13.0)), spans_left, 10.0)


def test_the_meter_tells_when_a_run_ended_in_a_gap(truth: Truth, clean: Readings) -> None:
    found = fold(without(clean, 10.0, 13.0))
    assert spans(found)[3] == pytest.approx(true_spans(truth)[3], abs=3600 * QUIET.hours_step_h)


def test_cooling_tells_about_when_a_run_ended_in_a_gap(truth: Truth, clean: Readings) -> None:
    unmetered = changed(clean, "hours", slice(None), np.nan)
    run = fold(without(unmetered, 10.0, 11.5)).runs[3]
    assert abs(seconds(run.end_at) - truth.runs[3].end_s) <= run.end_error_s
    assert 36000.0 <= seconds(run.end_at) <= 11.5 * 3600


def test_a_year_of_nothing_is_no_run(clean: Readings) -> None:
    later = dataclasses.replace(
        clean,
        observed_at_ms=clean.observed_at_ms + 365 * 1000 * DAY_S,
        received_at_ms=clean.received_at_ms + 365 * 1000 * DAY_S,
        hours=clean.hours + 2.0,
    )
    found = fold(clean, later)
    assert len(found.runs) == 2 * len(RUNS)
    assert all(run.end_at - run.start_at < LONG * 12 for run in found.runs)
    # Every day between is told, though no reading fell into it.
    assert len(found.water_days) == 365


def test_a_year_of_standing_is_no_run() -> None:
    at_s = np.arange(0, 365 * DAY_S, 600)
    noise = np.random.default_rng(3)
    season = 10.0 - 12.0 * np.cos(2.0 * np.pi * at_s / (365 * DAY_S))
    day = -5.0 * np.cos(2.0 * np.pi * (at_s / 3600.0 - 3.0) / 24.0)
    standing = by_hand(
        at_s,
        temp_c=season + day + noise.normal(0.0, 0.3, len(at_s)),
        pressure_kpa=np.round(noise.normal(0.0, 2.0, len(at_s))),
        rh_pct=60.0 - 3.0 * day,
    )
    found = fold(standing)
    assert found.runs == []
    assert found.findings == []


def test_rows_of_a_wrong_clock_are_passed_over(truth: Truth, clean: Readings) -> None:
    """A controller that restarts at its epoch sends a whole run under instants years too early."""
    wrong = dataclasses.replace(
        clean,
        observed_at_ms=clean.observed_at_ms - 10 * 365 * 1000 * DAY_S,
        quality=np.full(len(clean), int(Quality.CLOCK_WRONG)),
    )
    found = fold(wrong, clean)
    assert_same_runs(found, true_spans(truth), 10.0)
    assert found.told == fold(clean).told


def test_a_run_in_progress_at_the_first_reading_is_taken_up(truth: Truth, clean: Readings) -> None:
    from_s = truth.runs[3].start_s + 1800
    later = clean[(clean.observed_at_ms - MONDAY_MS) / 1000.0 >= from_s]
    assert_same_runs(fold(later), [(from_s, truth.runs[3].end_s), *true_spans(truth)[4:]], 10.0)


def test_oil_that_soaks_up_heat_after_a_stop_is_no_run(truth: Truth, clean: Readings) -> None:
    """Hot metal warms the sensor by ten kelvin in the five minutes after a stop."""
    end_s = truth.runs[3].end_s
    after_s = (clean.observed_at_ms - MONDAY_MS) / 1000.0 - end_s
    bump_k = np.where(after_s > 0.0, 10.0 * (after_s / 300.0) * np.exp(1.0 - after_s / 300.0), 0.0)
    soaking = dataclasses.replace(clean, discharge_temp_c=clean.discharge_temp_c + bump_k)
    assert_same_runs(fold(soaking), true_spans(truth), 10.0)


@pytest.mark.parametrize("every_s", [10, 60, 120])
@pytest.mark.parametrize("spike_k", [-35.0, -9.0, 20.0])
def test_lone_spikes_of_a_parked_unit_make_no_run(every_s: int, spike_k: float) -> None:
    n = 12 * 3600 // every_s
    temp_c = np.full(n, 16.0)
    temp_c[n // 4 :: n // 4] += spike_k
    assert fold(by_hand(np.arange(n) * every_s, temp_c=temp_c)).runs == []


@pytest.mark.parametrize("step_h", [0.01, 0.05, 0.1])
@pytest.mark.parametrize("air_c", [15.0, -15.0])
def test_a_first_short_run_seldom_read_comes_to_an_end(step_h: float, air_c: float) -> None:
    """Ninety seconds between two readings, the meter never seen to step before: not hours, and no ice."""
    for phase_h in np.arange(10) * 30.0 / 3600.0:
        short = machine_history([(4.0 + phase_h, 1.5, 0.8)], air_c=air_c, hours=12.0)
        found = fold(observed(short, dataclasses.replace(QUIET, every_s=300, hours_step_h=step_h)))
        assert all(end - start <= 90.0 + 600.0 for start, end in spans(found))
        assert not found.findings


def test_short_runs_in_deep_frost_leave_the_meter_believed() -> None:
    """Each leaves a lone step and a little warmth; a meter disbelieved for it would let a run stay open."""
    runs = [(1.0 + 1.5 * i, 1.0 + 0.2 * (i % 3), 0.8) for i in range(12)]
    frosty = machine_history(runs, air_c=-25.0, hours=20.0)
    iced = observed(frosty, dataclasses.replace(QUIET, hours_step_h=0.05))
    iced = dataclasses.replace(iced, pressure_kpa=np.zeros(len(iced)))
    found = spans(fold(iced))
    assert found
    assert all(end - start <= 600.0 for start, end in found)


@pytest.mark.parametrize("index", [139, 277, 386])
def test_no_run_stays_open_or_falls_apart_where_pressure_fails(index: int) -> None:
    """Units whose sensor ices or dies charged, and whose meter steps coarsely or is read once a minute."""
    unit = fleet_unit(20260101, index, days=30)
    found, _ = engine.decision_rows(as_judged_at_the_door(unit.readings), unit.profile, PARAMETERS)
    offset_s = unit.start_at_ms / 1000.0 + unit.spec.instruments.clock_offset_s
    true = np.array([(run.start_s, run.end_s) for run in unit.runs])
    nearest = np.abs(true[:, 0] - (found["start_t"] - offset_s)[:, None]).argmin(axis=1)
    lasted_s = true[nearest, 1] - true[nearest, 0]
    assert len(set(nearest.tolist())) == len(found)
    assert np.all(found["end_t"] - found["start_t"] <= lasted_s + 900.0)


def test_a_meter_that_goes_on_after_a_single_temperature_makes_a_run_with_instants() -> None:
    """One temperature ever, a long silence, then hours: there is no reading before to cool from."""
    at_s = np.array([0.0, 10.0, 3.456e7, 3.4564e7])
    temp_c, hours = np.array([40.0, np.nan, np.nan, np.nan]), np.array([0.0, 0.0, np.nan, 1016.0])
    known = by_hand(at_s, temp_c=temp_c, hours=hours, ambient_c=np.array([-20.0, -20.0, np.nan, -20.0]))
    (hidden,) = fold(dataclasses.replace(known, pressure_kpa=np.full(4, np.nan))).runs
    assert hidden.inferred
    assert hidden.end_at is not None
    assert 0.0 < seconds(hidden.end_at) - seconds(hidden.start_at) <= 4000.0


def test_a_hidden_run_is_no_longer_than_its_instants(truth: Truth, clean: Readings) -> None:
    """Hot minutes are summed in fractions of a second; instants are told to the whole one."""
    for into_ms in (137, 445, 863):
        shifted = dataclasses.replace(clean, observed_at_ms=clean.observed_at_ms + into_ms)
        hidden = fold(without(shifted, 6.5, 13.0)).runs[2]
        assert hidden.end_at is not None
        assert hidden.start_at.microsecond == hidden.end_at.microsecond == 0
        assert hidden.hot_min <= (hidden.end_at - hidden.start_at).total_seconds() / 60.0
