"""All that is remembered of one unit: the fold's memory, the patterns' watches, and both as a checkpoint."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass

import msgspec
import numpy as np

from ingest.profile import UnitProfile
from ingest.units_of_measure import MS_PER_S
from models.artefact import PatternModels
from models.parameters import Parameters
from models.patterns import BY_RULE, LEARNT, NOVEL
from models.patterns.watch import Watch
from models.records import Pattern
from models.state import STATE, Record, constants, fresh_state


@dataclass(frozen=True, kw_only=True)
class State:
    """All that is remembered of a unit between two chunks."""

    unit_id: str
    memory: Record
    watches: dict[Pattern, Watch]
    rows: int = 0
    """Readings folded so far; those whose clock was wrong are not among them."""
    made_with: str = ""
    """Fingerprint of the profile, parameters and models that folded them."""
    serviced: tuple[tuple[int, str], ...] = ()
    """Recorded work folded so far, as `ingest.maintenance.Service.key`, in order."""


class _Stored(msgspec.Struct, frozen=True):
    unit_id: str
    layout: str
    memory: bytes
    watches: dict[Pattern, Watch]
    rows: int
    made_with: str
    serviced: tuple[tuple[int, str], ...]


class StateError(ValueError):
    """A stored state does not fit this version of the engine; fold the unit's history anew."""


def initial_state(unit_id: str, made_with: str = "") -> State:
    """State before the first reading."""
    watches = {pattern: Watch() for pattern in (*LEARNT, *NOVEL, *BY_RULE)}
    return State(unit_id=unit_id, memory=fresh_state(), watches=watches, made_with=made_with)


def fingerprint(profile: UnitProfile, parameters: Parameters, models: PatternModels) -> str:
    """Short hash of all that decides what is found in given readings, beside the program itself."""
    digest = hashlib.sha256(bytes(constants(profile, parameters).tobytes()))
    for pattern in sorted((*models.of, *models.novel)):
        card = models.judging(pattern).card
        digest.update(f"{pattern.value} {card.data_fingerprint} {card.seed} {card.threshold}".encode())
    digest.update(f"{models.forecast.card.data_fingerprint} {models.forecast.card.seed}".encode())
    digest.update(msgspec.json.encode(models.run_confidence, order="sorted"))
    return digest.hexdigest()[:16]


def encode_state(state: State) -> bytes:
    """State as bytes, for a checkpoint."""
    return msgspec.msgpack.encode(
        _Stored(
            state.unit_id,
            repr(STATE),
            state.memory.tobytes(),
            state.watches,
            state.rows,
            state.made_with,
            state.serviced,
        )
    )


def decode_state(stored: bytes) -> State:
    """State from a checkpoint's bytes.

    Raises
    ------
    StateError
        If another version of the engine wrote it.
    """
    try:
        parts = msgspec.msgpack.decode(stored, type=_Stored)
    except msgspec.MsgspecError as reason:
        raise StateError(f"checkpoint can't be read: {reason}") from reason
    if parts.layout != repr(STATE):
        raise StateError(f"checkpoint of unit {parts.unit_id!r} was written by another version of the engine")
    memory = np.frombuffer(parts.memory, STATE).copy()
    return State(
        unit_id=parts.unit_id,
        memory=memory,
        watches=parts.watches,
        rows=parts.rows,
        made_with=parts.made_with,
        serviced=parts.serviced,
    )


def newest_ms(state: State) -> int | None:
    """Instant of the newest reading or work folded; None before the first. [Unix ms]"""
    read_ms = _read_ms(state)
    done_ms = max((at_ms for at_ms, _ in state.serviced), default=None)
    return max((at_ms for at_ms in (read_ms, done_ms) if at_ms is not None), default=None)


def ends_with_work(state: State) -> bool:
    """Whether work was folded after the newest reading: readings from between may still come."""
    return newest_ms(state) != _read_ms(state)


def _read_ms(state: State) -> int | None:
    newest_s = float(state.memory[0]["t"])
    return None if math.isnan(newest_s) else round(newest_s * MS_PER_S)


def runs_settled_ms(state: State) -> int | None:
    """Every run that began before this instant is closed for good; None while none is. [Unix ms]

    A run may be dated back to before the newest reading, but never into the one before it.
    """
    stop_s = float(state.memory[0]["stop_t"])
    return None if math.isnan(stop_s) else round(stop_s * MS_PER_S)
