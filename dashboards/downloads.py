"""Files that pages link to."""

from __future__ import annotations

import asyncio

from fastapi import FastAPI, HTTPException
from fastapi.responses import Response

from dashboards.addresses import name_of
from dashboards.board import Board


def register(app: FastAPI, board: Board) -> None:
    """Put ``/mail/<message>.eml`` on the app."""

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
