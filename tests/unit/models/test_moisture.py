"""The ledger over whole runs of the simulated machine and of rows made by hand."""

from __future__ import annotations

import dataclasses

import msgspec
import numpy as np
import pytest

from ingest.profile import UnitProfile
from ingest.reading import Readings
from models import moisture
from models.delivered_air import CONTROL_BAND_KPA
from models.parameters import Parameters
from models.records import Outcome, Pattern
from models.state import constants, fresh_state
from tests.unit.models.histories import (
    PARAMETERS,
    PROFILE,
    QUIET,
    Folded,
    by_hand,
    fold,
    machine_history,
    observed,
)


def steady_run(
    *, temp_c: float, pressure_kpa: float, minutes: float, rh_pct: float = 80.0, first_s: int = 14400
) -> Readings:
    """A unit that stands at 25 degC for hours, then runs at one temperature and pressure from the start."""
    at_s = np.arange(0, first_s + int(minutes * 60) + 1800, 10)
    on = (at_s >= first_s) & (at_s < first_s + minutes * 60)
    hours = np.where(at_s < first_s, 0.0, np.minimum((at_s - first_s) / 3600.0, minutes / 60.0))
    return by_hand(
        at_s,
        temp_c=np.where(on, temp_c, 25.0) + 0.05 * (at_s // 10 % 2),
        pressure_kpa=np.where(on, pressure_kpa + 2.0 * (at_s // 10 % 2), 0.0),
        hours=100.0 + np.round(hours, 2),
        rh_pct=rh_pct,
        ambient_c=25.0,
    )


def wet_start(grams: float) -> Folded:
    """A unit whose sump holds this much."""
    start = fold(by_hand(np.arange(-7200, 0, 10), ambient_c=25.0, temp_c=25.0))
    for name in ("water_g", "water_low_g", "water_high_g"):
        start.state.memory[name] = grams
    return start


HARMFUL_G = 5.0 * PROFILE.oil_charge_kg
HOT = {"temp_c": 85.0, "minutes": 30.0}
SHUT_ABOVE_RATED_KPA = 1104.0
"""Ten pounds above the rating: closed by either convention of what a nameplate means (common practice)."""


def test_a_hot_run_with_the_valve_shut_dries_nothing() -> None:
    shut = fold(steady_run(pressure_kpa=SHUT_ABOVE_RATED_KPA, **HOT), state=wet_start(50.0).state)
    flowing = fold(steady_run(pressure_kpa=850.0, **HOT), state=wet_start(50.0).state)
    (shut_run,), (open_run,) = shut.runs, flowing.runs
    assert shut_run.hot_min == pytest.approx(30.0, abs=0.5)
    assert open_run.hot_min == pytest.approx(30.0, abs=0.5)
    assert (shut_run.water_out_g, shut_run.delivered_m3, shut_run.dry_min) == (0.0, 0.0, 0.0)
    assert shut_run.outcome is not Outcome.DRIED_OUT
    assert open_run.dry_min == pytest.approx(30.0, abs=0.5)
    assert open_run.outcome is Outcome.DRIED_OUT


def test_at_rated_pressure_the_wet_bound_keeps_what_a_shut_inlet_would_leave() -> None:
    """A nameplate does not say whether 150 psi means full flow or a closed inlet: the bounds carry both."""
    memory = fold(steady_run(pressure_kpa=1032.0, **HOT), state=wet_start(50.0).state).state.memory[0]
    # The first reading's leap is held back as a spike would be: fifteen seconds count as cold.
    assert 49.0 <= memory["water_high_g"] <= 65.0
    assert memory["water_low_g"] < 5.0


def test_below_the_valves_setting_nothing_leaves() -> None:
    (run,) = fold(steady_run(pressure_kpa=250.0, **HOT), state=wet_start(50.0).state).runs
    assert (run.delivered_m3, run.water_out_g, run.dry_min) == (0.0, 0.0, 0.0)
    assert run.hot_min == pytest.approx(30.0, abs=0.5), "hot under working pressure all the same"


def test_a_cool_run_leaves_water_and_a_hot_one_takes_it_away() -> None:
    cool = fold(steady_run(temp_c=40.0, pressure_kpa=900.0, minutes=10.0))
    (run,) = cool.runs
    assert run.wet
    assert run.outcome is Outcome.ADDED_WATER
    assert run.water_out_g == 0.0
    assert run.water_in_g == pytest.approx(run.water_end_g)


def test_the_run_of_the_simulated_machine_gains_within_its_bounds() -> None:
    truth = machine_history([(h, 5, 0.8) for h in range(2, 22, 2)], air_c=28.0, rh=0.8)
    found = fold(observed(truth))
    true_g = truth.runs[-1].water_end_g
    assert true_g > 20.0
    assert found.state.memory["water_low_g"][0] <= true_g <= found.state.memory["water_high_g"][0]


def test_more_than_a_tenth_of_the_oil_charge_does_not_stay() -> None:
    end = fold(steady_run(temp_c=30.0, pressure_kpa=900.0, minutes=2000.0, rh_pct=100.0))
    most_g = moisture.FULLEST_FRACTION * 1000.0 * PROFILE.oil_charge_kg
    assert end.state.memory["water_g"][0] <= most_g
    assert end.state.memory["water_high_g"][0] <= most_g


def test_drying_that_is_not_known_well_opens_the_bounds() -> None:
    run = steady_run(temp_c=85.0, pressure_kpa=850.0, minutes=20.0)
    sure = dataclasses.replace(PARAMETERS, drying_low=0.15, drying_high=0.15)

    def spread_g(parameters: Parameters) -> float:
        memory = fold(run, parameters=parameters, state=wet_start(60.0).state).state.memory[0]
        return float(memory["water_high_g"] - memory["water_low_g"])

    assert spread_g(sure) < spread_g(PARAMETERS)


@pytest.mark.parametrize("altitude_m", [0.0, 2500.0])
def test_thin_air_brings_as_much_vapour_and_carries_less_off(altitude_m: float) -> None:
    profile = msgspec.structs.replace(PROFILE, altitude_m=altitude_m)
    (run,) = fold(steady_run(temp_c=30.0, pressure_kpa=900.0, minutes=10.0), profile=profile).runs
    (sea,) = fold(steady_run(temp_c=30.0, pressure_kpa=900.0, minutes=10.0)).runs
    assert run.water_in_g >= sea.water_in_g
    # The same volume at the same vapour pressure, most of which stays in the sump in both.
    assert run.water_in_g == pytest.approx(sea.water_in_g, rel=0.1)


def test_no_more_running_is_needed_once_the_sump_is_dry() -> None:
    const = constants(UnitProfile(unit_id="unit"), PARAMETERS)[0]
    s = fresh_state()[0]
    s["water_g"] = const["dry_g"]
    assert moisture.dry_out_needed_s(s, const, 85.0) == 0.0


def test_air_that_can_not_dry_is_never_enough() -> None:
    const = constants(UnitProfile(unit_id="unit"), PARAMETERS)[0]
    s = fresh_state()[0]
    s["water_g"], s["ambient_c"], s["vapour_pa"] = 50.0, 35.0, 5000.0
    assert moisture.dry_out_needed_s(s, const, 40.0) == np.inf


@pytest.mark.parametrize("every_s", [10, 60, 120])
@pytest.mark.parametrize("demand", [0.3, 0.5, 0.7, 0.8, 0.9])
def test_a_tool_in_steady_use_is_no_shut_valve(every_s: int, demand: float) -> None:
    """It holds the sump as still, and as high: twenty cool runs of it are short cycling all the same."""
    runs = [(8.0 + 24.0 * day + 2.0 * i + 0.01, 3, demand) for day in range(5) for i in range(4)]
    true = machine_history(runs, air_c=21.0, hours=120.0)
    found = fold(observed(true, dataclasses.replace(QUIET, every_s=every_s, sends_ambient=True)))
    assert Pattern.SHORT_CYCLING in [finding.pattern for finding in found.findings]
    # Within a factor of two: no truck measures its flow.
    assert 0.5 <= found.state.memory[0]["water_g"] / true.runs[-1].water_end_g <= 2.0


@pytest.mark.parametrize("above_kpa", [0.0, 8.0, 16.0, 24.0, 70.0])
def test_held_where_an_inlet_may_be_shut_a_hot_run_takes_no_water_that_was_there(above_kpa: float) -> None:
    """Whatever the belief that air flows: only what that air would have brought may leave with it again."""
    start = wet_start(50.0)
    readings = steady_run(temp_c=85.0, pressure_kpa=PROFILE.max_pressure_kpa + above_kpa, minutes=120.0)
    (run,) = fold(readings, state=start.state).runs
    assert run.water_end_g >= 50.0
    assert run.dry_min == 0.0
    assert run.outcome is not Outcome.DRIED_OUT


def test_a_unit_seen_to_close_its_inlet_below_the_rating_is_taken_for_one_of_those() -> None:
    """Twenty minutes steadily in the band below: at the rating itself little air is then reckoned with."""
    rated_kpa = PROFILE.max_pressure_kpa
    learnt = fold(steady_run(temp_c=45.0, pressure_kpa=rated_kpa - CONTROL_BAND_KPA / 2.0, minutes=20.0))
    start = wet_start(0.0)
    start.state.memory["below_s"] = learnt.state.memory["below_s"]
    later = steady_run(temp_c=45.0, pressure_kpa=rated_kpa - 2.0, minutes=20.0)
    (known,), (unknown,) = fold(later, state=start.state).runs, fold(later).runs
    assert known.delivered_m3 < 0.5 * unknown.delivered_m3


@pytest.mark.parametrize("grams", [45.0, 80.0, 140.0])
def test_what_is_told_dry_is_dry_at_half_the_effectiveness_too(grams: float) -> None:
    """Nobody knows it better: whoever is told early that the water has gone stops the run too soon."""
    slow = dataclasses.replace(PARAMETERS, drying_best=0.5 * PARAMETERS.drying_best)
    told = []
    for minutes in (22.0, 30.0, 45.0, 90.0, 180.0):
        readings = steady_run(temp_c=85.0, pressure_kpa=850.0, minutes=minutes)
        (run,) = fold(readings, state=wet_start(grams).state).runs
        told.append(run.outcome is Outcome.DRIED_OUT)
        if told[-1]:
            (slower,) = fold(readings, parameters=slow, state=wet_start(grams).state).runs
            # Within what the first and the last reading's distance of the run's edges bring.
            assert slower.water_end_g <= 0.1 * HARMFUL_G + 1.0
    assert told == sorted(told), "once dry, a longer run leaves it dry"
    assert told[-1]


@pytest.mark.parametrize("every_s", [10, 60])
@pytest.mark.parametrize("rated_is_shut", [False, True])
def test_hot_running_that_may_be_with_the_valve_shut_ends_no_finding(
    every_s: int, rated_is_shut: bool
) -> None:
    """Ninety minutes hot with no air drawn, by either meaning of the rated pressure: the water stays."""
    runs = [(8.0 + 2.0 * i + 0.01, 3, 1.0) for i in range(5)] + [(19.0, 90, 0.0)]
    true = machine_history(runs, air_c=25.0, rh=0.7, hours=24.0)
    sent = observed(true, dataclasses.replace(QUIET, every_s=every_s, sends_ambient=True))
    if rated_is_shut:
        lower_kpa = np.where(
            sent.pressure_kpa > 900.0, sent.pressure_kpa - CONTROL_BAND_KPA, sent.pressure_kpa
        )
        sent = dataclasses.replace(sent, pressure_kpa=lower_kpa)
    found = fold(sent)
    assert found.runs[-1].outcome is not Outcome.DRIED_OUT
    (told,) = [finding for finding in found.findings if finding.pattern is Pattern.SHORT_CYCLING]
    assert told.end_at is None
