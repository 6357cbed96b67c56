"""The JSON API under ``/api``, and the two probes. House units; described by its OpenAPI document.

Records are those of `models.records`, as JSON: instants are RFC 3339 in UTC, an unknown number is null.
"""

from __future__ import annotations

import asyncio
import datetime as dt
import logging
import math
from collections.abc import Callable
from typing import Annotated, Any, TypeVar

import msgspec
from fastapi import Body, FastAPI, HTTPException, Path, Query, Request
from fastapi.responses import JSONResponse, PlainTextResponse, Response
from pydantic import AwareDatetime

from dashboards.addresses import name_of
from dashboards.board import Board
from dashboards.fleet_rows import FleetRow, alarm_order
from dashboards.headline import summary
from dashboards.lines import Line, unit_lines
from dashboards.preferences import clean_name
from ingest.maintenance import Work

log = logging.getLogger(__name__)
T = TypeVar("T")

UnitSegment = Annotated[
    str, Path(description="Unit id; bytes other than letters, digits, - and _ may be written as ~XX (hex).")
]
StartMs = Annotated[int | None, Query(description="Unix ms, inclusive; default: the first reading.", ge=0)]
EndMs = Annotated[
    int | None, Query(description="Unix ms, exclusive; default: after the last reading.", ge=0, le=2**53)
]
Points = Annotated[int, Query(description="Points a line, about.", ge=10, le=20_000)]
By = Annotated[str, Body(embed=True, min_length=1, max_length=60, description="Who does this.")]
DoneAt = Annotated[
    AwareDatetime | None, Body(description="RFC 3339 with zone, from 2000 until now; default: now.")
]


def register(app: FastAPI, board: Board) -> None:
    """Put the routes on the app."""
    _probes(app, board)
    _fleet(app, board)
    _units(app, board)
    _work(app, board)
    _alarms(app, board)


def as_json(value: Any, status: int = 200) -> Response:
    """JSON of records and plain data; NaN becomes null."""
    return Response(msgspec.json.encode(value), status, media_type="application/json")


async def _read(step: Callable[..., T], *arguments: Any) -> T:
    return await asyncio.to_thread(step, *arguments)


def _probes(app: FastAPI, board: Board) -> None:
    @app.get("/healthz", tags=["probes"])
    def healthz() -> PlainTextResponse:
        """The process answers."""
        return PlainTextResponse("ok\n")

    @app.get("/readyz", tags=["probes"], responses={503: {"description": "A database does not answer."}})
    async def readyz() -> JSONResponse:
        """Both databases answer."""
        try:
            await _read(board.sources.check)
        except Exception as error:
            log.warning("not ready: %s", error)
            return JSONResponse({"ready": False, "reason": type(error).__name__}, 503)
        return JSONResponse({"ready": True})


def _fleet(app: FastAPI, board: Board) -> None:
    @app.get("/api/fleet", tags=["fleet"])
    async def fleet() -> Response:
        """Every unit, most urgent first, and the sentence that stands above them."""
        rows = await board.feed.rows()
        return as_json({"summary": summary(rows), "units": [fleet_unit(row) for row in rows]})


def fleet_unit(row: FleetRow) -> dict[str, Any]:
    """One unit of the fleet as the API gives it."""
    return {
        "unit": row.unit_id,
        "label": row.label,
        "yard": row.profile.yard,
        "customer": row.profile.customer,
        "state": str(row.state),
        "need": row.need.name.lower(),
        "link": row.link or None,
        "harmful_water_g": row.harmful_g,
        "status": row.status,
        "alarms": [
            {"alarm_id": one.alarm_id, "pattern": one.pattern, "priority": one.priority, "state": one.state}
            for one in row.alarms
        ],
    }


async def _known(board: Board, unit: str) -> FleetRow:
    name = name_of(unit)
    for row in await board.feed.rows():
        if row.unit_id == name:
            return row
    raise HTTPException(404, f"no unit is called {name!r}")


def _units(app: FastAPI, board: Board) -> None:
    async def span_of(unit_id: str, start_ms: int | None, end_ms: int | None) -> tuple[int, int]:
        span = await asyncio.to_thread(board.sources.span, unit_id)
        first_ms, last_ms = (0, 0) if span is None else span
        start = first_ms if start_ms is None else start_ms
        end = last_ms + 1 if end_ms is None else end_ms
        if start > end:
            raise HTTPException(422, f"start_ms {start} is later than end_ms {end}")
        return start, end

    @app.get("/api/units/{unit}", tags=["units"])
    async def unit(unit: UnitSegment) -> Response:
        """One unit: its profile, how it stands, and how far its readings have been analysed."""
        row = await _known(board, unit)
        watermark = await _read(board.sources.watermark, row.unit_id)
        return as_json({**fleet_unit(row), "profile": row.profile, "watermark": watermark})

    @app.get("/api/units/{unit}/runs", tags=["units"])
    async def runs(unit: UnitSegment, start_ms: StartMs = None, end_ms: EndMs = None) -> Response:
        """Runs that touch the span, oldest first."""
        row = await _known(board, unit)
        return as_json(
            await _read(board.sources.runs, row.unit_id, *await span_of(row.unit_id, start_ms, end_ms))
        )

    @app.get("/api/units/{unit}/findings", tags=["units"])
    async def findings(unit: UnitSegment) -> Response:
        """Findings, oldest first."""
        row = await _known(board, unit)
        return as_json(await _read(board.sources.findings, row.unit_id))

    @app.get("/api/units/{unit}/findings/versions", tags=["units"])
    async def finding_versions(unit: UnitSegment) -> Response:
        """What has been said of the findings, version by version, oldest first: when, why, whether mailed.

        A finding that was said and no longer holds is here as it was said then and as it is said now.
        """
        row = await _known(board, unit)
        return as_json(await _read(board.sources.finding_versions, row.unit_id))

    @app.get("/api/units/{unit}/trace", tags=["units"])
    async def trace(
        unit: UnitSegment, start_ms: StartMs = None, end_ms: EndMs = None, points: Points = 2000
    ) -> Response:
        """Signals and estimates over the span, thinned; each line has its own instants.

        Values that are not plausible are left out of the lines and counted in ``left_out``. Readings that
        are drawn but doubtful are counted in ``doubtful``.
        """
        row = await _known(board, unit)
        start, end = await span_of(row.unit_id, start_ms, end_ms)

        def thinned() -> dict[str, Any]:
            lines = unit_lines(board.sources.trace(row.unit_id, start, end), start, end, points)
            found = {name: _line(line) for name, line in vars(lines).items() if isinstance(line, Line)}
            return {
                "unit": row.unit_id,
                "start_ms": start,
                "end_ms": end,
                "n_readings": lines.n_readings,
                "left_out": lines.left_out.counts,
                "doubtful": lines.doubtful.counts,
                **found,
            }

        return as_json(await _read(thinned))


def _line(line: Line) -> dict[str, Any]:
    values = [None if math.isnan(value) else round(value, 3) for value in line.values.tolist()]
    return {"at_ms": line.at_ms.tolist(), "values": values}


def _work(app: FastAPI, board: Board) -> None:
    @app.get("/api/units/{unit}/maintenance", tags=["units"])
    async def work(unit: UnitSegment) -> Response:
        """Drains and oil changes recorded, in the order they were done, those taken back included."""
        row = await _known(board, unit)
        return as_json(await _read(board.sources.work, row.unit_id))

    @app.post("/api/units/{unit}/maintenance", tags=["units"])
    async def record_work(
        request: Request,
        unit: UnitSegment,
        work: Annotated[Work, Body(description="What was done.")],
        by: By,
        done_at: DoneAt = None,
    ) -> Response:
        """Record a drain or an oil change; the unit's water is counted anew from there."""
        name, now = _name(request, by), board.clock()
        row = await _known(board, unit)
        at = now if done_at is None else done_at.astimezone(dt.UTC)
        try:
            made = await _read(board.sources.record_work, row.unit_id, work, at, name, now)
        except ValueError as error:
            raise HTTPException(422, str(error)) from error
        board.feed.expire()
        return as_json(made)

    @app.post("/api/units/{unit}/maintenance/{number}/undo", tags=["units"])
    async def undo_work(
        request: Request,
        unit: UnitSegment,
        number: Annotated[int, Path(ge=0, le=2**53, description="Number of the record.")],
        by: By,
    ) -> Response:
        """Take a record back; it stays listed as taken back. Answers with all that is recorded."""
        name = _name(request, by)
        row = await _known(board, unit)
        try:
            await _read(board.sources.take_work_back, row.unit_id, number, name, board.clock())
        except KeyError:
            raise HTTPException(404, f"unit {row.unit_id!r} has no record {number} that counts") from None
        board.feed.expire()
        return as_json(await _read(board.sources.work, row.unit_id))


def _name(request: Request, by: str) -> str:
    """Who asks: with a login the name of that, else as given."""
    name = clean_name(str(request.scope.get("dewline_login") or by))
    if not name:
        raise HTTPException(422, "by: a name is needed")
    return name


def _alarms(app: FastAPI, board: Board) -> None:
    @app.get("/api/alarms", tags=["alarms"])
    async def alarms() -> Response:
        """Alarms that are not back to normal, most urgent first."""
        return as_json(sorted(await _read(board.sources.alarms), key=alarm_order))

    @app.post("/api/alarms/{alarm_id}/acknowledge", tags=["alarms"])
    async def acknowledge(request: Request, alarm_id: str, by: By) -> Response:
        """Acknowledge an alarm; with a login, the name is that of the login."""
        return await _changed(board, board.sources.acknowledge, alarm_id, _name(request, by))

    @app.post("/api/alarms/{alarm_id}/unacknowledge", tags=["alarms"])
    async def unacknowledge(request: Request, alarm_id: str, by: By) -> Response:
        """Take an acknowledgement back."""
        return await _changed(board, board.sources.unacknowledge, alarm_id, _name(request, by))


async def _changed(board: Board, step: Callable[[str, str], None], alarm_id: str, name: str) -> Response:
    """Carry a change out and answer with the alarm as it is now."""
    try:
        await _read(step, alarm_id, name)
    except KeyError:
        raise HTTPException(404, f"no alarm has the id {alarm_id!r}") from None
    except ValueError as error:
        raise HTTPException(409, str(error)) from error
    board.feed.expire()
    return as_json(await _read(board.sources.alarm, alarm_id))
