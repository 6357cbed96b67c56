"""How the listener behaves, and what it tells about itself. Data alone."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from ingest.payload import Limits


@dataclass(frozen=True, kw_only=True)
class ListenerSettings:
    """How the listener behaves."""

    prefix: str = "compressors"
    client_id: str = "dewline-listener"
    """Names the session at the broker: each listener needs its own, and keeps it over restarts."""
    share_group: str | None = None
    """Listeners of one group share the messages between them (MQTT 5 shared subscription)."""
    flush_messages: int = 2_000
    flush_s: float = 0.1
    quiet_s: float = 0.02
    """A batch is written when it holds so many messages, its first one has waited so long, or nothing more
    has come for so long: a broker that allows few unacknowledged messages would else wait for us."""
    receive_maximum: int = 20_000
    """Unacknowledged messages that the broker may have under way. [1-65535]"""
    max_waiting_messages: int = 50_000
    max_waiting_bytes: int = 64_000_000
    """Beyond either the socket is left unread until the store has caught up."""
    session_expiry_s: int = 604_800
    """How long the broker keeps messages for us while we are away."""
    keepalive_s: int = 30
    connect_timeout_s: float = 5.0
    """For the network connection, and again for the broker's answer on it."""
    first_protocol: Literal["5", "3.1.1"] = "5"
    """Tried first; the other follows when the broker refuses it or makes nothing of it."""
    min_retry_s: float = 0.2
    max_retry_s: float = 30.0
    drain_s: float = 5.0
    """How long a stop waits for what was taken in to be stored."""
    limits: Limits = field(default_factory=Limits)

    def topics(self) -> tuple[str, str]:
        """Topic filters to subscribe to."""
        share = f"$share/{self.share_group}/" if self.share_group else ""
        # A shared subscription gets no retained messages, and link states are retained.
        return f"{share}{self.prefix}/+/readings", f"{self.prefix}/+/link"


@dataclass(frozen=True, kw_only=True)
class Counts:
    """What the listener has done since it started."""

    messages: int = 0
    readings: int = 0
    rejects: int = 0
    batches: int = 0
    connects: int = 0
    retries: int = 0
    """Writes that had to be tried again."""
    last_commit_s: float = 0.0
    waiting_messages: int = 0
    connected: bool = False
    trouble: str = ""
    """What keeps it from connecting or storing just now."""
