"""Top of a unit's page: who it is, how it stands now, and what to do about it. Kept current."""

from __future__ import annotations

import datetime as dt
import logging
import math

from nicegui import ui

from alerts.dry_out import LONGEST_MIN, dry_out_line, still_needed_min
from dashboards import display, doubtful, warming, words
from dashboards.cautions import SHORT_CAUTION
from dashboards.display import System
from dashboards.feed import Feed
from dashboards.fleet_rows import (
    FleetRow,
    Need,
    no_dry_out,
    row_json,
    uncertain,
    unseen,
    water_level,
)
from dashboards.pages.alarm_card import evidence_lines, steps
from dashboards.pages.frame import Visit, heading
from dashboards.pages.said import versions
from dashboards.sources import AlarmView
from dashboards.unit_state import UnitState

LONG_CHARS = 14
"""A figure that is longer is a phrase and is set smaller."""
UNSEEN = (
    "What its sump held when it was first heard is not known: a dry-out run or a recorded drain or oil "
    "change settles it."
)
log = logging.getLogger(__name__)

_MARKS = {UnitState.RUNNING: "▶", UnitState.STOPPED: "■", UnitState.UNKNOWN: "◇", UnitState.SILENT: "◌"}
_TAGS = {"hot enough": "good", "cooled down": "", "still hot": "", "last known": ""}
_PRESSURE = {
    "": "gauge",
    "not known": "not known, so take it to be there",
    "untrusted": "untrusted: confirm with a second gauge",
    "last known": "last known: confirm with a second gauge",
}


class UnitHead:
    """The part of the page that follows the unit's newest reading."""

    def __init__(self, here: Visit, row: FleetRow) -> None:
        self._here, self._row = here, row
        self._seen: object = None
        self.show()

    async def refresh_from(self, feed: Feed) -> None:
        """Take the unit's newest row and show it when it differs."""
        try:
            rows = [row for row in await feed.rows() if row.unit_id == self._row.unit_id]
        except Exception as error:
            log.warning("unit %r: %s", self._row.unit_id, error)
            self._heard.set_text(f"not current: {type(error).__name__}: {error}"[:200])
            return
        if rows:
            self._row = rows[0]
        self._heard.set_text(self._heard_words())
        if self._fingerprint() != self._seen:
            for part in (self._tiles, self._doubts, self._advice):
                part.clear()
            self._fill()

    def show(self) -> None:
        """Lay it out once."""
        row = self._row
        with ui.element("div").classes("dw-unit-head"):
            with ui.element("div"):
                heading(row.label)
                place = " · ".join(part for part in (row.profile.yard, row.profile.customer) if part)
                named = f"{row.unit_id} · {place}" if row.label != row.unit_id and place else place
                ui.label(named).classes("dw-sub")
                if row.profile.provisional:
                    ui.label("Registered by itself; nobody has confirmed its ratings yet.").classes("dw-sub")
            self._state = ui.element("div").classes("dw-unit-state")
            with self._state:
                self._state_label = ui.label("").classes("dw-state")
                self._heard = ui.label("").classes("dw-sub")
        self._tiles = ui.element("div").classes("dw-tiles")
        self._doubts = ui.element("div").classes("dw-doubts")
        self._advice = ui.element("div").classes("dw-advice")
        self._fill()

    def _fingerprint(self) -> object:
        doubts = self._row.status.doubtful if self._row.status else {}
        return (row_json(self._row, self._here.system) | {"heard_ms": 0}, self._row.alarms, doubts)

    def _heard_words(self) -> str:
        if self._row.status is None:
            return "no reading worked through yet"
        age_s = (self._here.board.clock() - self._row.status.observed_at).total_seconds()
        return f"last heard {display.ago(age_s)}"

    def _fill(self) -> None:
        self._seen = self._fingerprint()
        self._heard.set_text(self._heard_words())
        self._state_label.set_text(f"{_MARKS[self._row.state]} {self._row.state}")
        self._state_label.classes(replace=f"dw-state is-{self._row.state}")
        with self._tiles:
            self._fill_tiles()
        with self._doubts:
            self._fill_doubts()
        with self._advice:
            self._fill_advice()

    def _fill_tiles(self) -> None:
        status, system = self._row.status, self._here.system
        if status is None:
            return
        data = row_json(self._row, system)
        level = {
            "ok": "",
            "near": "near harmful",
            "harmful": "harmful",
            "unknown": "not known",
            "uncertain": "",
        }[data["water_level"]]
        tiles: tuple[tuple[str, str, str, str], ...] = (
            ("Discharge", data["temp"], f"needs {data['required']}", data["gap"]),
            (
                "Dew margin",
                _margin(self._row, self._here),
                _margin_words(self._row),
                "",
            ),
            (
                "Sump pressure",
                data["pressure"],
                _PRESSURE[data["pressure_note"]],
                "",
            ),
            ("Water held", data["water"], data["water_band"], level),
            ("Dry-out still needed", _dry_out(self._row, system), _dry_out_words(self._row), ""),
            (
                "Outside air",
                display.temp(status.ambient_temp_c, system),
                _ambient_error(self._row, self._here),
                "",
            ),
            ("Hour meter", data["hours"], "", ""),
        )
        if status.forecast is not None:
            words = warming.heading_range(status.forecast, system)
            tiles = (("Heading for", warming.heading(status.forecast, system), words, ""), *tiles)
        doubted = {
            name
            for name, so in (
                ("Discharge", data["temp_doubted"]),
                ("Sump pressure", data["pressure_note"] == "untrusted"),
            )
            if so
        }
        for name, figure, below, mark in tiles:
            with ui.element("div").classes("dw-tile"):
                ui.label(name).classes("dw-cap")
                shape = "is-long " if len(figure) > LONG_CHARS else ""
                ui.label(figure).classes(f"dw-figure {shape}{'is-doubted' if name in doubted else ''}")
                ui.label(below).classes("dw-sub")
                if mark:
                    ui.label(mark).classes(f"dw-tag {_TAGS.get(mark, 'caution')}")

    def _fill_doubts(self) -> None:
        lines = doubtful.of_last_day(self._row.status) if self._row.status else []
        if not lines:
            return
        ui.label("What the last day's readings are worth").classes("dw-cap")
        for line in lines:
            ui.label(line).classes("dw-sub")

    def _fill_advice(self) -> None:
        row = self._row
        for alarm in row.alarms:
            _alarm(alarm, self._here, display.zone(row.profile.tz))
        if row.alarms:
            return
        if row.need is Need.WATER and row.status is not None:
            line = dry_out_line(row.status)
            amount = "a harmful amount" if water_level(row) == "harmful" else "close to a harmful amount"
            ui.label(f"Its sump holds {amount} of water. {line}. {SHORT_CAUTION}").classes("dw-note")
        elif row.status is None:
            ui.label(
                "Nothing is known of it: no reading with a right clock has come yet. Take it to be running "
                "and under pressure until somebody has confirmed at the machine that it is not."
            ).classes("dw-note")
        elif row.state is UnitState.SILENT:
            doubt = " A harmful amount of water can't be ruled out." if uncertain(row) else ""
            ui.label(
                f"No open alarm, but all figures are the last known.{doubt} Nothing here says that it is "
                "stopped or safe to work on."
            ).classes("dw-note")
        elif row.state is UnitState.UNKNOWN:
            ui.label(
                "Its signals don't tell whether it runs. Take it to be running and under pressure until "
                "somebody has confirmed at the machine that it is not."
            ).classes("dw-note")
        elif uncertain(row):
            ui.label("No open alarm, but a harmful amount of water can't be ruled out.").classes("dw-note")
        elif unseen(row.status, row.harmful_g):
            ui.label(f"No open alarm. {UNSEEN} {SHORT_CAUTION}").classes("dw-note")
        else:
            ui.label("No open alarm.").classes("dw-note")


def _dry_out(row: FleetRow, system: System) -> str:
    if row.status is None or water_level(row) == "unknown":
        return display.UNKNOWN
    needed_min = still_needed_min(row.status)
    if needed_min > 0.0:
        return display.minutes(needed_min) if needed_min <= LONGEST_MIN else no_dry_out(needed_min)
    if uncertain(row):
        return f"perhaps: up to {display.water(row.status.water_high_g, system)} could be held"
    return "none"


def _dry_out_words(row: FleetRow) -> str:
    """Under the figure: how long at most, and on what condition."""
    status, condition = row.status, "hot, then with the air valve open"
    if status is None:
        return ""
    if water_level(row) == "unknown":
        return "not known what it held when first heard" if unseen(status, row.harmful_g) else ""
    needed_min = still_needed_min(status)
    if needed_min == 0.0:
        return condition if uncertain(row) else "by the estimate the sump is dry"
    if math.isnan(status.dry_out_longest_min):
        return condition
    if needed_min > LONGEST_MIN:
        return "drain the settled water cold first"
    if status.dry_out_longest_min > LONGEST_MIN:
        return f"{condition}; may not be enough"
    longer = status.dry_out_longest_min > needed_min
    return f"{condition}; up to {display.minutes(status.dry_out_longest_min)}" if longer else condition


def _margin(row: FleetRow, here: Visit) -> str:
    if row.status is None:
        return display.UNKNOWN
    return display.temp_difference(_margin_k(row), here.system)


def _margin_words(row: FleetRow) -> str:
    margin_k = _margin_k(row)
    if math.isnan(margin_k):
        return "temperature or humidity not known"
    return "below the pressure dew point" if margin_k < 0 else "above the pressure dew point"


def _margin_k(row: FleetRow) -> float:
    return row.status.discharge_temp_c - row.status.pressure_dew_point_c if row.status else float("nan")


def _ambient_error(row: FleetRow, here: Visit) -> str:
    if row.status is None or row.status.ambient_error_k == 0 or math.isnan(row.status.ambient_temp_c):
        return ""
    return f"estimated, ± {display.temp_difference(row.status.ambient_error_k, here.system)}"


def _alarm(alarm: AlarmView, here: Visit, tz: dt.tzinfo) -> None:
    with ui.element("section").classes(f"dw-alarm is-{alarm.state}"):
        with ui.element("div").classes("dw-alarm-top"):
            ui.label(alarm.title).classes("dw-alarm-title")
            ui.link("Acknowledge or shelve", f"/alarms#{alarm.alarm_id}").classes("dw-button dw-small")
        told = [words.STATES[alarm.state], f"{alarm.priority} priority"]
        told += words.alarm_times(alarm, tz, here.board.clock())
        ui.label(" · ".join(told)).classes("dw-sub")
        evidence_lines(alarm.evidence, here.system)
        with ui.element("details"):
            with ui.element("summary"):
                ui.label("Cause, cautions, what to do").classes("dw-inline")
            steps(alarm)
        versions(alarm.said, tz, here.system)
