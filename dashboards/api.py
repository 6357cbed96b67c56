"""The JSON API under ``/api``, and the two probes. House units; described by its OpenAPI document."""

from __future__ import annotations

import asyncio
import logging

from fastapi import FastAPI
from fastapi.responses import JSONResponse, PlainTextResponse

from dashboards.board import Board

log = logging.getLogger(__name__)


def register(app: FastAPI, board: Board) -> None:
    """Put the routes on the app."""

    @app.get("/healthz", tags=["probes"])
    def healthz() -> PlainTextResponse:
        """The process answers."""
        return PlainTextResponse("ok\n")

    @app.get("/readyz", tags=["probes"])
    async def readyz() -> JSONResponse:
        """Both databases answer; 503 with the reason otherwise."""
        try:
            await asyncio.to_thread(board.sources.check)
        except Exception as error:
            log.warning("not ready: %s", error)
            return JSONResponse({"ready": False, "reason": type(error).__name__}, 503)
        return JSONResponse({"ready": True})
