"""Versions of findings are added and read, never changed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
import sqlalchemy as sa

from ingest.database import open_database
from ingest.finding_versions import FindingVersions, Version, add, note_mailed

MONDAY = dt.datetime(2026, 1, 5, tzinfo=dt.UTC)


class Finding(msgspec.Struct, frozen=True, kw_only=True):
    unit_id: str = "A"
    finding_id: str = "f1"
    pattern: str = "short_cycling"
    start_at: dt.datetime = MONDAY
    end_at: dt.datetime | None = None
    confidence: float = 0.9
    first_flagged_at: dt.datetime = MONDAY


@pytest.fixture
def database(tmp_path: Path) -> Iterator[sa.Engine]:
    engine = open_database(f"sqlite:///{tmp_path / 'operations.db'}")
    yield engine
    engine.dispose()


@pytest.fixture
def versions(database: sa.Engine) -> FindingVersions:
    return FindingVersions(database)


def say(database: sa.Engine, said: list[tuple[Finding, str]], at_ms: int) -> None:
    with database.begin() as connection:
        add(connection, said, at_ms)


def test_both_versions_are_there(versions: FindingVersions, database: sa.Engine) -> None:
    early, late = Finding(), Finding(confidence=0.5)
    say(database, [(early, "first")], 5)
    say(database, [(late, "late_data"), (Finding(unit_id="B", finding_id="g1"), "first")], 7)
    assert versions.of_unit(Finding, "A") == [
        Version(early, 5, "first", None),
        Version(late, 7, "late_data", None),
    ]
    assert versions.newest(Finding, "A") == {"f1": late}
    assert versions.of_findings(Finding, {"g1"}) == [
        Version(Finding(unit_id="B", finding_id="g1"), 7, "first", None)
    ]
    assert versions.of_findings(Finding, ()) == []


def test_a_mail_marks_the_version_it_tells_once(versions: FindingVersions, database: sa.Engine) -> None:
    say(database, [(Finding(), "first")], 5)
    for now_ms in (6, 9):
        with database.begin() as connection:
            note_mailed(connection, Finding(), "news", now_ms)
    assert versions.of_unit(Finding, "A") == [Version(Finding(), 5, "first", 6)]


def test_a_mail_that_says_more_than_was_kept_is_a_version(
    versions: FindingVersions, database: sa.Engine
) -> None:
    say(database, [(Finding(), "first")], 5)
    with database.begin() as connection:
        note_mailed(connection, Finding(confidence=0.8), "news", 6)
    assert versions.of_unit(Finding, "A") == [
        Version(Finding(), 5, "first", None),
        Version(Finding(confidence=0.8), 6, "news", 6),
    ]


def test_what_nobody_has_heard_is_named_until_it_is_heard(
    versions: FindingVersions, database: sa.Engine
) -> None:
    say(database, [(Finding(), "first"), (Finding(unit_id="B", finding_id="g1"), "first")], 5)
    assert versions.unheard("A") == {"f1"}
    versions.note_heard("A", 6)
    assert versions.unheard("A") == set()
    assert versions.unheard("B") == {"g1"}
    say(database, [(Finding(confidence=0.5), "late_data")], 7)
    assert versions.unheard("A") == {"f1"}


def test_what_a_mail_says_has_been_heard(versions: FindingVersions, database: sa.Engine) -> None:
    with database.begin() as connection:
        note_mailed(connection, Finding(), "news", 6)
    assert versions.unheard("A") == set()


def test_a_version_that_the_callers_transaction_takes_back_was_never_said(
    versions: FindingVersions, database: sa.Engine
) -> None:
    with database.connect() as connection:
        add(connection, [(Finding(), "first")], 5)
        connection.rollback()
    assert versions.of_unit(Finding, "A") == []
