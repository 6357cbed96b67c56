"""Which runs a unit's page shows. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from dashboards import display
from models.records import Run


def with_run_in_hand(ended: Sequence[Run], in_hand: Run | None, start_ms: int, end_ms: int) -> list[Run]:
    """Runs of a range with the one that still goes on, which is no result until it is over; oldest first.

    Parameters
    ----------
    ended : sequence of Run
        Those that touch the range, oldest first.
    in_hand : Run or None
        The run that the unit is in, as far as it has got.
    start_ms, end_ms : int
        The range, end exclusive. [Unix ms]
    """
    if in_hand is None or any(run.start_at == in_hand.start_at for run in ended):
        return list(ended)
    touches = display.ms_of(in_hand.start_at) < end_ms and display.ms_of(in_hand.last_at) >= start_ms
    return [*ended, in_hand] if touches else list(ended)
