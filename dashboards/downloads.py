"""Files that pages link to."""

from __future__ import annotations

import asyncio
import csv
import datetime as dt
import io
import math
from collections.abc import Sequence

from fastapi import FastAPI, HTTPException
from fastapi.responses import Response

from dashboards.addresses import name_of
from dashboards.board import Board
from models.records import Run

FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""A text that begins so is taken for a formula by spreadsheets."""


def csv_of(runs: Sequence[Run]) -> str:
    """Every figure of the runs, one line a run in house units, with the record's names as columns.

    Instants in UTC as RFC 3339; what is not known is left empty. Quoting as in RFC 4180.
    """
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(Run.__struct_fields__)
    for run in runs:
        writer.writerow([_cell(getattr(run, name)) for name in Run.__struct_fields__])
    return out.getvalue()


def _cell(value: object) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, dt.datetime):
        # To the nearest millisecond, as `isoformat` would cut off.
        whole = value.astimezone(dt.UTC) + dt.timedelta(microseconds=500)
        return whole.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:.6g}"
    text = str(value)
    return f"'{text}" if text.startswith(FORMULA) else text


def register(app: FastAPI, board: Board) -> None:
    """Put ``/mail/<message>.eml`` and ``/runs/<unit>.csv`` on the app."""

    @app.get("/runs/{segment}.csv", include_in_schema=False)
    async def runs_csv(segment: str, start_ms: int, end_ms: int) -> Response:
        unit_id = name_of(segment)
        runs = await asyncio.to_thread(board.sources.runs, unit_id, start_ms, end_ms)
        return Response(
            csv_of(runs),
            media_type="text/csv; charset=utf-8",
            headers={
                "Content-Disposition": 'attachment; filename="dewline-runs.csv"',
                "X-Content-Type-Options": "nosniff",
            },
        )

    @app.get("/mail/{segment}.eml", include_in_schema=False)
    async def mail_eml(segment: str) -> Response:
        eml = await asyncio.to_thread(board.sources.mail_eml, name_of(segment))
        if eml is None:
            raise HTTPException(404, "no such message")
        # Always a download: opened in place, a message could bring its own page.
        return Response(
            eml,
            media_type="message/rfc822",
            headers={
                "Content-Disposition": 'attachment; filename="dewline-message.eml"',
                "X-Content-Type-Options": "nosniff",
            },
        )
