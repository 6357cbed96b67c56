"""The part of a unit's page where drains and oil changes are recorded and taken back."""

from __future__ import annotations

import asyncio
import datetime as dt
from collections.abc import Awaitable, Callable, Sequence

from nicegui import ui

from dashboards import work as words
from dashboards.cautions import WORK_CAUTIONS
from dashboards.fleet_rows import FleetRow
from dashboards.pages.frame import Visit, button, fault, remember_name
from dashboards.preferences import clean_name
from dashboards.sources import WorkView
from ingest.maintenance import Work

REFRESH_S = 10.0
SHOWN_AT_ONCE = 3
FOLLOWS = "The water estimate follows within seconds."


class UnitWork:
    """What has been done on one unit's sump, for one visitor; `on_change` is awaited when it has changed."""

    def __init__(
        self, here: Visit, row: FleetRow, tz: dt.tzinfo, on_change: Callable[[], Awaitable[None]]
    ) -> None:
        self._here, self._row, self._tz = here, row, tz
        self._on_change = on_change
        self._name = here.name
        self._seen: list[WorkView] | None = None

    async def build(self) -> None:
        """Heading, list and button; kept current."""
        with ui.element("section").classes("dw-work").props('id="work"'):
            ui.html("<h2>Work on the sump</h2>", sanitize=False)
            self._list = ui.element("div")
            with ui.element("div").classes("dw-actions"):
                button("Record a drain or an oil change…", self._ask_what)
        await self._refresh()
        ui.timer(REFRESH_S, self._refresh, immediate=False)

    async def _refresh(self) -> None:
        try:
            recorded = await asyncio.to_thread(self._here.board.sources.work, self._row.unit_id)
        except Exception as error:
            self._seen = None
            self._list.clear()
            with self._list:
                fault(error, "Reading the work on the sump")
            return
        if recorded != self._seen and not self._list.is_deleted:
            first, self._seen = self._seen is None, recorded
            self._list.clear()
            with self._list:
                self._fill(recorded[::-1])
            if not first:
                await self._on_change()

    def _fill(self, newest_first: Sequence[WorkView]) -> None:
        if not newest_first:
            ui.label(
                "Nothing recorded. Record a drain or an oil change, and water is counted anew from there."
            ).classes("dw-sub")
            return
        with ui.element("ul").classes("dw-work-list"):
            for one in newest_first[:SHOWN_AT_ONCE]:
                self._entry(one)
        if older := newest_first[SHOWN_AT_ONCE:]:
            with ui.element("details"):
                with ui.element("summary"):
                    ui.label(f"{len(older)} older").classes("dw-inline")
                with ui.element("ul").classes("dw-work-list"):
                    for one in older:
                        self._entry(one)

    def _entry(self, one: WorkView) -> None:
        counts = one.taken_back_at is None
        with ui.element("li").classes("" if counts else "dw-past"):
            with ui.element("div"):
                ui.label(words.title(one, self._tz)).classes("dw-work-title")
                ui.label(words.history(one, self._tz)).classes("dw-sub")
            if counts:
                made = button("Undo…", lambda: self._ask_undo(one)).classes("dw-small")
                made.props["aria-label"] = f"Undo: {words.title(one, self._tz)}"

    def _ask_what(self) -> None:
        now = self._here.board.clock()
        with ui.dialog() as dialog, ui.card().classes("dw-dialog"):
            ui.label(f"{self._row.label}: work on the sump").classes("dw-alarm-title")
            what = ui.radio(dict(words.CHOICES), value=Work.DRAIN).props('aria-label="What was done"')
            when = ui.input(
                f"When it was done ({self._row.profile.tz})", value=words.time_field(now, self._tz)
            ).classes("dw-wide")
            when.props('maxlength=16 autocomplete="off" hint="Wall clock of the yard, 24 hours"')
            who = self._name_field()
            _cautions()

            async def record() -> None:
                at = self._time(when)
                if at is not None and self._named(who):
                    await self._record(Work(what.value), at, dialog)

            when.on("keydown.enter", record)
            with ui.element("div").classes("dw-actions"):
                button("Record", record, primary=True)
                button("Cancel", dialog.close)
        _open(dialog)

    def _time(self, when: ui.input) -> dt.datetime | None:
        """The instant typed; None once the field says what is wrong with it."""
        try:
            at = words.done_at(str(when.value or ""), self._here.board.clock(), self._tz)
        except words.WorkTimeError as error:
            when.error = str(error)
            when.run_method("focus")
            return None
        when.error = None
        return at

    def _name_field(self) -> ui.input | None:
        if self._here.login:
            ui.label(f"Recorded as {self._here.login}").classes("dw-sub")
            return None
        field = ui.input("Your name, for the log", value=self._name).classes("dw-wide")
        field.props("maxlength=60")
        return field

    def _named(self, who: ui.input | None) -> bool:
        """Whether there is a name to put under it; the field says so when there is none."""
        if who is None:
            return True
        self._name = clean_name(str(who.value or ""))
        who.error = None if self._name else "Your name goes with the record."
        if self._name:
            remember_name(self._name)
        else:
            who.run_method("focus")
        return bool(self._name)

    async def _record(self, what: Work, at: dt.datetime, dialog: ui.dialog) -> None:
        sources, unit_id, now = self._here.board.sources, self._row.unit_id, self._here.board.clock()
        await self._act(
            lambda: sources.record_work(unit_id, what, at, self._name, now),
            f"Recorded: {words.WORDS[what].lower()}. {FOLLOWS}",
            dialog,
        )

    def _ask_undo(self, one: WorkView) -> None:
        with ui.dialog() as dialog, ui.card().classes("dw-dialog"):
            ui.label(f"Take back: {words.title(one, self._tz)}").classes("dw-alarm-title")
            ui.label(
                "Water is counted as if it had not been done. The record stays listed as taken back."
            ).classes("dw-sub")
            who = self._name_field()

            async def take_back() -> None:
                if self._named(who):
                    await self._take_back(one, dialog)

            with ui.element("div").classes("dw-actions"):
                button("Take back", take_back, primary=True)
                button("Cancel", dialog.close)
        _open(dialog)

    async def _take_back(self, one: WorkView, dialog: ui.dialog) -> None:
        sources, unit_id, now = self._here.board.sources, self._row.unit_id, self._here.board.clock()
        await self._act(
            lambda: sources.take_work_back(unit_id, one.number, self._name, now),
            f"Taken back: {words.WORDS[one.work].lower()}. {FOLLOWS}",
            dialog,
        )

    async def _act(self, step: Callable[[], object], said: str, dialog: ui.dialog) -> None:
        try:
            await asyncio.to_thread(step)
        except KeyError:
            ui.notify("Not done: somebody has taken it back already.", type="negative")
        except Exception as error:
            ui.notify(f"Not done: {error}"[:300], type="negative")
            return
        else:
            ui.notify(said)
        dialog.close()
        self._here.board.feed.expire()
        await self._refresh()


def _cautions() -> None:
    with ui.element("div").classes("dw-reason dw-cautions"):
        ui.label("Caution").classes("dw-reason-name")
        with ui.element("ul"):
            for text in WORK_CAUTIONS:
                with ui.element("li"):
                    ui.label(text)


def _open(dialog: ui.dialog) -> None:
    """Show it; once closed it leaves the page, so that the next one starts afresh."""
    dialog.on("hide", dialog.delete)
    dialog.open()
