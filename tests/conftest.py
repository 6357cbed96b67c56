"""Fixtures shared by all tests: real servers on free ports, each in a folder of its own."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

# A speed is never asserted in a test, nor by Hypothesis on the side.
settings.register_profile("dewline", deadline=None)
settings.load_profile("dewline")

START_S = 15.0


def free_port() -> int:
    """A port that nothing listens on just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_until(true: Callable[[], object], what: str, within_s: float = START_S) -> None:
    """Return as soon as `true()` is; fail naming `what` when it does not become so in time."""
    end_s = time.monotonic() + within_s
    while not true():
        if time.monotonic() > end_s:
            pytest.fail(f"not within {within_s:g} s: {what}")
        time.sleep(0.01)


class Mosquitto:
    """A mosquitto process that keeps its sessions and queues in `folder` over a restart.

    `extra` lines go into its configuration; `listener` replaces the open listener on `port`.
    """

    host = "127.0.0.1"

    def __init__(self, folder: Path, *, extra: str = "", listener: str | None = None) -> None:
        self.port = free_port()
        self._log = folder / "mosquitto.log"
        self._config = folder / "mosquitto.conf"
        user = "user root\n" if os.geteuid() == 0 else ""
        opened = listener or "listener {port} 127.0.0.1\nallow_anonymous true\n"
        self._config.write_text(
            opened.format(port=self.port)
            + user
            + f"persistence true\npersistence_location {folder}/\n"
            + "max_queued_messages 0\nmax_inflight_messages 0\nset_tcp_nodelay true\n"
            + "".join(f"log_type {kind}\n" for kind in ("error", "warning", "notice", "subscribe"))
            + extra
        )
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it answers."""
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [mosquitto_path(), "-c", str(self._config)], stdout=log, stderr=subprocess.STDOUT
            )
        wait_until(self._answers, f"mosquitto answers; its log: {self._log}")

    def stop(self, *, kill: bool = False) -> None:
        """End it; `kill` gives it no chance to save anything."""
        if self._process is None:
            return
        self._process.send_signal(signal.SIGKILL if kill else signal.SIGTERM)
        self._process.wait(START_S)
        self._process = None

    def log(self) -> str:
        """What it has logged so far."""
        return self._log.read_text(errors="replace")

    def _answers(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, self._log.read_text()
        try:
            socket.create_connection((self.host, self.port), timeout=1.0).close()
        except OSError:
            return False
        return True


def mosquitto_path() -> str:
    """Path of the mosquitto program; skips the test when there is none."""
    path = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
    if path is None:
        pytest.skip("needs Debian's mosquitto")
    return path


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A running broker without access control: `.host`, `.port`, `.stop()`, `.start()`."""
    folder = tmp_path / "mosquitto"
    folder.mkdir()
    broker = Mosquitto(folder)
    broker.start()
    yield broker
    broker.stop()
