"""Serving an ASGI app in a thread of this process, with a start that is awaited and a stop that ends."""

from __future__ import annotations

import contextlib
import logging
import socket
import threading
from types import TracebackType

import uvicorn
from starlette.types import ASGIApp

log = logging.getLogger(__name__)

START_LIMIT_S = 30.0
CLOSE_LIMIT_S = 2
"""How long open browsers may delay the stop. [s]"""


class BoardServer:
    """One listening socket, one thread, one event loop. Signals are left to the caller."""

    def __init__(self, app: ASGIApp, *, host: str, port: int) -> None:
        self._host, self._port = host, port
        config = uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            server_header=False,
            ws="websockets-sansio",
            timeout_graceful_shutdown=CLOSE_LIMIT_S,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._run, name="board", daemon=True)
        self._ended = threading.Event()
        self._socket: socket.socket | None = None
        self._fault: BaseException | None = None

    @property
    def url(self) -> str:
        """Address of the board; the port is the real one once started."""
        host = f"[{self._host}]" if ":" in self._host else self._host
        return f"http://{host}:{self._port}"

    @property
    def failed(self) -> BaseException | None:
        """What ended the server other than `stop`; None while all is well."""
        return self._fault

    def start(self) -> None:
        """Bind, then serve in a thread; returns when requests are answered.

        Raises
        ------
        OSError
            When the address is taken or not ours; the message names it.
        RuntimeError
            When the app does not come up.
        """
        self._socket = _bound(self._host, self._port)
        self._port = self._socket.getsockname()[1]
        self._thread.start()
        for _ in range(int(START_LIMIT_S / 0.05)):
            if self._server.started:
                log.info("board at %s", self.url)
                return
            if self._ended.wait(0.05):
                break
        raise RuntimeError(f"the board at {self.url} did not come up") from self._fault

    def stop(self) -> None:
        """Close browsers' connections, end the thread. May be called twice."""
        self._server.should_exit = True
        if self._thread.is_alive():
            self._thread.join(timeout=CLOSE_LIMIT_S + 10.0)

    def _run(self) -> None:
        try:
            with contextlib.suppress(SystemExit):
                self._server.run(sockets=[self._socket] if self._socket else None)
        except BaseException as error:
            self._fault = error
            log.exception("board at %s ended", self.url)
        finally:
            if self._socket:
                self._socket.close()
            self._ended.set()

    def __enter__(self) -> BoardServer:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()


def serve(app: ASGIApp, *, host: str, port: int, stop_event: threading.Event) -> None:
    """Serve until `stop_event` is set; for callers that give the board a thread of their own."""
    with BoardServer(app, host=host, port=port) as server:
        while not stop_event.wait(0.5):
            if server.failed is not None:
                raise RuntimeError(f"the board at {server.url} ended") from server.failed


def _bound(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, port))
    except OSError as error:
        listening.close()
        raise OSError(error.errno, f"board address {host}:{port}: {error.strerror}") from error
    return listening
