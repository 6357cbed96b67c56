"""One unit's page: how it stands and what to do, its signals over a range, its runs and findings."""

from __future__ import annotations

import asyncio
import datetime as dt
import logging
from typing import Any

from fastapi import Request
from nicegui import ui

from dashboards import addresses, charts, display, doubtful, plausible, ranges
from dashboards.board import Board
from dashboards.fleet_rows import FleetRow
from dashboards.lines import UnitLines, readings_words, unit_lines
from dashboards.pages import unit_tables
from dashboards.pages.frame import Visit, button, empty, fault, framed, visit
from dashboards.pages.unit_head import UnitHead
from dashboards.pages.unit_work import UnitWork
from dashboards.palette import DARK, LIGHT
from dashboards.ranges import Range, RangeError
from dashboards.sources import WatermarkView, WorkView
from dashboards.unit_runs import with_run_in_hand
from models.records import Finding, Run

log = logging.getLogger(__name__)

REFRESH_S = 2.0
CHART_REFRESH_S = 30.0
NARROW_PX = 640
_INSTANT = (
    'type="text" autocomplete="off" size="16" maxlength="19" '
    'placeholder="2026-01-05 13:00" title="Date and time, 24 hours, such as 2026-01-05 13:00" '
    r'pattern="\d{4}-\d{2}-\d{2}([T ]\d{2}:\d{2}(:\d{2})?)?"'
)
"""Not the browser's own picker: that one shows 12 or 24 hours as the browser's language has it."""


def register(board: Board) -> None:
    """Put the page at ``/units/<unit>``."""

    @ui.page("/units/{segment:path}", title="Unit", response_timeout=20.0)
    async def unit_page(request: Request, segment: str) -> None:
        here, unit_id = visit(board, request), addresses.name_of(segment)
        try:
            rows = {row.unit_id: row for row in await board.feed.rows()}
            span = await asyncio.to_thread(board.sources.span, unit_id)
        except Exception as error:
            with framed(here, "", unit_id):
                fault(error, f"Reading unit {unit_id!r}")
            return
        row = rows.get(unit_id)
        with framed(here, "", row.label if row else unit_id):
            if row is None:
                empty(
                    f"No unit is called {unit_id!r}.", "It may have been removed, or the address is mistyped."
                )
                ui.link("To the fleet page", "/").classes("dw-button")
                return
            await UnitPage(here, row, span, request).build()


class UnitPage:
    """The page of one unit for one visitor."""

    def __init__(self, here: Visit, row: FleetRow, span: tuple[int, int] | None, request: Request) -> None:
        self._here, self._row, self._span = here, row, span
        self._tz = display.zone(row.profile.tz)
        self._asked = {name: request.query_params.get(name, "") for name in ("range", "from", "to")}
        self._chart: ui.echart | None = None
        self._left_out: ui.label | None = None
        self._analysed: ui.label | None = None
        self._doubtful: ui.label | None = None
        self._browser = (False, NARROW_PX)

    async def build(self) -> None:
        """Head first, then range choice, chart and tables once the browser is connected."""
        head = UnitHead(self._here, self._row)
        ui.timer(REFRESH_S, lambda: head.refresh_from(self._here.board.feed))
        await UnitWork(self._here, self._row, self._tz, self._work_changed).build()
        try:
            shown = self._range()
        except RangeError as error:
            self._range_bar(None)
            empty("That range can't be shown.", str(error))
            return
        self._range_bar(shown)
        if self._span is None:
            empty("No reading has come yet.", "Signals, runs and findings appear with the first one.")
            return
        body = ui.element("div").classes("dw-body")
        with body:
            ui.label("Drawing…").classes("dw-sub dw-loading")
        await ui.context.client.connected()
        await self._fill(body, shown)

    def _range(self) -> Range:
        asked = self._asked
        now = self._here.board.clock()
        return ranges.range_of(
            asked["range"], asked["from"], asked["to"], span=self._span, now=now, tz=self._tz
        )

    def _range_bar(self, shown: Range | None) -> None:
        path = addresses.unit_path(self._row.unit_id)
        with ui.element("div").classes("dw-ranges").props('role="group" aria-label="Range"'):
            for key, name in (
                *((key, name) for key, (name, _) in ranges.CHOICES.items()),
                (ranges.ALL, "All"),
            ):
                link = ui.link(name, f"{path}?range={key}").classes("dw-button dw-small")
                if shown and shown.choice == key:
                    link.classes("primary").props('aria-current="true"')
            start, end = ranges.in_words(shown, self._tz) if shown else ("", "")
            with ui.element("form").classes("dw-custom").props(f'method="get" action="{path}"'):
                ui.html(
                    f'<label>From <input class="dw-input" {_INSTANT} name="from" value="{start}"></label>'
                    f'<label>to <input class="dw-input" {_INSTANT} name="to" value="{end}"></label>'
                    '<button class="dw-button dw-small">Show</button>',
                    sanitize=False,
                )
        ui.label(f"Times are wall clock of the yard: {self._zone_words()}.").classes("dw-sub")

    def _zone_words(self) -> str:
        local = self._here.board.clock().astimezone(self._tz)
        offset = local.strftime("%z")
        return f"{self._row.profile.tz} (now {local:%H:%M}, UTC{offset[:3]}:{offset[3:]})"

    async def _fill(self, body: ui.element, shown: Range) -> None:
        sources, unit_id = self._here.board.sources, self._row.unit_id
        try:
            lines = await asyncio.to_thread(self._lines, shown)
            runs = await asyncio.to_thread(self._runs, shown)
            findings = await asyncio.to_thread(sources.findings, unit_id)
            said = await asyncio.to_thread(sources.finding_versions, unit_id)
            watermark = await asyncio.to_thread(sources.watermark, unit_id)
            work = await asyncio.to_thread(sources.work, unit_id)
            self._browser = await self._asked_browser()
        except Exception as error:
            if body.is_deleted:
                return  # The visitor has gone on; nobody is left to tell.
            body.clear()
            with body:
                fault(error, "Reading this range")
            return
        if body.is_deleted:
            return
        body.clear()
        touching = [one for one in findings if _touches(one, shown)]
        with body:
            if lines.n_readings == 0:
                empty("No readings in this range.", "Choose a longer range, or All.")
            else:
                ui.label(readings_words(lines.n_readings)).classes("dw-sub")
                self._analysed = ui.label(self._analysed_words(watermark)).classes("dw-sub")
                options = self._options(lines, runs, touching, work)
                self._chart = ui.echart(options).classes("dw-chart")
                self._left_out = ui.label(plausible.in_words(lines.left_out)).classes("dw-sub dw-left-out")
                self._doubtful = ui.label(doubtful.in_words(lines.doubtful)).classes("dw-sub dw-left-out")
                with ui.element("div").classes("dw-actions"):
                    button("Show the zoomed stretch in full detail", self._zoomed)
                if shown.follows:
                    ui.timer(CHART_REFRESH_S, self._redraw, immediate=False)
            unit_tables.findings_list(
                touching,
                said,
                self._tz,
                self._here.system,
                above={alarm.finding_id for alarm in self._row.alarms},
            )
            unit_tables.runs_table(
                runs,
                self._tz,
                self._here.system,
                narrow=self._browser[1] < NARROW_PX,
                csv_path=addresses.runs_csv_path(unit_id, shown.start_ms, shown.end_ms),
            )

    def _analysed_words(self, mark: WatermarkView | None) -> str:
        """How far the engine has come: what is newer, or came late, is not in the figures yet."""
        if mark is None:
            return "Nothing of this unit has been analysed yet."
        until = f"Analysed up to {display.instant(mark.analysed_until, self._tz)}"
        count = (
            "" if mark.n_readings is None else f", {readings_words(mark.n_readings, thinned=False)} in all"
        )
        behind = f"; {display.minutes(mark.behind_s / 60.0)} of newer readings wait" if mark.behind_s else ""
        return f"{until}{count}{behind}."

    async def _zoomed(self) -> None:
        """Go to the address of the stretch that is zoomed to, where lines are thinned less."""
        if self._chart is None:
            return
        found = await ui.run_javascript(
            f"(() => {{ const zoom = getElement({self._chart.id}).chart.getOption().dataZoom[0];"
            " return [zoom.startValue, zoom.endValue]; })()",
            timeout=5.0,
        )
        if not found or found[0] is None:
            return
        start, end = (display.from_ms(round(ms)).strftime("%Y-%m-%dT%H:%M:%S") for ms in found)
        ui.navigate.to(f"{addresses.unit_path(self._row.unit_id)}?from={start}&to={end}")

    async def _asked_browser(self) -> tuple[bool, int]:
        found = await ui.run_javascript(
            "[document.body.classList.contains('body--dark'), window.innerWidth]", timeout=5.0
        )
        return bool(found[0]), int(found[1])

    def _runs(self, shown: Range) -> list[Run]:
        """Runs that touch the range, with the one in hand."""
        sources, unit_id = self._here.board.sources, self._row.unit_id
        status = sources.statuses().get(unit_id)
        ended = sources.runs(unit_id, shown.start_ms, shown.end_ms)
        return with_run_in_hand(ended, None if status is None else status.run, shown.start_ms, shown.end_ms)

    def _lines(self, shown: Range) -> UnitLines:
        trace = self._here.board.sources.trace(self._row.unit_id, shown.start_ms, shown.end_ms)
        return unit_lines(trace, shown.start_ms, shown.end_ms)

    async def _work_changed(self) -> None:
        """A drain, an oil change or its undoing is marked at once, and the page's water follows."""
        if self._chart is not None:
            await self._redraw()

    async def _redraw(self) -> None:
        """Newer readings on a range that follows them; the visitor's zoom stays, as options name none."""
        try:
            await self._redrawn()
        except Exception as error:
            # The head says that the page is not current; the chart keeps what it shows.
            log.warning("chart of unit %r: %s", self._row.unit_id, error)

    async def _redrawn(self) -> None:
        sources, unit_id = self._here.board.sources, self._row.unit_id
        self._span = await asyncio.to_thread(sources.span, unit_id)
        shown = self._range()
        lines = await asyncio.to_thread(self._lines, shown)
        runs = await asyncio.to_thread(self._runs, shown)
        findings = await asyncio.to_thread(sources.findings, unit_id)
        work = await asyncio.to_thread(sources.work, unit_id)
        if self._chart is None or lines.n_readings == 0:
            return
        options = self._options(lines, runs, [one for one in findings if _touches(one, shown)], work)
        if self._analysed is not None:
            watermark = await asyncio.to_thread(sources.watermark, unit_id)
            self._analysed.set_text(self._analysed_words(watermark))
        if self._left_out is not None:
            self._left_out.set_text(plausible.in_words(lines.left_out))
        if self._doubtful is not None:
            self._doubtful.set_text(doubtful.in_words(lines.doubtful))
        self._chart.options.update(options)
        self._chart.update()

    def _options(
        self, lines: UnitLines, runs: list[Run], findings: list[Finding], work: list[WorkView]
    ) -> dict[str, Any]:
        dark, width_px = self._browser
        return charts.unit_chart(
            lines,
            runs,
            findings,
            system=self._here.system,
            tz=self._tz,
            palette=DARK if dark else LIGHT,
            harmful_g=self._row.harmful_g,
            now=self._here.board.clock(),
            work=work,
            narrow=width_px < NARROW_PX,
        )


def _touches(finding: Finding, shown: Range) -> bool:
    """Whether a finding stood, or was flagged, within the range."""
    end = finding.end_at or dt.datetime.max.replace(tzinfo=dt.UTC)
    start_ms = display.ms_of(finding.start_at)
    return start_ms < shown.end_ms and (finding.end_at is None or display.ms_of(end) >= shown.start_ms)
