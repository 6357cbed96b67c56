"""Rows of many units in any order to `Readings`, the shape that stores take. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from ingest.reading import COLUMNS, SIGNALS, FloatArray, IntArray, Reading, Readings


class BadLine(NamedTuple):
    """A line of a log file that gave no reading, or not all of its readings. `line` counts from 1."""

    line: int
    reason: str
    text: bytes


class Block(NamedTuple):
    """What a block of lines held."""

    parts: list[Readings]
    bad: list[BadLine]
    n_assumed_utc: int = 0
    """Rows whose time had no offset from UTC."""


def parts_of(unit_ids: NDArray[np.object_], columns: Mapping[str, FloatArray | IntArray]) -> list[Readings]:
    """The rows by unit and time; every row is in one part, a repeated instant in a later part of its unit.

    Parameters
    ----------
    unit_ids : array of str, shape (n,)
        The unit of each row.
    columns : mapping
        Every column of `Readings`, each of shape (n,), in any order of rows.
    """
    return list(_parts(unit_ids, columns))


def parts_of_rows(readings: Sequence[Reading]) -> list[Readings]:
    """`parts_of` for readings that are still single."""
    columns: dict[str, FloatArray | IntArray] = {}
    for name in COLUMNS:
        values = [getattr(reading, name) for reading in readings]
        columns[name] = np.array(values, np.float64) if name in SIGNALS else np.array(values, np.int64)
    return parts_of(np.array([reading.unit_id for reading in readings], dtype=object), columns)


def _parts(unit_ids: NDArray[np.object_], columns: Mapping[str, FloatArray | IntArray]) -> Iterator[Readings]:
    units = pa.array(unit_ids, pa.string()).dictionary_encode()
    codes = units.indices.to_numpy()
    names = units.dictionary.to_pylist()
    order = np.lexsort((columns["observed_at_ms"], codes))
    while len(order):
        keys, times = codes[order], columns["observed_at_ms"][order]
        first = np.ones(len(order), dtype=bool)
        first[1:] = (keys[1:] != keys[:-1]) | (times[1:] != times[:-1])
        rows, keys = order[first], keys[first]
        starts = np.flatnonzero(np.diff(keys, prepend=-1))
        for start, end in zip(starts, [*starts[1:], len(rows)], strict=True):
            part = {name: column[rows[start:end]] for name, column in columns.items()}
            yield Readings(unit_id=names[keys[start]], **part)  # type: ignore[arg-type]
        order = order[~first]
