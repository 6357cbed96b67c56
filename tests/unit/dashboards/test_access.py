"""Who may reach the board, and by which name."""

from __future__ import annotations

import hashlib

import pytest

from dashboards import access
from dashboards.access import AccessError
from dashboards.app import build
from dashboards.settings import BoardSettings, is_loopback
from tests.unit.dashboards.asking import Asking
from tests.unit.dashboards.invented import NOW, InventedSources

PASSWORD = "invented passphrase"


def client(settings: BoardSettings, host: str = "127.0.0.1:8080") -> Asking:
    app = build(InventedSources(), settings, lambda: NOW)
    return Asking(app, f"http://{host}")


@pytest.fixture(scope="module")
def hashed() -> str:
    return access.hash_password(PASSWORD)


@pytest.fixture
def guarded(hashed: str) -> Asking:
    tokens = {"script": hashlib.sha256(b"long random token").hexdigest()}
    settings = BoardSettings(host="0.0.0.0", logins={"yard": hashed}, api_tokens=tokens)
    return client(settings, "board.example")


@pytest.mark.parametrize(
    ("host", "loopback"),
    # RFC 1122 section 3.2.1.3: 127/8 never leaves the host; RFC 4291 section 2.5.3: ::1 neither.
    [
        ("127.0.0.1", True),
        ("127.9.9.9", True),
        ("::1", True),
        ("localhost", True),
        ("0.0.0.0", False),
        ("10.0.0.1", False),
        ("board.example", False),
    ],
)
def test_is_loopback(host: str, loopback: bool) -> None:
    assert is_loopback(host) is loopback


@pytest.mark.parametrize("host", ["0.0.0.0", "10.1.2.3", "::"])
def test_build_refuses_other_addresses_without_login(host: str) -> None:
    with pytest.raises(AccessError, match="no login is set"):
        build(InventedSources(), BoardSettings(host=host), lambda: NOW)


def test_build_refuses_a_password_that_is_no_hash() -> None:
    with pytest.raises(AccessError, match=r"'yard'.*argon2 hash"):
        build(InventedSources(), BoardSettings(logins={"yard": "plain words"}), lambda: NOW)


def test_hash_password_is_argon2id_and_refuses_short_ones(hashed: str) -> None:
    assert hashed.startswith("$argon2id$")
    with pytest.raises(ValueError, match="at least 10"):
        access.hash_password("short")


def test_loopback_answers_without_login_under_its_own_name_only() -> None:
    board = client(BoardSettings())
    assert board.get("/api/fleet").status_code == 200
    assert board.get("/api/fleet", headers={"Host": "rebound.example"}).status_code == 400


@pytest.mark.parametrize("path", ["/", "/units/rm-03", "/alarms", "/mail", "/mail/x.eml", "/runs/rm-03.csv"])
def test_pages_lead_to_the_login(guarded: Asking, path: str) -> None:
    answer = guarded.get(path)
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/login?next=%2F")


@pytest.mark.parametrize("path", ["/api/fleet", "/api/alarms", "/api/openapi.json"])
def test_api_asks_for_a_token(guarded: Asking, path: str) -> None:
    assert guarded.get(path).status_code == 401
    assert guarded.get(path, headers={"Authorization": "Bearer wrong"}).status_code == 401
    assert guarded.get(path, headers={"Authorization": "Bearer long random token"}).status_code == 200


def test_a_token_opens_no_page(guarded: Asking) -> None:
    assert guarded.get("/alarms", headers={"Authorization": "Bearer long random token"}).status_code == 303


def test_websocket_is_refused_without_login(guarded: Asking) -> None:
    said = guarded.websocket_opening("/_nicegui_ws/socket.io/", "board.example")
    assert [(one["type"], one.get("code")) for one in said] == [("websocket.close", 1008)]


def test_login_and_logout(guarded: Asking) -> None:
    fields = {"name": "yard", "password": PASSWORD, "target": "/alarms?x=1"}
    answer = guarded.post("/login", data=fields)
    assert (answer.status_code, answer.headers["location"]) == (303, "/alarms?x=1")
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert guarded.get("/api/fleet").status_code == 200
    guarded.post("/logout")
    assert guarded.get("/api/fleet").status_code == 401


@pytest.mark.parametrize(("name", "password"), [("yard", "wrong passphrase"), ("nobody", PASSWORD)])
def test_login_refuses(guarded: Asking, name: str, password: str) -> None:
    answer = guarded.post("/login", data={"name": name, "password": password})
    assert answer.status_code == 403
    assert "do not fit" in answer.text


@pytest.mark.parametrize("path", ["/api/fleet", "/healthz", "/board-static/board.css"])
def test_answers_keep_foreign_content_out(path: str) -> None:
    headers = client(BoardSettings()).get(path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "http" not in policy
    assert headers["x-content-type-options"] == "nosniff"


def test_login_slows_guessing() -> None:
    tries = access.Tries(per_min=2)
    tries.failed(0.0)
    tries.failed(1.0)
    assert not tries.allowed(59.0)
    assert tries.allowed(60.5)


@pytest.mark.parametrize(
    "target", ["//evil.example", "https://evil.example", "/\\evil.example", "alarms", "/a\nb", ""]
)
def test_safe_target_stays_here(target: str) -> None:
    assert access.safe_target(target) == "/"


def test_login_page_escapes_its_target(guarded: Asking) -> None:
    page = guarded.get("/login", params={"next": '/"><script>alert(1)</script>'}).text
    assert "<script>" not in page


@pytest.mark.parametrize(("origin", "status"), [("http://127.0.0.1:8080", 200), ("http://evil.example", 403)])
def test_changes_from_other_sites_are_refused(origin: str, status: int) -> None:
    board = client(BoardSettings())
    answer = board.post(
        "/api/alarms/short_cycling-03/acknowledge", json={"by": "Yard desk"}, headers={"Origin": origin}
    )
    assert answer.status_code == status
