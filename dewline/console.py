"""What people see in the terminal: messages, tables and progress bars. Nothing else in this folder prints."""

from __future__ import annotations

import logging
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from rich.console import Console
from rich.markup import escape
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    SpinnerColumn,
    TextColumn,
    TimeRemainingColumn,
)
from rich.table import Table
from rich.text import Text

PIPED_WIDTH = 200
"""Columns when the output is no terminal, so that a line stays one line."""
LOG_FORMAT = "%(asctime)s %(levelname)-7s %(name)s: %(message)s"


def counted(n: int, one: str) -> str:
    """Such as ``1 row`` or ``2,000 rows``."""
    return f"{n:,} {one}{'' if n == 1 else 's'}"


def named(names: Sequence[str], most: int = 5) -> str:
    """The first of many names, and how many more there are."""
    more = f" and {len(names) - most:,} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


class RateColumn(TextColumn):
    """Steps a second so far."""

    def __init__(self) -> None:
        super().__init__("")

    def render(self, task: object) -> Text:
        """The rate as text, empty until there is one."""
        speed = getattr(task, "finished_speed", None) or getattr(task, "speed", None)
        fields = getattr(task, "fields", {})
        return Text(f"{speed:,.0f} {fields.get('unit', '')}/s" if speed else "", style="progress.data.speed")


@dataclass(frozen=True, kw_only=True)
class Terminal:
    """Standard output for results, standard error for everything else. ``NO_COLOR`` is honoured."""

    quiet: bool = False

    def say(self, text: str) -> None:
        """Tell how things go; silent with ``--quiet``."""
        if not self.quiet:
            _console(stderr=True).print(escape(text), soft_wrap=True, highlight=False)

    def complain(self, text: str) -> None:
        """Tell what is wrong, quiet or not."""
        _console(stderr=True).print(f"[bold red]dewline:[/] {escape(text)}", soft_wrap=True, highlight=False)

    def result(self, text: str) -> None:
        """Print what was asked for."""
        _console(stderr=False).print(escape(text), soft_wrap=True, highlight=False)

    def table(self, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
        """Print what was asked for as a table."""
        table = Table(*columns, box=None, pad_edge=False, header_style="bold")
        for row in rows:
            table.add_row(*(escape(cell) for cell in row))
        _console(stderr=False).print(table)

    @contextmanager
    def progress(self, title: str, total: float | None, unit: str) -> Iterator[Bar]:
        """A bar with rate and time left while the block runs."""
        columns = (
            SpinnerColumn(),
            TextColumn("{task.description}"),
            BarColumn(),
            MofNCompleteColumn(),
            RateColumn(),
            TimeRemainingColumn(),
        )
        with Progress(*columns, console=_console(stderr=True), disable=self.quiet) as progress:
            yield Bar(progress, progress.add_task(title, total=total, unit=unit))


class Bar:
    """A progress bar under way."""

    def __init__(self, progress: Progress, task_id: int) -> None:
        self._progress = progress
        self._task_id = progress.task_ids[task_id]

    def advance(self, steps: float) -> None:
        """So many more are done."""
        self._progress.advance(self._task_id, steps)

    def reach(self, done: float, total: float | None = None) -> None:
        """So many are done in all; `total` replaces the total where it is given."""
        self._progress.update(self._task_id, completed=done, total=total)


def log_to_stderr(*, quiet: bool) -> None:
    """One line an event. The embedded broker's own library tells of every client it turns away, which
    `dewline.broker` and the listener report where it matters."""
    logging.basicConfig(
        level=logging.WARNING if quiet else logging.INFO, format=LOG_FORMAT, stream=sys.stderr, force=True
    )
    # The listener asks for MQTT 5 first and says so when it goes on with 3.1.1: no trouble.
    logging.getLogger("ingest.listener").addFilter(
        lambda record: "Unsupported protocol version" not in record.getMessage()
    )
    for name in ("amqtt", "transitions"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    for name in ("alembic", "matplotlib", "httpx", "uvicorn.error"):
        logging.getLogger(name).setLevel(logging.WARNING)


def _console(*, stderr: bool) -> Console:
    stream = sys.stderr if stderr else sys.stdout
    return Console(stderr=stderr, width=None if stream.isatty() else PIPED_WIDTH)
