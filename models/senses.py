"""What each reading is worth, judged by the readings before it: the first step of the fold.

A value that can't be right, or that comes in another unit of measure than its name says, is found here,
flagged, and taken out or converted before anything reasons with it; the stored reading stays as it came.
When in doubt a value is believed: a swap missed costs less than a swap invented. Compiled.
"""

from __future__ import annotations

import math

from ingest.quality import BUS_CODES, OUT_OF_RANGE, RANGES, Quality
from ingest.reading import SIGNALS, FloatArray
from models import doubts, senses_ambient, senses_pressure, senses_temp
from models.compiled import kernel
from models.senses_still import look_for_stillness
from models.state import Record

TEMP, PRESSURE, HOURS, RH, AMBIENT = 0, 1, 2, 3, 4
"""Places of the signals in the array that `judge` works on: the order of `ingest.reading.SIGNALS`."""

TEMP_BIT = int(OUT_OF_RANGE["discharge_temp_c"])
PRESSURE_BIT = int(OUT_OF_RANGE["pressure_kpa"])
HOURS_BIT = int(OUT_OF_RANGE["hours"])
RH_BIT = int(OUT_OF_RANGE["ambient_rh_pct"])
AMBIENT_BIT = int(OUT_OF_RANGE["ambient_temp_c"])
SWAPPED = int(Quality.UNIT_SWAPPED)
AMBIGUOUS = int(Quality.PRESSURE_AMBIGUOUS)
REPEATED = int(Quality.REPEATED)
STUCK = int(Quality.SENSOR_STUCK)

LOWEST, HIGHEST = (tuple(RANGES[name][end] for name in SIGNALS) for end in (0, 1))
OUT_BITS = tuple(int(OUT_OF_RANGE[name]) for name in SIGNALS)
CODES = tuple(
    (i, code.low, code.high, int(code.flag)) for i, name in enumerate(SIGNALS) for code in BUS_CODES[name]
)
"""(place, from, to, flag) of the bus codes that no range holds, as at the door."""
LEAST_RH_PCT = 1.01
"""No outdoor air is so dry (deserts go down to a few percent): such values are fractions or faults."""
RH_FITS_PCT = 12.0
DRY_PCT, DRIEST_PCT, RH_ERROR_PCT = 12.0, 1.0, 5.0
"""In heated halls in winter and in deserts a sound sensor, which errs by 2 to 3 % and more at the ends of its
range (common practice), reads nothing and less; what it read before was dry too."""


@kernel
def judge(s: Record, c: Record, t: float, v: FloatArray, door: int, seq: int) -> int:
    """Judge one reading and put what the analysis is to take in its place.

    Parameters
    ----------
    s, c : records
        `STATE` (changed in place) and `CONSTANTS`.
    t : float
        Its instant, later than any before. [Unix s]
    v : array, shape (5,)
        Its signals as they came, in the order of `ingest.reading.SIGNALS`; overwritten with what is to be
        taken, in house units, NaN where nothing is.
    door : int
        Flags that the reading carries.
    seq : int
        The controller's message counter, -1 for none.

    Returns
    -------
    int
        The door's flags and those found here.
    """
    door |= _beyond(v)
    flags = door
    if senses_temp.take(s, c, t, v, door & TEMP_BIT != 0):
        flags |= SWAPPED
        doubts.count(s, t, doubts.TEMP_IN_F)
        flags &= ~TEMP_BIT
    swapped_now = s.temp_swap_t == t
    if s.temp_refused > 0.0:
        flags |= TEMP_BIT
    if senses_ambient.take(s, t, v, door & AMBIENT_BIT != 0, swapped_now):
        flags |= SWAPPED
        doubts.count(s, t, doubts.AMBIENT_IN_F)
        flags &= ~AMBIENT_BIT
    elif not LOWEST[AMBIENT] <= v[AMBIENT] <= HIGHEST[AMBIENT]:
        v[AMBIENT] = math.nan
    verdict = senses_pressure.take(s, c, t, v, door & PRESSURE_BIT != 0, swapped_now)
    if verdict != senses_pressure.PLAIN:
        flags |= _of_pressure(s, t, verdict)
    if door & HOURS_BIT != 0:
        v[HOURS] = math.nan
    if s.rh_pct <= DRY_PCT and -RH_ERROR_PCT <= v[RH] <= LEAST_RH_PCT:
        v[RH] = DRIEST_PCT
        flags &= ~RH_BIT
    else:
        flags |= _take_rh(s, t, v, door & RH_BIT != 0)
    flags |= look_for_stillness(s, t, v)
    if _counted_twice(s, v, seq):
        flags |= REPEATED
    return flags


@kernel
def _beyond(v: FloatArray) -> int:
    """The flags that the door gives values out of range, for readings that did not come through it."""
    flags = 0
    for i in range(len(LOWEST)):
        if v[i] < LOWEST[i] or v[i] > HIGHEST[i]:
            flags |= OUT_BITS[i]
            for place, low, high, flag in CODES:
                if place == i and low <= v[i] <= high:
                    flags |= flag
    return flags


@kernel
def _of_pressure(s: Record, t: float, verdict: int) -> int:
    if verdict == senses_pressure.CODE:
        return AMBIGUOUS
    if verdict == senses_pressure.TOO_HIGH:
        return PRESSURE_BIT
    doubts.count(
        s, t, doubts.PRESSURE_IN_PSI if verdict == senses_pressure.IN_PSI else doubts.PRESSURE_IN_BAR
    )
    return SWAPPED


@kernel
def _take_rh(s: Record, t: float, v: FloatArray, flagged: bool) -> int:
    raw = v[RH]
    if math.isnan(raw):
        return 0
    if flagged:
        v[RH] = math.nan
        return 0
    if raw > LEAST_RH_PCT:
        return 0
    if abs(100.0 * raw - s.rh_pct) <= RH_FITS_PCT and s.rh_pct > RH_FITS_PCT:
        v[RH] = 100.0 * raw
        doubts.count(s, t, doubts.RH_IN_FRAC)
        return SWAPPED
    v[RH] = math.nan
    return RH_BIT


@kernel
def _counted_twice(s: Record, v: FloatArray, seq: int) -> bool:
    """Whether the controller's counter says that this is the message before once more."""
    again = seq >= 0 and float(seq) == s.seen_seq and v[TEMP] == s.temp_c and v[HOURS] == s.hours
    s.seen_seq = float(seq)
    return again
