"""Clocks that are set back: a stretch of time is told twice, and which telling is true shows when each came.

A truck that was out of reach sends what it kept in the order in which it measured it, so that its readings
lag, but in order. Where the clock is set back, readings of two times are shuffled together: one that came
long after its neighbours stands between them, again and again. Compiled; the first step of the fold.
"""

from __future__ import annotations

import math

from models.compiled import kernel
from models.state import Record

APART_S = 60.0
"""Receipts that differ by less may be a queue's or a gateway's doing (assumption)."""
SHUFFLED_N = 4.0
"""Two readings out of order within so many are a shuffle; one alone is a message that was sent again."""
STEADY_S = 10.0
"""A clock that was set back lags by the same from message to message; what a bad link delays does not."""


@kernel
def told_again(s: Record, t: float, received_t: float) -> bool:
    """Whether a reading tells of a time that the truck has told already, by a clock that was set back since.

    Parameters
    ----------
    t, received_t : float
        When it says that it was measured, later than any before, and when it came. [Unix s]
    """
    lag_s = received_t - t
    came_before = received_t < s.came_t - APART_S
    changed_s = lag_s - s.lag_s
    s.ordered_n += 1.0
    if changed_s > APART_S:
        steady = abs(lag_s - s.again_lag_s) <= STEADY_S
        s.again_lag_s = lag_s
        if steady and s.ordered_n <= SHUFFLED_N and s.again_n < SHUFFLED_N:
            s.again_n += 1.0
            return True
    # Batches change the lag as well, and in them nothing breaks off.
    breaks = came_before or s.again_n >= SHUFFLED_N or s.ordered_n <= SHUFFLED_N
    if came_before or s.again_n > 0.0:
        s.ordered_n = 0.0
    if s.again_n >= SHUFFLED_N:
        # Nothing else comes any more: from here on this is the truck's time.
        s.ordered_n = math.inf
    s.again_n = 0.0
    s.time_broke = 1.0 if breaks and abs(changed_s) > APART_S else 0.0
    s.lag_s = lag_s
    s.came_t = received_t
    return False
