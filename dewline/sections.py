"""Sections of the settings: what each setting means, what it may be, and its default.

The docstring below a setting is what `docs/settings.md` says about it. Put together by `dewline.settings`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, SecretStr, field_validator, model_validator
from sqlalchemy import make_url
from sqlalchemy.exc import ArgumentError

from dashboards.settings import is_loopback

Port = Annotated[int, Field(ge=1, le=65535)]
Address = Annotated[str, Field(pattern=r"^[^@\s]+@[^@\s]+$")]


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
    silent_after_h: float = Field(default=96.0, gt=0, le=8760)
    """A unit of which nothing has come for so long is told of, unless it is often silent for half as long or
    longer: then after twice what is usual of it. 96 is a long weekend. [h]"""
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
