"""Verdicts on sensors: what no machine can show, what is stuck, gone or off zero; not what ice explains."""

from __future__ import annotations

import dataclasses
import itertools
import re

import numpy as np
import pytest

from ingest.quality import judge_columns
from ingest.reading import FloatArray, Readings
from ingest.units_of_measure import KPA_PER_PSI, STANDARD_ATMOSPHERE_KPA
from models.plant import Truth
from models.records import Finding, Pattern
from models.sensors import SensorFault, SensorFaultKind
from tests.unit.models.histories import (
    DAY_S,
    MONDAY_MS,
    QUIET,
    by_hand,
    changed,
    fold,
    machine_history,
    observed,
    seconds,
)

H = 3600
RUNS = [(2.0, 40, 0.7), (6.0, 40, 0.7), (10.0, 40, 0.7), (26.0, 40, 0.7), (34.0, 40, 0.7), (46.0, 40, 0.7)]


@pytest.fixture(scope="module")
def truth() -> Truth:
    return machine_history(RUNS, hours=56.0)


@pytest.fixture(scope="module")
def frosty() -> Truth:
    return machine_history(RUNS, air_c=-8.0, hours=56.0)


@pytest.fixture(scope="module")
def clean(truth: Truth) -> Readings:
    return observed(truth)


def at_s(readings: Readings) -> FloatArray:
    return (readings.observed_at_ms - MONDAY_MS) / 1000.0


def shown(readings: Readings, signal: str, from_s: float, to_s: float, value: object) -> Readings:
    """A signal that shows something else in part of the history, as the door would have flagged it."""
    part = (at_s(readings) >= from_s) & (at_s(readings) < to_s)
    spoilt = changed(readings, signal, part, np.broadcast_to(value, len(part))[part])
    return dataclasses.replace(spoilt, quality=judge_columns(spoilt))


def faults(readings: Readings) -> list[Finding]:
    return [one for one in fold(readings).findings if one.pattern is Pattern.SENSOR_FAULT]


def test_sound_sensors_are_not_blamed(clean: Readings) -> None:
    assert fold(clean).findings == []


@pytest.mark.parametrize(
    ("signal", "value"),
    [
        # A ratiometric 0-200 psi transducer with its wire off, or its supply on the signal: -25 and 225 psi.
        ("pressure_kpa", -25.0 * KPA_PER_PSI),
        ("pressure_kpa", 225.0 * KPA_PER_PSI),
        ("discharge_temp_c", 195.0),
        ("discharge_temp_c", -80.0),
        ("ambient_rh_pct", -12.0),
        ("hours", -1.0),
    ],
)
def test_values_no_machine_reaches_are_a_fault_once_they_last(
    clean: Readings, signal: str, value: float
) -> None:
    from_s, to_s = 2.2 * H, 7.0 * H
    (found,) = faults(shown(clean, signal, from_s, to_s, value))
    assert found.signals == (signal,)
    assert seconds(found.start_at) == pytest.approx(from_s, abs=10)
    assert 600 <= seconds(found.first_flagged_at) - from_s <= 630
    assert "no such machine can reach" in found.evidence[0].text


@pytest.mark.parametrize(
    ("signal", "code", "says"),
    [
        # SAE J1939-71: 0xFE.. is "error", 0xFF.. "not available", scaled by a decoder that knows neither.
        ("discharge_temp_c", 214.0, "in error on the bus"),
        ("pressure_kpa", 2032.0, "in error on the bus"),
        ("ambient_rh_pct", 101.6, "in error on the bus"),
        ("pressure_kpa", 2040.0, "sent no value"),
    ],
)
def test_lasting_bus_codes_are_a_fault(clean: Readings, signal: str, code: float, says: str) -> None:
    (found,) = faults(shown(clean, signal, 6.0 * H, 34.0 * H, code))
    assert found.signals == (signal,)
    assert says in found.evidence[0].text


def test_some_codes_now_and_then_are_none(clean: Readings) -> None:
    rare = np.random.default_rng(3).random(len(clean)) < 0.3
    spoilt = changed(clean, "pressure_kpa", rare, 2032.0)
    assert faults(dataclasses.replace(spoilt, quality=judge_columns(spoilt))) == []


def test_a_signal_that_was_never_there_is_not_fitted(clean: Readings) -> None:
    for value in (np.nan, 102.0):
        assert faults(shown(clean, "ambient_rh_pct", 0.0, 60.0 * H, value)) == []


def test_a_controller_that_sends_no_pressure_while_parked_is_sound(truth: Truth, clean: Readings) -> None:
    running = truth.running[np.rint(at_s(clean) / truth.step_s).astype(int)]
    assert faults(changed(clean, "pressure_kpa", ~running, np.nan)) == []


@pytest.mark.parametrize("signal", ["pressure_kpa", "ambient_rh_pct"])
def test_a_signal_that_stays_away_is_a_fault(clean: Readings, signal: str) -> None:
    (found,) = faults(shown(clean, signal, 5.0 * H, 60.0 * H, np.nan))
    assert found.signals == (signal,)
    assert "no value" in found.evidence[0].text
    assert found.end_at is None


@pytest.mark.parametrize("kpa", [0.0, 400.0, 950.0])
def test_a_pressure_that_stands_still_in_warm_weather_is_a_fault_not_ice(clean: Readings, kpa: float) -> None:
    noise_kpa = np.random.default_rng(2).normal(0.0, 0.7, len(clean))
    found = fold(shown(clean, "pressure_kpa", 5.0 * H, 45.0 * H, kpa + noise_kpa)).findings
    assert [one.pattern for one in found] == [Pattern.SENSOR_FAULT]
    (one,) = found
    assert one.signals == ("pressure_kpa",)
    assert 12.0 * H <= seconds(one.first_flagged_at) - seconds(one.start_at) < 22.0 * H
    assert 45.0 * H < seconds(one.end_at) < 46.2 * H


@pytest.mark.parametrize("kpa", [0.0, 400.0, 950.0])
def test_in_frost_that_is_left_to_icing(frosty: Truth, kpa: float) -> None:
    noise_kpa = np.random.default_rng(2).normal(0.0, 0.7, len(observed(frosty)))
    found = fold(shown(observed(frosty), "pressure_kpa", 5.0 * H, 45.0 * H, kpa + noise_kpa)).findings
    assert Pattern.SENSOR_FAULT not in [one.pattern for one in found]


def test_what_comes_right_overnight_is_no_transducers_fault(clean: Readings) -> None:
    """Ice out of a warm garage: the estimate of the air says warm, and it thaws again indoors."""
    assert faults(shown(clean, "pressure_kpa", 5.0 * H, 12.0 * H, 400.0)) == []


@pytest.mark.parametrize("charge_kpa", [240.0, 600.0, 900.0])
def test_a_sump_that_stays_charged_is_never_called_empty(clean: Readings, charge_kpa: float) -> None:
    """A blowdown valve that jams shut: sealed gas at constant volume keeps p/T (ideal gas law)."""
    t, held_kpa = at_s(clean), clean.pressure_kpa.copy()
    kelvin = clean.discharge_temp_c + 273.15
    ends_h = [start_h + minutes / 60.0 for start_h, minutes, _ in RUNS]
    for end_h, next_h in itertools.pairwise([*ends_h, 56.0]):
        next_start_h = min((start_h for start_h, _, _ in RUNS if start_h > end_h), default=next_h)
        stopped = np.flatnonzero((t >= end_h * H) & (t < next_start_h * H))
        absolute_kpa = (charge_kpa + STANDARD_ATMOSPHERE_KPA) * kelvin[stopped] / kelvin[stopped[0]]
        held_kpa[stopped] = absolute_kpa - STANDARD_ATMOSPHERE_KPA
    (found,) = faults(changed(clean, "pressure_kpa", slice(None), held_kpa))
    (said,) = found.evidence
    assert said.name == "pressure_kpa_charged_min"
    assert "treat it as charged" in said.text
    assert "empty" not in said.text
    assert "zero" not in said.text


@pytest.mark.parametrize(
    ("offset_kpa", "verdict"),
    [(60.0, "zero_off"), (200.0, "charged"), (20.0, None), (-20.0, None)],
)
def test_what_stays_after_every_stop(truth: Truth, offset_kpa: float, verdict: str | None) -> None:
    """No published zero tolerance (1-2 % of full scale) comes near 100 kPa: above, it may be pressure."""
    found = faults(observed(truth, dataclasses.replace(QUIET, pressure_offset_kpa=offset_kpa)))
    assert [one.evidence[0].name for one in found] == ([f"pressure_kpa_{verdict}_min"] if verdict else [])
    for one in found:
        assert "charged until a second gauge" in one.evidence[0].text
        # One count of the sensor is 1 psi.
        (shown_kpa,) = re.findall(r"reads (\d+) kPa", one.evidence[0].text)
        assert float(shown_kpa) == pytest.approx(offset_kpa, abs=KPA_PER_PSI)


def test_what_is_left_in_the_sump_once_is_no_zero(clean: Readings) -> None:
    assert faults(shown(clean, "pressure_kpa", 10.8 * H, 25.9 * H, 60.0)) == []


@pytest.mark.parametrize("stuck_c", [15.0, -40.0])
def test_a_temperature_that_does_not_warm_through_runs_is_stuck(clean: Readings, stuck_c: float) -> None:
    found = fold(shown(clean, "discharge_temp_c", 5.0 * H, 25.0 * H, stuck_c)).findings
    assert [one.pattern for one in found if one.explained_by is None] == [Pattern.SENSOR_FAULT]
    (one,) = [one for one in found if one.pattern is Pattern.SENSOR_FAULT]
    assert one.signals == ("discharge_temp_c",)
    assert seconds(one.first_flagged_at) <= 6.0 * H + 1200
    assert 25.0 * H <= seconds(one.end_at) <= 27.0 * H


def test_a_temperature_that_leaps_away_and_stays_is_stuck(clean: Readings) -> None:
    """An open circuit at a scaling that begins at -40, in the middle of a run."""
    (found,) = faults(shown(clean, "discharge_temp_c", 2.4 * H, 5.0 * H, -40.0))
    assert seconds(found.first_flagged_at) - 2.4 * H <= 640


def test_a_loose_temperature_connector_leaps(clean: Readings) -> None:
    part = (at_s(clean) > 6.2 * H) & (at_s(clean) < 6.6 * H)
    loose = part & (np.arange(len(clean)) // 6 % 2 == 0)
    (found,) = faults(changed(clean, "discharge_temp_c", loose, clean.discharge_temp_c[loose] - 30.0))
    assert "leaps up and down" in found.evidence[0].text
    assert seconds(found.first_flagged_at) < 6.4 * H
    assert 6.9 * H < seconds(found.end_at) < 7.4 * H


def test_single_spikes_are_no_loose_connector(clean: Readings) -> None:
    spikes = np.zeros(len(clean), bool)
    spikes[200::400] = True
    assert faults(changed(clean, "discharge_temp_c", spikes, 10.0)) == []


def test_a_steady_thermal_valve_is_no_stuck_sensor() -> None:
    """Hours in balance at a coarse sensor's one degree."""
    coarse = dataclasses.replace(QUIET, temp_step_c=1.0, temp_noise_k=0.05)
    assert faults(observed(machine_history([(1.0, 420, 0.6), (9.0, 300, 0.6)], hours=16.0), coarse)) == []


class TestHumidity:
    """A humidity sensor that has not moved for days while the weather has."""

    @staticmethod
    def weather(days: float, rh_pct: object, swing_k: float = 8.0) -> Readings:
        t = np.arange(0.0, days * DAY_S, 600.0)
        air_c = 12.0 + swing_k * np.sin(2.0 * np.pi * t / DAY_S)
        return by_hand(t, temp_c=air_c, ambient_c=air_c, rh_pct=np.broadcast_to(rh_pct, len(t)).astype(float))

    def test_days_at_one_value_are_a_fault(self) -> None:
        (found,) = faults(self.weather(7.0, 47.0))
        assert found.signals == ("ambient_rh_pct",)
        assert seconds(found.first_flagged_at) == pytest.approx(5 * DAY_S, abs=1200)
        assert "47 %" in found.evidence[0].text

    def test_fog_holds_a_sound_sensor_at_saturation_for_longer(self) -> None:
        assert faults(self.weather(7.0, 100.0)) == []
        assert len(faults(self.weather(12.0, 100.0))) == 1

    def test_air_that_stands_still_itself_proves_nothing(self) -> None:
        assert faults(self.weather(7.0, 47.0, swing_k=1.0)) == []

    def test_one_step_a_day_is_life(self) -> None:
        t = np.arange(0.0, 9 * DAY_S, 600.0)
        assert faults(self.weather(9.0, 47.0 + (t // DAY_S) % 2)) == []

    def test_it_closes_when_it_moves(self) -> None:
        rh_pct = np.where(np.arange(0.0, 8 * DAY_S, 600.0) < 6 * DAY_S, 47.0, 52.0)
        (found,) = faults(self.weather(8.0, rh_pct))
        assert seconds(found.end_at) == 6 * DAY_S


def test_two_sensors_are_one_finding_that_names_both(clean: Readings) -> None:
    one = shown(clean, "pressure_kpa", 5.0 * H, 50.0 * H, 225.0 * KPA_PER_PSI)
    both = shown(one, "ambient_rh_pct", 20.0 * H, 30.0 * H, -12.0)
    both = dataclasses.replace(both, quality=one.quality | both.quality)
    (found,) = faults(both)
    versions = [f.signals for f in fold(both).events if isinstance(f, Finding) and f.end_at is None]
    assert versions == [("pressure_kpa",), ("pressure_kpa", "ambient_rh_pct"), ("pressure_kpa",)]
    assert found.end_at is not None


def test_a_sensor_wrong_in_one_state_only_is_one_finding_not_one_a_stop(truth: Truth) -> None:
    """Below zero by more than any tolerance: out of range when stopped, plausible while it runs."""
    readings = observed(truth, dataclasses.replace(QUIET, pressure_offset_kpa=-60.0))
    (found,) = faults(readings)
    assert found.end_at is None


@pytest.mark.parametrize("kind", [k for k in SensorFaultKind if k is not SensorFaultKind.STALE])
def test_every_simulated_fault_is_found(truth: Truth, kind: SensorFaultKind) -> None:
    fault = SensorFault(kind=kind, start_s=5 * H, end_s=56 * H)
    (found,) = faults(observed(truth, faults=(fault,)))
    assert found.signals == (("discharge_temp_c",) if "temp" in kind.value else ("pressure_kpa",))


@pytest.mark.parametrize("cut_h", [5.1, 6.3, 10.0, 25.5])
def test_where_chunks_are_cut_changes_nothing(clean: Readings, cut_h: float) -> None:
    readings = shown(clean, "pressure_kpa", 5.0 * H, 25.0 * H, 225.0 * KPA_PER_PSI)
    cut = int(np.searchsorted(at_s(readings), cut_h * H))
    assert fold(readings[:cut], readings[cut:]).told == fold(readings).told


def test_an_hour_meter_that_does_not_count_is_stuck() -> None:
    readings = observed(machine_history([(1.0, 300, 0.7), (8.0, 60, 0.7)], hours=10.0))
    (found,) = faults(shown(readings, "hours", 1.1 * H, 8.5 * H, 100.05))
    assert found.signals == ("hours",)
    assert 3.0 * H <= seconds(found.first_flagged_at) - 1.1 * H <= 3.7 * H
    # At its next step of 0.05 h.
    assert 0 <= seconds(found.end_at) - 8.5 * H <= 200


@pytest.mark.parametrize("step_h", [0.05, 0.1])
@pytest.mark.parametrize("every_s", [60, 120, 300])
def test_a_meter_that_counts_short_runs_of_a_truck_that_sleeps_between_them_is_sound(
    every_s: int, step_h: float
) -> None:
    """Its steps fall before or after a run as often as in it, and a night's silence is no running."""
    starts_h = [24.0 * day + at_h for day in range(10) for at_h in (7.0, 9.5, 15.0)]
    truth = machine_history([(at_h, 3.5, 0.6) for at_h in starts_h], hours=240.0)
    sent = dataclasses.replace(QUIET, every_s=every_s, hours_step_h=step_h)
    readings = observed(truth, sent)
    awake = np.zeros(len(readings), bool)
    for at_h in starts_h:
        awake |= (at_s(readings) > at_h * H) & (at_s(readings) < at_h * H + 210 + every_s)
    assert faults(readings[awake]) == []
