"""Every setting: what it means, its default, and where its effective value came from.

Precedence: flags > environment (``DEWLINE_<SECTION>_<NAME>``) > ``dewline.toml`` in the home > default.
All faults are found before anything starts and are raised together. Called by `dewline.cli`; the parts
receive the few values they need, never this tree.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import platformdirs
import pydantic_settings
from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    SecretStr,
    ValidationError,
    field_validator,
    model_validator,
)
from pydantic_settings import BaseSettings, EnvSettingsSource, PydanticBaseSettingsSource, SettingsConfigDict
from sqlalchemy import make_url
from sqlalchemy.exc import ArgumentError

from dashboards.settings import is_loopback

ENV_PREFIX = "DEWLINE_"
FILE_NAME = "dewline.toml"
OUTSIDE_THE_TREE = frozenset({"DEWLINE_HOME", "DEWLINE_REQUIRE_ALL"})
"""Variables with the prefix that are no settings: the home itself and the test suite's switch."""

Port = Annotated[int, Field(ge=1, le=65535)]
Address = Annotated[str, Field(pattern=r"^[^@\s]+@[^@\s]+$")]


class SettingsError(ValueError):
    """Settings that can't be used. `faults` has one line for each thing that is wrong."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("; ".join(faults))
        self.faults = faults


class Section(BaseModel):
    """A table of the settings file."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


class Broker(Section):
    """Where the trucks publish."""

    host: str = ""
    """Address of your own MQTT broker; empty: Dewline starts one itself."""
    port: Port = 1883
    """Port of that broker, or the one on which Dewline's own listens."""
    bind: str = "127.0.0.1"
    """Address on which Dewline's own broker listens. It asks for no password: use a trusted network."""
    username: str = ""
    """Name with which the listener logs in; empty: none."""
    password: SecretStr = SecretStr("")
    """Password with which the listener logs in."""
    password_file: Path | None = None
    """File whose first line is that password."""
    tls: bool = False
    """Speak TLS to the broker."""
    ca_file: Path | None = None
    """Certificates that are trusted to have signed the broker's; not set: those of the operating system."""
    cert_file: Path | None = None
    """Our own certificate, where the broker asks for one."""
    key_file: Path | None = None
    """Its key."""
    client_id: str = Field(default="dewline-listener", min_length=1)
    """Name of the listener's session, which the broker keeps while Dewline is down."""


class Listener(Section):
    """How messages are taken in."""

    prefix: str = Field(default="compressors", pattern=r"^[^#+/]+(/[^#+/]+)*$")
    """Readings are expected on <prefix>/<unit_id>/readings."""
    share_group: str = Field(default="", pattern=r"^[^#+/]*$")
    """Listeners of one group share the messages between them (MQTT 5); empty: this one takes all."""
    flush_messages: int = Field(default=2000, ge=1, le=60_000)
    """Messages after which a batch is written and acknowledged."""
    flush_s: float = Field(default=0.1, gt=0, le=60)
    """Time after which a batch is written and acknowledged even if it is small. [s]"""
    receive_maximum: int = Field(default=20_000, ge=1, le=65_535)
    """Messages that the broker may have under way to us without an acknowledgement."""
    session_expiry_s: int = Field(default=604_800, ge=0)
    """How long the broker shall keep messages while Dewline is down. [s]"""


class Store(Section):
    """Where readings are kept."""

    path: Path = Path("readings.db")
    """The readings file; relative to the home."""


class Database(Section):
    """Where everything else is kept."""

    url: str = ""
    """SQLAlchemy URL of the operations database; empty: operations.db in the home."""

    @field_validator("url")
    @classmethod
    def _is_url(cls, url: str) -> str:
        if url:
            try:
                make_url(url)
            except ArgumentError as error:
                raise ValueError("a URL like postgresql+psycopg://name@host/database is expected") from error
        return url


class Analysis(Section):
    """What the engine takes for hot, wet and harmful."""

    margin_k: float = Field(default=10.0, ge=0, le=40)
    """Required temperature lies this far above the pressure dew point. [K]"""
    floor_c: float = Field(default=65.0, ge=0, le=110)
    """Required temperature is never below this. [degC]"""
    rh_over: Literal["water", "ice"] = "water"
    """What relative humidity below 0 degC refers to, as the humidity sensors report it."""
    harmful_water_frac: float = Field(default=0.005, gt=0, le=0.5)
    """Retained water that does harm, as a fraction of the oil charge by mass."""
    models_path: Path | None = None
    """Trained models to use in place of the shipped ones."""
    workers: int = Field(default=0, ge=0, le=256)
    """Processes for replay and simulation; 0: one a core."""


class Route(Section):
    """Who is told about some of the units. Whatever is left out matches everything."""

    recipients: tuple[Address, ...] = Field(min_length=1)
    """Who is told."""
    yards: tuple[str, ...] = ()
    """Only units of these yards."""
    customers: tuple[str, ...] = ()
    """Only units of these customers."""
    least_priority: Literal["low", "medium", "high"] = "low"
    """Only alarms at least this urgent."""
    units: Literal["us", "si"] = "us"
    """Units of measure in these e-mails: US customary or SI."""


class Mail(Section):
    """How early warnings are sent. They lie in the outbox whether a server is set or not."""

    smtp_host: str = ""
    """SMTP server; empty: nothing is sent, the outbox keeps it."""
    smtp_port: Port = 587
    """Its port."""
    security: Literal["starttls", "tls", "none"] = "starttls"
    """How the connection to it is secured."""
    ca_file: Path | None = None
    """Certificates that are trusted to have signed the server's; not set: those of the operating system."""
    username: str = ""
    """Name with which the mailer logs in; empty: none."""
    password: SecretStr = SecretStr("")
    """Password with which the mailer logs in."""
    password_file: Path | None = None
    """File whose first line is that password."""
    sender: Address = "dewline@localhost.localdomain"
    """Sender of every e-mail."""
    recipients: tuple[Address, ...] = ()
    """Who is told about units that no route matches."""
    units: Literal["us", "si"] = "us"
    """Units of measure in e-mails to `recipients`: US customary or SI."""
    routes: tuple[Route, ...] = ()
    """Who is told about units of some yards or customers; written as [[mail.routes]]."""


class Board(Section):
    """The web page."""

    host: str = "127.0.0.1"
    """Address on which the board listens; other than loopback only with a login."""
    port: Port = 8080
    """Its port."""
    public_url: str = ""
    """How people reach the board, for links in e-mails; empty: http://<host>:<port>."""
    allowed_hosts: tuple[str, ...] = ()
    """Names under which the board may be asked for besides its own address; empty with a login: any."""
    title: str = "Dewline"
    """What the pages are headed with."""
    units: Literal["us", "si"] = "us"
    """Units of measure shown until a person chooses: US customary or SI."""
    silent_after_s: float = Field(default=900.0, gt=0)
    """A unit not heard of for this long is silent. [s]"""
    logins: dict[str, SecretStr] = Field(default_factory=dict)
    """Name and password hash (from `dewline hash-password`) of everybody who may log in; none: no login."""
    api_tokens: dict[str, SecretStr] = Field(default_factory=dict)
    """Name and SHA-256 (hex) of each bearer token for the JSON API."""
    session_secret: SecretStr = SecretStr("")
    """Signs login cookies; empty: a new one at every start, which ends every session."""

    @model_validator(mode="after")
    def _login_off_loopback(self) -> Self:
        if not is_loopback(self.host) and not self.logins:
            raise ValueError(
                f"host {self.host!r} can be reached from other machines, which needs logins "
                "(see dewline hash-password)"
            )
        return self


class Settings(BaseSettings):
    """All sections. Built by `load` only."""

    model_config = SettingsConfigDict(
        env_prefix=ENV_PREFIX,
        env_nested_delimiter="_",
        env_nested_max_split=1,
        extra="forbid",
        frozen=True,
        use_attribute_docstrings=True,
    )

    broker: Broker = Field(default_factory=Broker)
    listener: Listener = Field(default_factory=Listener)
    store: Store = Field(default_factory=Store)
    database: Database = Field(default_factory=Database)
    analysis: Analysis = Field(default_factory=Analysis)
    mail: Mail = Field(default_factory=Mail)
    board: Board = Field(default_factory=Board)

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Layers are merged by `load`, which has to know where each value came from."""
        return (init_settings,)


@dataclass(frozen=True, kw_only=True)
class Effective:
    """One setting as it holds now."""

    key: str
    value: object
    origin: str


@dataclass(frozen=True, kw_only=True)
class Loaded:
    """Settings, the home they hold for, and the origin of each by its dotted key."""

    home: Path
    settings: Settings
    origins: Mapping[str, str]

    @property
    def store_path(self) -> Path:
        """The readings file."""
        return self.home / self.settings.store.path

    @property
    def database_url(self) -> str:
        """URL of the operations database."""
        return self.settings.database.url or f"sqlite:///{self.home / 'operations.db'}"

    @property
    def board_url(self) -> str:
        """How people reach the board."""
        board = self.settings.board
        return self.settings.board.public_url.rstrip("/") or f"http://{board.host}:{board.port}"

    def effective(self) -> Iterator[Effective]:
        """Every setting in the order of this file; secrets masked."""
        for key, value in leaves(self.settings):
            shown = without_password(str(value)) if key == "database.url" and value else masked(value)
            yield Effective(key=key, value=shown, origin=self.origins.get(key, "default"))


def resolve_home(flag: Path | None) -> Path:
    """The home folder: the flag, else ``DEWLINE_HOME``, else the platform's place for a user's data."""
    if flag is not None:
        return flag.expanduser().absolute()
    if from_environment := os.environ.get("DEWLINE_HOME"):
        return Path(from_environment).expanduser().absolute()
    return platformdirs.user_data_path("dewline", appauthor=False)


def load(home: Path, flags: Mapping[str, Any] | None = None) -> Loaded:
    """Effective settings of a home.

    Parameters
    ----------
    home : Path
        Folder that holds `dewline.toml`; neither need exist.
    flags : mapping, optional
        What the command line set, by dotted key, e.g. ``{"board.port": 8081}``.

    Raises
    ------
    SettingsError
        With every wrong key and value of every layer.
    """
    faults: list[str] = []
    path = home / FILE_NAME
    layers = [
        ("flag", _nested(flags or {})),
        ("environment", _environment(faults)),
        (str(path), _file(path, faults)),
    ]
    merged: dict[str, Any] = {}
    origins: dict[str, str] = {}
    for origin, layer in reversed(layers):
        for section, values in layer.items():
            if not isinstance(values, dict) or section not in Settings.model_fields:
                merged[section] = values
                origins[section] = origin
                continue
            merged.setdefault(section, {}).update(values)
            origins.update({f"{section}.{name}": origin for name in values})
    try:
        settings = Settings(**merged)
    except ValidationError as error:
        faults += [_fault(details, origins) for details in error.errors()]
    if faults:
        raise SettingsError(faults)
    return Loaded(home=home, settings=settings, origins=origins)


def secret(value: SecretStr, file: Path | None, home: Path) -> str:
    """A password from its setting or, when that is empty, from the first line of its file.

    Raises
    ------
    SettingsError
        When the file can't be read.
    """
    if value.get_secret_value() or file is None:
        return value.get_secret_value()
    path = home / file
    try:
        return path.read_text(encoding="utf-8").partition("\n")[0].strip()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError([f"password file {str(path)!r}: {error}"]) from error


def leaves(section: BaseModel, prefix: str = "") -> Iterator[tuple[str, object]]:
    """Dotted key and value of every setting below a section."""
    for name in type(section).model_fields:
        value = getattr(section, name)
        if isinstance(value, BaseModel):
            yield from leaves(value, f"{prefix}{name}.")
        else:
            yield prefix + name, value


def masked(value: object) -> object:
    """The value, or stars where a secret is set."""
    if isinstance(value, SecretStr):
        return "********" if value.get_secret_value() else ""
    if isinstance(value, tuple):
        return [item.model_dump(mode="json") if isinstance(item, BaseModel) else item for item in value]
    if isinstance(value, dict):
        return {name: masked(item) for name, item in value.items()}
    return value


def without_password(url: str) -> str:
    """A database URL with its password masked."""
    try:
        return make_url(url).render_as_string(hide_password=True)
    except ArgumentError:
        return "********"


def _nested(flags: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    tree: dict[str, dict[str, Any]] = {}
    for key, value in flags.items():
        section, _, name = key.partition(".")
        if value is not None:
            tree.setdefault(section, {})[name] = value
    return tree


def _environment(faults: list[str]) -> dict[str, Any]:
    known = tuple(f"{ENV_PREFIX}{section}_".upper() for section in Settings.model_fields)
    for name in sorted(os.environ):
        upper = name.upper()
        if upper.startswith(ENV_PREFIX) and upper not in OUTSIDE_THE_TREE and not upper.startswith(known):
            faults.append(f"environment variable {name}: there is no such setting")
    try:
        return EnvSettingsSource(Settings)()
    except pydantic_settings.SettingsError as error:
        faults.append(f"environment: {error}; lists and tables are written as JSON")
        return {}


def _file(path: Path, faults: list[str]) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        faults.append(f"{path}: {error}")
        return {}


def _is_secret(key: str) -> bool:
    return key == "database.url" or any(
        word in key for word in ("password", "secret", "logins", "api_tokens")
    )


def _fault(details: Any, origins: Mapping[str, str]) -> str:
    key = ".".join(str(part) for part in details["loc"])
    origin = next(
        (
            origins[known]
            for known in (key, ".".join(map(str, details["loc"][:2])), key.partition(".")[0])
            if known in origins
        ),
        "default",
    )
    if details["type"] == "extra_forbidden":
        return f"{key} (from {origin}): there is no such setting"
    message = details["msg"].removeprefix("Value error, ")
    if _is_secret(key) or isinstance(details["input"], dict):
        return f"{key} (from {origin}): {message}"
    return f"{key} (from {origin}): {details['input']!r} can't be used: {message}"
