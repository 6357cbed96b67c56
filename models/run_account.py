"""What a run does: air delivered, temperature against required, water gained or driven off.

Opened at the start that `models.runs` found, carried on reading by reading, closed with the sums that a run
record shows. Compiled; called by the fold.
"""

from __future__ import annotations

import math

from ingest.units_of_measure import PA_PER_KPA
from models import inlet, moisture, signals
from models.compiled import kernel
from models.humidity import pressure_dew_point_c, required_temp_c
from models.run_edges import HELD_C, TYPICAL_K_PER_S, cooled_c, whole
from models.run_evidence import describe_evidence
from models.state import BIN_S, MARK_S, N_MARKS, Record

OIL_G_PER_M3 = 870_000.0
"""Density of compressor oil (common practice: 0.86 to 0.88 kg/l). [g/m3]"""
LEAST_WATER_G = 1e-6
"""An exponential never gets to nothing; a microgram is nothing."""
HOT_AT_ALL_S = 60.0
"""A run that was hot for less only touched its required temperature."""
COLD_START_K = 15.0
"""A start nearer to the air than this is a cold one, whose warm-up can be compared with another's."""
NEWEST_SHARE = 0.3
"""Weight of the newest warm-up in the unit's own: the last five or so count."""
IDLE_KEPT = 0.9
GAS_OVER_OIL = 1.5
"""Gas in a sump over its oil, by volume: total sump volumes are two to three times the oil charge (published
trade figure). [-]"""
FLOWING = 0.15
"""Part of rated air above which air counts as flowing. [-]"""
PIECE_S, MOST_PIECES = 30.0, 20
"""Between two readings. In half a minute the lightest unit warms by ten kelvin. [s], [-]"""
START_MARK = N_MARKS + 1
"""Where the account is kept as it stood at the start: the end may be found out when all others are later."""


@kernel
def running_pressure_kpa(s: Record, c: Record) -> float:
    """Sump pressure to reckon with while the air end turns: what is read, or where sumps work. [kPa gauge]"""
    return max(s.pressure_kpa, 0.0) if inlet.tells(s, c) else c.assumed_kpa


@kernel
def open_run(s: Record, c: Record, before_kpa: float) -> None:
    """Open the run that `runs.find_start` has just found; `before_kpa` is the pressure read before it."""
    s.before_start_kpa = before_kpa
    s.run_last_t = s.start_t
    s.start_temp_c = s.valley_c if s.start_t < s.temp_t else _stood_c(s, c)
    s.run_last_c = s.start_temp_c
    s.run_peak_c = s.start_temp_c if s.start_t - s.temp_t > c.gap_s else max(s.temp_c, s.start_temp_c)
    s.run_hot_s = 0.0
    s.run_dry_s = s.run_dried = 0.0
    s.dry_after_s = math.nan
    s.run_to_hot_t = math.nan
    s.run_dew_c = math.nan
    s.run_required_c = c.floor_c
    s.run_shut = 0.0
    s.run_air_m3 = 0.0
    s.run_in_g = 0.0
    s.run_out_g = 0.0
    s.run_over_g = 0.0
    s.run_distrust_s = 0.0
    s.run_decided_min = 0.0
    s.run_hours = s.hours
    s.run_water_start_g = s.water_g
    s.slow_kpa = math.nan
    s.start_water_g = s.water_g
    s.start_low_g = s.water_low_g
    s.start_high_g = s.water_high_g
    s.run_inferred = 0.0
    s.run_rise_k = 0.0
    s.run_steps = 0.0
    s.run_low_s = 0.0
    s.run_kpa = math.nan
    begin_marks(s)


@kernel
def _stood_c(s: Record, c: Record) -> float:
    """Temperature at the start of the run in hand: as read last, or cooled since where that is long ago."""
    since_s = s.start_t - s.temp_t
    if not since_s > c.gap_s:
        return float(s.temp_c)
    return float(cooled_c(s, s.temp_c, since_s))


@kernel
def begin_marks(s: Record) -> None:
    """Forget what was kept of the account: as it stands it is that of the start of the run in hand."""
    for i in range(N_MARKS + 2):
        s.marks[i, 0] = math.nan
    _mark(s, s.start_t, 0)
    _mark(s, s.start_t, START_MARK)
    s.mark_head = 0


@kernel
def _mark(s: Record, t: float, slot: int) -> None:
    """Keep the account as it stands at `t`."""
    mark = s.marks[slot]
    mark[0], mark[1], mark[2], mark[3] = t, s.water_g, s.water_low_g, s.water_high_g
    mark[4], mark[5], mark[6], mark[7] = s.run_in_g, s.run_out_g, s.run_hot_s, s.run_dry_s
    mark[8], mark[9], mark[10], mark[11] = s.run_air_m3, s.run_peak_c, s.run_last_c, s.run_over_g
    mark[12], mark[13], mark[14], mark[15] = s.run_kpa, s.run_flow, s.run_least, s.run_most
    mark[16], mark[17] = s.run_shut, s.shut_from_g


@kernel
def _back_to(s: Record, c: Record, end_t: float) -> tuple[float, float]:
    """Take the account back to the newest mark not after `end_t`; its instant and temperature there."""
    best, best_t = START_MARK, -math.inf
    for i in range(N_MARKS + 2):
        t = s.marks[i, 0]
        if best_t < t <= end_t:
            best, best_t = i, t
    mark = s.marks[best]
    s.water_g, s.water_low_g, s.water_high_g = mark[1], mark[2], mark[3]
    s.run_in_g, s.run_out_g, s.run_hot_s, s.run_dry_s = mark[4], mark[5], mark[6], mark[7]
    s.run_air_m3, s.run_peak_c, s.run_last_c, s.run_over_g = mark[8], mark[9], mark[10], mark[11]
    if math.isnan(mark[12]):
        # No reading between start and end: how much air it took, nobody knows.
        s.run_kpa, s.run_flow, s.run_least, s.run_most, s.run_shut = c.assumed_kpa, 0.5, 0.0, 1.0, 1.0
        s.shut_from_g = s.water_g
    else:
        s.run_kpa, s.run_flow, s.run_least, s.run_most = mark[12], mark[13], mark[14], mark[15]
        s.run_shut, s.shut_from_g = mark[16], mark[17]
    from_c = s.run_last_c
    end_c = signals.recent_mean_c(s, end_t - BIN_S, end_t + 0.5 * BIN_S)
    if not math.isnan(end_c):
        s.run_last_c = end_c
        s.run_peak_c = max(s.run_peak_c, end_c)
    return float(mark[0]), float(from_c)


@kernel
def forget_water(s: Record, high_g: float) -> None:
    """Let the run in hand count from an emptied sump on: it may not bring back what it started with."""
    s.start_water_g = s.start_low_g = s.run_water_start_g = s.shut_from_g = 0.0
    s.start_high_g = high_g
    s.run_in_g = s.run_out_g = s.run_over_g = 0.0
    for i in range(N_MARKS + 2):
        mark = s.marks[i]
        mark[1] = mark[2] = mark[4] = mark[5] = mark[11] = mark[17] = 0.0
        mark[3] = high_g


@kernel
def turn(s: Record, c: Record, t: float, dt: float) -> bool:
    """Carry the run in hand over `dt`; True when it has just got hot."""
    before_c, before_g, known = s.run_last_c, s.water_g, t - s.temp_t <= c.gap_s
    temp_c = signals.newest_c(s) if known else max(before_c, min(before_c + TYPICAL_K_PER_S * dt, HELD_C))
    inlet.learn(s, c, t, dt)
    s.run_kpa = running_pressure_kpa(s, c)
    s.run_flow = inlet.flow_fraction(s, c, 0)
    s.run_least, s.run_most = inlet.flow_fraction(s, c, -1), inlet.flow_fraction(s, c, 1)
    shut = 1.0 if inlet.may_be_shut(s, c) else 0.0
    if shut > s.run_shut:
        s.shut_from_g = s.water_g
    s.run_shut = shut
    if s.run_readings == 0.0:
        _carry_first(s, c, before_c, temp_c, dt)
    else:
        _carry(s, c, before_c, temp_c, dt)
    if not known:
        _dry_nothing(s, before_g)
        moisture.let_all_in(s, c, dt)
    sump_pa = (c.ambient_abs_kpa + s.run_kpa) * PA_PER_KPA
    dew_c = pressure_dew_point_c(s.vapour_pa, c.ambient_abs_kpa * PA_PER_KPA, sump_pa)
    required_c = required_temp_c(dew_c, c.margin_k, c.floor_c)
    driest_c = pressure_dew_point_c(s.vapour_low_pa, c.ambient_abs_kpa * PA_PER_KPA, sump_pa)
    s.now_least_c = required_temp_c(driest_c, c.margin_k, c.floor_c)
    s.run_last_t = t
    s.run_last_c = temp_c
    s.run_readings += 1.0
    if known:
        s.run_peak_c = max(s.run_peak_c, temp_c)
        s.run_rise_k = max(s.run_rise_k, s.smooth_c - s.start_temp_c)
    s.now_dew_c = dew_c
    s.now_required_c = required_c
    if not dew_c <= s.run_dew_c:
        s.run_dew_c = dew_c
    s.run_required_c = max(s.run_required_c, required_c)
    if s.pressure_trusted < 1.0:
        s.run_distrust_s += dt
    if s.pressure_kpa < c.off_kpa:
        s.run_low_s += dt
    s.now_hot = s.now_hot if known else 0.0
    got_hot = known and _count_hot(s, c, t, dt, before_c)
    s.run_dried = 1.0 if moisture.has_dried(s, c) else 0.0
    if s.hold_t == t:
        _mark(s, t, N_MARKS)
    if t - s.marks[s.mark_head, 0] >= MARK_S:
        s.mark_head = (s.mark_head + 1) % N_MARKS
        _mark(s, t, s.mark_head)
    return got_hot


@kernel
def _dry_nothing(s: Record, before_g: float) -> None:
    """Take back what the estimate has just given up: oil of unknown temperature is not called hot."""
    if s.water_g < before_g:
        s.run_out_g -= before_g - s.water_g
        s.water_g = before_g
    s.water_high_g = max(s.water_high_g, s.water_g)


@kernel
def _carry_first(s: Record, c: Record, from_c: float, to_c: float, dt: float) -> None:
    """Carry water and air from the start of the run to its first reading, through the fill of the sump."""
    flow, air_m3 = s.run_flow, s.run_air_m3 + s.run_flow * c.rated_m3_s * dt
    s.run_flow = min(flow + _filling(s, c, dt), 1.0)
    # When it started is known to a reading's distance only, and it gains most while it is cold.
    s.run_least, s.run_most = 0.0, 2.0 * max(s.run_most, s.run_flow)
    _carry(s, c, from_c, to_c, dt)
    # What fills the sump brings its water, but is not delivered.
    s.run_flow, s.run_air_m3 = flow, air_m3


@kernel
def _filling(s: Record, c: Record, dt: float) -> float:
    """Part of rated air that went into filling the sump since the start: it brings its vapour too. [-]"""
    # NaN where none was read before: then it was empty.
    rise_kpa = s.run_kpa - (s.before_start_kpa if s.before_start_kpa > 0.0 else 0.0)
    if dt <= 0.0 or rise_kpa <= 0.0:
        return 0.0
    gas_m3 = GAS_OVER_OIL * c.oil_g / OIL_G_PER_M3
    return float(gas_m3 * rise_kpa / c.ambient_abs_kpa / (c.rated_m3_s * dt))


@kernel
def _carry(s: Record, c: Record, from_c: float, to_c: float, dt: float) -> None:
    """Carry water and air over `dt` at the pressure and flow of the newest reading in the run.

    In pieces short enough to take the temperature of each as constant: between seldom readings a run may
    gain water cold and give it up hot.
    """
    n = min(max(math.ceil(dt / PIECE_S), 1), MOST_PIECES)
    for i in range(n):
        temp_c = from_c + (to_c - from_c) * (i + 0.5) / n
        moisture.keep_ledger(s, c, temp_c, s.run_kpa, s.run_flow, s.run_least, s.run_most, dt / n)
        if s.water_g > c.dry_g:
            s.dry_after_s = math.nan
        elif math.isnan(s.dry_after_s):
            s.dry_after_s = s.run_dry_s + (i + 1.0) * dt / n
    if s.water_g < LEAST_WATER_G:
        s.run_out_g += s.water_g
        s.water_g = 0.0
    if s.water_low_g < LEAST_WATER_G:
        s.water_low_g = 0.0


@kernel
def _carry_unseen(s: Record, c: Record, from_c: float, dt: float) -> None:
    """Carry over `dt` without a reading, whose end the meter told: it warmed as usual, or hardly at all.

    What it read last would be cold for hours where the link died as it started.
    """
    before_g, low_g, high_g = s.water_g, s.water_low_g, s.water_high_g
    in_g, out_g, over_g, air_m3 = s.run_in_g, s.run_out_g, s.run_over_g, s.run_air_m3
    _carry(s, c, from_c, from_c, dt)
    wettest_g = s.water_high_g
    s.water_g, s.water_low_g, s.water_high_g = before_g, low_g, high_g
    s.run_in_g, s.run_out_g, s.run_over_g, s.run_air_m3 = in_g, out_g, over_g, air_m3
    warming_s = min(max(HELD_C - from_c, 0.0) / TYPICAL_K_PER_S, dt)
    held_c = from_c + TYPICAL_K_PER_S * warming_s
    _carry(s, c, from_c, held_c, warming_s)
    _carry(s, c, held_c, held_c, dt - warming_s)
    s.water_high_g = max(s.water_high_g, wettest_g)


@kernel
def _count_hot(s: Record, c: Record, t: float, dt: float, before_c: float) -> bool:
    """Add what of `dt` was hot to the hot and drying time of the run; True when it has just got hot.

    Between two readings the temperature is taken to rise in a straight line.
    """
    if s.run_last_c < s.now_required_c or s.run_kpa < c.working_kpa:
        s.now_hot = 0.0
        return False
    hot_s = dt
    if s.now_hot == 0.0:
        above_k, rise_k = s.run_last_c - s.now_required_c, s.run_last_c - before_c
        # Where it was hot enough already only the fill was wanting, and that takes seconds.
        hot_s = dt * above_k / rise_k if rise_k > above_k else dt
    s.now_hot = 1.0
    s.run_hot_s += hot_s
    # At the least, too: what may have been a shut inlet is no drying.
    if s.run_least >= FLOWING and s.run_shut == 0.0:
        s.run_dry_s += hot_s
    if math.isnan(s.run_to_hot_t):
        s.run_to_hot_t = t - hot_s
        return True
    return False


@kernel
def _square_up(s: Record, c: Record, end_t: float) -> None:
    """Make the account end at `end_t`, be that after the last reading in the run or before it."""
    from_t, from_c = s.run_last_t, s.run_last_c
    if end_t < s.run_last_t:
        from_t, from_c = _back_to(s, c, end_t)
    if s.run_readings > 0.0 and end_t > from_t:
        if end_t - from_t > c.gap_s:
            _carry_unseen(s, c, s.run_last_c, end_t - from_t)
        else:
            _carry(s, c, from_c, s.run_last_c, end_t - from_t)
        if s.now_hot > 0.0 and s.run_last_c >= s.now_required_c:
            more_s = max(end_t - max(from_t, s.run_to_hot_t), 0.0)
            s.run_hot_s += more_s
            s.run_dry_s += more_s if s.run_least >= FLOWING and s.run_shut == 0.0 else 0.0
    s.run_last_t = min(s.run_last_t, end_t)
    if s.run_to_hot_t > end_t or s.run_hot_s <= 0.0:
        s.run_to_hot_t = math.nan
    # Sums of many short times end a hair beside the difference of two long ones.
    s.run_hot_s = 0.0 if math.isnan(s.run_to_hot_t) else min(s.run_hot_s, end_t - s.run_to_hot_t)
    s.run_dry_s = min(s.run_dry_s, s.run_hot_s)
    s.run_dried = 1.0 if moisture.has_dried(s, c) else 0.0


@kernel
def close_run(s: Record, c: Record, t: float, end_t: float, row: Record) -> bool:
    """Close the run in hand at about `end_t`; False when it turns out to have been none."""
    end_t = max(whole(end_t, t), s.start_t)
    if math.isnan(s.pending_t):
        s.floor_kpa = s.pressure_kpa
    s.running = 0.0
    s.pending_t = math.nan
    s.valley_c = s.smooth_c
    s.valley_t = t
    if s.confirmed == 0.0 or (s.confirmed < 1.0 and s.run_readings <= 1.0):
        s.now_hot = 0.0
        s.water_g = s.start_water_g
        s.water_low_g = s.start_low_g
        s.water_high_g = s.start_high_g
        return False
    _square_up(s, c, end_t)
    s.now_hot = 0.0
    _book(s, c, t, end_t, row)
    return True


@kernel
def _book(s: Record, c: Record, t: float, end_t: float, row: Record) -> None:
    """Take a run that is over into the histories that the patterns ask for, and into its row."""
    s.stop_t = end_t
    s.stop_temp_c = s.run_last_c
    # Hours of a meter that counted runs too are forgiven in time: a hidden run now and then is no engine.
    s.idle_h *= IDLE_KEPT
    lasted_s = end_t - s.start_t
    # What a full sump carries over came in all the same.
    gain_g = s.water_g + s.run_over_g - s.run_water_start_g
    wet = lasted_s < c.short_run_s and s.run_hot_s < c.wet_hot_s and gain_g >= c.wet_gain_g
    if wet:
        for i in range(15, 0, -1):
            s.wet_t[i] = s.wet_t[i - 1]
        s.wet_t[0] = end_t
        s.wet_runs += 1.0
        if math.isnan(s.first_wet_t):
            s.first_wet_t = s.start_t
    if s.run_dried > 0.0:
        s.last_dry_t = end_t
    if s.run_inferred == 0.0 and t - s.temp_t <= c.gap_s:
        _note_warm_up(s, c, lasted_s)
    row.start_t = s.start_t
    row.end_t = end_t
    row.wet = 1.0 if wet else 0.0
    row.decided_t = t
    describe_run(s, row)


@kernel
def _note_warm_up(s: Record, c: Record, lasted_s: float) -> None:
    if s.run_hot_s >= HOT_AT_ALL_S:
        s.never_hot_runs = 0.0
        took_min = (s.run_to_hot_t - s.start_t) / 60.0
        if s.start_temp_c - s.ambient_c < COLD_START_K:
            known = not math.isnan(s.own_to_hot_min)
            step_min = NEWEST_SHARE * (took_min - s.own_to_hot_min)
            s.own_to_hot_min = s.own_to_hot_min + step_min if known else took_min
    elif lasted_s >= c.short_run_s:
        s.never_hot_runs += 1.0


@kernel
def describe_run(s: Record, row: Record) -> None:
    """Write the run in hand, or the one just closed, into a row."""
    row.last_t = s.run_last_t
    row.start_temp_c = s.start_temp_c
    row.peak_c = s.run_peak_c
    row.end_temp_c = s.run_last_c
    row.ambient_c = s.ambient_c
    row.ambient_error_k = math.sqrt(s.ambient_var)
    row.dew_c = s.run_dew_c
    row.required_c = s.run_required_c
    row.hot_s = s.run_hot_s
    row.dry_s = s.run_dry_s
    row.dried = s.run_dried
    row.to_hot_t = s.run_to_hot_t
    row.air_m3 = s.run_air_m3
    row.in_g = s.run_in_g
    row.out_g = s.run_out_g
    row.over_g = s.run_over_g
    row.water_start_g = s.run_water_start_g
    row.water_end_g = s.water_g
    row.trusted = 1.0 if s.run_distrust_s == 0.0 else 0.0
    describe_evidence(s, row)
    row.start_error_s = s.start_error_s
    row.end_error_s = s.end_error_s
    row.inferred = s.run_inferred
