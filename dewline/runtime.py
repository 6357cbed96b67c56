"""Which parts run here, in which order they start, and how they stop.

Start: store, database, register, analyst, desk, board, broker, listener, workers. Stop: the same backwards,
so that nothing arrives at a part that has ended. Called by `dewline.cli` and `dewline.demo`.
"""

from __future__ import annotations

import datetime as dt
import errno
import logging
import threading
import time
from collections.abc import Sequence
from contextlib import ExitStack
from typing import Self

from alerts.desk import AlarmDesk
from alerts.mailer import Mailer
from dashboards import app as board_app
from dashboards.live_sources import LiveSources
from dashboards.server import BoardServer
from dewline import parts
from dewline.broker import EmbeddedBroker
from dewline.hearing import Hearing
from dewline.late import Notes
from dewline.links import Links
from dewline.settings import Loaded
from dewline.workers import AnalysisWorker, Notifier
from ingest.database import open_database
from ingest.listener import Listener, unix_ms
from ingest.profile import UnitProfile
from ingest.quarantine import Quarantine
from ingest.reading import Reading, Readings
from ingest.register import Register
from ingest.store import EmbeddedStore
from models import engine
from models.analyst import Analyst
from models.artefact import PatternModels, load_models
from models.parameters import Parameters
from models.records import Finding

log = logging.getLogger(__name__)

CONNECT_WITHIN_S = 5.0
"""How long the start waits for the listener; a broker that is away is waited for later on. [s]"""


class PartEnded(RuntimeError):  # noqa: N818 - says what happened
    """A part that should run until it is stopped has ended by itself."""


class Runtime:
    """Everything that `dewline serve` runs, in one process; a context manager over `start` and `stop`."""

    def __init__(self, loaded: Loaded) -> None:
        self._loaded = loaded
        self._running = ExitStack()

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def start(self) -> None:
        """Start every part; what can't be started ends those that were.

        Raises
        ------
        OSError, ValueError
            With the part and what stands in its way.
        """
        with self._running:
            self._start_core(self._running)
            self._start_surface(self._running)
            # A long history keeps the analysis busy: let the listener have its session first.
            self._await_listener()
            self.worker.start()
            self.notifier.start()
            self._running = self._running.pop_all()
        log.info("home %s; board %s; broker %s", self._loaded.home, self.board.url, self.broker_address)

    def stop(self) -> None:
        """Stop every part, last started first. What was taken in is stored and acknowledged before."""
        self._running.close()
        log.info("stopped")

    def wait(self, stop: threading.Event) -> None:
        """Run until `stop` is set.

        Raises
        ------
        PartEnded
            When a part ends by itself.
        """
        while not stop.wait(1.0):
            if self.board.failed is not None:
                raise PartEnded(f"board: {self.board.failed}")

    def n_unanalysed(self) -> int:
        """Units whose readings wait for analysis."""
        return self.worker.n_waiting

    def _start_core(self, running: ExitStack) -> None:
        loaded = self._loaded
        loaded.home.mkdir(parents=True, exist_ok=True)
        self._notes = Notes(loaded.home)
        self._hearing = Hearing(time.monotonic())
        self.store = EmbeddedStore(loaded.store_path)
        running.callback(self.store.close)
        self.database = open_database(loaded.database_url)
        running.callback(self.database.dispose)
        self.register = Register(self.database)
        models_path = loaded.settings.analysis.models_path
        models = load_models(loaded.home / models_path if models_path else None)
        parameters = parts.parameters(loaded)
        _warm_up(parameters, models)
        self.analyst = Analyst(self.store, self.database, self.register, parameters, models)
        alerts = parts.alert_settings(loaded)
        self.desk = AlarmDesk(self.database, self.register, alerts, self.analyst.trace, _now)
        self.desk.outbox.write_missing_files()
        mailer = Mailer(self.desk.outbox, alerts.mail, _now)
        self.worker = AnalysisWorker(self._analyse)
        self.notifier = Notifier(send=mailer.drain, tick=self._tick)
        self.worker.submit(self.store.units())
        running.callback(self.worker.stop)
        running.callback(self.notifier.stop)

    def _start_surface(self, running: ExitStack) -> None:
        loaded = self._loaded
        board = parts.board_settings(loaded)
        sources = LiveSources(
            database=self.database,
            store=self.store,
            register=self.register,
            desk=self.desk,
            analyst=self.analyst,
            on_work=lambda unit_id: self.worker.submit([unit_id]),
        )
        self.board = BoardServer(board_app.build(sources, board, _now), host=board.host, port=board.port)
        try:
            running.enter_context(self.board)
        except OSError as error:
            if error.errno != errno.EADDRINUSE:
                raise
            raise OSError(error.errno, f"{error.strerror}; choose another with board.port") from error
        if not loaded.settings.broker.host:
            broker, topics = loaded.settings.broker, parts.listener_settings(loaded).topics()
            running.enter_context(
                EmbeddedBroker(bind=broker.bind, port=broker.port, client_id=broker.client_id, topics=topics)
            )
        self.broker_address = parts.broker_address(loaded)
        self.listener = Listener(
            broker=self.broker_address,
            store=self.store,
            quarantine=Quarantine(self.database),
            on_stored=self._stored,
            on_link=Links(self.database).put,
            settings=parts.listener_settings(loaded),
        )
        running.enter_context(self.listener)

    def _await_listener(self) -> None:
        end_s = time.monotonic() + CONNECT_WITHIN_S
        while not self.listener.counts().connected and time.monotonic() < end_s:
            time.sleep(0.02)

    def _stored(self, readings: list[Reading]) -> None:
        """On the listener's thread: note what came and leave the work to the worker."""
        self.analyst.note_stored(readings)
        self.worker.submit({reading.unit_id for reading in readings})

    def _tick(self) -> None:
        self._hearing.note(time.monotonic(), connected=self.listener.counts().connected)
        # Readings also come by import, past the listener: every unit is looked after from time to time.
        try:
            self.worker.look_at([*self._notes.read(), *self.store.units()])
        finally:
            self.desk.tick()

    def _analyse(self, unit_id: str) -> None:
        self.register.ensure(unit_id, unix_ms())
        late_ms = self._notes.oldest_ms(unit_id)
        if late_ms is not None:
            late = Reading(unit_id=unit_id, observed_at_ms=late_ms, received_at_ms=late_ms)
            self.analyst.note_stored([late])
        steady = self._hearing.steady(time.monotonic())
        self.analyst.catch_up(unit_id, unix_ms() if steady else None, hear=self._hear)
        if late_ms is not None:
            self._notes.done(unit_id, late_ms)

    def _hear(self, findings: Sequence[Finding]) -> None:
        self.desk.consider(findings)
        self.notifier.wake()


def _warm_up(parameters: Parameters, models: PatternModels) -> None:
    """Compile the engine's inner loops: once a machine that takes long and would starve broker and board."""
    now_ms = unix_ms()
    rows = [Reading(unit_id="", observed_at_ms=at_ms, received_at_ms=at_ms) for at_ms in (now_ms - 1, now_ms)]
    readings = Readings.from_rows("", rows)
    engine.advance(engine.initial_state(""), readings, UnitProfile(unit_id=""), parameters, models)


def _now() -> dt.datetime:
    return dt.datetime.now(dt.UTC)
