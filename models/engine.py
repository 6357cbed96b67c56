"""The engine: one fold from readings to runs, findings and water, the same live and in replay.

`advance` is pure: state and readings in, state and events out, and the result does not depend on where chunks
are cut. Compiled steps (`models.fold`) carry the physics; at each moment that matters they hand out a row of
features, a scikit-learn model gives it a probability, and the pattern files turn that into findings.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from ingest.maintenance import Service
from ingest.profile import UnitProfile
from ingest.quality import Quality
from ingest.reading import SIGNALS, FloatArray, IntArray, Readings
from ingest.units_of_measure import MS_PER_S
from models import row_records
from models.artefact import PatternModels
from models.fold import N_COLUMNS, fold
from models.judging import judged, judged_silence, silence_undone
from models.parameters import Parameters
from models.patterns.watch import instant
from models.records import Event
from models.servicing import between, serviced, waiting
from models.silence import silence_row
from models.standing import day_in_hand, standing, status, unfinished
from models.state import (
    DECISION_ROW,
    RUN_ROW,
    SILENCE,
    Record,
    constants,
    fresh_state,
)
from models.trace import Trace
from models.unit_state import (
    State,
    StateError,
    decode_state,
    encode_state,
    ends_with_work,
    fingerprint,
    initial_state,
    newest_ms,
    runs_settled_ms,
)

__all__ = [
    "State",
    "StateError",
    "advance",
    "agrees",
    "day_in_hand",
    "decision_rows",
    "decode_state",
    "encode_state",
    "ends_with_work",
    "fingerprint",
    "initial_state",
    "judge_silence",
    "newest_ms",
    "runs_settled_ms",
    "settle",
    "standing",
    "status",
    "trace",
    "unfinished",
]

ROWS = 2048


def advance(
    state: State,
    readings: Readings,
    profile: UnitProfile,
    parameters: Parameters,
    models: PatternModels,
    services: Sequence[Service] = (),
) -> tuple[State, list[Event]]:
    """Fold one unit's next readings, and the work recorded between them.

    Parameters
    ----------
    state : State
        As the last call left it; not changed.
    readings : Readings, columns of shape (n,)
        All later than what the state has seen.
    profile, parameters, models
        The unit's nameplate, the engine's parameters and the trained models.
    services : sequence of Service
        Work on the unit, of any time and in any order. What is later than the newest of `readings` waits:
        see `settle`.

    Returns
    -------
    State, list of Event
        The new state, and what was found: closed runs, findings as they open, change and close, water at
        the end of each day.

    Raises
    ------
    ValueError
        If the readings are another unit's or not later than the state.
    """
    memory, watches = state.memory.copy(), dict(state.watches)
    events: list[Event] = []
    _check(state, readings)
    events += silence_undone(watches, _first_at(readings))
    due = _due(state, services, readings)
    for part, service in between(readings, due):
        for run_rows, rows in _folded(memory, part, profile, parameters):
            events += [row_records.run(state.unit_id, row, models.run_confidence) for row in run_rows]
            events += judged(state.unit_id, rows, watches, models)
        if service is not None:
            events += judged(state.unit_id, serviced(memory, service), watches, models)
    n_folded = int(np.count_nonzero((readings.quality & int(Quality.CLOCK_WRONG)) == 0))
    done = (*state.serviced, *(service.key for service in due))
    return replace(state, memory=memory, watches=watches, rows=state.rows + n_folded, serviced=done), events


def settle(
    state: State, models: PatternModels, services: Sequence[Service], until_ms: int | None = None
) -> tuple[State, list[Event]]:
    """Fold the work that was done after the newest reading, where no further reading is at hand.

    Parameters
    ----------
    services : sequence of Service
        Work on the unit, of any time and in any order.
    until_ms : int, optional
        Leave out what was done at or after this. [Unix ms]
    """
    due = [
        service
        for service in waiting(services, state.serviced, newest_ms(state))
        if until_ms is None or service.done_at_ms < until_ms
    ]
    if not due:
        return state, []
    memory, watches = state.memory.copy(), dict(state.watches)
    events: list[Event] = []
    for service in due:
        events += judged(state.unit_id, serviced(memory, service), watches, models)
    done = (*state.serviced, *(service.key for service in due))
    return replace(state, memory=memory, watches=watches, serviced=done), events


def agrees(state: State, services: Sequence[Service]) -> bool:
    """Whether the state has folded exactly the work recorded up to its instant."""
    newest = newest_ms(state)
    past = {service.key for service in services if newest is not None and service.done_at_ms <= newest}
    # Work of the newest reading's own millisecond comes after it, and may still wait.
    still = {service.key for service in waiting(services, state.serviced, newest)}
    return past - still == set(state.serviced)


def judge_silence(
    state: State, now_ms: int, profile: UnitProfile, parameters: Parameters
) -> tuple[State, list[Event]]:
    """Whether a unit of which nothing has come has been silent for too long by now.

    The finding is the one that `advance` makes of the same silence when a reading ends it; a reading that
    comes from within the silence takes it back.

    Parameters
    ----------
    state : State
        As the newest reading left it; not changed.
    now_ms : int
        Until when nothing is known to have come. [Unix ms]

    Returns
    -------
    State, list of Event
        The state with the finding standing, and the finding; as it was and nothing when all is usual.
    """
    row = np.zeros(1, DECISION_ROW)[0]
    silence_row(state.memory[0], constants(profile, parameters)[0], now_ms / MS_PER_S, SILENCE, row)
    # Before the first reading there is no instant to count from, and the comparison is false.
    if not now_ms / MS_PER_S > row["since_t"] + row["features"][0]:
        return state, []
    watches = dict(state.watches)
    found: list[Event] = list(judged_silence(state.unit_id, row, watches))
    return (replace(state, watches=watches), found) if found else (state, [])


def decision_rows(readings: Readings, profile: UnitProfile, parameters: Parameters) -> tuple[Record, Record]:
    """Closed runs and decision moments of a whole history, unjudged: what the models are trained on."""
    memory = fresh_state()
    parts = [
        (np.zeros(0, RUN_ROW), np.zeros(0, DECISION_ROW)),
        *_folded(memory, readings, profile, parameters),
    ]
    return np.concatenate([runs for runs, _ in parts]), np.concatenate([rows for _, rows in parts])


def trace(
    state: State,
    readings: Readings,
    profile: UnitProfile,
    parameters: Parameters,
    services: Sequence[Service] = (),
) -> Trace:
    """What the engine works out at every reading, from `state` on; for charts."""
    _check(state, readings)
    columns, memory, done = np.full((N_COLUMNS, len(readings)), math.nan), state.memory.copy(), 0
    quality = readings.quality.copy()
    for part, service in between(readings, _due(state, services, readings)):
        rows = slice(done, done + len(part))
        for _ in _folded(memory, part, profile, parameters, columns[:, rows], quality[rows]):
            pass
        done += len(part)
        if service is not None:
            serviced(memory, service)
    return Trace(
        readings=readings,
        running=columns[0] > 0,
        hot=columns[1] > 0,
        pressure_trusted=columns[2] > 0,
        ambient_temp_c=columns[3],
        ambient_error_k=columns[9],
        pressure_dew_point_c=columns[4],
        required_temp_c=columns[5],
        water_g=columns[6],
        water_low_g=columns[7],
        water_high_g=columns[8],
        discharge_temp_c=columns[10],
        pressure_kpa=columns[11],
        quality=quality,
    )


def _due(state: State, services: Sequence[Service], readings: Readings) -> list[Service]:
    """Work that comes before the newest of `readings` whose clock was right."""
    used_ms = readings.observed_at_ms[(readings.quality & int(Quality.CLOCK_WRONG)) == 0]
    newest = int(used_ms[-1]) if len(used_ms) else -1
    return [
        service
        for service in waiting(services, state.serviced, newest_ms(state))
        if service.done_at_ms < newest
    ]


def _check(state: State, readings: Readings) -> None:
    if readings.unit_id != state.unit_id:
        raise ValueError(f"readings of unit {readings.unit_id!r} for the state of {state.unit_id!r}")
    newest = newest_ms(state)
    if newest is not None and len(readings) and readings.observed_at_ms[0] <= newest:
        raise ValueError(
            f"readings of unit {state.unit_id!r} from {readings.observed_at_ms[0]} ms on are not later than"
            f" its state at {newest} ms"
        )


def _first_at(readings: Readings) -> dt.datetime | None:
    """Instant of the first reading that will be folded; None when none will."""
    kept = np.flatnonzero((readings.quality & int(Quality.CLOCK_WRONG)) == 0)
    return instant(float(readings.observed_at_ms[kept[0]]) / MS_PER_S) if len(kept) else None


def _folded(
    memory: Record,
    readings: Readings,
    profile: UnitProfile,
    parameters: Parameters,
    columns: FloatArray | None = None,
    quality: IntArray | None = None,
) -> Iterator[tuple[Record, Record]]:
    """Rows as they come; `columns` and the engine's flags in `quality` are written for a trace."""
    const = constants(profile, parameters)
    run_rows, rows = np.zeros(ROWS, RUN_ROW), np.zeros(ROWS, DECISION_ROW)
    kept: IntArray = np.flatnonzero((readings.quality & int(Quality.CLOCK_WRONG)) == 0)
    used = readings if len(kept) == len(readings) else readings[kept]
    room = np.empty((N_COLUMNS, 0)) if columns is None else np.full((N_COLUMNS, len(used)), math.nan)
    flags = np.array(used.quality, dtype=np.int64)
    # Copies: columns of a store may be strided or read-only, which to the compiler are other types.
    temp_c, pressure_kpa, hours, rh_pct, ambient_c = (
        np.array(getattr(used, name), dtype=np.float64) for name in SIGNALS
    )
    at_s, seq = used.observed_at_ms / float(MS_PER_S), np.array(used.seq, dtype=np.int64)
    received_s = used.received_at_ms / float(MS_PER_S)
    done = 0
    while done < len(used):
        done, n_runs, n_rows = fold(
            memory,
            const,
            at_s,
            temp_c,
            pressure_kpa,
            hours,
            rh_pct,
            ambient_c,
            seq,
            received_s,
            flags,
            done,
            run_rows,
            rows,
            room,
        )
        yield run_rows[:n_runs].copy(), rows[:n_rows].copy()
    if columns is not None:
        columns[:, kept] = room
    if quality is not None:
        quality[kept] = flags
