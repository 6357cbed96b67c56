"""Messages sorted into what the listener does with them: readings, link states, rejects. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterable

import msgspec

from ingest.payload import Limits, PayloadError, decode, unit_of
from ingest.quality import Quality, judge_live
from ingest.quarantine import Rejected
from ingest.reading import Reading
from ingest.units_of_measure import MS_PER_S

MAX_LINK_STATE_CHARS = 16
"""Width of the state column."""


class Batch:
    """What a number of messages came to, each kind in the order received."""

    def __init__(self) -> None:
        self.readings: list[Reading] = []
        self.rejected: list[Rejected] = []
        self.links: list[tuple[str, str, int]] = []
        """Unit, state, time of receipt. [Unix ms]"""

    def add(self, topic: str, payload: bytes, received_at_ms: int, prefix: str, limits: Limits) -> None:
        """Sort one message; nothing a sender can write makes this raise."""
        try:
            if topic.endswith("/link"):
                unit_id = unit_of(topic, prefix, "link")
                # An empty retained message only takes the state before it back.
                if payload:
                    self.links.append((unit_id, link_state(payload), received_at_ms))
                return
            decoded = decode(topic, payload, received_at_ms, prefix=prefix, limits=limits)
        except PayloadError as error:
            self.rejected.append(Rejected(received_at_ms, topic, error.reason, payload))
            return
        self.readings += [judge_live(reading) for reading in decoded]
        for reject in decoded.rejects:
            self.rejected.append(Rejected(received_at_ms, topic, reject.reason, reject.payload))


def link_state(payload: bytes) -> str:
    """State in a link message: a bare word such as ``online``, or ``{"state": "online"}``.

    Raises `PayloadError` when it is neither.
    """
    text = payload[:1_000].decode("utf-8", "replace").strip()
    if text[:1] in ("{", '"'):
        try:
            found = json.loads(text)
        except ValueError as error:
            raise PayloadError(f"link state is broken JSON: {error}") from error
        text = str(found.get("state", "")) if isinstance(found, dict) else str(found)
    text = text.strip().lower()
    if not text or len(text) > MAX_LINK_STATE_CHARS or not text.isprintable():
        raise PayloadError(f"link state is {ascii(text)[:40]}, expected a word such as online or offline")
    return text


def unstacked(readings: Iterable[Reading], last_stamp_ms: dict[str, int]) -> list[Reading]:
    """Readings whose trucks have no clock moved on by milliseconds where messages came in the same one.

    Two of them at one instant would be one key in the store, and the second would be lost.
    """
    timeless = int(Quality.RECEIVED_TIME_USED)
    moved: list[Reading] = []
    for reading in readings:
        if reading.quality & timeless:
            last_ms = last_stamp_ms.get(reading.unit_id, -1)
            # Only stamps of this very moment: a relative time further back is the sender's own.
            if (
                reading.observed_at_ms <= last_ms
                and reading.received_at_ms - reading.observed_at_ms < MS_PER_S
            ):
                reading = msgspec.structs.replace(reading, observed_at_ms=last_ms + 1)
            last_stamp_ms[reading.unit_id] = max(last_ms, reading.observed_at_ms)
        moved.append(reading)
    return moved
