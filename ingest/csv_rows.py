"""Lines of a CSV log to readings. Pure: bytes in, readings and bad lines out.

Whole blocks of lines are read as columns; a block that can't be is halved until the odd lines stand alone,
and those go through `row.decode_row`, the door that messages take too. So a bad line costs reading some of
its neighbours again, and says the same as it would on the wire.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator

import msgspec
import numpy as np

from ingest.csv_columns import OddBlockError, Rows, read_columns
from ingest.csv_layout import Layout, unit_fault
from ingest.parts import BadLine, Block, parts_of
from ingest.quality import judge_columns
from ingest.reading import COLUMNS, NAN, SIGNALS, FloatArray, IntArray, Reading, Readings
from ingest.row import PayloadError, decode_row, instant_ms, shown

SMALLEST_BLOCK_LINES = 32
"""Fewer are read one by one rather than halved again."""


def read_block(block: bytes, first_line: int, layout: Layout, imported_at_ms: int) -> Block:
    """Readings of a block of whole lines.

    Parameters
    ----------
    block : bytes
        Lines below the header, each complete.
    first_line : int
        Number of the block's first line in its file, from 1.
    layout : Layout
        From `layout_of`.
    imported_at_ms : int
        Now: what lies beyond it is flagged as a wrong clock. [Unix ms] It is not the time of receipt: a row
        without ``received`` takes its own time for that, so that history does not look late.
    """
    bad: list[BadLine] = []
    pieces = list(_pieces(block, first_line, layout, imported_at_ms, bad))
    if not pieces:
        return Block([], bad)
    parts = parts_of(np.concatenate([piece.units for piece in pieces]), _columns(pieces, imported_at_ms))
    return Block(parts, bad, sum(piece.n_assumed_utc for piece in pieces))


def _pieces(
    block: bytes, first_line: int, layout: Layout, imported_at_ms: int, bad: list[BadLine]
) -> Iterator[Rows]:
    try:
        yield read_columns(block, layout)
        return
    except OddBlockError:
        n_lines = block.count(b"\n")
    if n_lines <= SMALLEST_BLOCK_LINES:
        yield from _read_lines(block, first_line, layout, imported_at_ms, bad)
        return
    middle = block.find(b"\n", len(block) // 2) + 1
    if middle in (0, len(block)):
        middle = block.rfind(b"\n", 0, len(block) // 2) + 1
    head, tail = block[:middle], block[middle:]
    if not head:
        yield from _read_lines(block, first_line, layout, imported_at_ms, bad)
        return
    yield from _pieces(head, first_line, layout, imported_at_ms, bad)
    yield from _pieces(tail, first_line + head.count(b"\n"), layout, imported_at_ms, bad)


def _read_lines(
    block: bytes, first_line: int, layout: Layout, imported_at_ms: int, bad: list[BadLine]
) -> Iterator[Rows]:
    readings: list[Reading] = []
    n_assumed_utc = 0
    for number, line in enumerate(block.split(b"\n"), first_line):
        if not line.strip():
            continue
        try:
            reading, assumed_utc = _read_line(line, layout, imported_at_ms)
        except PayloadError as error:
            bad.append(BadLine(number, error.reason, line.rstrip(b"\r")))
        else:
            readings.append(reading)
            n_assumed_utc += assumed_utc
    if readings:
        yield Rows(
            units=np.array([reading.unit_id for reading in readings], dtype=object),
            observed_at_ms=np.array([reading.observed_at_ms for reading in readings]),
            received_at_ms=np.array([reading.received_at_ms for reading in readings]),
            signals={name: np.array([getattr(reading, name) for reading in readings]) for name in SIGNALS},
            seq=np.array([reading.seq for reading in readings]),
            n_assumed_utc=n_assumed_utc,
        )


def _read_line(line: bytes, layout: Layout, imported_at_ms: int) -> tuple[Reading, bool]:
    try:
        cells = next(csv.reader([line.decode().strip("\r\n")], strict=True, skipinitialspace=True))
    except (UnicodeDecodeError, csv.Error, StopIteration) as error:
        raise PayloadError(f"not a line of UTF-8 CSV: {shown(str(error))[1:-1]}") from error
    if len(cells) != len(layout.names):
        raise PayloadError(f"{len(cells)} cells, expected {len(layout.names)} as in the first line")
    row = dict(zip(layout.names, cells, strict=True))
    unit_id = row[layout.unit].strip()
    if fault := unit_fault(unit_id):
        raise PayloadError(fault)
    time, assumed_utc = _with_offset(row[layout.time])
    if instant_ms(time) is None:
        raise PayloadError(f"{layout.time} is {shown(time)}, expected RFC 3339, or epoch s or ms")
    values: dict[str, object] = {name: row[name] for name in layout.signals}
    values |= {"ts": time, "seq": row[layout.seq] if layout.seq else None}
    reading = decode_row(values, unit_id, imported_at_ms)
    received_at_ms = instant_ms(_with_offset(row[layout.received])[0]) if layout.received else None
    if received_at_ms is None:
        received_at_ms = reading.observed_at_ms
    return msgspec.structs.replace(reading, received_at_ms=received_at_ms), assumed_utc


def _with_offset(text: str) -> tuple[str, bool]:
    """The time with its offset, and whether that had to be assumed."""
    try:
        instant_ms(text)
    except PayloadError as error:
        try:
            instant_ms(text.strip() + "Z")
        except PayloadError:
            raise error from None
        return text.strip() + "Z", True
    return text, False


def _columns(pieces: list[Rows], imported_at_ms: int) -> dict[str, FloatArray | IntArray]:
    """All columns of `Readings` over the pieces, judged as of the import."""

    def signal(name: str) -> FloatArray:
        missing = (np.full(len(piece.units), NAN) for piece in pieces)
        return np.concatenate([p.signals.get(name, m) for p, m in zip(pieces, missing, strict=True)])

    observed_at_ms = np.concatenate([piece.observed_at_ms for piece in pieces])
    received_at_ms = np.concatenate([piece.received_at_ms for piece in pieces])
    rows = Readings(
        unit_id="",
        observed_at_ms=observed_at_ms,
        received_at_ms=np.full(len(observed_at_ms), imported_at_ms),
        seq=np.concatenate([piece.seq for piece in pieces]),
        quality=np.zeros(len(observed_at_ms), dtype=np.int64),
        **{name: signal(name) for name in SIGNALS},
    )
    columns = {name: getattr(rows, name) for name in COLUMNS}
    return columns | {"received_at_ms": received_at_ms, "quality": judge_columns(rows)}
