"""The alarms page: by urgency, with cause, consequence, response and cautions; acknowledge, shelve."""

from __future__ import annotations

import asyncio
import datetime as dt
from collections.abc import Callable

from fastapi import Request
from nicegui import ui

from alerts.alarm import AlarmState
from dashboards import addresses, display, words
from dashboards.board import Board
from dashboards.fleet_rows import alarm_order
from dashboards.pages.alarm_card import evidence_lines, steps
from dashboards.pages.frame import Visit, button, empty, fault, framed, heading, remember_name, visit
from dashboards.pages.said import versions
from dashboards.preferences import clean_name
from dashboards.sources import AlarmView
from ingest.profile import UnitProfile

REFRESH_S = 2.0
UNDO_S = 10.0
SHELVE_CHOICES_H = {4: "4 hours", 24: "1 day", 72: "3 days", 168: "7 days"}
CAN_ACKNOWLEDGE = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED)
CAN_SHELVE = (*CAN_ACKNOWLEDGE, AlarmState.ACKNOWLEDGED)
GROUPS = (
    ("Not acknowledged", (AlarmState.UNACKNOWLEDGED,)),
    ("Acknowledged, still standing", (AlarmState.ACKNOWLEDGED,)),
    ("Ended by itself, not acknowledged", (AlarmState.RETURNED_UNACKNOWLEDGED,)),
    (
        "Put aside",
        (AlarmState.SHELVED, AlarmState.SUPPRESSED_BY_DESIGN, AlarmState.OUT_OF_SERVICE),
    ),
)


def register(board: Board) -> None:
    """Put the page at ``/alarms``."""

    @ui.page("/alarms", title="Alarms")
    async def alarms_page(request: Request) -> None:
        here = visit(board, request)
        with framed(here, "/alarms", "Alarms"):
            await AlarmsPage(here).build()


class AlarmsPage:
    """The page for one visitor."""

    def __init__(self, here: Visit) -> None:
        self._here = here
        self._name = here.name
        self._seen: object = None
        self._open: dict[str, bool] = {}
        self._first = ""
        self._asking: ui.notification | None = None

    async def build(self) -> None:
        """Name first, then the list, kept current."""
        with ui.element("div").classes("dw-title-row"):
            heading("Alarms")
            self._name_field()
        self._undo = ui.element("div").classes("dw-undo").props('role="status"')
        self._body = ui.element("div")
        await self._refresh()
        ui.timer(REFRESH_S, self._refresh, immediate=False)

    def _name_field(self) -> None:
        if self._here.login:
            ui.label(f"Acknowledging as {self._here.login}").classes("dw-sub")
            return
        field = ui.input("Your name, for the log", value=self._name, on_change=self._named)
        field.props("dense outlined maxlength=60").classes("dw-name-field")

    def _named(self, event: object) -> None:
        self._name = clean_name(str(getattr(event, "value", "") or ""))
        remember_name(self._name)

    async def _refresh(self) -> None:
        sources = self._here.board.sources
        try:
            alarms = await asyncio.to_thread(sources.alarms)
            profiles = await asyncio.to_thread(sources.profiles)
        except Exception as error:
            self._body.clear()
            self._seen = None
            with self._body:
                fault(error, "Reading the alarms")
            return
        if (state := (alarms, profiles)) != self._seen:
            self._seen = state
            self._body.clear()
            with self._body:
                self._list(sorted(alarms, key=alarm_order), profiles)

    def _list(self, alarms: list[AlarmView], profiles: dict[str, UnitProfile]) -> None:
        if not alarms:
            empty(
                "No alarm is open.",
                "Alarms appear here when a finding needs a person, and go when it is over.",
            )
            return
        self._first = alarms[0].alarm_id
        for title, states in GROUPS:
            group = [alarm for alarm in alarms if alarm.state in states]
            if group:
                ui.html(f"<h2>{title} ({len(group)})</h2>", sanitize=False)
                with ui.element("div").classes("dw-findings"):
                    for alarm in group:
                        profile = profiles.get(alarm.unit_id) or UnitProfile(unit_id=alarm.unit_id)
                        self._card(alarm, profile)

    def _card(self, alarm: AlarmView, profile: UnitProfile) -> None:
        with ui.element("section").classes(f"dw-alarm is-{alarm.state}").props(f'id="{alarm.alarm_id}"'):
            with ui.element("div").classes("dw-alarm-top"):
                ui.link(profile.label or profile.unit_id, addresses.unit_path(profile.unit_id)).classes(
                    "dw-alarm-title"
                )
                ui.label(alarm.title).classes("dw-alarm-title")
                ui.label(f"{alarm.priority} priority").classes(f"dw-tag p-{alarm.priority}")
            ui.label(self._timing(alarm, display.zone(profile.tz), profile.tz)).classes("dw-sub")
            evidence_lines(alarm.evidence, self._here.system)
            unfolded = self._open.get(alarm.alarm_id, alarm.alarm_id == self._first)
            details = ui.element("details").props("open" if unfolded else "")
            details.on(
                "toggle",
                lambda event, key=alarm.alarm_id: self._open.__setitem__(key, bool(event.args)),
                js_handler="(event) => emit(event.target.open)",
            )
            with details:
                with ui.element("summary"):
                    ui.label("Cause, cautions, what to do").classes("dw-inline")
                steps(alarm)
            versions(alarm.said, display.zone(profile.tz), self._here.system)
            self._actions(alarm)

    def _timing(self, alarm: AlarmView, tz: dt.tzinfo, tz_name: str) -> str:
        parts = words.alarm_times(alarm, tz, self._here.board.clock())
        if alarm.acknowledged_at is not None:
            parts.append(
                f"acknowledged by {alarm.acknowledged_by} {display.instant(alarm.acknowledged_at, tz)}"
            )
        if alarm.returned_at is not None:
            parts.append(f"ended {display.instant(alarm.returned_at, tz)}")
        if alarm.shelved_until is not None:
            parts.append(f"shelved until {display.instant(alarm.shelved_until, tz)}: {alarm.cover_reason}")
        elif alarm.cover_reason:
            parts.append(alarm.cover_reason)
        return f"{words.STATES[alarm.state]} · {' · '.join(parts)} ({tz_name})"

    def _actions(self, alarm: AlarmView) -> None:
        sources = self._here.board.sources
        with ui.element("div").classes("dw-actions"):
            if alarm.state in CAN_ACKNOWLEDGE:
                button(
                    "Acknowledge",
                    lambda: self._do(sources.acknowledge, alarm, "Acknowledged", undo=True),
                    primary=True,
                )
            if alarm.state is AlarmState.ACKNOWLEDGED:
                button(
                    "Take acknowledgement back",
                    lambda: self._do(sources.unacknowledge, alarm, "Taken back"),
                )
            if alarm.state in CAN_SHELVE:
                button("Shelve…", lambda: self._shelve_dialog(alarm))
            if alarm.state is AlarmState.SHELVED:
                button("Bring back now", lambda: self._do(sources.unshelve, alarm, "Brought back"))

    async def _do(
        self, step: Callable[[str, str], None], alarm: AlarmView, said: str, *, undo: bool = False
    ) -> None:
        if not self._name:
            self._ask("Say who you are first: your name goes into the alarm's log.")
            return
        self._answered()
        await self._act(lambda: step(alarm.alarm_id, self._name), f"{said}: {alarm.name}")
        if undo:
            self._offer_undo(alarm)

    def _ask(self, text: str) -> None:
        """Say what is missing, once however often a button is pressed."""
        self._answered()
        self._asking = ui.notification(text, type="warning")

    def _answered(self) -> None:
        """Take the question away: it must not stand beside the word that it was done."""
        if self._asking is not None:
            self._asking.dismiss()
        self._asking = None

    def _offer_undo(self, alarm: AlarmView) -> None:
        sources = self._here.board.sources

        async def take_back() -> None:
            self._undo.clear()
            await self._do(sources.unacknowledge, alarm, "Taken back")

        self._undo.clear()
        with self._undo:
            ui.label(f"{alarm.name}: acknowledged as {self._name}.")
            button("Undo", take_back)
            ui.timer(UNDO_S, self._undo.clear, once=True)

    async def _act(self, step: Callable[[], None], said: str) -> None:
        try:
            await asyncio.to_thread(step)
        except (KeyError, ValueError) as error:
            ui.notify(f"Not done: {error}", type="negative")
        else:
            ui.notify(said)
        self._here.board.feed.expire()
        await self._refresh()

    def _shelve_dialog(self, alarm: AlarmView) -> None:
        with ui.dialog() as dialog, ui.card().classes("dw-dialog"):
            ui.label(f"Shelve: {alarm.name}").classes("dw-alarm-title")
            ui.label("Out of view for a time; it comes back by itself.").classes("dw-sub")
            hours = ui.select(SHELVE_CHOICES_H, value=24, label="For how long").classes("dw-wide")
            reason = ui.input("Why (goes into the log)").props("maxlength=200").classes("dw-wide")

            async def shelve() -> None:
                if not self._name or not str(reason.value or "").strip():
                    self._ask("Your name and a reason are needed.")
                    return
                self._answered()
                dialog.close()
                until = self._here.board.clock() + dt.timedelta(hours=int(hours.value))
                sources, why = self._here.board.sources, clean_name(str(reason.value))
                await self._act(
                    lambda: sources.shelve(alarm.alarm_id, self._name, why, until), f"Shelved: {alarm.name}"
                )

            with ui.element("div").classes("dw-actions"):
                button("Shelve", shelve, primary=True)
                button("Cancel", dialog.close)
        dialog.open()
