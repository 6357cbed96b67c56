"""The technician's rules on histories whose answer anybody would give."""

from __future__ import annotations

import datetime as dt
import math

import msgspec
import numpy as np
import pytest

from ingest.profile import UnitProfile
from models.detectors import Seen, Technician
from models.event_matching import Told
from models.records import Outcome, Pattern, Run
from tests.unit.models.histories import MONDAY_MS, by_hand

H = 3600.0
MONDAY_S = MONDAY_MS / 1000.0
CYCLING, NEVER, ICING = (
    Pattern.SHORT_CYCLING,
    Pattern.NEVER_REACHING_TEMPERATURE,
    Pattern.PRESSURE_SENSOR_ICING,
)


def at(hours: float) -> dt.datetime:
    return dt.datetime.fromtimestamp(MONDAY_S + hours * H, dt.UTC)


def run(start_h: float, minutes: float, peak_c: float, air_c: float = 15.0) -> Run:
    end_at = at(start_h + minutes / 60.0)
    return Run(
        unit_id="unit",
        start_at=at(start_h),
        end_at=end_at,
        last_at=end_at,
        start_temp_c=air_c,
        peak_temp_c=peak_c,
        end_temp_c=peak_c,
        ambient_temp_c=air_c,
        ambient_error_k=1.0,
        pressure_dew_point_c=50.0,
        required_temp_c=65.0,
        dew_margin_k=0.0,
        hot_min=0.0,
        dry_min=0.0,
        time_to_hot_min=None,
        delivered_m3=1.0,
        water_in_g=0.0,
        water_out_g=0.0,
        water_start_g=0.0,
        water_end_g=0.0,
        wet=False,
        pressure_trusted=True,
        outcome=Outcome.HELD,
        confidence=1.0,
    )


def said(
    *runs: Run,
    temp_c: float | np.ndarray = 80.0,
    pressure_kpa: float | np.ndarray = 0.0,
    hours: float = 200.0,
) -> list[tuple[Pattern, float, float, float]]:
    """Pattern, start, end and instant of flagging of each finding, in hours from Monday."""
    at_s = np.arange(0.0, hours * H, 60.0)
    seen = Seen(
        profile=UnitProfile(unit_id="unit"),
        readings=by_hand(at_s, temp_c=temp_c, pressure_kpa=pressure_kpa),
        runs=runs,
        findings=(),
    )

    def hours_of(told: Told) -> list[float]:
        ends = (told.start_s, told.end_s, told.flagged_s)
        return [round((s - MONDAY_S) / H, 3) if math.isfinite(s) else s for s in ends]

    return [(Pattern(told.pattern), *hours_of(told)) for told in Technician().told(seen)]


COOL = [run(24.0 * day, 3.0, 40.0) for day in range(4)]


def test_four_cool_runs_in_a_week_are_short_cycling() -> None:
    assert said(*COOL[:3]) == []
    assert said(*COOL) == [(CYCLING, 0.0, math.inf, 72.05)]


def test_a_long_hot_run_ends_short_cycling() -> None:
    assert said(*COOL, run(100.0, 30.0, 90.0)) == [(CYCLING, 0.0, 100.5, 72.05)]
    assert said(*COOL[:3], run(60.0, 30.0, 90.0), COOL[3]) == []


@pytest.mark.parametrize("last", [run(24.0 * 8, 3.0, 40.0), run(72.0, 3.0, 70.0), run(72.0, 16.0, 60.0)])
def test_runs_far_apart_hot_or_long_do_not_count(last: Run) -> None:
    assert [one for one in said(*COOL[:3], last) if one[0] is CYCLING] == []


def test_a_run_still_cool_after_twenty_minutes_never_gets_hot() -> None:
    assert said(run(1.0, 40.0, 50.0), temp_c=50.0) == [(NEVER, 1.0, math.inf, 1.333)]


def test_a_later_run_that_gets_hot_ends_it() -> None:
    runs = (run(1.0, 40.0, 50.0), run(5.0, 40.0, 50.0), run(9.0, 40.0, 80.0))
    temp_c = np.where(np.arange(12_000) < 9 * 60, 50.0, 80.0)
    assert said(*runs, temp_c=temp_c) == [(NEVER, 1.0, 5.667, 1.333)]


def test_a_run_that_ends_in_twenty_minutes_says_nothing() -> None:
    assert said(run(1.0, 19.0, 50.0), temp_c=50.0) == []


def test_no_pressure_in_frost_while_the_oil_warms_is_ice() -> None:
    minute = np.arange(0, 6 * 60)
    warming_c = np.clip(-10.0 + 4.0 * (minute - 60), -10.0, 70.0)
    frost = said(run(1.0, 60.0, 70.0, air_c=-10.0), temp_c=warming_c, hours=6.0)
    assert frost == [(ICING, 1.05, 2.0, 1.05)]
    assert said(run(1.0, 60.0, 70.0, air_c=3.0), temp_c=warming_c, hours=6.0) == []


def test_pressure_long_after_the_stop_in_frost_is_ice() -> None:
    minute = np.arange(0, 6 * 60)
    held_kpa = np.where((minute > 60) & (minute < 240), 900.0, 0.0)
    blown_kpa = np.where((minute > 60) & (minute < 130), 900.0, 0.0)
    frosty = run(1.0, 60.0, 90.0, air_c=-10.0)
    assert said(frosty, temp_c=90.0, pressure_kpa=held_kpa, hours=6.0) == [(ICING, 2.5, 3.983, 2.5)]
    assert said(frosty, temp_c=90.0, pressure_kpa=blown_kpa, hours=6.0) == []


def test_a_run_that_is_not_over_is_left_alone() -> None:
    assert said(msgspec.structs.replace(run(1.0, 40.0, 50.0), end_at=None), temp_c=50.0) == []
