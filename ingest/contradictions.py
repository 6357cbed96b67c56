"""Readings that say something else than the one kept for their instant: into quarantine, with the reason.

One unit has one reading an instant, and the first that comes is it. The store keeps aside what differs; here
that is put where people look. Called after an append that found keys taken; doing so again adds nothing.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable

import numpy as np

from ingest import json_record
from ingest.quarantine import Rejected
from ingest.reading import SIGNALS, IntArray, Reading
from ingest.store.protocol import ReadingStore
from ingest.units_of_measure import MS_PER_S


def contradictions(
    store: ReadingStore, instants: Iterable[tuple[str, IntArray]], received_at_ms: int
) -> list[Rejected]:
    """What the store keeps aside for some instants.

    Parameters
    ----------
    instants : iterable of (str, array of shape (n,))
        Units and the instants that were appended of each; a unit may be there again. [Unix ms]
    received_at_ms : int
        Now. [Unix ms]
    """
    found, of_unit = [], dict[str, list[IntArray]]()
    for unit_id, at_ms in instants:
        of_unit.setdefault(unit_id, []).append(at_ms)
    for unit_id, parts in of_unit.items():
        at_ms = np.concatenate(parts)
        aside = store.contradicting(unit_id, int(at_ms.min()), int(at_ms.max()) + 1) if len(at_ms) else []
        known = np.isin([one.observed_at_ms for one in aside], at_ms)
        found += [
            _rejected(store, one, received_at_ms) for one, asked in zip(aside, known, strict=True) if asked
        ]
    return found


def instants_of(readings: Iterable[Reading]) -> list[tuple[str, IntArray]]:
    """Units and the instants of their readings, one by one. [Unix ms]"""
    return [(one.unit_id, np.array([one.observed_at_ms], np.int64)) for one in readings]


def _rejected(store: ReadingStore, other: Reading, received_at_ms: int) -> Rejected:
    kept = store.read(other.unit_id, other.observed_at_ms, other.observed_at_ms + 1)
    differences = ", ".join(
        f"{name} {getattr(kept, name)[0]:g} is kept, this says {getattr(other, name):g}"
        for name in SIGNALS
        if not math.isnan(getattr(other, name)) and getattr(other, name) != getattr(kept, name)[0]
    )
    at = dt.datetime.fromtimestamp(other.observed_at_ms / MS_PER_S, dt.UTC)
    reason = (
        f"contradicts the reading of unit {other.unit_id!r} that came first for"
        f" {at:%Y-%m-%d %H:%M:%S} UTC: {differences}"
    )
    return Rejected(received_at_ms, other.unit_id, reason, json_record.encode(other).encode())
