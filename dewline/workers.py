"""The two threads that work behind the listener: one analyses, one sends. A unit's fault ends neither."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterable

log = logging.getLogger(__name__)


class AnalysisWorker:
    """Calls `analyse` for each unit that has news, one after the other; news of a waiting unit is one call.

    Parameters
    ----------
    analyse : callable
        Takes a unit's id. What it raises is logged with the unit and stops nobody else's analysis.
    """

    def __init__(self, analyse: Callable[[str], None]) -> None:
        self._analyse = analyse
        # A dict keeps the order of arrival: no unit starves behind a busy one.
        self._waiting: dict[str, None] = {}
        self._to_look_at: dict[str, None] = {}
        self._looked_last = False
        self._working_on: str | None = None
        self._changed = threading.Condition()
        self._stopping = False
        self._thread = threading.Thread(target=self._work, name="analysis", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def submit(self, unit_ids: Iterable[str]) -> None:
        """These units have news. Returns at once."""
        with self._changed:
            self._waiting.update(dict.fromkeys(unit_ids))
            self._changed.notify_all()

    def look_at(self, unit_ids: Iterable[str]) -> None:
        """These units may have news. Returns at once.

        They take turns with those that `submit` named, so that a whole fleet looked at does not stand before
        a reading that has just come, nor the other way round.
        """
        with self._changed:
            self._to_look_at.update(dict.fromkeys(unit_ids))
            self._changed.notify_all()

    def stop(self) -> None:
        """Finish the unit in hand and end. Whoever waits is caught up at the next start."""
        with self._changed:
            self._stopping = True
            self._changed.notify_all()
        if self._thread.is_alive():
            self._thread.join()

    @property
    def n_waiting(self) -> int:
        """Units not analysed yet, the one in hand included."""
        with self._changed:
            return len(self._waiting | self._to_look_at) + (self._working_on is not None)

    def _work(self) -> None:
        while (unit_id := self._next()) is not None:
            try:
                self._analyse(unit_id)
            except Exception:
                log.exception("analysis of unit %r ended early", unit_id)

    def _next(self) -> str | None:
        with self._changed:
            self._working_on = None
            self._changed.wait_for(lambda: self._stopping or self._waiting or self._to_look_at)
            if self._stopping:
                return None
            self._looked_last = bool(self._to_look_at) and not (self._waiting and self._looked_last)
            self._working_on = next(iter(self._to_look_at if self._looked_last else self._waiting))
            # One call takes in whatever there is of a unit, whoever named it.
            self._waiting.pop(self._working_on, None)
            self._to_look_at.pop(self._working_on, None)
            return self._working_on


class Notifier:
    """Calls `send` whenever it is woken and every few seconds, `tick` more seldom.

    Parameters
    ----------
    send, tick : callable
        Drain the outbox; let time pass over the alarms.
    send_every_s, tick_every_s : float
        Longest time between two calls. [s]
    """

    def __init__(
        self,
        *,
        send: Callable[[], object],
        tick: Callable[[], object],
        send_every_s: float = 5.0,
        tick_every_s: float = 30.0,
    ) -> None:
        self._send, self._tick = send, tick
        self._send_every_s, self._tick_every_s = send_every_s, tick_every_s
        self._woken = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._work, name="notifier", daemon=True)

    def start(self) -> None:
        """Begin, with a tick at once."""
        self._thread.start()

    def wake(self) -> None:
        """There may be something to send."""
        self._woken.set()

    def stop(self) -> None:
        """Finish what is being sent and end."""
        self._stopping.set()
        self._woken.set()
        if self._thread.is_alive():
            self._thread.join()

    def _work(self) -> None:
        next_tick_s = 0.0
        while not self._stopping.is_set():
            self._woken.clear()
            if time.monotonic() >= next_tick_s:
                _guarded("alarms", self._tick)
                next_tick_s = time.monotonic() + self._tick_every_s
            _guarded("outbox", self._send)
            self._woken.wait(self._send_every_s)


def _guarded(what: str, call: Callable[[], object]) -> None:
    try:
        call()
    except Exception:
        log.exception("%s: round ended early", what)
