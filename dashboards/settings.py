"""Settings of the board, checked as a whole."""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping
from dataclasses import dataclass, field

from dashboards.display import System


@dataclass(frozen=True, kw_only=True)
class BoardSettings:
    """How the board is served and what it calls urgent."""

    host: str = "127.0.0.1"
    port: int = 8080
    """0 lets the system choose a free one."""
    title: str = "Dewline"
    system: System = System.US
    """Units shown until a person chooses."""
    logins: Mapping[str, str] = field(default_factory=dict)
    """Name -> argon2 hash of the password (`dashboards.access.hash_password`)."""
    session_secret: str = ""
    """Signs session cookies; empty makes a new one at every start, which ends every session."""
    api_tokens: Mapping[str, str] = field(default_factory=dict)
    """Name -> SHA-256 hex digest of a bearer token for the JSON API."""
    allowed_hosts: tuple[str, ...] = ()
    """Names under which the board may be asked for besides its own address; empty with a login: any."""
    silent_after_s: float = 900.0
    """A unit not heard of for this long is silent."""
    harmful_water_frac: float = 0.005
    """Retained water over oil charge, by mass, from which it harms. [-]"""
    near_harmful_frac: float = 0.8
    """Share of the harmful level from which a sump is called close to it. [-]"""
    mail_server: bool = False
    """Whether an SMTP server is set; without one messages stay in the outbox for reading."""


def is_loopback(host: str) -> bool:
    """Whether an address can be reached from this machine alone."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False
