"""How long pressure takes to build after a start, against the unit's own starts under like conditions.

Timed on the pressure itself: from the middle between the last reading at rest and the first above it, to
where it crosses a working level. Tools that draw air from the start, and an empty receiver, only ever make
it longer, so a start is compared with earlier ones that had it as hard or harder. Compiled; called by the
fold.
"""

from __future__ import annotations

import math

import numpy as np

from ingest.reading import FloatArray
from models.compiled import kernel
from models.state import N_JUDGED, N_STARTS, PRESSURE_BUILT, Record

TARGET_RATIO = 0.8
"""Of the rated pressure: below the lowest reload level of load/unload control (published: 10-25 psi)."""
COARSE_S = 35.0
"""Readings further apart than this can't time a filling that takes half a minute."""
LONGEST_S = 300.0
"""Longer ones count as this: a tool blows all that is made, or something is broken."""
ENOUGH_LIKE = 8
LIKE_REST = 0.5
LIKE_K = 5.0
USUAL_QUANTILE = 0.75
SLOW_RATIO = 1.5
SLOW_S = 10.0
RELEARN_AFTER = 40.0
"""So many slow starts in a row are the unit's new way: somebody has fitted a larger receiver."""
STRIDE = 4.0
"""Once the memory is full only every fourth start is taken in, so that it reaches back over months."""
JUDGED = 5

COLUMNS = (
    "took_s",
    "usual_s",
    "slowest_usual_s",
    "n_like",
    "slow",
    "n_slow",
    "n_judged",
    "least_s",
    "most_s",
    "span_h",
    "target_kpa",
    "certainty",
)


@kernel
def note_rest(s: Record, c: Record, t: float) -> None:
    """Remember the last reading of an empty sump before a start."""
    if s.pressure_kpa < c.off_kpa:
        s.rest_t = t
        s.rest_kpa = s.pressure_kpa


@kernel
def begin_run(s: Record, c: Record, t: float) -> None:
    """Time this start, if the pressure told of it and can be believed.

    Frost makes a sensor slow before it makes it wrong: then no start is timed without heat tracing.
    """
    frost = s.cold_s > 0.0 and c.cold_kit == 0.0
    sound = s.pressure_trusted > 0.0 and not frost
    timed = s.pressure_up > 0.0 and t - s.start_t <= COARSE_S and t - s.rest_t <= COARSE_S
    s.building = 1.0 if sound and timed and not math.isnan(s.build_rest_from_t) else 0.0
    s.build_t = 0.5 * (s.rest_t + t)
    s.build_gap_s = t - s.rest_t
    s.build_last_t = s.rest_t
    s.build_last_kpa = s.rest_kpa
    s.build_rest_s = t - s.build_rest_from_t


@kernel
def end_run(s: Record, end_t: float) -> None:
    """The run is over: what has not built up by now is not told, and the rest begins."""
    s.building = 0.0
    s.build_rest_from_t = end_t


@kernel
def follow(s: Record, c: Record, t: float, pressure_new: bool, row: Record) -> bool:
    """Time the pressure of the run in hand; True when `row` tells of a start that could be judged."""
    if s.building == 0.0 or not (pressure_new or t - s.build_last_t > COARSE_S):
        return False
    if t - s.build_last_t > COARSE_S or s.pressure_trusted == 0.0:
        s.building = 0.0
        return False
    target_kpa = TARGET_RATIO * c.max_kpa
    if s.pressure_kpa >= target_kpa:
        part = (target_kpa - s.build_last_kpa) / max(s.pressure_kpa - s.build_last_kpa, 1.0)
        took_s = max(s.build_last_t + part * (t - s.build_last_t) - s.build_t, 0.0)
    elif t - s.build_t >= LONGEST_S:
        took_s = LONGEST_S
    else:
        s.build_last_t = t
        s.build_last_kpa = s.pressure_kpa
        return False
    s.building = 0.0
    s.build_took_s = took_s
    return _judge(s, c, t, took_s, row)


@kernel
def _judge(s: Record, c: Record, t: float, took_s: float, row: Record) -> bool:
    like_s: FloatArray = np.empty(N_STARTS)
    n = 0
    for i in range(N_STARTS):
        as_long = s.start_rest_s[i] >= LIKE_REST * s.build_rest_s
        if as_long and s.start_began_c[i] <= s.start_temp_c + LIKE_K:
            like_s[n] = s.start_took_s[i]
            n += 1
    if n < ENOUGH_LIKE:
        _learn(s, took_s)
        return False
    usual_s = np.quantile(like_s[:n], USUAL_QUANTILE)
    allowed_s = max(SLOW_RATIO * usual_s, usual_s + SLOW_S + s.build_gap_s)
    slow = took_s > allowed_s
    s.slow_starts_n = s.slow_starts_n + 1.0 if slow else 0.0
    if not slow or s.slow_starts_n > RELEARN_AFTER:
        _learn(s, took_s)
    for i in range(N_JUDGED - 1, 0, -1):
        s.judged_slow[i] = s.judged_slow[i - 1]
        s.judged_took_s[i] = s.judged_took_s[i - 1]
        s.judged_t[i] = s.judged_t[i - 1]
    s.judged_slow[0] = 1.0 if slow else 0.0
    s.judged_took_s[0] = took_s
    s.judged_t[0] = t
    _tell(s, c, t, usual_s, allowed_s, like_s[:n], row)
    return True


@kernel
def _learn(s: Record, took_s: float) -> None:
    full = not math.isnan(s.start_took_s[N_STARTS - 1])
    s.starts_skipped = s.starts_skipped + 1.0 if full else STRIDE
    if s.starts_skipped < STRIDE:
        return
    s.starts_skipped = 0.0
    for i in range(N_STARTS - 1, 0, -1):
        s.start_took_s[i] = s.start_took_s[i - 1]
        s.start_rest_s[i] = s.start_rest_s[i - 1]
        s.start_began_c[i] = s.start_began_c[i - 1]
    s.start_took_s[0] = took_s
    s.start_rest_s[0] = s.build_rest_s
    s.start_began_c[0] = s.start_temp_c


@kernel
def _tell(
    s: Record, c: Record, t: float, usual_s: float, allowed_s: float, like_s: FloatArray, row: Record
) -> None:
    n_slow = n_judged = 0.0
    since_t, first_t = math.nan, t
    least_s, most_s = math.inf, 0.0
    for i in range(JUDGED):
        if math.isnan(s.judged_t[i]):
            continue
        n_judged += 1.0
        first_t = s.judged_t[i]
        if s.judged_slow[i] > 0.0:
            n_slow += 1.0
            since_t = s.judged_t[i]
            least_s = min(least_s, s.judged_took_s[i])
            most_s = max(most_s, s.judged_took_s[i])
    # Chance that a usual start is as slow, with one more of each kind than was seen; and four of five of it.
    chance = (1.0 + np.sum(like_s > allowed_s)) / (2.0 + len(like_s))
    row.kind = PRESSURE_BUILT
    row.t = t
    row.run_start_t = s.start_t
    row.since_t = since_t
    f = row.features
    f[0] = s.judged_took_s[0]
    f[1] = usual_s
    f[2] = np.max(like_s)
    f[3] = float(len(like_s))
    f[4] = s.judged_slow[0]
    f[5] = n_slow
    f[6] = n_judged
    f[7] = least_s
    f[8] = most_s
    f[9] = (t - first_t) / 3600.0
    f[10] = TARGET_RATIO * c.max_kpa
    f[11] = 1.0 - 5.0 * chance**4 * (1.0 - chance) - chance**5
