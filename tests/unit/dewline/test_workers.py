from __future__ import annotations

import logging
import threading

import pytest

from dewline.workers import AnalysisWorker, Notifier

WITHIN_S = 10.0


def test_worker_merges_news_of_a_waiting_unit() -> None:
    seen: list[str] = []
    held, go, done = threading.Event(), threading.Event(), threading.Event()

    def analyse(unit_id: str) -> None:
        seen.append(unit_id)
        if unit_id == "first":
            held.set()
            go.wait(WITHIN_S)
        if unit_id == "last":
            done.set()

    worker = AnalysisWorker(analyse)
    worker.submit(["first"])
    worker.start()
    assert held.wait(WITHIN_S)
    for _ in range(5):
        worker.submit(["again"])
    worker.submit(["last"])
    assert worker.n_waiting == 3
    go.set()
    assert done.wait(WITHIN_S)
    worker.stop()
    assert seen == ["first", "again", "last"]


def test_worker_takes_turns_between_news_and_a_look_at_everybody() -> None:
    seen: list[str] = []
    done = threading.Event()

    def analyse(unit_id: str) -> None:
        seen.append(unit_id)
        if len(seen) == 6:
            done.set()

    worker = AnalysisWorker(analyse)
    worker.look_at(["a", "b", "c", "d"])
    worker.submit(["x", "b", "y"])
    assert worker.n_waiting == 6
    worker.start()
    assert done.wait(WITHIN_S)
    worker.stop()
    # b was named twice and is analysed once; neither kind waits for all of the other.
    assert seen == ["a", "x", "b", "y", "c", "d"]


def test_worker_goes_on_after_a_unit_that_fails(caplog: pytest.LogCaptureFixture) -> None:
    done = threading.Event()

    def analyse(unit_id: str) -> None:
        if unit_id == "bad":
            raise ValueError("cannot be")
        done.set()

    worker = AnalysisWorker(analyse)
    worker.submit(["bad", "good"])
    with caplog.at_level(logging.ERROR):
        worker.start()
        assert done.wait(WITHIN_S)
        worker.stop()
    assert "'bad'" in caplog.text


def test_worker_stops_without_having_started() -> None:
    AnalysisWorker(lambda unit_id: None).stop()


def test_notifier_sends_when_woken() -> None:
    sent, ticked = threading.Semaphore(0), threading.Semaphore(0)
    notifier = Notifier(send=sent.release, tick=ticked.release, send_every_s=3600.0, tick_every_s=3600.0)
    notifier.start()
    assert ticked.acquire(timeout=WITHIN_S)
    assert sent.acquire(timeout=WITHIN_S)
    notifier.wake()
    assert sent.acquire(timeout=WITHIN_S)
    notifier.stop()
    assert not ticked.acquire(blocking=False)


def test_notifier_outlives_a_fault(caplog: pytest.LogCaptureFixture) -> None:
    sent = threading.Event()

    def tick() -> None:
        raise OSError("database is away")

    notifier = Notifier(send=sent.set, tick=tick, send_every_s=3600.0)
    with caplog.at_level(logging.ERROR):
        notifier.start()
        assert sent.wait(WITHIN_S)
        notifier.stop()
    assert "alarms" in caplog.text
