"""One row of a message: a sender's names, numbers and times, in whatever spelling, to a judged reading.

Pure. `payload.py` and `senml_rows.py` call this for every row that does not take the typed short cut.
"""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import Annotated

import msgspec

from ingest.quality import Quality, judge_values
from ingest.reading import NAN, SIGNALS, Reading
from ingest.units_of_measure import WIRE_NAMES, WireName

SECONDS_BELOW = 1e11
"""Epoch numbers below are seconds, from here on milliseconds: the year 5138 in one, 1973 in the other."""
MILLISECONDS_BELOW = 1e14
MAX_SEQ = 2**63 - 1
SAME_VALUE = 0.6
"""One signal sent under two names must agree to about the rounding of the coarser one. [house unit]"""
NOT_REPORTED = frozenset({"", "-", "--", "na", "n/a", "nan", "none", "null"})

Instant = Annotated[datetime, msgspec.Meta(tz=True)]


class PayloadError(ValueError):
    """A message, or a row, that can't be turned into readings. `reason` says why in one line."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


def decode_row(row: Mapping[str, object], unit_id: str, received_at_ms: int) -> Reading:
    """One row under any documented name, as numbers or text, to a judged reading.

    Unknown keys are ignored; ``time`` may stand for ``ts``.

    Raises
    ------
    PayloadError
        If the row names another unit, holds no known signal, or a value that is no number.
    """
    for key in ("unit", "unit_id"):
        named = row.get(key)
        if named is not None and str(named) not in ("", unit_id):
            raise PayloadError(f"{key} is {shown(named)} in a message of unit {shown(unit_id)}")
    values: dict[str, float] = {}
    for name, value in row.items():
        known = WIRE_NAMES.get(name)
        if known is not None:
            put(values, known, name, value)
    if not values:
        named = f" among the keys {shown_names(row)}" if row else ": an empty object"
        raise PayloadError(f"no known signal{named}")
    ts = row.get("ts")
    instant = instant_ms(row.get("time") if ts is None else ts)
    return judged_reading(unit_id, instant, received_at_ms, values, seq_number(row.get("seq")))


def put(values: dict[str, float], known: WireName, name: str, value: object) -> None:
    """File a value under its house name; NaN stays when it was not reported."""
    number = known.conversion.house(number_of(name, value))
    if math.isinf(number):
        raise PayloadError(f"{name} is {shown(value)}, expected a finite number")
    before = values.get(known.signal, NAN)
    if abs(before - number) > SAME_VALUE:
        raise PayloadError(f"{known.signal} is given twice: {before:g} and, as {name}, {number:g}")
    values[known.signal] = number if math.isnan(before) else before


def number_of(name: str, value: object) -> float:
    """The number a sender gave, as a number or as text; NaN when it gave none."""
    if value is None:
        return NAN
    number = None
    if isinstance(value, str):
        text = value.strip()
        if text.lower() in NOT_REPORTED:
            return NAN
        number = None if "_" in text else _float(text)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        number = _float(value)
    if number is None:
        raise PayloadError(f"{name} is {shown(value)}, expected a number")
    return number


def _float(value: str | int | float) -> float | None:
    try:
        return float(value)
    except (ValueError, OverflowError):
        return None


def seq_number(value: object) -> int:
    """The message counter, -1 when none was sent."""
    number = number_of("seq", value)
    if math.isnan(number):
        return -1
    if not (0 <= number <= MAX_SEQ and number == int(number)):
        raise PayloadError(f"seq is {shown(value)}, expected a whole number from 0 on")
    return min(int(value) if isinstance(value, int) else int(number), MAX_SEQ)


def instant_ms(value: object) -> int | None:
    """Unix ms of a time as sent: RFC 3339, epoch seconds or milliseconds, or None when there is none."""
    if isinstance(value, str) and value.strip().lower() not in NOT_REPORTED:
        text = value.strip()
        number = None if "_" in text else _float(text)
        return _text_ms(text) if number is None else number_ms(number)
    if value is None or isinstance(value, str):
        return None
    number = number_of("ts", value)
    return None if math.isnan(number) else number_ms(number)


def _text_ms(text: str) -> int:
    # RFC 3339 allows second 60, a leap second, which no time type here can hold.
    leap = text[16:19] == ":60"
    try:
        instant = msgspec.convert(text[:16] + ":59" + text[19:] if leap else text, Instant)
        return round((instant + timedelta(seconds=leap)).timestamp() * 1000.0)
    except (msgspec.MsgspecError, ValueError, OverflowError):
        raise PayloadError(f"ts is {shown(text)}, expected RFC 3339 with offset, or epoch s or ms") from None


def number_ms(number: float) -> int:
    """Unix ms from epoch seconds or milliseconds, told apart by size."""
    if abs(number) < SECONDS_BELOW:
        return round(number * 1000.0)
    if abs(number) < MILLISECONDS_BELOW:
        return round(number)
    raise PayloadError(f"ts is {number:g}, expected epoch seconds or milliseconds")


def judged_reading(
    unit_id: str,
    observed_at_ms: int | None,
    received_at_ms: int,
    values: dict[str, float],
    seq: int,
    quality: int = 0,
) -> Reading:
    """A reading from house values, judged; without an instant it gets the time of receipt and the flag."""
    if observed_at_ms is None:
        observed_at_ms = received_at_ms
        quality |= int(Quality.RECEIVED_TIME_USED)
    row = tuple(values.get(signal, NAN) for signal in SIGNALS)
    quality |= judge_values(observed_at_ms, received_at_ms, *row)
    return Reading(
        unit_id=unit_id,
        observed_at_ms=observed_at_ms,
        received_at_ms=received_at_ms,
        seq=seq,
        quality=quality,
        **dict(zip(SIGNALS, row, strict=True)),
    )


def shown(value: object) -> str:
    """A hostile value made safe to print, and short: text in quotes, all else as it stands in JSON."""
    if isinstance(value, bytes):
        text = ascii(value.decode("latin-1"))
    elif isinstance(value, str):
        text = ascii(value)
    else:
        try:
            text = json.dumps(value, default=str)
        except (RecursionError, ValueError):
            text = f"a nested {type(value).__name__}"
    return text if len(text) <= 80 else text[:77] + "..."


def shown_names(names: Iterable[str]) -> str:
    """The first names of many, each made safe to print."""
    return ", ".join(shown(name) for name in itertools.islice(names, 12))
