"""How many readings of the last day were doubtful, and why: a few counters in a unit's state.

Counts go into eight bins of three hours, each marked with the period it counts, so that nothing has to be
moved as time passes. Compiled; counted by `models.senses`, shown by `models.engine.status`.
"""

from __future__ import annotations

import math

from ingest.quality import Quality
from models.compiled import kernel
from models.state import N_DOUBT_BINS, N_DOUBTS, Record

BIN_S = 10_800.0
MOST = 65_535
"""As far as a counter goes: at four readings a second a bin would be full. [-]"""

NAMES = (
    "discharge_temp_out_of_range",
    "pressure_out_of_range",
    "hours_out_of_range",
    "ambient_rh_out_of_range",
    "ambient_temp_out_of_range",
    "received_time_used",
    "repeated",
    "meter_reset",
    "pressure_ambiguous",
    "discharge_temp_in_f",
    "ambient_temp_in_f",
    "pressure_in_psi",
    "pressure_in_bar",
    "ambient_rh_in_frac",
    "discharge_temp_stuck",
    "pressure_stuck",
    "hours_stuck",
    "ambient_rh_stuck",
    "ambient_temp_stuck",
    "clock_wrong",
    "sensor_stepped",
)
"""What is counted, in the order of the counters. Most readings with a wrong clock never come this far: see
`models.clocks`."""

OF_FLAG = tuple(
    (int(flag), NAMES.index(str(flag.name).lower())) for flag in Quality if str(flag.name).lower() in NAMES
)
"""(flag, counter) of the flags that say enough by themselves."""
TEMP_IN_F = NAMES.index("discharge_temp_in_f")
AMBIENT_IN_F = NAMES.index("ambient_temp_in_f")
PRESSURE_IN_PSI = NAMES.index("pressure_in_psi")
PRESSURE_IN_BAR = NAMES.index("pressure_in_bar")
RH_IN_FRAC = NAMES.index("ambient_rh_in_frac")
TEMP_STUCK = NAMES.index("discharge_temp_stuck")
PRESSURE_STUCK = NAMES.index("pressure_stuck")
HOURS_STUCK = NAMES.index("hours_stuck")
RH_STUCK = NAMES.index("ambient_rh_stuck")
AMBIENT_STUCK = NAMES.index("ambient_temp_stuck")

if len(NAMES) != N_DOUBTS:
    raise ImportError(f"{len(NAMES)} kinds of doubt, {N_DOUBTS} counters in the state")


@kernel
def count(s: Record, t: float, kind: int) -> None:
    """Count one reading at `t` [Unix s] under a kind of doubt."""
    period = math.floor(t / BIN_S)
    row = int(period) % N_DOUBT_BINS
    if s.doubt_period[row] != period:
        s.doubt_period[row] = period
        for i in range(N_DOUBTS):
            s.doubt_n[row, i] = 0
    if s.doubt_n[row, kind] < MOST:
        s.doubt_n[row, kind] += 1


@kernel
def count_flags(s: Record, t: float, flags: int) -> None:
    """Count one reading under each flag that says enough by itself."""
    for flag, kind in OF_FLAG:
        if flags & flag:
            count(s, t, kind)


def of_last_day(s: Record) -> dict[str, int]:
    """Kind of doubt -> readings of the last 21 to 24 hours; kinds without any are left out."""
    newest = math.floor(float(s["t"]) / BIN_S) if not math.isnan(s["t"]) else 0
    fresh = s["doubt_period"] > newest - N_DOUBT_BINS
    totals = s["doubt_n"][fresh].sum(axis=0, dtype=int).tolist()
    return {name: n for name, n in zip(NAMES, totals, strict=True) if n}
