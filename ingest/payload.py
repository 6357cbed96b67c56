"""Topic and bytes -> readings in house units, or `PayloadError` with the reason. Pure.

The listener and the log import both come through here. Rows that hold exactly the documented names with
plain numbers take a typed short cut; everything else (other units of measure, numbers as text, unknown
keys) goes through `decode_row`, which is also where each fault gets its reason.
"""

from __future__ import annotations

import json
import zlib
from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated

import msgspec

from ingest import senml
from ingest.quality import Quality, judge_values
from ingest.reading import NAN, Reading
from ingest.row import MAX_SEQ, Instant, PayloadError, decode_row, number_ms, shown
from ingest.senml_rows import Decoded, Reject, decode_pack

__all__ = ["Decoded", "Limits", "PayloadError", "Reject", "decode", "decode_row", "unit_of"]

GZIP_MAGIC = b"\x1f\x8b"
BYTE_ORDER_MARK = b"\xef\xbb\xbf"
MAX_UNIT_ID_CHARS = 128
"""Width of the unit columns."""


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What one message may cost."""

    payload_bytes: int = 4_000_000
    inflated_bytes: int = 16_000_000
    rows: int = 50_000
    depth: int = 8
    keys: int = 64


class _PlainRow(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """The row as documented; anything else about it sends it to `decode_row`."""

    ts: Instant | float | None = None
    discharge_temp_c: float | None = None
    pressure_kpa: float | None = None
    hours: float | None = None
    ambient_rh_pct: float | None = None
    ambient_temp_c: float | None = None
    seq: Annotated[int, msgspec.Meta(ge=0, le=MAX_SEQ)] = -1


_decode_plain = msgspec.json.Decoder(_PlainRow).decode
_decode_rows = msgspec.json.Decoder(list[msgspec.Raw]).decode
_decode_any = msgspec.json.Decoder().decode
_BROKEN = (msgspec.MsgspecError, ValueError, RecursionError)


def decode(
    topic: str,
    payload: bytes,
    received_at_ms: int,
    *,
    prefix: str = "compressors",
    limits: Limits = Limits(),
) -> Decoded:
    """Readings of one message in the order sent, in house units, judged.

    Parameters
    ----------
    topic : str
        ``<prefix>/<unit_id>/readings``; the unit named here wins.
    payload : bytes
        A JSON object, an array of them, or a SenML pack (RFC 8428); gzipped or not.
    received_at_ms : int
        Stands in for a missing time. [Unix ms]

    Returns
    -------
    Decoded
        At least one reading, and the rows that were unusable among them.

    Raises
    ------
    PayloadError
        If no reading could be had; nothing else is raised, whatever the bytes.
    """
    unit_id = unit_of(topic, prefix)
    text = _plain_bytes(payload, limits)
    if text[:1] == b"{":
        return Decoded((_decode_object(text, unit_id, received_at_ms, limits),))
    if text[:1] == b"[":
        return _decode_array(text, unit_id, received_at_ms, limits)
    if not text:
        raise PayloadError("empty payload")
    raise PayloadError(f"payload starts with {shown(text[:12])}, expected a JSON object or array")


@lru_cache(maxsize=65_536)
def unit_of(topic: str, prefix: str = "compressors", leaf: str = "readings") -> str:
    """The unit named in a topic ``<prefix>/<unit_id>/<leaf>``; `PayloadError` on any other topic."""
    head, tail = prefix + "/", "/" + leaf
    unit_id = topic[len(head) : -len(tail)]
    if not (topic.startswith(head) and topic.endswith(tail) and unit_id) or "/" in unit_id:
        raise PayloadError(f"topic {shown(topic)} is not {head}<unit>{tail}")
    if len(unit_id) > MAX_UNIT_ID_CHARS or not unit_id.isprintable():
        raise PayloadError(
            f"unit in topic {shown(topic)} is longer than {MAX_UNIT_ID_CHARS} characters or not printable"
        )
    return unit_id


def _plain_bytes(payload: bytes, limits: Limits) -> bytes:
    if len(payload) > limits.payload_bytes:
        raise PayloadError(f"payload of {len(payload)} bytes is above the limit of {limits.payload_bytes}")
    if payload[:2] == GZIP_MAGIC:
        payload = _inflated(payload, limits.inflated_bytes)
    return payload.removeprefix(BYTE_ORDER_MARK).strip()


def _inflated(payload: bytes, limit: int) -> bytes:
    """Bytes of a gzip file of one or more members, never more than `limit`."""
    parts: list[bytes] = []
    size = 0
    while payload:
        member = zlib.decompressobj(wbits=31)
        try:
            parts.append(member.decompress(payload, limit - size + 1))
        except zlib.error as error:
            raise PayloadError(f"gzip data is broken: {error}") from error
        size += len(parts[-1])
        if size > limit:
            raise PayloadError(f"gzip data inflates to more than the limit of {limit} bytes")
        if not member.eof:
            raise PayloadError("gzip data is cut off")
        payload = member.unused_data
    return b"".join(parts)


def _decode_object(text: bytes, unit_id: str, received_at_ms: int, limits: Limits) -> Reading:
    try:
        row = _decode_plain(text)
    except _BROKEN:
        return _decode_odd(text, unit_id, received_at_ms, limits)
    temp_c, kpa, hours, rh_pct, ambient_c = (
        NAN if row.discharge_temp_c is None else row.discharge_temp_c,
        NAN if row.pressure_kpa is None else row.pressure_kpa,
        NAN if row.hours is None else row.hours,
        NAN if row.ambient_rh_pct is None else row.ambient_rh_pct,
        NAN if row.ambient_temp_c is None else row.ambient_temp_c,
    )
    ts = row.ts
    if ts is None or (temp_c != temp_c and kpa != kpa and hours != hours):
        # Rows without a time or the main signals are rare: let the long way tell absent from null.
        return _decode_odd(text, unit_id, received_at_ms, limits)
    observed_at_ms = number_ms(ts) if isinstance(ts, float) else round(ts.timestamp() * 1000.0)
    quality = judge_values(observed_at_ms, received_at_ms, temp_c, kpa, hours, rh_pct, ambient_c)
    return Reading(
        unit_id=unit_id,
        observed_at_ms=observed_at_ms,
        received_at_ms=received_at_ms,
        discharge_temp_c=temp_c,
        pressure_kpa=kpa,
        hours=hours,
        ambient_rh_pct=rh_pct,
        ambient_temp_c=ambient_c,
        seq=row.seq,
        quality=quality,
    )


def _decode_odd(text: bytes, unit_id: str, received_at_ms: int, limits: Limits) -> Reading:
    row = _json(text)
    if not isinstance(row, dict):
        raise PayloadError(f"row is {shown(row)}, expected a JSON object")
    if len(row) > limits.keys:
        raise PayloadError(f"row has {len(row)} keys, above the limit of {limits.keys}")
    if _depth_above(row, limits.depth):
        raise PayloadError(f"row is nested deeper than {limits.depth} levels")
    return decode_row(row, unit_id, received_at_ms)


def _json(text: bytes) -> object:
    try:
        return _decode_any(text)
    except _BROKEN as error:
        if b"NaN" in text and not isinstance(error, RecursionError):
            return _json_with_nan(text)
        raise PayloadError(_broken_reason(error)) from error


def _json_with_nan(text: bytes) -> object:
    """JSON in which a sender wrote a bare NaN, as many libraries do though the standard has none."""
    try:
        return json.loads(text)
    except (ValueError, RecursionError) as error:
        raise PayloadError(_broken_reason(error)) from error


def _broken_reason(error: BaseException) -> str:
    return (
        "JSON is nested too deep" if isinstance(error, RecursionError) else f"JSON: {shown(str(error))[1:-1]}"
    )


def _decode_array(text: bytes, unit_id: str, received_at_ms: int, limits: Limits) -> Decoded:
    rows = _raw_rows(text)
    if not rows:
        raise PayloadError("array holds no rows")
    if len(rows) > limits.rows:
        raise PayloadError(f"array of {len(rows)} rows is above the limit of {limits.rows}")
    pack = _senml_pack(rows)
    if pack is not None:
        decoded = decode_pack(pack, unit_id, received_at_ms)
    else:
        decoded = Decoded()
        for row in rows:
            try:
                decoded.append(_decode_object(row, unit_id, received_at_ms, limits))
            except PayloadError as error:
                decoded.rejects.append(Reject(error.reason, row))
    if not decoded:
        n_more = len(decoded.rejects) - 1
        more = f" (and {n_more} more {'row' if n_more == 1 else 'rows'})" if n_more else ""
        raise PayloadError(decoded.rejects[0].reason + more)
    return _spread(decoded)


def _raw_rows(text: bytes) -> list[bytes]:
    try:
        return [bytes(row) for row in _decode_rows(text)]
    except _BROKEN as error:
        if b"NaN" not in text or isinstance(error, RecursionError):
            raise PayloadError(_broken_reason(error)) from error
    rows = _json_with_nan(text)
    return [json.dumps(row).encode() for row in rows] if isinstance(rows, list) else []


def _senml_pack(rows: list[bytes]) -> list[dict[str, object]] | None:
    """The decoded records when the first row is a SenML record, else None."""
    # House rows never start with one of SenML's labels, all of which are short: spares a second decoding.
    try:
        if not senml.is_pack([_decode_any(rows[0])]):
            return None
        pack = [_decode_any(row) for row in rows]
    except _BROKEN:
        return None
    return pack if senml.is_pack(pack) else None


def _spread(decoded: Decoded) -> Decoded:
    """Rows of one message that got its time of receipt, 1 ms apart in the order sent: none hides another."""
    timeless = [i for i, reading in enumerate(decoded) if reading.quality & Quality.RECEIVED_TIME_USED]
    same: dict[int, list[int]] = {}
    for i in timeless:
        same.setdefault(decoded[i].observed_at_ms, []).append(i)
    for at_ms, rows in same.items():
        for back_ms, i in enumerate(reversed(rows)):
            decoded[i] = msgspec.structs.replace(decoded[i], observed_at_ms=at_ms - back_ms)
    return decoded


def _depth_above(value: object, limit: int) -> bool:
    level: list[object] = [value]
    for _ in range(limit + 1):
        level = [
            inner
            for outer in level
            if isinstance(outer, dict | list)
            for inner in (outer.values() if isinstance(outer, dict) else outer)
        ]
        if not level:
            return False
    return True
