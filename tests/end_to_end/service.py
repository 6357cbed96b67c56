"""What the tests of this folder start: `dewline serve` as a process of its own, a mail server, a truck."""

from __future__ import annotations

import email
import email.policy
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from email.message import EmailMessage
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.conftest import free_port, wait_until

COME_UP_S = 120.0
"""The first start on a machine compiles the engine."""
STOP_S = 15.0


class Service:
    """`dewline serve` on a home and free ports, killed and started as the test likes."""

    def __init__(self, home: Path, environment: dict[str, str]) -> None:
        self.home = home
        self.board_port = free_port()
        self.log = home.parent / f"{home.name}.log"
        kept = {name: value for name, value in os.environ.items() if not name.startswith("DEWLINE_")}
        self._environment = kept | {
            "DEWLINE_HOME": str(home),
            "DEWLINE_BOARD_PORT": str(self.board_port),
            **environment,
        }
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """Where the board is."""
        return f"http://127.0.0.1:{self.board_port}"

    def start(self) -> None:
        """Start it and wait until the board answers."""
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "dewline", "serve"],
                env=self._environment,
                stdout=log,
                stderr=subprocess.STDOUT,
            )
        wait_until(self._answers, f"the board answers; log: {self.log}", COME_UP_S)

    def kill(self) -> None:
        """SIGKILL: no chance to save anything."""
        assert self._process is not None
        self._process.kill()
        self._process.wait(STOP_S)
        self._process = None

    def stop(self, with_signal: signal.Signals = signal.SIGTERM) -> int:
        """Ask it to stop; its exit code."""
        if self._process is None:
            return 0
        self._process.send_signal(with_signal)
        try:
            return self._process.wait(STOP_S)
        finally:
            self._process.kill()
            self._process = None

    def get(self, path: str) -> Any:
        """JSON of a page of the API."""
        with urllib.request.urlopen(self.url + path, timeout=10) as answer:
            return json.load(answer)

    def _answers(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, self.log.read_text()
        try:
            return bool(self.get("/readyz")["ready"])
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            return False


class Inbox:
    """A real SMTP server that keeps what it is sent."""

    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []
        self.recipients: list[str] = []

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        """Keep one mail; the name is the library's."""
        assert isinstance(envelope.content, bytes)
        self.recipients += envelope.rcpt_tos
        mail = email.message_from_bytes(envelope.content, policy=email.policy.default)
        assert isinstance(mail, EmailMessage)
        self.mails.append(mail)
        return "250 kept"


@contextmanager
def smtp_server() -> Iterator[tuple[Inbox, int]]:
    """An inbox, and the port on which it listens."""
    inbox, port = Inbox(), free_port()
    controller = Controller(inbox, hostname="127.0.0.1", port=port)
    controller.start()
    try:
        yield inbox, port
    finally:
        controller.stop()


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


class Modem:
    """A truck's MQTT client: QoS 1, sends again after a reconnect what was not acknowledged."""

    def __init__(self, unit_id: str, port: int) -> None:
        self.topic = f"compressors/{unit_id}/readings"
        self._acknowledged: set[int] = set()
        self._changed = threading.Condition()
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=f"modem-{unit_id}", clean_session=False
        )
        self._client.max_inflight_messages_set(100)
        self._client.on_publish = self._on_publish
        self._client.reconnect_delay_set(min_delay=1, max_delay=1)
        wait_until(lambda: _listens(port), f"a broker listens on port {port}")
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def send(self, payloads: Iterable[bytes]) -> None:
        """Queue messages; returns at once."""
        self._sent = [self._client.publish(self.topic, payload, qos=1).mid for payload in payloads]

    def n_unacknowledged(self) -> int:
        """How many of the messages sent last the broker has not confirmed."""
        with self._changed:
            return len(set(self._sent) - self._acknowledged)

    def close(self) -> None:
        """Hang up."""
        self._client.disconnect()
        self._client.loop_stop()

    def _on_publish(self, client: object, userdata: object, message_id: int, *_: object) -> None:
        with self._changed:
            self._acknowledged.add(message_id)
