"""Runs shorter than the time between two readings, and runs nobody watched: what of their water is told."""

from __future__ import annotations

import dataclasses

import numpy as np
import psychrolib
import pytest

from ingest.units_of_measure import M3_S_PER_CFM
from models import engine, run_account
from models.artefact import load_models
from models.plant import FAST, SLOW, Machine
from models.records import Outcome, Pattern
from models.state import RUN_ROW
from tests.property.test_moisture import CONST, SEA_LEVEL_PA, sump
from tests.unit.models.histories import PARAMETERS, PROFILE, QUIET, fold, machine_history, observed
from tests.unit.models.test_moisture import steady_run, wet_start

psychrolib.SetUnitSystem(psychrolib.SI)


def vapour_flow_g_s(air_c: float, rh: float) -> float:
    """All the vapour in rated free air, by the handbook's psychrometrics. [g/s]"""
    ratio = psychrolib.GetHumRatioFromRelHum(air_c, rh, SEA_LEVEL_PA)
    dry_kg_s = 80.0 * M3_S_PER_CFM / psychrolib.GetMoistAirVolume(air_c, ratio, SEA_LEVEL_PA)
    return float(1000.0 * dry_kg_s * ratio)


@pytest.mark.parametrize("machine", [SLOW, FAST], ids=["heavy", "light"])
@pytest.mark.parametrize("every_s", [60, 120, 180, 300])
def test_a_run_of_ninety_seconds_takes_in_no_more_than_its_own_air(every_s: int, machine: Machine) -> None:
    """Whatever the phase of the readings, and however late its end is found out."""
    for off_s in range(5, every_s, max(every_s // 6, 10)):
        truth = machine_history([(6 + off_s / 3600, 1.5, 1.0)], air_c=21.0, hours=20.0, machine=machine)
        found = fold(observed(truth, dataclasses.replace(QUIET, every_s=every_s, sends_ambient=True)))
        (run,) = found.runs
        assert run.end_at is not None
        assert (run.end_at - run.start_at).total_seconds() <= 90.0 + 2.0 * every_s
        # The estimate of the air may be off by a fifth of its vapour.
        assert (
            run.water_in_g <= 1.2 * vapour_flow_g_s(21.0, 0.6) * (run.end_at - run.start_at).total_seconds()
        )


@pytest.mark.external
@pytest.mark.parametrize(("temp_c", "gauge_kpa"), [(28.0, 700.0), (35.0, 900.0), (35.0, 600.0)])
def test_what_a_steady_run_gains_is_what_comes_in_less_what_its_air_takes_out(
    temp_c: float, gauge_kpa: float
) -> None:
    """Integrated from the told air alone, with the handbook's humidity ratios at intake and outlet."""
    (run,) = fold(steady_run(temp_c=temp_c, pressure_kpa=gauge_kpa, minutes=20.0)).runs
    ratio_in = psychrolib.GetHumRatioFromRelHum(25.0, 0.8, SEA_LEVEL_PA)
    ratio_out = psychrolib.GetSatHumRatio(temp_c, SEA_LEVEL_PA + 1000.0 * gauge_kpa)
    dry_kg = run.delivered_m3 / psychrolib.GetMoistAirVolume(25.0, ratio_in, SEA_LEVEL_PA)
    kept_g = 1000.0 * dry_kg * (ratio_in - ratio_out)
    # Air under pressure holds up to 4 % more than the ideal gas of the handbook's formula, and the first
    # reading of a leap is held back.
    assert run.water_end_g - run.water_start_g == pytest.approx(kept_g, rel=0.05)


@pytest.mark.parametrize("found_out_s", [600.0, 3600.0, 4 * 3600.0])
@pytest.mark.parametrize("every_s", [10.0, 60.0, 300.0])
@pytest.mark.parametrize("end_s", [0.0, 90.0, 400.0])
def test_an_end_found_out_late_keeps_no_water_from_after_it(
    found_out_s: float, every_s: float, end_s: float
) -> None:
    """A run whose sump seems charged for hours after it has ended: its account goes back to its end."""
    s = sump(20.0, 80.0, water_g=10.0, low_g=5.0, high_g=20.0)
    s["start_t"], s["confirmed"], s["running"], s["pressure_trusted"] = 0.0, 1.0, 1.0, 1.0
    s["pressure_kpa"], s["temp_c"], s["raw_c"], s["smooth_c"] = 700.0, 20.0, 20.0, 20.0
    run_account.open_run(s, CONST, 0.0)
    for at_s in np.arange(every_s, found_out_s + 1.0, every_s):
        s["t"] = s["temp_t"] = s["pressure_t"] = s["hold_t"] = at_s
        run_account.turn(s, CONST, at_s, every_s)
    row = np.zeros(1, RUN_ROW)[0]
    assert run_account.close_run(s, CONST, found_out_s, end_s, row)
    most_g = vapour_flow_g_s(20.0, 0.8) * end_s
    assert row["in_g"] <= 1.05 * most_g
    assert s["water_g"] == pytest.approx(10.0 + row["in_g"])
    assert (row["in_g"] > 0.3 * most_g) == (end_s > 0.0)


def test_a_week_unheard_of_leaves_room_for_what_the_meter_says() -> None:
    """Twenty-eight short runs in a silence: how many nobody can tell, only that air was taken in."""
    runs = [(8.0 + 24.0 * (i // 4) + 2.0 * (i % 4), 5.0, 1.0) for i in range(28)]
    truth = machine_history(runs, air_c=25.0, rh=0.8, hours=170.0)
    sent = observed(truth, QUIET)
    hour = (sent.observed_at_ms - truth.start_at_ms) / 3.6e6
    memory = fold(sent[(hour < 7.0) | (hour > 168.0)]).state.memory[0]
    assert memory["water_low_g"] <= truth.runs[-1].water_end_g <= memory["water_high_g"]


def test_hours_of_a_unit_whose_temperature_never_came_widen_the_wet_bound() -> None:
    runs = [(3.0 + 2.0 * i, 3.0, 1.0) for i in range(6)]
    truth = machine_history(runs, air_c=20.0, hours=18.0)
    sent = observed(truth, QUIET)
    blind = dataclasses.replace(sent, discharge_temp_c=np.full(len(sent), np.nan))
    memory = fold(blind).state.memory[0]
    assert truth.runs[-1].water_end_g > 20.0
    assert memory["water_low_g"] <= truth.runs[-1].water_end_g <= memory["water_high_g"]


@pytest.mark.parametrize(
    ("pressure_kpa", "minutes", "why"),
    [
        (400.0, 60.0, "an unloaded sump rests as high"),
        (1032.0, 60.0, "some inlets are shut at the rating"),
        (960.0, 60.0, "a wide band leaves too little air for the wet bound to fall"),
        (850.0, 3.0, "three minutes dry little"),
    ],
)
def test_what_is_only_possible_is_no_drying(pressure_kpa: float, minutes: float, why: str) -> None:
    start = wet_start(6.0 if minutes < 5.0 else 50.0)
    (run,) = fold(steady_run(temp_c=85.0, pressure_kpa=pressure_kpa, minutes=minutes), state=start.state).runs
    assert run.outcome is not Outcome.DRIED_OUT, why


def test_half_an_hour_hot_with_the_hose_open_ends_the_finding() -> None:
    """Twenty to thirty minutes at temperature with air taken are a dry-out run (published trade figure)."""
    runs = [(8.0 + 2.0 * i + 0.01, 3, 1.0) for i in range(5)] + [(19.0, 60, 1.2)]
    truth = machine_history(runs, air_c=25.0, rh=0.7, hours=24.0)
    found = fold(observed(truth, dataclasses.replace(QUIET, sends_ambient=True)))
    (told,) = [finding for finding in found.findings if finding.pattern is Pattern.SHORT_CYCLING]
    assert truth.runs[-1].water_end_g < 1.0
    assert told.end_at is not None
    assert found.runs[-1].outcome is Outcome.DRIED_OUT


@pytest.mark.parametrize("every_s", [10, 30])
@pytest.mark.parametrize("demand", [0.3, 0.6])
def test_a_sump_that_bleeds_down_to_unload_sends_no_air(demand: float, every_s: int) -> None:
    """Loading and unloading for hours: the air told is the air taken, within a quarter."""
    machine = SLOW._replace(load_unload=True, idle_power_frac=0.25, line_m3=0.4, reload_drop_kpa=170.0)
    truth = machine_history([(2.0, 240, demand), (8.0, 120, demand)], hours=12.0, machine=machine)
    told = fold(observed(truth, dataclasses.replace(QUIET, every_s=every_s))).runs[-1]
    assert told.delivered_m3 / truth.runs[-1].delivered_m3 == pytest.approx(1.0, abs=0.25)
    assert PROFILE.min_pressure_valve_kpa > machine.unloaded_kpa


@pytest.mark.parametrize("every_s", [10, 60])
def test_a_pressure_sensor_dead_at_nothing_hides_no_water(every_s: int) -> None:
    """Not found out yet, it is trusted: an air end that turns keeps its sump charged all the same."""
    runs = [(8.0 + 2.0 * i + 0.01, 2.5, 0.6) for i in range(6)]
    truth = machine_history(runs, air_c=21.0, hours=24.0)
    sent = observed(truth, dataclasses.replace(QUIET, every_s=every_s, sends_ambient=True))
    found = fold(dataclasses.replace(sent, pressure_kpa=np.zeros(len(sent))))
    memory = found.state.memory[0]
    assert memory["water_low_g"] <= truth.runs[-1].water_end_g <= memory["water_high_g"]
    assert memory["water_g"] >= 0.3 * truth.runs[-1].water_end_g
    assert len(found.runs) == len(runs)


@pytest.mark.parametrize(("into_s", "reckoned_kpa"), [(30.0, 0.0), (61.0, 0.95 * 1034.0)])
def test_an_empty_sump_is_believed_for_as_long_as_one_fills(into_s: float, reckoned_kpa: float) -> None:
    """After that it is reckoned with where sumps work: just under the usual band of ten pounds."""
    s = sump(20.0, 60.0)
    s["start_t"], s["t"], s["pressure_kpa"], s["pressure_trusted"] = 0.0, into_s, 0.0, 1.0
    assert run_account.running_pressure_kpa(s, CONST) == pytest.approx(reckoned_kpa, abs=1.0)
    assert PROFILE.max_pressure_kpa == pytest.approx(1034.0, abs=1.0)


@pytest.mark.parametrize("heard_s", [45.0, 120.0])
@pytest.mark.parametrize("air_c", [5.0, 25.0])
def test_a_link_that_dies_as_the_run_starts_leaves_no_run_of_cold_hours(heard_s: float, air_c: float) -> None:
    """By the meter it ran for 102 min, long past the warm-up of 6 to 8 (published trade figure)."""
    truth = machine_history([(6.0, 102.0, 0.6)], air_c=air_c, rh=0.7, hours=12.0)
    sent, (ran,) = observed(truth, QUIET), truth.runs
    at_s = (sent.observed_at_ms - truth.start_at_ms) / 1000.0
    heard = (at_s < ran.start_s + heard_s) | (at_s > ran.end_s + 3600.0)
    found = fold(sent[heard])
    (run,), memory = found.runs, found.state.memory[0]
    assert run.end_at is not None
    assert (run.end_at - run.start_at).total_seconds() > 5000.0
    assert memory["water_low_g"] <= ran.water_end_g <= memory["water_high_g"]
    assert run.water_end_g < CONST["harmful_g"]


def test_a_temperature_that_stops_coming_while_hot_makes_no_later_run_a_drying_one() -> None:
    """Short runs two hours apart, cold each: what the last reading said is long past."""
    runs = [(2.0, 60.0, 1.2), *((12.01 + 2.0 * i, 3.0, 0.6) for i in range(14))]
    truth = machine_history(runs, air_c=20.0, rh=0.8, hours=42.0)
    sent = observed(truth, QUIET)
    lost = (sent.observed_at_ms - truth.start_at_ms) / 3.6e6 > 2.8
    sent = dataclasses.replace(sent, discharge_temp_c=np.where(lost, np.nan, sent.discharge_temp_c))
    found = fold(sent)
    memory, status = found.state.memory[0], engine.status(found.state, PROFILE, PARAMETERS, load_models())
    assert status is not None
    assert truth.runs[-1].water_end_g > CONST["harmful_g"]
    assert memory["water_low_g"] <= truth.runs[-1].water_end_g <= memory["water_high_g"]
    assert memory["water_g"] > CONST["harmful_g"]
    assert np.isnan(status.discharge_temp_c)
    assert all(run.hot_min == 0.0 and run.peak_temp_c < 65.0 for run in found.runs[1:])
