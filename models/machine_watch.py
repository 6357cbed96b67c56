"""What the fold asks about the machine itself, run by run: its heat and how its pressure builds. Compiled."""

from __future__ import annotations

from models import build_up, overheat
from models.compiled import kernel
from models.state import Record


@kernel
def begin_run(s: Record, c: Record, t: float) -> None:
    """A run has begun with this reading."""
    overheat.begin_run(s)
    build_up.begin_run(s, c, t)


@kernel
def watch_run(
    s: Record, c: Record, t: float, dt: float, pressure_new: bool, rows: Record, n_rows: int
) -> int:
    """Look at one reading of the run in hand; the number of decision rows written so far."""
    if build_up.follow(s, c, t, pressure_new, rows[n_rows]):
        n_rows += 1
    if overheat.watch_heat(s, t, dt, rows[n_rows]):
        n_rows += 1
    return n_rows


@kernel
def end_run(s: Record, end_t: float) -> None:
    """The run has ended."""
    overheat.end_run(s, end_t)
    build_up.end_run(s, end_t)


@kernel
def at_rest(s: Record, c: Record, t: float, pressure_new: bool) -> None:
    """Look at one reading of a unit that does not run."""
    if pressure_new:
        build_up.note_rest(s, c, t)
