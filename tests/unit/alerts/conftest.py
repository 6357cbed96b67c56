"""An invented fleet, an in-memory operations database and a clock that tests move."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest
import sqlalchemy as sa

from alerts.desk import AlarmDesk, AlertSettings
from alerts.routing import MailSettings, Recipient
from ingest import database as tables
from ingest.profile import UnitProfile
from ingest.reading import Readings
from models.records import Evidence, Finding, Pattern
from models.trace import Trace

NOON = dt.datetime(2026, 1, 14, 12, 0, tzinfo=dt.UTC)


class Clock:
    """The time, moved by hand."""

    def __init__(self, now: dt.datetime = NOON) -> None:
        self.now = now

    def __call__(self) -> dt.datetime:
        return self.now

    def pass_by(self, **span: float) -> dt.datetime:
        self.now += dt.timedelta(**span)
        return self.now


class Fleet(dict[str, UnitProfile]):
    """A register in memory."""


def make_finding(
    pattern: Pattern = Pattern.SHORT_CYCLING,
    unit_id: str = "RM-07",
    *,
    flagged_at: dt.datetime = NOON,
    start_at: dt.datetime | None = None,
    end_at: dt.datetime | None = None,
    number: int = 1,
) -> Finding:
    return Finding(
        finding_id=f"{unit_id}/{pattern.value}/{number}",
        unit_id=unit_id,
        pattern=pattern,
        start_at=start_at or flagged_at - dt.timedelta(hours=2),
        end_at=end_at,
        first_flagged_at=flagged_at,
        confidence=0.93,
        evidence=(
            Evidence(text="9 wet runs in the last 7 days, none of them hot", name="wet_runs_week", value=9.0),
            Evidence(text="the sump holds about 71 g of water", name="water_g", value=71.0),
            Evidence(text="hottest run reached 61 °C", name="peak_temp_c", value=61.0),
        ),
        run_start_at=flagged_at - dt.timedelta(minutes=40),
    )


def make_trace(unit_id: str, start_ms: int, end_ms: int, *, step_s: int = 60) -> Trace:
    """Short cool runs every six hours on a unit that slowly gathers water."""
    at = np.arange(start_ms, end_ms, step_s * 1000, dtype=np.int64)
    into_run_min = (at - start_ms) / 60_000.0 % 360.0
    running = into_run_min < 45.0
    temp_c = np.where(
        running, 5.0 + 60.0 * (1 - np.exp(-into_run_min / 12.0)), 65.0 * np.exp(-(into_run_min - 45) / 60.0)
    )
    water_g = np.linspace(5.0, 71.0, len(at))
    full = np.full(len(at), 1.0)
    readings = Readings(
        unit_id=unit_id,
        observed_at_ms=at,
        received_at_ms=at,
        discharge_temp_c=temp_c,
        pressure_kpa=np.where(running, 980.0, 5.0),
        hours=400.0 + at / 3.6e6 % 10,
        ambient_rh_pct=80.0 * full,
        ambient_temp_c=5.0 * full,
        seq=np.full(len(at), -1, dtype=np.int64),
        quality=np.zeros(len(at), dtype=np.int64),
    )
    return Trace(
        readings=readings,
        running=running,
        hot=np.zeros(len(at), dtype=bool),
        pressure_trusted=(into_run_min < 15) | ~running,
        ambient_temp_c=5.0 * full,
        ambient_error_k=2.0 * full,
        pressure_dew_point_c=44.0 * full,
        required_temp_c=65.0 * full,
        water_g=water_g,
        water_low_g=0.6 * water_g,
        water_high_g=1.5 * water_g,
        discharge_temp_c=readings.discharge_temp_c,
        pressure_kpa=readings.pressure_kpa,
        quality=np.zeros(len(at), dtype=np.int64),
    )


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def database() -> Iterator[sa.Engine]:
    engine = sa.create_engine("sqlite://", poolclass=sa.StaticPool, connect_args={"check_same_thread": False})
    tables.metadata.create_all(engine)
    yield engine
    engine.dispose()


@pytest.fixture
def fleet() -> Fleet:
    profile = UnitProfile(
        unit_id="RM-07", label="Truck 7", yard="North yard", customer="Line A", tz="America/Chicago"
    )
    return Fleet(
        {"RM-07": profile, "RM-08": msgspec.structs.replace(profile, unit_id="RM-08", label="Truck 8")}
    )


@pytest.fixture
def settings(tmp_path: Path) -> AlertSettings:
    mail = MailSettings(
        sender="dewline@fleet.example",
        default_recipients=(Recipient(address="service@fleet.example"),),
        base_url="http://board.example:8080",
    )
    return AlertSettings(mail=mail, outbox_folder=tmp_path / "outbox")


@pytest.fixture
def desk(database: sa.Engine, fleet: Fleet, settings: AlertSettings, clock: Clock) -> AlarmDesk:
    return AlarmDesk(database, fleet, settings, lambda *_: None, clock)


@pytest.fixture
def stored(database: sa.Engine) -> Callable[..., None]:
    """Writes findings into the results, as the engine's results do; replaces what was there."""

    def write(*findings: Finding) -> None:
        with database.begin() as connection:
            connection.execute(sa.delete(tables.findings))
            for one in findings:
                connection.execute(
                    sa.insert(tables.findings).values(
                        finding_id=one.finding_id,
                        unit_id=one.unit_id,
                        pattern=one.pattern.value,
                        start_at_ms=int(one.start_at.timestamp() * 1000),
                        end_at_ms=None if one.end_at is None else int(one.end_at.timestamp() * 1000),
                        record=msgspec.json.encode(one).decode(),
                    )
                )

    return write


def with_mail(settings: AlertSettings, **changes: object) -> AlertSettings:
    return replace(settings, mail=replace(settings.mail, **changes))  # type: ignore[arg-type]
