"""An invented fleet for the board's tests: twelve trucks of a contractor that does not exist.

The figures are made up to look like a working day; nothing here is a measurement or a result of the engine.
"""

from __future__ import annotations

import datetime as dt
import math

import msgspec
import numpy as np

from alerts.alarm import AlarmState, Priority
from dashboards.display import ms_of
from dashboards.sources import AlarmView, MailView, QuarantineView, WatermarkView, WorkView
from ingest.maintenance import Work
from ingest.profile import UnitProfile
from ingest.reading import Readings
from models.records import Evidence, Finding, Outcome, Pattern, Run, UnitStatus
from models.said import Cause, FindingVersion
from models.trace import Trace

NOW = dt.datetime(2026, 2, 11, 15, 30, tzinfo=dt.UTC)
NOW_MS = ms_of(NOW)
YARDS = (
    ("Pinemarsh", "America/Chicago"),
    ("Oldbridge", "America/New_York"),
    ("Frosthollow", "America/Denver"),
)
HOSTILE = "<b>rm/13</b> \"x\" & '../'"


def profile(n: int) -> UnitProfile:
    """Truck number `n`."""
    yard, tz = YARDS[n % 3]
    return UnitProfile(
        unit_id=f"rm-{n:02d}", label=f"Rail truck {n:02d}", yard=yard, customer="Invented Track Works", tz=tz
    )


def status(n: int, now: dt.datetime = NOW, **changes: object) -> UnitStatus:
    """Standing of truck `n`: even ones run, odd ones stand."""
    running = n % 2 == 0
    plain = UnitStatus(
        unit_id=f"rm-{n:02d}",
        observed_at=now - dt.timedelta(seconds=2 + 3 * n),
        running=running,
        discharge_temp_c=55.0 + 3.1 * n if running else 12.0 + n,
        required_temp_c=65.0 + n / 2,
        pressure_dew_point_c=48.0 + n / 2,
        pressure_kpa=980.0 + 4 * n if running else 0.0,
        pressure_trusted=True,
        hours=312.4 + 71.3 * n,
        ambient_temp_c=8.0,
        ambient_error_k=2.0,
        ambient_rh_pct=71.0,
        water_g=1.7 * n,
        water_low_g=0.9 * n,
        water_high_g=2.9 * n,
        dry_out_min=0.4 * n,
        seen_dry=True,
        run=None,
    )
    return msgspec.structs.replace(plain, **changes)


def run(n: int, start: dt.datetime, minutes: float, peak_c: float, water: tuple[float, float]) -> Run:
    """One run of truck `n`."""
    end = start + dt.timedelta(minutes=minutes)
    hot_min = max(minutes - 6.0, 0.0) if peak_c > 66 else 0.0
    outcome = (
        Outcome.ADDED_WATER
        if water[1] > water[0] + 1
        else Outcome.DRIED_OUT
        if water[1] < 1
        else Outcome.HELD
    )
    return Run(
        unit_id=f"rm-{n:02d}",
        start_at=start,
        end_at=end,
        last_at=end,
        start_temp_c=12.0,
        peak_temp_c=peak_c,
        end_temp_c=peak_c - 1,
        ambient_temp_c=8.0,
        ambient_error_k=2.0,
        pressure_dew_point_c=50.0,
        required_temp_c=66.0,
        dew_margin_k=peak_c - 50.0,
        hot_min=hot_min,
        dry_min=hot_min,
        time_to_hot_min=6.0 if hot_min else None,
        delivered_m3=minutes * 1.6,
        water_in_g=max(water[1] - water[0], 0.0),
        water_out_g=max(water[0] - water[1], 0.0),
        water_start_g=water[0],
        water_end_g=water[1],
        wet=minutes < 15 and hot_min < 5 and water[1] > water[0],
        pressure_trusted=True,
        outcome=outcome,
        confidence=0.97,
    )


def runs(n: int, now: dt.datetime = NOW) -> list[Run]:
    """Ten days of short runs with one long one, oldest first."""
    days = [
        (now - dt.timedelta(days=day)).replace(hour=14, minute=0, second=0, microsecond=0)
        for day in range(10, 0, -1)
    ]
    water = 4.0
    found = []
    for k, start in enumerate(days):
        long = k != 8
        after = 0.0 if long else water + 5.5
        found.append(run(n, start, 41.0 if long else 6.0, 84.0 if long else 47.0, (water, after)))
        water = after
    return found


def finding(n: int, pattern: Pattern, now: dt.datetime = NOW) -> Finding:
    """A finding that has stood for two days."""
    flagged = now - dt.timedelta(days=2)
    return Finding(
        finding_id=f"rm-{n:02d}-{pattern}",
        unit_id=f"rm-{n:02d}",
        pattern=pattern,
        start_at=flagged - dt.timedelta(days=4),
        end_at=None,
        first_flagged_at=flagged,
        confidence=0.91,
        evidence=(
            Evidence(
                text="6 of 7 runs in the last week ended within 8 minutes, still cool",
                name="wet_runs",
                value=6,
            ),
            Evidence(
                text="the sump is estimated to hold 47 g of water, harmful from 42 g",
                name="water_g",
                value=47.0,
            ),
        ),
        run_start_at=None,
    )


def versions(now: Finding) -> tuple[FindingVersion, ...]:
    """Said two days ago, corrected yesterday."""
    then = msgspec.structs.replace(
        now,
        start_at=now.start_at + dt.timedelta(hours=31),
        confidence=0.72,
        evidence=(
            Evidence(
                text="3 of 4 runs in the last week ended within 8 minutes, still cool",
                name="wet_runs",
                value=3,
            ),
        ),
    )
    said_at = now.first_flagged_at
    return (
        FindingVersion(finding=then, said_at=said_at, cause=Cause.FIRST, mailed_at=said_at),
        FindingVersion(
            finding=now, said_at=said_at + dt.timedelta(days=1), cause=Cause.LATE_DATA, mailed_at=None
        ),
    )


def alarm(
    n: int, pattern: Pattern, priority: Priority, state: AlarmState, now: dt.datetime = NOW
) -> AlarmView:
    """An alarm of truck `n`."""
    words = {
        Pattern.SHORT_CYCLING: "Short, cool runs",
        Pattern.NEVER_REACHING_TEMPERATURE: "Never gets hot",
        Pattern.PRESSURE_SENSOR_ICING: "Pressure sensor iced",
    }
    return AlarmView(
        alarm_id=f"{pattern}-{n:02d}",
        unit_id=f"rm-{n:02d}",
        pattern=pattern,
        name=words[pattern],
        title=f"{words[pattern]}: water stays in the sump",
        priority=priority,
        state=state,
        flagged_at=now - dt.timedelta(hours=5 * n),
        told_at=now - dt.timedelta(hours=5 * n),
        acknowledged_by="Yard desk" if state is AlarmState.ACKNOWLEDGED else "",
        acknowledged_at=now - dt.timedelta(hours=1) if state is AlarmState.ACKNOWLEDGED else None,
        cause="Runs end before the oil is hot, so water that condensed stays in the sump.",
        consequence="Emulsified oil, rust in the air end, a plugged separator element.",
        response=(
            "Warm it up with the air valve closed until the discharge is above the required temperature.",
            "Then open the air valve and keep air flowing for 30 minutes.",
        ),
        respond_by=now - dt.timedelta(hours=5 * n) + dt.timedelta(hours=48),
        cautions=(
            "Hot oil and surfaces.",
            "Stored pressure: confirm with a second gauge and relieve before opening.",
        ),
        evidence=finding(n, pattern, now).evidence,
        finding_id=f"rm-{n:02d}-{pattern}",
        said=versions(finding(n, pattern, now)),
    )


def trace(unit_id: str, start_ms: int, end_ms: int, step_ms: int = 10_000) -> Trace:
    """A made-up day repeated: one run of 40 minutes at 14:00 UTC, cooling down afterwards."""
    at_ms = np.arange(start_ms, end_ms, step_ms, dtype=np.int64)
    day_min = (at_ms / 60_000.0) % 1440.0
    into_min = day_min - 840.0
    running = (into_min >= 0) & (into_min < 40)
    warm = 10.0 + 76.0 * (1 - np.exp(-np.clip(into_min, 0, 40) / 7.0))
    temp_c = np.where(into_min < 0, 10.0, np.where(running, warm, 10 + 76 * np.exp(-(into_min - 40) / 90.0)))
    pressure_kpa = np.where(running, 985.0 + 20 * np.sin(day_min * 3), 0.0)
    water_g = np.where(running, np.clip(18 - into_min, 0, 12), 6.0)
    n = len(at_ms)
    nan = np.full(n, math.nan)
    readings = Readings(
        unit_id=unit_id,
        observed_at_ms=at_ms,
        received_at_ms=at_ms,
        discharge_temp_c=temp_c,
        pressure_kpa=pressure_kpa,
        hours=nan,
        ambient_rh_pct=nan,
        ambient_temp_c=nan,
        seq=np.full(n, -1, dtype=np.int64),
        quality=np.zeros(n, dtype=np.int64),
    )
    return Trace(
        readings=readings,
        running=running,
        hot=running & (temp_c > 66),
        pressure_trusted=np.full(n, True),
        ambient_temp_c=np.full(n, 8.0),
        ambient_error_k=np.full(n, 2.0),
        pressure_dew_point_c=np.full(n, 50.0),
        required_temp_c=np.full(n, 66.0),
        water_g=water_g,
        water_low_g=water_g * 0.6,
        water_high_g=water_g * 1.5,
        discharge_temp_c=readings.discharge_temp_c,
        pressure_kpa=readings.pressure_kpa,
        quality=np.zeros(n, dtype=np.int64),
    )


EML = (
    b"From: dewline@board.example\r\nTo: service@yard.example\r\nSubject: Rail truck 03: short, cool runs\r\n"
    b"Message-ID: <m1@board.example>\r\nMIME-Version: 1.0\r\n"
    b'Content-Type: multipart/alternative; boundary="cut"\r\n\r\n'
    b"--cut\r\nContent-Type: text/plain; charset=utf-8\r\n\r\nRail truck 03 holds water.\r\n"
    b"--cut\r\nContent-Type: text/html; charset=utf-8\r\n\r\n<h1>Rail truck 03</h1><p>It holds water.</p>"
    b"<script>window.top.location='/alarms'</script>\r\n--cut--\r\n"
)


class InventedSources:
    """The invented fleet as `dashboards.sources.Sources`; what people do to alarms is kept in memory."""

    def __init__(self, now: dt.datetime = NOW, n_trucks: int = 12) -> None:
        self.now = now
        self.known = {unit.unit_id: unit for unit in map(profile, range(1, n_trucks + 1))}
        self.standing = {f"rm-{n:02d}": status(n, now) for n in range(1, n_trucks + 1)}
        self.kept: dict[str, AlarmView] = {}
        self.worked: dict[str, list[WorkView]] = {}
        if n_trucks:
            self._trouble(now)

    def _trouble(self, now: dt.datetime) -> None:
        self.known[HOSTILE] = UnitProfile(unit_id=HOSTILE, provisional=True)
        self.standing["rm-03"] = status(
            3, now, water_g=47.0, water_low_g=33.0, water_high_g=64.0, dry_out_min=38.0
        )
        self.standing["rm-05"] = status(5, now, pressure_kpa=870.0, pressure_trusted=False)
        self.standing["rm-08"] = status(8, now, discharge_temp_c=52.0, water_g=21.0, dry_out_min=24.0)
        self.standing["rm-09"] = status(
            9, now, water_g=36.0, water_low_g=24.0, water_high_g=51.0, dry_out_min=31.0
        )
        self.standing["rm-11"] = status(11, now, observed_at=now - dt.timedelta(hours=31))
        listed = (
            alarm(3, Pattern.SHORT_CYCLING, Priority.HIGH, AlarmState.UNACKNOWLEDGED, now),
            alarm(8, Pattern.NEVER_REACHING_TEMPERATURE, Priority.MEDIUM, AlarmState.UNACKNOWLEDGED, now),
            alarm(5, Pattern.PRESSURE_SENSOR_ICING, Priority.HIGH, AlarmState.ACKNOWLEDGED, now),
        )
        self.kept = {one.alarm_id: one for one in listed}

    def profiles(self) -> dict[str, UnitProfile]:
        return dict(self.known)

    def statuses(self) -> dict[str, UnitStatus]:
        return dict(self.standing)

    def links(self) -> dict[str, str]:
        return {"rm-11": "down"}

    def span(self, unit_id: str) -> tuple[int, int] | None:
        if unit_id not in self.standing:
            return None
        now_ms = ms_of(self.now)
        return now_ms - 45 * 86_400_000, now_ms

    def trace(self, unit_id: str, start_ms: int, end_ms: int) -> Trace:
        first, last = self.span(unit_id) or (0, 0)
        return trace(unit_id, max(start_ms, first), min(end_ms, last))

    def runs(self, unit_id: str, start_ms: int, end_ms: int) -> list[Run]:
        if unit_id not in self.standing:
            return []
        found = runs(int(unit_id[3:]), self.now)
        return [one for one in found if ms_of(one.last_at) >= start_ms and ms_of(one.start_at) < end_ms]

    def findings(self, unit_id: str) -> list[Finding]:
        return [
            finding(int(unit_id[3:]), Pattern(one.pattern), self.now)
            for one in self.kept.values()
            if one.unit_id == unit_id
        ]

    def finding_versions(self, unit_id: str) -> list[FindingVersion]:
        return [one for finding in self.findings(unit_id) for one in versions(finding)]

    def watermark(self, unit_id: str) -> WatermarkView | None:
        standing = self.standing.get(unit_id)
        if standing is None:
            return None
        at = standing.observed_at
        return WatermarkView(analysed_until=at, analysed_at=at, n_readings=388_800, behind_s=0.0)

    def alarms(self) -> list[AlarmView]:
        return [one for one in self.kept.values() if one.state is not AlarmState.NORMAL]

    def alarm(self, alarm_id: str) -> AlarmView | None:
        return self.kept.get(alarm_id)

    def _change(self, alarm_id: str, **changes: object) -> None:
        self.kept[alarm_id] = msgspec.structs.replace(self.kept[alarm_id], **changes)

    def acknowledge(self, alarm_id: str, by: str) -> None:
        self._change(alarm_id, state=AlarmState.ACKNOWLEDGED, acknowledged_by=by, acknowledged_at=self.now)

    def unacknowledge(self, alarm_id: str, by: str) -> None:
        self._change(alarm_id, state=AlarmState.UNACKNOWLEDGED, acknowledged_by="", acknowledged_at=None)

    def shelve(self, alarm_id: str, by: str, reason: str, until: dt.datetime) -> None:
        self._change(alarm_id, state=AlarmState.SHELVED, shelved_until=until, cover_reason=reason)

    def unshelve(self, alarm_id: str, by: str) -> None:
        self._change(alarm_id, state=AlarmState.UNACKNOWLEDGED, shelved_until=None, cover_reason="")

    def work(self, unit_id: str) -> list[WorkView]:
        return sorted(self.worked.get(unit_id, []), key=lambda one: one.done_at)

    def record_work(
        self, unit_id: str, work: Work, done_at: dt.datetime, by: str, now: dt.datetime
    ) -> WorkView:
        if not dt.datetime(2000, 1, 1, tzinfo=dt.UTC) <= done_at <= now:
            raise ValueError(f"{work} at {done_at}: expected an instant from 2000 until now")
        listed = self.worked.setdefault(unit_id, [])
        made = WorkView(number=len(listed) + 1, work=work, done_at=done_at, recorded_at=now, recorded_by=by)
        listed.append(made)
        return made

    def take_work_back(self, unit_id: str, number: int, by: str, now: dt.datetime) -> None:
        listed = self.worked.get(unit_id, [])
        for place, one in enumerate(listed):
            if one.number == number and one.taken_back_at is None:
                listed[place] = msgspec.structs.replace(one, taken_back_at=now, taken_back_by=by)
                return
        raise KeyError(number)

    def mails(self, limit: int) -> list[MailView]:
        if not self.kept:
            return []
        return [
            MailView(
                message_id="<m1@board.example>",
                subject="Rail truck 03: short, cool runs",
                recipients=("service@yard.example",),
                created_at=self.now - dt.timedelta(hours=2),
                sent_at=None,
                attempts=0,
                next_attempt_at=None,
                last_error="",
                alarm_id="short_cycling-03",
            )
        ][:limit]

    def mail_eml(self, message_id: str) -> bytes | None:
        return EML if message_id == "<m1@board.example>" else None

    def quarantined(self, limit: int) -> list[QuarantineView]:
        if not self.kept:
            return []
        return [
            QuarantineView(
                quarantine_id=1,
                received_at=self.now - dt.timedelta(minutes=9),
                topic="compressors/rm-07/readings",
                reason="discharge_temp_c: 412.0 is outside -40..250 degC",
                payload='{"ts": "2026-02-11T15:21:00Z", "discharge_temp_c": 412.0, "note": "<img src=x>"}',
            )
        ][:limit]

    def quarantine_count(self) -> int:
        return len(self.quarantined(1))

    def check(self) -> None:
        return None
