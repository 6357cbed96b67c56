"""Who may look at the board: everybody on the machine itself; elsewhere only people with a login.

Also the two guards that a board on loopback needs: requests must ask for it by a name that is its own
(a foreign page can't reach it through a renamed host), and a browser's cross-site requests, websockets
included, are turned away.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import time
from collections.abc import Mapping
from html import escape
from urllib.parse import quote, urlsplit

from fastapi import FastAPI, Form
from fastapi.responses import HTMLResponse, JSONResponse, PlainTextResponse, RedirectResponse
from pwdlib import PasswordHash
from pwdlib.exceptions import UnknownHashError
from pwdlib.hashers.argon2 import Argon2Hasher
from starlette.datastructures import MutableHeaders
from starlette.middleware.sessions import SessionMiddleware
from starlette.requests import HTTPConnection, Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocketClose

from dashboards.settings import BoardSettings, is_loopback

OPEN_PATHS = ("/login", "/healthz", "/readyz", "/board-static/board.css")
HEADERS = {
    # The page library compiles its templates in the browser, which needs 'unsafe-eval'.
    "Content-Security-Policy": (
        "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; "
        "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:; "
        "connect-src 'self'; frame-src 'self' about: data:; object-src 'none'; base-uri 'self'; "
        "form-action 'self'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
}
SESSION_DAYS = 14
TRIES_PER_MIN = 10
_HASHER = PasswordHash((Argon2Hasher(),))
_NOBODY = _HASHER.hash(secrets.token_urlsafe(16))


class AccessError(ValueError):
    """The board would be open to others without a login."""


def hash_password(password: str) -> str:
    """Argon2id hash of a password, for the settings. ValueError: shorter than 10 characters."""
    if len(password) < 10:
        raise ValueError(f"password of {len(password)} characters: at least 10 are needed")
    return _HASHER.hash(password)


def check_settings(settings: BoardSettings) -> None:
    """Refuse an address that others can reach when no login is set, and hashes that are none.

    Raises
    ------
    AccessError
        Naming the setting and what is missing.
    """
    if not settings.logins and not is_loopback(settings.host):
        raise AccessError(
            f"board address {settings.host!r} can be reached from other machines, and no login is set: "
            "set one, or serve on 127.0.0.1"
        )
    for name, hashed in settings.logins.items():
        if not hashed.startswith("$argon2"):
            raise AccessError(f"login {name!r}: the password must be given as an argon2 hash")


def verify(logins: Mapping[str, str], name: str, password: str) -> bool:
    """Whether name and password fit. An unknown name takes as long as a wrong password."""
    hashed = logins.get(name)
    try:
        fits = _HASHER.verify(password, hashed or _NOBODY)
    except UnknownHashError:
        return False
    return fits and hashed is not None


def token_digest(token: str) -> str:
    """How a bearer token is kept in the settings: SHA-256, hex. Tokens are random and long."""
    return hashlib.sha256(token.encode()).hexdigest()


def token_owner(tokens: Mapping[str, str], authorization: str) -> str:
    """Name of the token in an Authorization header; empty when there is none that fits."""
    kind, _, token = authorization.partition(" ")
    if kind.lower() != "bearer" or not token:
        return ""
    digest = token_digest(token.strip())
    fitting = [name for name, known in tokens.items() if hmac.compare_digest(known, digest)]
    return fitting[0] if fitting else ""


def own_host(host_header: str, settings: BoardSettings) -> bool:
    """Whether a Host header asks for this board under one of its own names."""
    host = urlsplit(f"//{host_header}").hostname or ""
    if is_loopback(host) or host in settings.allowed_hosts or host == settings.host:
        return True
    return bool(settings.logins) and not settings.allowed_hosts


def same_origin(origin: str, host_header: str) -> bool:
    """Whether a browser's Origin header names this board. No Origin: not a browser's cross-site request."""
    return not origin or urlsplit(origin).netloc == host_header


def safe_target(target: str) -> str:
    """Where to go after the login: a path of this board or its first page, never another site."""
    parts = urlsplit(target)
    plain = target.startswith("/") and not target.startswith(("//", "/\\")) and target.isprintable()
    return target if plain and not parts.scheme and not parts.netloc else "/"


def guarded(send: Send) -> Send:
    """The same, with the headers that keep foreign content, frames and guesses of type out."""

    async def with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return with_headers


class Guard:
    """ASGI guard over the whole board, websockets included."""

    def __init__(self, app: ASGIApp, settings: BoardSettings) -> None:
        self._app, self._settings = app, settings

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a connection through, or answer it here."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        refusal = self._refusal(scope)
        if refusal is None:
            await self._app(scope, receive, guarded(send) if scope["type"] == "http" else send)
        elif scope["type"] == "websocket":
            await WebSocketClose(code=1008)(scope, receive, send)
        else:
            await refusal(scope, receive, send)

    def _refusal(self, scope: Scope) -> Response | None:
        asked = HTTPConnection(scope)
        host, origin = asked.headers.get("host", ""), asked.headers.get("origin", "")
        if not own_host(host, self._settings):
            return PlainTextResponse(f"This board does not answer under the name {host!r}.", 400)
        changes = scope["type"] == "websocket" or scope["method"] not in ("GET", "HEAD", "OPTIONS")
        if changes and not same_origin(origin, host):
            return PlainTextResponse("A page of another site asked for this.", 403)
        return self._without_login(scope, asked)

    def _without_login(self, scope: Scope, asked: HTTPConnection) -> Response | None:
        path = scope["path"]
        if not self._settings.logins or path in OPEN_PATHS:
            return None
        name = str(asked.session.get("login", ""))
        if name not in self._settings.logins:
            name = ""
        if not name and path.startswith("/api/"):
            name = token_owner(self._settings.api_tokens, asked.headers.get("authorization", ""))
        if name:
            scope["dewline_login"] = name
            return None
        if path.startswith("/api/") or scope["type"] == "websocket":
            return JSONResponse({"detail": "log in, or send a bearer token"}, 401)
        target = path + (f"?{asked.url.query}" if asked.url.query else "")
        return RedirectResponse(f"/login?next={quote(target, safe='')}", 303)


class Tries:
    """Counts failed logins a minute over all names, against guessing."""

    def __init__(self, per_min: int = TRIES_PER_MIN) -> None:
        self._per_min = per_min
        self._failed_at_s: list[float] = []

    def allowed(self, now_s: float) -> bool:
        """Whether another try may be made now."""
        self._failed_at_s = [at for at in self._failed_at_s if now_s - at < 60.0]
        return len(self._failed_at_s) < self._per_min

    def failed(self, now_s: float) -> None:
        """Note a failed try."""
        self._failed_at_s.append(now_s)


def install(app: FastAPI, settings: BoardSettings) -> None:
    """Put guard, sessions and the login page in front of the board."""
    app.add_middleware(Guard, settings=settings)
    if settings.logins:
        app.add_middleware(
            SessionMiddleware,
            secret_key=settings.session_secret or secrets.token_urlsafe(32),
            session_cookie="dewline_session",
            max_age=SESSION_DAYS * 86_400,
            same_site="lax",
        )
        _login_routes(app, settings)


def _login_routes(app: FastAPI, settings: BoardSettings) -> None:
    tries = Tries()

    @app.get("/login", include_in_schema=False)
    def login_page(next: str = "/") -> HTMLResponse:  # noqa: A002 - the name in the URL
        return HTMLResponse(login_html(settings.title, safe_target(next), ""))

    @app.post("/login", include_in_schema=False)
    def login(
        request: Request, name: str = Form(), password: str = Form(), target: str = Form("/")
    ) -> Response:
        now_s = time.monotonic()
        if not tries.allowed(now_s):
            page = login_html(settings.title, safe_target(target), "Too many tries. Wait a minute.")
            return HTMLResponse(page, 429)
        if not verify(settings.logins, name, password):
            tries.failed(now_s)
            page = login_html(settings.title, safe_target(target), "Name and password do not fit.")
            return HTMLResponse(page, 403)
        request.session.clear()
        request.session["login"] = name
        return RedirectResponse(safe_target(target), 303)

    @app.post("/logout", include_in_schema=False)
    def logout(request: Request) -> RedirectResponse:
        request.session.clear()
        return RedirectResponse("/login", 303)


def login_html(title: str, target: str, trouble: str) -> str:
    """The login page: no script, works before anything else is loaded."""
    said = f'<p class="dw-trouble" role="alert">{escape(trouble)}</p>' if trouble else ""
    return f"""<!doctype html><html lang="en"><head><meta charset="utf-8">
<title>Log in · {escape(title)}</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<link rel="stylesheet" href="/board-static/board.css"></head><body>
<div class="dw-page dw-login"><main class="dw-main">
<h1>{escape(title)}</h1>{said}<form method="post" action="/login">
<input type="hidden" name="target" value="{escape(target)}">
<label>Name<input class="dw-input" name="name" autocomplete="username" required autofocus></label>
<label>Password<input class="dw-input" type="password" name="password"
 autocomplete="current-password" required></label>
<button class="dw-button primary">Log in</button></form></main></div></body></html>"""
