"""Lines of a JSON log to readings. Pure.

Each line is a message, ``{"topic": .., "received": .., "payload": ..}``, whose payload is what was on the
wire: an object, an array, or either as text inside a string. Or it is a reading that names its ``unit``.
"""

from __future__ import annotations

import msgspec

from ingest.csv_layout import unit_fault
from ingest.parts import BadLine, Block, parts_of_rows
from ingest.payload import decode
from ingest.quality import Quality
from ingest.reading import Reading
from ingest.row import PayloadError, instant_ms, shown
from ingest.senml_rows import Reject


class _Line(msgspec.Struct):
    topic: str = ""
    payload: msgspec.Raw = msgspec.Raw()
    unit: str | None = None
    unit_id: str | None = None
    received: str | int | float | None = None


EXPECTED = "expected topic and payload, or a reading with its unit; and received if known"
_decode_line = msgspec.json.Decoder(_Line).decode
_decode_text = msgspec.json.Decoder(str).decode


def read_block(block: bytes, first_line: int, imported_at_ms: int, *, prefix: str = "compressors") -> Block:
    """Readings of a block of whole lines; `first_line` is the number of its first line in the file, from 1.

    A line without ``received`` is history: its readings take their own time for that, so that they do not
    look late, unless they have none either and take `imported_at_ms`. [Unix ms]
    """
    readings: list[Reading] = []
    bad: list[BadLine] = []
    for number, line in enumerate(block.split(b"\n"), first_line):
        text = line.strip()
        if not text:
            continue
        try:
            found, rejects = _read_line(text, imported_at_ms, prefix)
        except PayloadError as error:
            bad.append(BadLine(number, error.reason, text))
        else:
            readings += found
            bad += [BadLine(number, reject.reason, reject.payload) for reject in rejects]
    return Block(parts_of_rows(readings) if readings else [], bad)


def _read_line(text: bytes, imported_at_ms: int, prefix: str) -> tuple[list[Reading], list[Reject]]:
    try:
        line = _decode_line(text)
        topic, payload = _message(line, text, prefix)
    except (msgspec.MsgspecError, ValueError, RecursionError) as error:
        if isinstance(error, PayloadError):
            raise
        raise PayloadError(f"JSON: {shown(str(error))[1:-1]}; {EXPECTED}") from error
    received_at_ms = instant_ms(line.received)
    decoded = decode(
        topic, payload, imported_at_ms if received_at_ms is None else received_at_ms, prefix=prefix
    )
    if received_at_ms is not None:
        return decoded, decoded.rejects
    return [_received_when_observed(reading) for reading in decoded], decoded.rejects


def _message(line: _Line, text: bytes, prefix: str) -> tuple[str, bytes]:
    """Topic and payload; a reading by itself is the payload of the topic its unit would publish to."""
    payload = bytes(line.payload)
    if line.topic and payload:
        return line.topic, _decode_text(payload).encode() if payload[:1] == b'"' else payload
    unit_id = line.unit if line.unit is not None else line.unit_id
    if unit_id is None or line.topic or payload:
        raise PayloadError(EXPECTED)
    if fault := unit_fault(unit_id):
        raise PayloadError(fault)
    return f"{prefix}/{unit_id}/readings", text


def _received_when_observed(reading: Reading) -> Reading:
    if reading.quality & Quality.RECEIVED_TIME_USED:
        return reading
    return msgspec.structs.replace(reading, received_at_ms=reading.observed_at_ms)
