"""The fleet page as data, over the invented fleet."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import msgspec
import pytest

from alerts.alarm import AlarmState, Priority
from dashboards.display import System
from dashboards.fleet_rows import FleetRow, Need, fleet_rows, row_json
from dashboards.headline import summary
from dashboards.settings import BoardSettings
from dashboards.unit_state import UnitState
from models.records import Pattern
from tests.unit.dashboards.invented import HOSTILE, NOW, NOW_MS, InventedSources, alarm, profile, status

SETTINGS = BoardSettings()


def rows_of(sources: InventedSources) -> list[FleetRow]:
    return fleet_rows(
        sources.profiles(), sources.statuses(), sources.alarms(), sources.links(), NOW_MS, SETTINGS
    )


def test_fleet_rows_order_by_need() -> None:
    rows = rows_of(InventedSources())
    assert [row.need for row in rows] == sorted(row.need for row in rows)
    assert [row.unit_id for row in rows[:4]] == ["rm-03", "rm-08", "rm-05", "rm-09"]


def test_fleet_rows_high_priority_before_medium_whatever_its_age() -> None:
    units = {f"rm-{n:02d}": profile(n) for n in (1, 2)}
    older_medium = alarm(2, Pattern.SHORT_CYCLING, Priority.MEDIUM, AlarmState.UNACKNOWLEDGED)
    newer_high = alarm(1, Pattern.SHORT_CYCLING, Priority.HIGH, AlarmState.UNACKNOWLEDGED)
    rows = fleet_rows(units, {}, [older_medium, newer_high], {}, NOW_MS, SETTINGS)
    assert [row.unit_id for row in rows] == ["rm-01", "rm-02"]


def test_fleet_rows_show_a_unit_that_no_register_knows() -> None:
    rows = fleet_rows({}, {"rm-04": status(4)}, [], {}, NOW_MS, SETTINGS)
    assert [(row.unit_id, row.profile.provisional) for row in rows] == [("rm-04", True)]


@pytest.mark.parametrize(("age_s", "state"), [(899, UnitState.RUNNING), (901, UnitState.SILENT)])
def test_state_silent_after_the_limit(age_s: float, state: UnitState) -> None:
    heard = status(2, observed_at=NOW - dt.timedelta(seconds=age_s))
    assert fleet_rows({}, {"rm-02": heard}, [], {}, NOW_MS, SETTINGS)[0].state is state


@pytest.mark.parametrize(
    ("water_g", "need", "level"),
    [(33.0, Need.STOPPED, "ok"), (33.3, Need.WATER, "near"), (41.6, Need.WATER, "harmful")],
)
def test_water_is_judged_against_half_a_percent_of_the_oil_charge(
    water_g: float, need: Need, level: str
) -> None:
    # 0.5 % of 8.3 kg is 41.5 g; "near" begins at four fifths of it, 33.2 g.
    row = fleet_rows({}, {"rm-01": status(1, water_g=water_g)}, [], {}, NOW_MS, SETTINGS)[0]
    assert row.need is need
    assert row_json(row, System.SI)["water_level"] == level


def test_summary_counts_each_reason_once() -> None:
    said = summary(rows_of(InventedSources()))
    assert said.startswith("4 trucks need a person today: 2 alarms nobody has acknowledged;")
    assert "1 truck with an acknowledged alarm" in said
    assert "1 truck holding close to" in said
    assert "9 trucks: 5 running, 2 stopped, 2 silent." in said


@pytest.mark.parametrize(
    ("water_g", "said"), [(36.0, "holding close to a harm"), (47.0, "holding a harmful")]
)
def test_summary_tells_harmful_water_from_nearly_so(water_g: float, said: str) -> None:
    # Harmful from 41.5 g, see above.
    row = one_row(water_g=water_g, water_low_g=30.0, water_high_g=64.0)
    assert f"1 truck {said}" in summary([row])


def test_summary_says_when_nothing_is_there() -> None:
    assert summary([]) == "No truck has spoken yet."
    assert summary(fleet_rows({}, {"rm-01": status(1)}, [], {}, NOW_MS, SETTINGS)).startswith("Nothing needs")


def test_row_json_is_plain_data_and_keeps_hostile_names_out_of_addresses() -> None:
    rows = {row.unit_id: row_json(row, System.US) for row in rows_of(InventedSources())}
    assert msgspec.json.decode(msgspec.json.encode(rows)) == rows
    assert not set(rows[HOSTILE]["href"]) & set("<>\"'&. ")
    assert rows[HOSTILE]["label"] == HOSTILE


@pytest.mark.parametrize(
    ("running", "temp_c", "age_s", "said"),
    [
        (True, 70.0, 1, "hot enough"),
        (True, 61.0, 1, "5\u202f°C short"),
        (False, 70.0, 1, "still hot"),
        # The cautions let nothing be opened above 40 °C (104 °F).
        (False, 40.5, 1, "too warm to open"),
        (False, 39.5, 1, "cooled down"),
        # Switches shut such units down at 110 to 120 °C (published trade figures).
        (True, 107.0, 1, "near shutdown"),
        (True, 70.0, 3600, "last known"),
    ],
)
def test_discharge_against_required_in_words(running: bool, temp_c: float, age_s: float, said: str) -> None:
    heard = status(
        2,
        running=running,
        discharge_temp_c=temp_c,
        required_temp_c=66.0,
        observed_at=NOW - dt.timedelta(seconds=age_s),
    )
    assert row_json(fleet_rows({}, {"rm-02": heard}, [], {}, NOW_MS, SETTINGS)[0], System.SI)["gap"] == said


def alarmed(pattern: Pattern, *signals: str, ended: bool = False, **changes: object) -> dict[str, Any]:
    one = msgspec.structs.replace(
        alarm(3, Pattern.SHORT_CYCLING, Priority.HIGH, AlarmState.ACKNOWLEDGED),
        pattern=pattern,
        signals=signals,
        returned_at=NOW if ended else None,
    )
    heard = status(3, NOW, running=True, discharge_temp_c=84.0, pressure_kpa=0.0, **changes)
    row = fleet_rows({}, {"rm-03": heard}, [one], {}, NOW_MS, SETTINGS)[0]
    return row_json(row, System.SI)


def test_repeated_old_values_are_no_standing_of_now() -> None:
    shown = alarmed(Pattern.STALE_TELEMETRY)
    assert (shown["state"], shown["gap"], shown["pressure_note"]) == (
        "unknown",
        "old value repeated",
        "untrusted",
    )
    assert not shown["hot"]
    over = alarmed(Pattern.STALE_TELEMETRY, ended=True)
    assert (over["state"], over["gap"], over["pressure_note"]) == ("running", "hot enough", "")


@pytest.mark.parametrize(
    ("signal", "temp_doubted", "note"),
    [("discharge_temp_c", True, ""), ("pressure_kpa", False, "untrusted"), ("ambient_rh_pct", False, "")],
)
def test_what_a_failed_sensor_shows_is_doubted(signal: str, temp_doubted: bool, note: str) -> None:
    shown = alarmed(Pattern.SENSOR_FAULT, signal)
    assert (shown["temp_doubted"], shown["pressure_note"]) == (temp_doubted, note)
    assert (shown["gap"] == "sensor failed") == temp_doubted


def test_a_unit_heading_for_shutdown_is_not_called_hot_enough() -> None:
    shown = alarmed(Pattern.OVERHEATING)
    assert (shown["gap"], shown["gap_warns"], shown["hot"]) == ("heading for shutdown", True, False)


def test_a_silent_units_pressure_is_the_last_known() -> None:
    heard = status(3, observed_at=NOW - dt.timedelta(days=2), pressure_kpa=0.0)
    row = fleet_rows({}, {"rm-03": heard}, [], {}, NOW_MS, SETTINGS)[0]
    assert row_json(row, System.SI)["pressure_note"] == "last known"


def test_alarms_of_one_priority_stand_in_the_order_in_which_they_must_be_answered() -> None:
    slow = alarm(2, Pattern.PRESSURE_SENSOR_ICING, Priority.HIGH, AlarmState.UNACKNOWLEDGED)
    soon = msgspec.structs.replace(slow, alarm_id="soon", told_at=NOW, respond_by=NOW + dt.timedelta(hours=1))
    slow = msgspec.structs.replace(slow, respond_by=NOW + dt.timedelta(hours=9))
    (row,) = fleet_rows({}, {}, [slow, soon], {}, NOW_MS, SETTINGS)
    assert [one.alarm_id for one in row.alarms] == ["soon", slow.alarm_id]


def test_row_json_unknown_numbers_leave_bars_out() -> None:
    nan = float("nan")
    heard = status(
        2, discharge_temp_c=nan, required_temp_c=nan, water_g=nan, water_low_g=nan, water_high_g=nan
    )
    data = row_json(fleet_rows({}, {"rm-02": heard}, [], {}, NOW_MS, SETTINGS)[0], System.SI)
    assert (data["temp_at"], data["water_at"], data["gap"]) == (None, None, "")
    assert data["temp"] == "\N{EN DASH}"


BLIND = {"discharge_temp_c": float("nan"), "water_g": 0.0, "water_low_g": 0.0, "water_high_g": 0.0}
NO_PRESSURE = {**BLIND, "discharge_temp_c": 20.0, "pressure_kpa": float("nan")}


def one_row(**changes: object) -> FleetRow:
    return fleet_rows({}, {"rm-01": status(1, NOW, **changes)}, [], {}, NOW_MS, SETTINGS)[0]


@pytest.mark.parametrize(
    ("changes", "state"),
    [
        (BLIND, UnitState.UNKNOWN),
        (NO_PRESSURE, UnitState.UNKNOWN),
        ({**NO_PRESSURE, "running": True}, UnitState.RUNNING),
        ({**BLIND, "observed_at": NOW - dt.timedelta(hours=2)}, UnitState.SILENT),
        ({}, UnitState.STOPPED),
    ],
)
def test_a_unit_is_not_called_stopped_by_signals_that_are_not_there(
    changes: dict[str, object], state: UnitState
) -> None:
    assert one_row(**changes).state is state


@pytest.mark.parametrize("changes", [BLIND, NO_PRESSURE, {"required_temp_c": float("nan")}])
def test_water_that_is_not_known_is_a_dash_without_a_bar(changes: dict[str, object]) -> None:
    data = row_json(one_row(**changes), System.US)
    assert (data["water"], data["water_band"], data["dry_out"]) == ("\N{EN DASH}", "", "")
    assert (data["water_at"], data["water_low_at"], data["water_high_at"]) == (None, None, None)
    assert data["water_level"] == "unknown"


@pytest.mark.parametrize(
    ("water_g", "high_g", "shown", "band", "level"),
    [
        # Harmful from 41.5 g, see below.
        (0.0, 5.0, "\N{EN DASH}", "", "unknown"),
        (4.6, 11.0, "\N{EN DASH}", "5\u202fg gained since first heard", "unknown"),
        (4.6, 64.0, "uncertain, up to 64\u202fg", "estimate 5\u202fg", "uncertain"),
        (47.0, 64.0, "47\u202fg", "", "harmful"),
    ],
)
def test_a_sump_never_seen_dry_is_not_called_dry(
    water_g: float, high_g: float, shown: str, band: str, level: str
) -> None:
    row = one_row(water_g=water_g, water_low_g=0.0, water_high_g=high_g, seen_dry=False)
    data = row_json(row, System.SI)
    assert (data["water"], data["water_level"]) == (shown, level)
    assert data["water_band"].startswith(band)


def test_much_water_is_still_shown_when_a_sensor_fails_afterwards() -> None:
    row = one_row(required_temp_c=float("nan"), water_g=47.0, water_low_g=33.0, water_high_g=64.0)
    assert (row.need, row_json(row, System.SI)["water_level"]) == (Need.WATER, "harmful")


def test_units_of_unknown_state_stand_before_running_ones_and_are_counted() -> None:
    rows = fleet_rows({}, {"rm-01": status(1, NOW, **BLIND), "rm-02": status(2)}, [], {}, NOW_MS, SETTINGS)
    assert [row.need for row in rows] == [Need.UNKNOWN, Need.RUNNING]
    assert "1 running, 1 unknown." in summary(rows)


@pytest.mark.parametrize(
    ("water_g", "high_g", "shown", "level"),
    [
        # Harmful from 41.5 g, see above.
        (10.0, 41.4, "10\u202fg", "ok"),
        (10.0, 64.0, "uncertain, up to 64\u202fg", "uncertain"),
        (36.0, 51.0, "uncertain, up to 51\u202fg", "near"),
        (47.0, 64.0, "47\u202fg", "harmful"),
    ],
)
def test_a_low_estimate_does_not_stand_alone_when_the_bound_is_harmful(
    water_g: float, high_g: float, shown: str, level: str
) -> None:
    data = row_json(one_row(water_g=water_g, water_high_g=high_g), System.SI)
    assert (data["water"], data["water_level"]) == (shown, level)
    assert data["water_band"].startswith("estimate") == data["water"].startswith("uncertain")


def silent_for(**age: float) -> list[FleetRow]:
    quiet = status(1, observed_at=NOW - dt.timedelta(**age))
    return fleet_rows({}, {"rm-01": quiet, "rm-02": status(2)}, [], {}, NOW_MS, SETTINGS)


def test_summary_does_not_vouch_for_trucks_silent_for_days() -> None:
    said = summary(silent_for(days=12, hours=3))
    assert "Nothing needs a person" not in said
    assert "1 silent, longest 12 d" in said


def test_summary_lets_a_weekend_of_silence_pass() -> None:
    assert summary(silent_for(days=2, hours=23)).startswith("Nothing needs a person now.")


def test_summary_mentions_silence_beside_open_alarms() -> None:
    sources = InventedSources()
    sources.standing["rm-11"] = status(11, observed_at=NOW - dt.timedelta(days=40))
    said = summary(rows_of(sources))
    assert said.startswith("4 trucks need a person today")
    assert "2 silent, longest 40 d" in said


def test_summary_does_not_vouch_for_trucks_of_unknown_state() -> None:
    said = summary([one_row(**BLIND)])
    assert "Nothing needs a person" not in said
    assert "1 in unknown state" in said


@pytest.mark.parametrize(
    ("dry_out_min", "longest_min", "said", "in_full"),
    [
        (0.4, 0.4, "", ""),
        # Common practice: a dry-out run is kept hot for 20 to 30 minutes.
        (5.0, 9.0, "needs 20\u202fmin hot, air flowing", "about 20 min"),
        (38.0, 55.0, "needs 38\u202fmin hot, air flowing", "about 38 min, at most 55 min"),
        (180.0, math.inf, "more than one run can dry", "drain the settled water cold first"),
        (math.inf, math.inf, "too wet to dry by running", "too wet to dry it"),
    ],
)
def test_a_dry_out_names_its_condition_or_why_none_will_do(
    dry_out_min: float, longest_min: float, said: str, in_full: str
) -> None:
    row = one_row(water_g=47.0, dry_out_min=dry_out_min, dry_out_longest_min=longest_min)
    data = row_json(row, System.SI)
    assert data["dry_out"] == said
    assert in_full in data["dry_out_why"]
    assert bool(data["dry_out_why"]) == bool(said)
