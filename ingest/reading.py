"""The reading: one row of signals from one unit, alone (`Reading`) or as columns (`Readings`).

Everything downstream is written against these two shapes. House units only: temperatures in degC,
pressure in kPa gauge, hours as the controller's hour meter shows them. NaN means "not reported";
a value that was reported but can't be right stays here and carries a quality flag instead.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields, replace
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

SIGNALS = ("discharge_temp_c", "pressure_kpa", "hours", "ambient_rh_pct", "ambient_temp_c")
"""Signal columns in wire order; one spelling in code, JSON, CSV and both stores."""

NAN = float("nan")


class Reading(msgspec.Struct, frozen=True, kw_only=True):
    """One row of signals. Key: (unit_id, observed_at_ms)."""

    unit_id: str
    observed_at_ms: int
    """When the truck measured it. [Unix ms, UTC]"""
    received_at_ms: int
    """When the listener took it in. [Unix ms, UTC]"""
    discharge_temp_c: float = NAN
    pressure_kpa: float = NAN
    """Sump pressure. [kPa gauge]"""
    hours: float = NAN
    ambient_rh_pct: float = NAN
    ambient_temp_c: float = NAN
    seq: int = -1
    """The controller's message counter; -1 when the truck sends none."""
    quality: int = 0
    """Bit set of `ingest.quality.Quality`, as judged at the door."""


@dataclass(frozen=True, kw_only=True)
class Readings:
    """Readings of one unit as columns of shape (n,), ascending in `observed_at_ms`, no instant twice."""

    unit_id: str
    observed_at_ms: IntArray
    received_at_ms: IntArray
    discharge_temp_c: FloatArray
    pressure_kpa: FloatArray
    hours: FloatArray
    ambient_rh_pct: FloatArray
    ambient_temp_c: FloatArray
    seq: IntArray
    quality: IntArray

    def __len__(self) -> int:
        return len(self.observed_at_ms)

    def __getitem__(self, rows: slice | NDArray[np.bool_] | IntArray) -> Readings:
        """The same columns, fewer rows."""
        return replace(self, **{name: getattr(self, name)[rows] for name in COLUMNS})

    @classmethod
    def from_rows(cls, unit_id: str, rows: Iterable[Reading]) -> Readings:
        """Columns from rows of one unit, put in order; of two rows with one instant the first is kept."""
        ordered: dict[int, Reading] = {}
        for row in rows:
            if row.unit_id != unit_id:
                raise ValueError(f"reading of unit {row.unit_id!r} among those of {unit_id!r}")
            ordered.setdefault(row.observed_at_ms, row)
        kept = [ordered[at] for at in sorted(ordered)]
        columns: dict[str, Any] = {
            name: np.array(
                [getattr(row, name) for row in kept], dtype=np.float64 if name in SIGNALS else np.int64
            )
            for name in COLUMNS
        }
        return cls(unit_id=unit_id, **columns)


COLUMNS = tuple(field.name for field in fields(Readings) if field.name != "unit_id")
"""Column names of `Readings`, without the unit."""
