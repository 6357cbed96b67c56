"""Verdicts on a unit's signals: which there are, and how one is passed and taken back. Compiled."""

from __future__ import annotations

from models.compiled import kernel
from models.state import Record

SOUND, OUT_OF_RANGE, ERROR_CODE, NOT_SENT, STUCK, ZERO_OFF, JUMPING = 0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0
CHARGED = 7.0
"""Pressure where there should be none: a sensor's fault only if somebody has seen that there is none."""
TEMP, PRESSURE, HOURS, RH, AMBIENT = 0, 1, 2, 3, 4
"""Places of the signals: the order of `ingest.reading.SIGNALS`."""
GOOD_N = 5.0
"""Right values in a row that take a verdict back."""


@kernel
def blame(s: Record, t: float, i: int, kind: float, since_t: float) -> None:
    """Pass a verdict of `kind` on signal `i`, true since `since_t` [Unix s]; a standing one stays."""
    if s.sensor_fault[i] == SOUND:
        s.sensor_fault[i] = kind
        s.sensor_since_t[i] = since_t
        s.sensor_ran[i] = s.running
        s.sensor_news = 1.0


@kernel
def clear(s: Record, i: int) -> None:
    """Take the verdict on signal `i` back."""
    s.sensor_fault[i] = SOUND
    s.sensor_news = 1.0
