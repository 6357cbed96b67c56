"""A mosquitto of the benchmark's own, on a free port, without access control."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

SEARCH_PATH = os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin"
START_S = 15.0


def program(name: str) -> str | None:
    """Path of a program, also where Debian keeps servers."""
    return shutil.which(name, path=SEARCH_PATH)


@contextmanager
def mosquitto(folder: Path) -> Iterator[int]:
    """Its port."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = int(free.getsockname()[1])
    config = folder / "mosquitto.conf"
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n"
        "max_queued_messages 0\nmax_inflight_messages 0\nset_tcp_nodelay true\nlog_type none\n"
    )
    process = subprocess.Popen([program("mosquitto") or "mosquitto", "-c", str(config)])
    try:
        _await_port(port, process)
        yield port
    finally:
        process.terminate()
        process.wait(START_S)


def _await_port(port: int, process: subprocess.Popen[bytes]) -> None:
    end_s = time.monotonic() + START_S
    while time.monotonic() < end_s and process.poll() is None:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.02)
    raise RuntimeError(f"mosquitto did not come up on port {port}")
