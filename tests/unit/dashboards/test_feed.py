"""What a browser is sent: only what changed."""

from __future__ import annotations

import asyncio

from dashboards.display import System
from dashboards.feed import Feed
from dashboards.preferences import clean_name, preferences
from dashboards.settings import BoardSettings
from tests.unit.dashboards.invented import NOW, InventedSources, status


def test_changes_hold_only_changed_rows() -> None:
    async def look() -> None:
        sources = InventedSources()
        feed = Feed(sources, BoardSettings(), lambda: NOW)
        first = await feed.changes(System.US, 0)
        assert len(first.rows) == 13
        sources.standing["rm-02"] = status(2, pressure_kpa=500.0)
        feed.expire()
        second = await feed.changes(System.US, first.version)
        assert [row["id"] for row in second.rows] == ["rm-02"]
        feed.expire()
        assert (await feed.changes(System.US, second.version)).rows == []

    asyncio.run(look())


def test_changes_name_removed_units_until_they_come_back() -> None:
    async def look() -> None:
        sources = InventedSources()
        feed = Feed(sources, BoardSettings(), lambda: NOW)
        first = await feed.changes(System.SI, 0)
        kept = sources.known.pop("rm-01"), sources.standing.pop("rm-01")
        feed.expire()
        gone = await feed.changes(System.SI, first.version)
        assert (gone.rows, gone.removed) == ([], ["rm-01"])
        sources.known["rm-01"], sources.standing["rm-01"] = kept
        feed.expire()
        back = await feed.changes(System.SI, gone.version)
        assert ([row["id"] for row in back.rows], back.removed) == (["rm-01"], [])

    asyncio.run(look())


def test_many_browsers_share_one_look() -> None:
    async def look() -> None:
        sources, looks = InventedSources(), 0
        plain = sources.statuses

        def counted() -> object:
            nonlocal looks
            looks += 1
            return plain()

        sources.statuses = counted  # type: ignore[method-assign, assignment]
        feed = Feed(sources, BoardSettings(), lambda: NOW)
        await asyncio.gather(*(feed.changes(System.US, 0) for _ in range(50)))
        assert looks == 1

    asyncio.run(look())


def test_preferences_from_cookies() -> None:
    chosen = preferences({"dewline_units": "si", "dewline_theme": "dark", "dewline_name": "A%20B"}, System.US)
    assert (chosen.system, chosen.theme, chosen.name) == (System.SI, "dark", "A B")
    nonsense = preferences({"dewline_units": "furlongs", "dewline_theme": "<b>"}, System.US)
    assert (nonsense.system, nonsense.theme, nonsense.name) == (System.US, "auto", "")


def test_clean_name_is_one_printable_line() -> None:
    assert clean_name("  Yard\r\ndesk\x00 ") == "Yard desk"
    assert len(clean_name("x" * 500)) == 60
