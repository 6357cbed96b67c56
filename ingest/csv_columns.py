"""Whole blocks of CSV lines to columns of house values. Pure.

Takes a block only if every line of it is in order; `csv_rows` finds the lines that are not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
from numpy.typing import NDArray

from ingest.csv_layout import Layout, unit_fault
from ingest.reading import FloatArray, IntArray
from ingest.row import MILLISECONDS_BELOW, NOT_REPORTED, SAME_VALUE, SECONDS_BELOW

SHORTEST_TIME = len("2026-01-05T13:00:05")
"""A date alone would be read as its midnight, which no logger means."""

_NULLS = sorted(
    {spelt for text in NOT_REPORTED for spelt in (text, text.upper(), text.title(), "NaN", "N/a")}
)
_NOT_REPORTED = pa.array(sorted(NOT_REPORTED))


class OddBlockError(ValueError):
    """Some line of the block is not in order."""


@dataclass(frozen=True)
class Rows:
    """Rows of any units in the file's order; each array of shape (n,)."""

    units: NDArray[np.object_]
    observed_at_ms: IntArray
    received_at_ms: IntArray
    signals: dict[str, FloatArray]
    seq: IntArray
    n_assumed_utc: int


def read_columns(block: bytes, layout: Layout) -> Rows:
    """All rows of a block of complete lines.

    Raises
    ------
    OddBlockError
        If a line has another number of cells, or a cell is not of its column's kind.
    """
    try:
        return _read_columns(block, layout)
    except pa.ArrowInvalid as error:
        raise OddBlockError(str(error)) from error


def _read_columns(block: bytes, layout: Layout) -> Rows:
    texts = [name for name in (layout.time, layout.received, layout.seq) if name is not None]
    types = {layout.unit: pa.dictionary(pa.int32(), pa.string())}
    types |= dict.fromkeys(texts, pa.string()) | dict.fromkeys(layout.signals, pa.float64())
    table = pacsv.read_csv(
        pa.BufferReader(block),
        read_options=pacsv.ReadOptions(column_names=list(layout.names)),
        convert_options=pacsv.ConvertOptions(
            column_types=types, include_columns=list(types), null_values=_NULLS, strings_can_be_null=False
        ),
    )
    observed_at_ms, n_assumed_utc = _instants(table[layout.time])
    received_at_ms = observed_at_ms
    if layout.received is not None:
        received_at_ms = _instants_where_given(table[layout.received], observed_at_ms)
    return Rows(
        units=_units(table[layout.unit]),
        observed_at_ms=observed_at_ms,
        received_at_ms=received_at_ms,
        signals=_signals(table, layout),
        seq=np.full(len(table), -1) if layout.seq is None else _sequence(table[layout.seq]),
        n_assumed_utc=n_assumed_utc,
    )


def _units(column: pa.ChunkedArray) -> NDArray[np.object_]:
    encoded = column.unify_dictionaries().combine_chunks()
    names = np.array([str(name).strip() for name in encoded.dictionary.to_pylist()], dtype=object)
    # A quote inside is one that stood behind a space, where only the reader of single lines takes it off.
    if any(unit_fault(name) or '"' in name for name in names):
        raise OddBlockError
    units: NDArray[np.object_] = names[encoded.indices.to_numpy()]
    return units


def _instants(column: pa.ChunkedArray) -> tuple[IntArray, int]:
    """Unix ms, and how many of the times had no offset (all or none: a mixture is odd)."""
    texts = pc.utf8_trim_whitespace(column)
    try:
        numbers = pc.cast(texts, pa.float64()).to_numpy()
    except pa.ArrowInvalid:
        pass
    else:
        size = np.abs(numbers)
        if not (size < MILLISECONDS_BELOW).all():
            raise OddBlockError
        return np.rint(np.where(size < SECONDS_BELOW, numbers * 1000.0, numbers)).astype(np.int64), 0
    if pc.min(pc.utf8_length(texts)).as_py() < SHORTEST_TIME:
        raise OddBlockError
    try:
        return _ms_of(pc.cast(texts, pa.timestamp("ns", "UTC"))), 0
    except pa.ArrowInvalid:
        return _ms_of(pc.cast(texts, pa.timestamp("ns"))), len(texts)


def _ms_of(instants: pa.ChunkedArray) -> IntArray:
    """Unix ms of nanoseconds, rounded."""
    ns = instants.cast(pa.int64()).to_numpy()
    return np.asarray((ns + 500_000) // 1_000_000, dtype=np.int64)


def _instants_where_given(column: pa.ChunkedArray, default_ms: IntArray) -> IntArray:
    given = pc.invert(pc.is_in(pc.utf8_lower(pc.utf8_trim_whitespace(column)), _NOT_REPORTED))
    rows = given.to_numpy()
    received_at_ms = default_ms.copy()
    if rows.any():
        received_at_ms[rows] = _instants(column.filter(given))[0]
    return received_at_ms


def _sequence(column: pa.ChunkedArray) -> IntArray:
    texts = pc.utf8_lower(pc.utf8_trim_whitespace(column))
    missing = pc.is_in(texts, _NOT_REPORTED)
    texts = pc.if_else(missing, "-1", texts)
    try:
        numbers = pc.cast(texts, pa.int64()).to_numpy()
    except pa.ArrowInvalid:
        # A table program that met an empty cell writes the whole column as 118.0.
        floats = pc.cast(texts, pa.float64()).to_numpy()
        if not ((np.abs(floats) < 2**53) & (floats == np.rint(floats))).all():
            raise OddBlockError from None
        numbers = floats.astype(np.int64)
    if (numbers[~missing.to_numpy()] < 0).any():
        raise OddBlockError
    return np.asarray(numbers, dtype=np.int64)


def _signals(table: pa.Table, layout: Layout) -> dict[str, FloatArray]:
    signals: dict[str, FloatArray] = {}
    for name, known in layout.signals.items():
        raw = table[name].to_numpy()
        values = (raw + known.conversion.shift) * known.conversion.scale
        if np.isinf(values).any():
            raise OddBlockError
        before = signals.get(known.signal)
        if before is not None:
            if (np.abs(before - values) > SAME_VALUE).any():
                raise OddBlockError
            values = np.where(np.isnan(before), values, before)
        signals[known.signal] = values
    return signals
