"""What the fold asks about the machine itself, run by run: its heat, its pressure, its habits. Compiled."""

from __future__ import annotations

from models import build_up, overheat, own_habits
from models.compiled import kernel
from models.state import Record


@kernel
def begin_run(s: Record, c: Record, t: float) -> None:
    """A run has begun with this reading."""
    overheat.begin_run(s)
    build_up.begin_run(s, c, t)
    own_habits.begin_run(s, t)


@kernel
def watch_run(
    s: Record, c: Record, t: float, dt: float, pressure_new: bool, rows: Record, n_rows: int
) -> int:
    """Look at one reading of the run in hand; the number of decision rows written so far."""
    own_habits.watch_run(s, t, dt)
    if build_up.follow(s, c, t, pressure_new, rows[n_rows]):
        n_rows += 1
    if overheat.watch_heat(s, t, dt, rows[n_rows]):
        n_rows += 1
    return n_rows


@kernel
def end_run(s: Record, c: Record, t: float, end_t: float, row: Record) -> bool:
    """The run has ended, as this reading shows; True when `row` tells how it compares with the others."""
    overheat.end_run(s, end_t)
    build_up.end_run(s, end_t)
    return own_habits.end_run(s, c, t, end_t, row)


@kernel
def at_rest(s: Record, c: Record, t: float, pressure_new: bool) -> None:
    """Look at one reading of a unit that does not run."""
    own_habits.at_rest(s, t)
    if pressure_new:
        build_up.note_rest(s, c, t)
