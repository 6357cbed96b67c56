"""What recorded work does to a unit's state: a drain or an oil change empties the ledgers at its instant.

Folded like a reading, in order of time, so that replay and live agree and a record that comes late leads
back to the checkpoint before it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from ingest.maintenance import Service, Work
from ingest.reading import Readings
from ingest.units_of_measure import MS_PER_S
from models.compiled import kernel
from models.features import S_PER_DAY
from models.fold import end_day, mark
from models.moisture import FILM_G, forget_wetness
from models.run_account import forget_water
from models.state import DECISION_ROW, DRIED, Record

UNDRAINED_SHARE = 0.2
"""Of the wet bound, what a drain may leave emulsified in the oil (assumption); an oil change leaves none."""


@kernel
def _empty(s: Record, t: float, left_share: float, rows: Record) -> int:
    """Reset the ledgers at `t`; the number of decision rows written."""
    n_rows = 0
    if math.floor(t / S_PER_DAY) > s.day:
        end_day(s, t, rows[n_rows])
        n_rows += 1
    high_g = FILM_G + left_share * max(s.water_high_g - FILM_G, 0.0)
    s.water_g = s.water_low_g = 0.0
    s.water_high_g = high_g
    forget_water(s, high_g)
    if not math.isnan(s.first_wet_t):
        mark(s, t, DRIED, s.first_wet_t, rows[n_rows])
        n_rows += 1
    forget_wetness(s, t)
    return n_rows


def serviced(memory: Record, service: Service) -> Record:
    """Fold a piece of work into a unit's memory, shape (1,), in place; the decision rows that it brings."""
    rows = np.zeros(2, DECISION_ROW)
    share = UNDRAINED_SHARE if service.work is Work.DRAIN else 0.0
    return rows[: _empty(memory[0], service.done_at_ms / MS_PER_S, share, rows)]


def waiting(
    services: Sequence[Service], folded: Sequence[tuple[int, str]], newest_ms: int | None
) -> list[Service]:
    """Work not folded yet and not older than a state, in the order it is to be folded.

    Parameters
    ----------
    folded : sequence of tuple
        Keys that the state has folded.
    newest_ms : int, optional
        The state's instant. [Unix ms]
    """
    last = max(folded, default=(-1, ""))
    due = [one for one in services if one.key > last and (newest_ms is None or one.done_at_ms >= newest_ms)]
    return sorted(due, key=lambda service: service.key)


def between(readings: Readings, services: Sequence[Service]) -> Iterator[tuple[Readings, Service | None]]:
    """Readings in pieces, each with the work that follows it; work follows a reading of its own instant."""
    done = 0
    for service in services:
        until = int(np.searchsorted(readings.observed_at_ms, service.done_at_ms, side="right"))
        yield readings[done:until], service
        done = until
    yield readings[done:], None
