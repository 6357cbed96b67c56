"""Requests to an ASGI app without a socket, cookies kept between them."""

from __future__ import annotations

import asyncio
from typing import Any

import httpx
from fastapi import FastAPI


class Asking:
    """A synchronous client of one app."""

    def __init__(self, app: FastAPI, base_url: str = "http://127.0.0.1:8080") -> None:
        self.app, self._base_url, self._cookies = app, base_url, httpx.Cookies()

    def get(self, path: str, **more: Any) -> httpx.Response:
        return self._ask("GET", path, **more)

    def post(self, path: str, **more: Any) -> httpx.Response:
        return self._ask("POST", path, **more)

    def _ask(self, method: str, path: str, **more: Any) -> httpx.Response:
        async def ask() -> httpx.Response:
            async with httpx.AsyncClient(
                transport=httpx.ASGITransport(self.app), base_url=self._base_url, cookies=self._cookies
            ) as client:
                answer = await client.request(method, path, **more)
                self._cookies = client.cookies
                return answer

        return asyncio.run(ask())

    def websocket_opening(self, path: str, host: str) -> list[dict[str, Any]]:
        """What the app says to a browser that wants to open a websocket."""
        said: list[dict[str, Any]] = []

        async def receive() -> dict[str, Any]:
            return {"type": "websocket.connect"}

        async def send(message: Any) -> None:
            said.append(message)

        scope = {
            "type": "websocket",
            "path": path,
            "raw_path": path.encode(),
            "query_string": b"",
            "root_path": "",
            "scheme": "ws",
            "headers": [(b"host", host.encode())],
            "subprotocols": [],
            "app": self.app,
        }
        asyncio.run(self.app(scope, receive, send))
        return said
