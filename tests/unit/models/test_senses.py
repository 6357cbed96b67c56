"""What each reading is worth: swapped units, bus codes, resets, repeats, stuck sensors; against the truth."""

from __future__ import annotations

import dataclasses
import functools
import math

import numpy as np
import pytest

from ingest.quality import Quality
from ingest.reading import IntArray, Readings
from ingest.units_of_measure import KPA_PER_BAR, KPA_PER_PSI, S_PER_H, f_from_c
from models import engine
from models.artefact import load_models
from models.plant import FAST, SLOW, Machine, Truth
from models.records import Pattern
from models.trace import Trace
from models.training import as_judged_at_the_door
from tests.unit.models.histories import (
    DAY_S,
    PARAMETERS,
    PROFILE,
    QUIET,
    by_hand,
    changed,
    fold,
    machine_history,
    observed,
    seconds,
)

RUNS = [(1, 40, 0.7), (4, 6, 0.8), (7, 3, 0.5), (9, 90, 0.3), (14, 2, 0.8), (16, 25, 0.6)]
"""Start [h], length [min], demand: long, short, very short, at every load."""
SWAPPED = int(Quality.UNIT_SWAPPED)
AMBIGUOUS = int(Quality.PRESSURE_AMBIGUOUS)
STUCK = int(Quality.SENSOR_STUCK)
LOST = frozenset({Pattern.SENSOR_FAULT})
"""What may be said of a sensor that sends nothing but codes for long."""
LEARNT_LATER_G = 6.0
"""Where a unit's inlet shuts is learnt from its pressure; read in coarser steps, or held back for a while,
that may be a run later, and what a hot run dries counts only from then on. [g]"""
SLIGHT_G = 1.0
"""Less water than this is no difference that anybody would act on: a fiftieth of the harmful amount. [g]"""


@functools.cache
def truth_at(air_c: float) -> Truth:
    return machine_history(RUNS, air_c=air_c)


@functools.cache
def history(
    air_c: float = 15.0, every_s: int = 10, step_kpa: float = KPA_PER_PSI, ambient: bool = False
) -> Readings:
    instruments = dataclasses.replace(
        QUIET, every_s=every_s, pressure_step_kpa=step_kpa, hours_step_h=0.05, sends_ambient=ambient
    )
    return observed(truth_at(air_c), instruments)


def rows_between(readings: Readings, from_h: float, to_h: float) -> IntArray:
    at_h = (readings.observed_at_ms - readings.observed_at_ms[0]) / 3.6e6
    return np.flatnonzero((at_h >= from_h) & (at_h < to_h))


def judged(readings: Readings) -> Readings:
    return as_judged_at_the_door(dataclasses.replace(readings, quality=np.zeros(len(readings), np.int64)))


def in_f(readings: Readings, rows: IntArray, *, ambient: bool = False) -> Readings:
    for name in ("discharge_temp_c", "ambient_temp_c")[: 2 if ambient else 1]:
        readings = changed(readings, name, rows, np.round(f_from_c(getattr(readings, name)[rows]), 1))
    return judged(readings)


def pressure_in(readings: Readings, rows: IntArray, kpa_per_unit: float, step: float) -> Readings:
    shown = np.round(readings.pressure_kpa[rows] / kpa_per_unit / step) * step
    return judged(changed(readings, "pressure_kpa", rows, shown))


def traced(readings: Readings) -> Trace:
    return engine.trace(engine.initial_state("unit"), readings, PROFILE, PARAMETERS)


def flagged(readings: Readings, flag: int) -> IntArray:
    return np.flatnonzero(traced(readings).quality & flag)


def assert_told_alike(
    readings: Readings,
    clean: Readings,
    *,
    within_s: float,
    slight_g: float = SLIGHT_G,
    slight_k: float = 2.0,
    beside: frozenset[Pattern] = frozenset(),
) -> None:
    """The same runs, no finding but those `beside` what was there, and the same water every day and now."""
    got, wanted = fold(readings), fold(clean)
    ends = [[(seconds(run.start_at), seconds(run.end_at)) for run in told.runs] for told in (got, wanted)]
    assert len(ends[0]) == len(ends[1]), ends
    assert np.max(np.abs(np.subtract(*ends)), initial=0.0) <= within_s
    assert {f.pattern for f in got.findings} <= {f.pattern for f in wanted.findings} | beside
    for run, other in zip(got.runs, wanted.runs, strict=True):
        assert run.water_end_g == pytest.approx(other.water_end_g, abs=slight_g)
        assert run.peak_temp_c == pytest.approx(other.peak_temp_c, abs=slight_k)
    for mine, theirs in zip(got.water_days, wanted.water_days, strict=True):
        assert mine.grams == pytest.approx(theirs.grams, abs=slight_g)


@pytest.mark.parametrize("air_c", [-5.0, 15.0, 35.0])
@pytest.mark.parametrize("every_s", [10, 60])
def test_nothing_is_held_against_a_sound_truck(air_c: float, every_s: int) -> None:
    for step_kpa in (KPA_PER_PSI, 1.0, 4.0, 10.0):
        assert not traced(history(air_c, every_s, step_kpa)).quality.any()


@pytest.mark.parametrize("air_c", [-5.0, 15.0, 35.0])
@pytest.mark.parametrize("every_s", [10, 60])
@pytest.mark.parametrize("from_h", [0.5, 1.3, 1.7, 5.0, 9.05, 12.0])
def test_a_truck_in_fahrenheit_from_some_moment_on(air_c: float, every_s: int, from_h: float) -> None:
    """Standing, hot, cooling, inside a warm-up: nothing changes but the flags, and back it goes too."""
    clean = history(air_c, every_s)
    for to_h in (24.0, 16.2, 20.0):
        rows = rows_between(clean, from_h, to_h)
        swapped = in_f(clean, rows)
        # The reading that leaps is not taken: worth a minute of the wettest air at 60 s.
        assert_told_alike(swapped, clean, within_s=2.0 * every_s, slight_g=1.0 if every_s == 10 else 8.0)
        found = flagged(swapped, SWAPPED)
        assert set(found) <= set(rows.tolist())
        assert len(rows) - len(found) <= 3
        trace = traced(swapped)
        np.testing.assert_allclose(
            trace.discharge_temp_c[found], clean.discharge_temp_c[found], rtol=0.0, atol=0.1
        )


@pytest.mark.parametrize("from_h", [0.5, 1.3, 9.5])
@pytest.mark.parametrize(
    ("scale", "step"), [(KPA_PER_PSI, 1.0), (KPA_PER_PSI, 0.1), (KPA_PER_BAR, 0.1), (KPA_PER_BAR, 0.01)]
)
def test_a_truck_that_goes_over_to_other_units_altogether(from_h: float, scale: float, step: float) -> None:
    clean = history(ambient=True)
    rows = rows_between(clean, from_h, 16.2)
    swapped = pressure_in(in_f(clean, rows, ambient=True), rows, scale, step)
    assert_told_alike(swapped, clean, within_s=120.0, slight_g=LEARNT_LATER_G)
    back = fold(swapped).state.memory[0]
    assert (back["temp_f"], back["air_f"], back["kpa_unit"]) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize("every_s", [10, 60])
@pytest.mark.parametrize("step", [1.0, 0.1])
@pytest.mark.parametrize("from_h", [0.5, 1.3, 9.5])
def test_pressure_alone_in_psi(every_s: int, step: float, from_h: float) -> None:
    clean = history(every_s=every_s)
    rows = rows_between(clean, from_h, 24.0)
    swapped = pressure_in(clean, rows, KPA_PER_PSI, step)
    # At 60 s the shortest runs are three readings long: one more or less is ten kelvin of warm-up.
    slight_k = 2.0 if every_s == 10 else 12.0
    assert_told_alike(swapped, clean, within_s=120.0, slight_g=3.0, slight_k=slight_k)
    assert flagged(swapped, SWAPPED)[0] in rows
    assert len(flagged(swapped, SWAPPED)) > 0.4 * len(rows)


@pytest.mark.parametrize("step", [0.1, 0.01])
@pytest.mark.parametrize("from_h", [0.5, 1.3, 9.5])
def test_pressure_alone_in_bar(step: float, from_h: float) -> None:
    clean = history()
    rows = rows_between(clean, from_h, 24.0)
    swapped = pressure_in(clean, rows, KPA_PER_BAR, step)
    assert_told_alike(swapped, clean, within_s=120.0, slight_g=LEARNT_LATER_G)
    assert flagged(swapped, SWAPPED)[0] in rows
    assert len(flagged(swapped, SWAPPED)) > 0.4 * len(rows)


def test_a_truck_that_was_in_fahrenheit_and_psi_from_its_first_day_on() -> None:
    """Believed in its third run far above what oil bears: the first two may have been overheats."""
    clean = history()
    everything = np.arange(len(clean))
    swapped = pressure_in(in_f(clean, everything), everything, KPA_PER_PSI, 1.0)
    trace, wanted = traced(swapped), traced(clean)
    late = rows_between(clean, 16.4, 24.0)
    assert np.all(trace.quality[late] & SWAPPED)
    np.testing.assert_allclose(trace.discharge_temp_c[late], wanted.discharge_temp_c[late], atol=0.1)
    # Until then the ledger goes by the heat that is told: what the first run breathes in leaves at once.
    assert np.max(np.abs(trace.water_g - wanted.water_g)) < 15.0
    assert np.max(np.abs(trace.water_g[late] - wanted.water_g[late])) < SLIGHT_G
    assert np.max(np.abs(trace.ambient_temp_c[late] - wanted.ambient_temp_c[late])) < 8.0
    # Until it is told, 120 under a °C name is a warning that nobody should suppress; it ends with the doubt.
    (told,) = fold(swapped).findings
    assert told.pattern is Pattern.OVERHEATING
    assert told.end_at is not None
    assert told.evidence[0].name == "in_f"
    assert "second thermometer" in told.evidence[0].text
    # The heat as it was first told stays beside it.
    assert told.evidence[1].name == "temp_c"
    assert told.evidence[1].value > 110.0


@pytest.mark.parametrize("machine", [FAST, SLOW])
@pytest.mark.parametrize("air_c", [-5.0, 8.0, 21.0, 33.0])
@pytest.mark.parametrize("every_s", [60, 120, 180, 300])
def test_a_start_between_two_readings_is_no_swap(machine: Machine, air_c: float, every_s: int) -> None:
    """Far apart, readings leap from parked to hot, and down again after a run that none of them saw."""
    for phase_h in np.arange(5) * 60.0 / S_PER_H:
        runs = [(2.0 + phase_h, 60, 1.0), (6.0 + phase_h, 1.5, 1.0), (12.0 + phase_h, 5, 0.6)]
        truth = machine_history(runs, air_c=air_c, machine=machine)
        readings = observed(truth, dataclasses.replace(QUIET, every_s=every_s))
        assert len(flagged(readings, SWAPPED)) == 0


@pytest.mark.parametrize("every_s", [10, 60])
@pytest.mark.parametrize("rise_k_min", [12.0, 25.0])
@pytest.mark.parametrize("silent_min", [(0.0, 0.0), (4.0, 15.0)])
def test_heat_beyond_every_shutdown_is_told_and_stays_told(
    every_s: int, rise_k_min: float, silent_min: tuple[float, float]
) -> None:
    """A curve that has been followed from the cold up is in degC, whatever its number in degF would be."""
    at_s = np.arange(0.0, 2.5 * S_PER_H, every_s)
    run_s = at_s - S_PER_H
    turns = (run_s >= 0.0) & (run_s < 3000.0)
    noise_k = np.random.default_rng(0).normal(0.0, 0.2, len(at_s))
    top_c = np.minimum(20.0 + rise_k_min * np.clip(run_s, 0.0, 3000.0) / 60.0, 165.0)
    temp_c = np.where(run_s < 3000.0, top_c, np.maximum(165.0 - (run_s - 3000.0) / 60.0, 20.0))
    clean = by_hand(
        at_s,
        temp_c=np.round(temp_c + noise_k, 1),
        pressure_kpa=np.where(turns, 950.0 + 10.0 * np.round(noise_k, 1), 0.0),
        hours=100.0 + np.floor(np.clip(run_s, 0.0, 3000.0) / 180.0) * 0.05,
        rh_pct=50.0,
    )
    kept = clean[np.flatnonzero((run_s < 60.0 * silent_min[0]) | (run_s > 60.0 * silent_min[1]))]
    burning = kept.discharge_temp_c > 145.0
    taken = traced(kept)
    assert np.count_nonzero(taken.discharge_temp_c[burning] != kept.discharge_temp_c[burning]) <= 3
    told = [finding for finding in fold(kept).findings if finding.pattern is Pattern.OVERHEATING]
    assert len(told) == 1
    assert told[0].end_at is None
    assert any("°F under" in fact.text for fact in told[0].evidence)


@pytest.mark.parametrize("from_h", [1.8, 2.5])
def test_a_swap_behind_a_long_silence(from_h: float) -> None:
    """The meter stood still over eight hours: a unit at 58 is not as warm as that in air of 15."""
    truth = machine_history([(1, 40, 0.7), (14, 40, 0.7)])
    clean = observed(truth)
    silent = clean[np.delete(np.arange(len(clean)), rows_between(clean, from_h, from_h + 8.0))]
    swapped = in_f(silent, rows_between(silent, from_h + 0.1, 24.0))
    found = flagged(swapped, SWAPPED)
    assert len(found) > 0.9 * len(rows_between(silent, from_h + 0.1, 24.0))
    assert_told_alike(swapped, silent, within_s=20.0)


@pytest.mark.parametrize("name", ["discharge_temp_c", "pressure_kpa", "ambient_temp_c", "ambient_rh_pct"])
def test_a_sensor_that_goes_mad_is_in_no_other_unit_for_long(name: str) -> None:
    clean = history(ambient=True)
    rng = np.random.default_rng(3)
    rows = rows_between(clean, 2.0, 3.0)
    low, high = (0.0, 100.0) if name == "ambient_rh_pct" else (-50.0, 150.0)
    wild = judged(changed(clean, name, rows, rng.uniform(low, high, len(rows))))
    assert not set(flagged(wild, SWAPPED)) - set(rows.tolist())
    assert len(flagged(wild, SWAPPED)) < 0.05 * len(rows)


@pytest.mark.parametrize("seconds_down", [5, 20, 60, 240])
@pytest.mark.parametrize("every_s", [10, 60])
@pytest.mark.parametrize("offset_kpa", [-25.0, 0.0, 10.0, 25.0])
def test_a_blowdown_is_no_swap(seconds_down: int, every_s: int, offset_kpa: float) -> None:
    """However slowly the sump blows down, and wherever the sensor rests (zero offset: published figure)."""
    clean = history(every_s=every_s, step_kpa=1.0)
    at_s = (clean.observed_at_ms - clean.observed_at_ms[0]) / 1000.0
    kpa = clean.pressure_kpa + offset_kpa
    for run in truth_at(15.0).runs:
        since_s = at_s - (run.end_s - (clean.observed_at_ms[0] - truth_at(15.0).start_at_ms) / 1000.0)
        falling = (since_s >= 0.0) & (since_s < 20.0 * seconds_down)
        kpa[falling] = np.round(offset_kpa + 1000.0 * np.exp(-since_s[falling] / seconds_down))
    assert len(flagged(judged(dataclasses.replace(clean, pressure_kpa=kpa)), SWAPPED)) == 0


@pytest.mark.parametrize("code_kpa", [1016.0, 1020.0])
@pytest.mark.parametrize("step_kpa", [4.0, KPA_PER_PSI, 1.0])
def test_a_bus_code_in_a_standing_unit_is_no_pressure(code_kpa: float, step_kpa: float) -> None:
    """SAE J1939 codes 0xFE and 0xFF at 4 kPa a bit (from memory), for an hour and for a night."""
    clean = history(step_kpa=step_kpa)
    for from_h, to_h in ((2.0, 3.0), (18.0, 24.0), (0.0, 0.9)):
        rows = rows_between(clean, from_h, to_h)
        coded = changed(clean, "pressure_kpa", rows, code_kpa)
        assert_told_alike(coded, clean, within_s=10.0, beside=LOST)
        assert flagged(coded, AMBIGUOUS).tolist() == rows.tolist()


def test_a_coarse_sensor_iced_at_the_figure_of_a_code_is_kept() -> None:
    """In steps of eight up to 1048 kPa the scaling is another: 1016 is a pressure, if a wrong one."""
    clean = history(-5.0, step_kpa=8.0)
    assert clean.pressure_kpa.max() > 1020.0
    rows = rows_between(clean, 10.5, 13.9)
    assert len(flagged(changed(clean, "pressure_kpa", rows, 1016.0), AMBIGUOUS)) == 0


@pytest.mark.parametrize("code_kpa", [1016.0, 1020.0])
def test_a_bus_code_in_a_run_is_told_by_the_coarse_scaling(code_kpa: float) -> None:
    """A sensor lost inside a run, over its end and the next start; at 4 kPa a bit 1000 kPa is the most."""
    clean = history(step_kpa=4.0)
    clean = dataclasses.replace(clean, pressure_kpa=np.minimum(clean.pressure_kpa, 1000.0))
    rows = rows_between(clean, 9.5, 14.5)
    coded = changed(clean, "pressure_kpa", rows, code_kpa)
    assert flagged(coded, AMBIGUOUS).tolist() == rows.tolist()
    assert_told_alike(coded, clean, within_s=120.0, slight_g=3.0, beside=LOST)


@pytest.mark.parametrize("step_kpa", [0.0, 1.0, KPA_PER_PSI, 10.0])
def test_a_working_pressure_that_equals_a_code_is_kept(step_kpa: float) -> None:
    """Bar with one decimal shows 1020 kPa for minutes on end; a fine sensor meets it in passing."""
    clean = history(step_kpa=step_kpa)
    shift_kpa = 1020.0 - np.median(clean.pressure_kpa[rows_between(clean, 1.2, 1.6)])
    near = changed(clean, "pressure_kpa", slice(None), np.round(clean.pressure_kpa + shift_kpa, 3))
    near = changed(
        near, "pressure_kpa", clean.pressure_kpa < 500.0, clean.pressure_kpa[clean.pressure_kpa < 500.0]
    )
    n_codes = np.count_nonzero(np.abs(near.pressure_kpa - 1020.0) <= 0.4)
    assert n_codes >= 10
    assert len(flagged(near, AMBIGUOUS)) <= 0.02 * n_codes + 1


@pytest.mark.parametrize("hours", [0.0, 55.0, 5000.0])
def test_a_new_hour_meter_leaves_its_flag(hours: float) -> None:
    clean = history()
    at = rows_between(clean, 5.0, 24.0)
    newer = changed(clean, "hours", at, clean.hours[at] - clean.hours[at[0]] + hours)
    assert flagged(newer, int(Quality.METER_RESET)).tolist() == [at[0]]
    assert_told_alike(newer, clean, within_s=10.0)


def test_a_message_sent_again_is_told_by_its_stillness_and_by_its_counter() -> None:
    clean = history()
    rows = rows_between(clean, 1.2, 1.5)
    again = clean
    for name in ("discharge_temp_c", "pressure_kpa", "hours", "ambient_rh_pct"):
        again = changed(again, name, rows, getattr(clean, name)[rows[0]])
    repeated = int(Quality.REPEATED)
    assert set(flagged(again, repeated)) <= set(rows.tolist())
    assert len(flagged(again, repeated)) >= len(rows) - 12
    counted = dataclasses.replace(clean, seq=np.arange(len(clean)))
    assert len(flagged(counted, repeated)) == 0
    rows = rows_between(clean, 2.0, 2.5)
    for name in ("discharge_temp_c", "pressure_kpa", "hours", "ambient_rh_pct", "seq"):
        counted = changed(counted, name, rows, getattr(counted, name)[rows[0]])
    assert len(flagged(counted, repeated)) >= len(rows) - 3


def test_a_stuck_thermometer_is_told_by_the_runs_it_sleeps_through() -> None:
    clean = history()
    rows = rows_between(clean, 0.5, 24.0)
    stuck = changed(clean, "discharge_temp_c", rows, clean.discharge_temp_c[rows[0]])
    found = flagged(stuck, STUCK)
    assert len(found)
    assert set(found) <= set(rows.tolist())
    assert traced(stuck).running[found].mean() > 0.95


def test_a_pressure_that_sleeps_through_a_start_is_stuck() -> None:
    clean = history()
    rows = rows_between(clean, 0.5, 3.0)
    found = flagged(changed(clean, "pressure_kpa", rows, 0.0), STUCK)
    assert len(found)
    assert set(found) <= set(rows_between(clean, 1.0, 1.75).tolist())


def test_humidity_that_sleeps_through_a_day_is_stuck() -> None:
    truth = machine_history([(1, 40, 0.7), (30, 40, 0.7)], hours=48.0)
    clean = observed(truth)
    stuck = changed(clean, "ambient_rh_pct", slice(None), 63.0)
    assert flagged(stuck, STUCK)[0] == pytest.approx(DAY_S / 10.0, abs=20.0)
    fog = changed(clean, "ambient_rh_pct", slice(None), 100.0)
    assert len(flagged(fog, STUCK)) == 0, "saturated air may stay so for days"


def test_a_stuck_hour_meter_is_told_while_the_unit_runs() -> None:
    clean = history()
    found = flagged(changed(clean, "hours", slice(None), 100.0), STUCK)
    assert len(found)
    assert traced(clean).running[found].mean() > 0.95


@pytest.mark.parametrize("rh_pct", [100.0, 101.0, 101.6, 102.0, 0.0, -3.0, math.inf, math.nan])
def test_humidity_at_or_beyond_its_ends_poisons_nothing(rh_pct: float) -> None:
    clean = history()
    rows = rows_between(clean, 2.0, 24.0)
    ended = judged(changed(clean, "ambient_rh_pct", rows, rh_pct))
    trace = traced(ended)
    bad = not 1.0 <= rh_pct <= 101.0 and not math.isnan(rh_pct)
    assert bool(len(flagged(ended, int(Quality.AMBIENT_RH_OUT_OF_RANGE)))) == bad
    assert np.all(np.isfinite(trace.water_high_g[10:]))
    # Saturated air is water indeed; what is no humidity at all leaves the air less known, and said to be so.
    if bad or math.isnan(rh_pct):
        off_k = np.abs(trace.ambient_temp_c - traced(clean).ambient_temp_c)[10:]
        assert np.all(off_k <= np.maximum(trace.ambient_error_k[10:], 3.0))
        assert np.max(off_k) < 6.0


def test_humidity_as_a_fraction_is_converted() -> None:
    clean = history()
    rows = rows_between(clean, 2.0, 24.0)
    fraction = judged(changed(clean, "ambient_rh_pct", rows, clean.ambient_rh_pct[rows] / 100.0))
    assert flagged(fraction, SWAPPED).tolist() == rows.tolist()
    assert_told_alike(fraction, clean, within_s=0.0, slight_g=0.01)


def test_the_status_counts_the_doubtful_readings_of_a_day_and_forgets_them() -> None:
    clean = history()
    rows = rows_between(clean, 22.0, 24.0)
    swapped = fold(in_f(clean, rows))
    status = engine.status(swapped.state, PROFILE, PARAMETERS, load_models())
    assert status is not None
    assert status.doubtful["discharge_temp_in_f"] == len(flagged(in_f(clean, rows), SWAPPED))
    later = by_hand(np.arange(50 * 3600, 51 * 3600, 10.0), temp_c=15.0, rh_pct=60.0, hours=clean.hours[-1])
    after = engine.status(fold(later, state=swapped.state).state, PROFILE, PARAMETERS, load_models())
    assert after is not None
    assert "discharge_temp_in_f" not in after.doubtful


@pytest.mark.parametrize("late_s", [-540.0, 540.0])
def test_a_clock_a_little_off_moves_everything_with_it(late_s: float) -> None:
    clean = history()
    shift_ms = int(1000 * late_s)
    off = judged(dataclasses.replace(clean, observed_at_ms=clean.observed_at_ms + shift_ms))
    assert not traced(off).quality.any()
    got, wanted = fold(off).runs, fold(clean).runs
    for run, other in zip(got, wanted, strict=True):
        assert seconds(run.start_at) - seconds(other.start_at) == pytest.approx(late_s)
        assert run.water_end_g == pytest.approx(other.water_end_g, abs=0.5)


@pytest.mark.parametrize(("rest_c", "hot_c"), [(31.1, 87.4), (-12.0, 11.0), (29.0, 84.5)])
@pytest.mark.parametrize("every_s", [60, 120, 300])
def test_a_light_machine_that_starts_is_in_no_other_unit(rest_c: float, hot_c: float, every_s: int) -> None:
    """Each pair is one temperature in both scales (31 degC are 88 degF): chance, not a swap.

    20 kW of shaft power into 20 to 35 kJ/K of oil and iron make some 0.5 K/s, up to the thermal valve.
    """
    at_s = np.arange(0, 7200 + every_s, every_s)
    run_s = np.maximum(at_s - 3600.0, 0.0)
    ran = at_s >= 3600
    readings = by_hand(
        at_s,
        temp_c=np.round(np.where(ran, np.minimum(rest_c + 0.4 * run_s, hot_c), rest_c), 1)
        + 0.1 * (np.arange(len(at_s)) % 3),
        pressure_kpa=np.where(ran, 0.98 * PROFILE.max_pressure_kpa, 0.0),
        hours=100.0 + np.floor(run_s / 180.0) * 0.05,
    )
    told = traced(judged(readings))
    np.testing.assert_array_equal(told.quality & SWAPPED, 0)
    assert told.discharge_temp_c[-1] == pytest.approx(readings.discharge_temp_c[-1], abs=1e-9)


def test_a_swap_without_a_start_is_still_one() -> None:
    """The same leap while nothing else moves: the truck has gone over to degF."""
    at_s = np.arange(0, 7200, 60)
    wobble_c = 0.1 * (np.arange(len(at_s)) % 3)
    readings = by_hand(at_s, temp_c=np.where(at_s < 3600, 31.1, np.round(f_from_c(31.1), 1)) + wobble_c)
    assert np.all(traced(judged(readings)).quality[-30:] & SWAPPED)


@pytest.mark.parametrize("offset_pct", [-1.0, -3.0])
def test_air_too_dry_for_its_sensor_is_no_failed_sensor(offset_pct: float) -> None:
    """Outdoor air of -20 degC warmed to 15 degC indoors has 5 to 6 % (saturation over water 0.126 and 1.705
    kPa: WMO tables), and 2 % on a colder day; a sensor reads that less its error."""
    at_s = np.arange(0, 86400, 60)
    true_pct = np.clip(8.0 - at_s / 3600.0, 2.0, None) + 0.1 * (np.arange(len(at_s)) % 5)
    readings = judged(by_hand(at_s, temp_c=15.0, rh_pct=np.round(true_pct + offset_pct, 1)))
    assert readings.ambient_rh_pct.min() < 1.0 + offset_pct + 1.1
    assert [f for f in fold(readings).findings if f.pattern is Pattern.SENSOR_FAULT] == []


def test_a_humidity_sensor_that_falls_to_nothing_at_once_has_failed() -> None:
    at_s = np.arange(0, 86400, 60)
    dead = np.where(at_s < 43200, 55.0 + 0.5 * (np.arange(len(at_s)) % 7), 0.0)
    readings = judged(by_hand(at_s, temp_c=15.0, rh_pct=dead))
    (finding,) = [f for f in fold(readings).findings if f.pattern is Pattern.SENSOR_FAULT]
    assert finding.signals == ("ambient_rh_pct",)


@pytest.mark.parametrize("air_c", [-10.0, 20.0])
@pytest.mark.parametrize("rest_kpa", [3.0, 4.5, 6.0, 7.0])
def test_a_sensor_that_only_rests_is_in_no_other_unit(air_c: float, rest_kpa: float) -> None:
    """Dead or iced, with its noise: three to seven kilopascals would be a working sump in bar."""
    clean = history(air_c)
    noise_kpa = np.random.default_rng(4).normal(0.0, 1.2, len(clean))
    resting = changed(clean, "pressure_kpa", slice(None), np.round(2.0 * (rest_kpa + noise_kpa)) / 2.0)
    assert len(flagged(judged(resting), SWAPPED)) == 0
