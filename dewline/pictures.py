"""`dewline screenshots`: pictures of every page, of a board that runs already or of a demo run for them."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import requests

from dashboards import screenshots
from dashboards.addresses import unit_path
from dewline import demo, settings
from dewline.console import Terminal

READY_WITHIN_S = 180.0
DEMO_DAYS = 45
SEED = 7


class NoDemo(OSError):  # noqa: N818 - read as a sentence where it is caught
    """The demo that should be photographed did not come up."""


def take(out: Path, terminal: Terminal, *, url: str | None, home: Path | None) -> list[Path]:
    """Pictures of the fixed pages and of one unit that has an alarm."""
    if url is not None:
        return _taken(url, out)
    with demo.demo_home(home, fresh=True) as place, _running(place, terminal) as demo_url:
        return _taken(demo_url, out)


def _taken(url: str, out: Path) -> list[Path]:
    return screenshots.take(url, out, pages=(*screenshots.PAGES, *_unit_pages(url)))


def _unit_pages(url: str) -> list[str]:
    answer = requests.get(f"{url.rstrip('/')}/api/fleet", timeout=30)
    answer.raise_for_status()
    units = answer.json()["units"]
    # The first by name of those with an alarm: the same one whatever the time of day.
    wanted = sorted(unit["unit"] for unit in units if unit["alarms"]) or [unit["unit"] for unit in units]
    return [unit_path(unit_id) for unit_id in wanted[:1]]


@contextmanager
def _running(home: Path, terminal: Terminal) -> Iterator[str]:
    """A demo on free ports; yields its address once the history has been analysed."""
    board_port, broker_port = free_port(), free_port()
    loaded = settings.load(
        home,
        {"board.port": board_port, "board.host": "127.0.0.1", "broker.port": broker_port, "broker.host": ""},
    )
    stop, ready, failed = threading.Event(), threading.Event(), []

    def run() -> None:
        try:
            demo.run(loaded, terminal, stop, days=DEMO_DAYS, seed=SEED, ready=ready)
        except Exception as error:
            failed.append(error)
            ready.set()

    thread = threading.Thread(target=run, name="demo")
    thread.start()
    try:
        if not ready.wait(READY_WITHIN_S) or failed:
            raise NoDemo(f"the demo did not come up: {failed[0] if failed else 'it took too long'}")
        yield loaded.board_url
    finally:
        stop.set()
        thread.join()


def free_port() -> int:
    """A port of this machine that nothing listens on just now."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])
