from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from dewline.sections import Board
from dewline.settings import SettingsError, load, resolve_home, secret, without_password


@pytest.fixture(autouse=True)
def _no_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in list(os.environ):
        if name.upper().startswith("DEWLINE_"):
            monkeypatch.delenv(name)


def written(home: Path, text: str) -> Path:
    (home / "dewline.toml").write_text(text, encoding="utf-8")
    return home


def origin(home: Path, key: str, flags: dict[str, object] | None = None) -> tuple[object, str]:
    return next((one.value, one.origin) for one in load(home, flags).effective() if one.key == key)


def test_load_default(tmp_path: Path) -> None:
    assert origin(tmp_path, "board.port") == (8080, "default")


def test_load_file_before_default(tmp_path: Path) -> None:
    written(tmp_path, "[board]\nport = 8081\n")
    assert origin(tmp_path, "board.port") == (8081, str(tmp_path / "dewline.toml"))


def test_load_environment_before_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written(tmp_path, "[board]\nport = 8081\n")
    monkeypatch.setenv("DEWLINE_BOARD_PORT", "8082")
    assert origin(tmp_path, "board.port") == (8082, "environment")


def test_load_flag_before_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DEWLINE_BOARD_PORT", "8082")
    assert origin(tmp_path, "board.port", {"board.port": 8083}) == (8083, "flag")


def test_load_flag_not_given_leaves_the_rest(tmp_path: Path) -> None:
    written(tmp_path, "[board]\nport = 8081\n")
    assert origin(tmp_path, "board.port", {"board.port": None})[0] == 8081


def test_load_layers_of_one_section_are_merged(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written(tmp_path, '[mail]\nsmtp_host = "mail.example.com"\n')
    monkeypatch.setenv("DEWLINE_MAIL_SMTP_PORT", "2525")
    mail = load(tmp_path).settings.mail
    assert (mail.smtp_host, mail.smtp_port) == ("mail.example.com", 2525)


def test_load_names_with_underscores_in_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DEWLINE_MAIL_PASSWORD_FILE", "smtp-password")
    monkeypatch.setenv("DEWLINE_MAIL_RECIPIENTS", json.dumps(["a@example.com"]))
    mail = load(tmp_path).settings.mail
    assert mail.password_file == Path("smtp-password")
    assert mail.recipients == ("a@example.com",)


def test_load_tells_every_fault_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written(tmp_path, '[board]\nunits = "x"\nprot = 1\n[nope]\na = 1\n[analysis]\nmargin_k = -1\n')
    monkeypatch.setenv("DEWLINE_BOARD_PORT", "70000")
    monkeypatch.setenv("DEWLINE_BORD_PORT", "1")
    with pytest.raises(SettingsError, match=r"board\.port") as caught:
        load(tmp_path)
    told = "\n".join(caught.value.faults)
    for wrong in ("board.units", "board.prot", "nope", "analysis.margin_k", "DEWLINE_BORD_PORT", "70000"):
        assert wrong in told
    assert len(caught.value.faults) == 6


def test_load_broken_file_is_a_fault(tmp_path: Path) -> None:
    written(tmp_path, "[board\n")
    with pytest.raises(SettingsError, match=r"dewline\.toml"):
        load(tmp_path)


@pytest.mark.parametrize("key", ["password", "session_secret"])
def test_load_fault_never_shows_a_secret(tmp_path: Path, key: str) -> None:
    section = "board" if key == "session_secret" else "mail"
    written(tmp_path, f"[{section}]\n{key} = 314159\n")
    with pytest.raises(SettingsError, match=key) as caught:
        load(tmp_path)
    assert "314159" not in str(caught.value)


def test_effective_masks_secrets(tmp_path: Path) -> None:
    written(
        tmp_path,
        '[mail]\npassword = "hunter2"\n[board.logins]\nann = "$argon2id$x"\n'
        '[database]\nurl = "postgresql+psycopg://dew:hunter2@db/line"\n',
    )
    shown = {one.key: str(one.value) for one in load(tmp_path).effective()}
    assert not [key for key, value in shown.items() if "hunter2" in value or "argon2" in value]
    assert "ann" in shown["board.logins"]
    assert "dew:***@db" in shown["database.url"]


def test_without_password_hides_what_is_no_url() -> None:
    assert "hunter2" not in without_password("hunter2")


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7", "board.example.com"])
def test_board_off_loopback_needs_a_login(host: str) -> None:
    with pytest.raises(ValueError, match="logins"):
        Board(host=host)
    assert Board(host=host, logins={"ann": "$argon2id$x"}).host == host


def test_resolve_home_flag_before_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DEWLINE_HOME", str(tmp_path / "environment"))
    assert resolve_home(None) == tmp_path / "environment"
    assert resolve_home(tmp_path / "flag") == tmp_path / "flag"


def test_resolve_home_platform_default(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert resolve_home(None).name == "dewline"


def test_secret_from_the_first_line_of_a_file(tmp_path: Path) -> None:
    (tmp_path / "word").write_text("hunter2\nnot this\n", encoding="utf-8")
    mail = load(tmp_path, {"mail.password_file": "word"}).settings.mail
    assert secret(mail.password, mail.password_file, tmp_path, "mail.password_file") == "hunter2"


def test_secret_file_missing_is_named(tmp_path: Path) -> None:
    mail = load(tmp_path, {"mail.password_file": "gone"}).settings.mail
    with pytest.raises(SettingsError, match=r"^mail\.password_file: '.*gone' can't be read: No such file"):
        secret(mail.password, mail.password_file, tmp_path, "mail.password_file")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            '[mail]\nsmpt_host = "x"\n',
            "mail.smpt_host (from {file}): there is no such setting, did you mean smtp_host?",
        ),
        ("[maill]\n", "maill (from {file}): there is no such setting, did you mean mail?"),
        (
            '[[mail.routes]]\nrecipients = ["a@b"]\nyard = ["x"]\n',
            "mail.routes.0.yard (from {file}): there is no such setting, did you mean yards?",
        ),
        ("[mail]\nzzz = 1\n", "mail.zzz (from {file}): there is no such setting"),
        (
            '[mail]\nrecipients = "a@example.com"\n',
            """mail.recipients (from {file}): 'a@example.com' can't be used: expected a list, like ["a@b"]""",
        ),
    ],
)
def test_load_says_what_may_have_been_meant(tmp_path: Path, text: str, told: str) -> None:
    written(tmp_path, text)
    with pytest.raises(SettingsError, match="from") as caught:
        load(tmp_path)
    assert caught.value.faults == [told.format(file=tmp_path / "dewline.toml")]


def test_load_says_which_variable_may_have_been_meant(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DEWLINE_BORD_PORT", "1")
    with pytest.raises(SettingsError, match=r"no such setting, did you mean DEWLINE_BOARD_PORT\?$"):
        load(tmp_path)


def test_load_rule_of_a_section_names_where_its_settings_came_from(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    written(tmp_path, "[board]\nport = 8081\n")
    monkeypatch.setenv("DEWLINE_BOARD_HOST", "0.0.0.0")
    with pytest.raises(SettingsError, match="logins") as caught:
        load(tmp_path)
    (told,) = caught.value.faults
    assert "board.host from environment" in told
    assert f"board.port from {tmp_path / 'dewline.toml'}" in told
