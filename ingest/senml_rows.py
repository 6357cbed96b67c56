"""SenML records (RFC 8428) to readings: which signal a name means, and which records make one row. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import msgspec

from ingest import senml
from ingest.quality import Quality
from ingest.reading import Reading
from ingest.row import PayloadError, judged_reading, number_ms, put, seq_number, shown
from ingest.units_of_measure import AS_IS, MS_PER_S, SENML_UNITS, STEMS, WIRE_NAMES, WireName


class Reject(NamedTuple):
    """One unusable row of a message whose other rows were good; `payload` can be decoded again by itself."""

    reason: str
    payload: bytes


class Decoded(list[Reading]):
    """The readings of one message, and in `rejects` the rows that were none."""

    def __init__(self, readings: Iterable[Reading] = (), rejects: Iterable[Reject] = ()) -> None:
        super().__init__(readings)
        self.rejects = list(rejects)


def decode_pack(pack: list[dict[str, object]], unit_id: str, received_at_ms: int) -> Decoded:
    """Readings of a pack, one for each instant that holds a known signal, and the records that broke a rule.

    Raises
    ------
    PayloadError
        If the pack can't be understood as a whole, or holds no known signal.
    """
    try:
        records = senml.resolve(pack, received_at_ms / MS_PER_S)
    except senml.SenmlError as error:
        raise PayloadError(str(error)) from error
    rejects: list[Reject] = []
    rows: dict[tuple[int, bool], dict[str, float]] = {}
    seqs: dict[tuple[int, bool], int] = {}
    for record in records:
        if isinstance(record, senml.SenmlError):
            rejects.append(Reject(str(record), msgspec.json.encode([record.record])))
            continue
        try:
            _put_record(record, unit_id, rows, seqs)
        except PayloadError as error:
            labels = {"n": record.name, "u": record.unit, "t": record.time_s, "v": record.value}
            kept = {label: value for label, value in labels.items() if value is not None}
            rejects.append(Reject(error.reason, msgspec.json.encode([kept])))
    readings = [
        judged_reading(
            unit_id,
            observed_at_ms,
            received_at_ms,
            values,
            seqs.get((observed_at_ms, relative), -1),
            int(Quality.RECEIVED_TIME_USED) if relative else 0,
        )
        for (observed_at_ms, relative), values in rows.items()
    ]
    if not readings and not rejects:
        raise PayloadError("SenML pack holds no known signal")
    return Decoded(readings, rejects)


def _put_record(
    record: senml.Record,
    unit_id: str,
    rows: dict[tuple[int, bool], dict[str, float]],
    seqs: dict[tuple[int, bool], int],
) -> None:
    """File one record under its instant; records of other things than our signals are passed over."""
    path = record.name.replace(":", "/").replace(".", "/")
    owner, _, name = path.rpartition("/")
    plain_unit = unit_id.replace(":", "/").replace(".", "/")
    # A device URN (RFC 9039) is an identity of its own kind; any other name must be this unit's.
    if owner and not owner.startswith("urn/") and f"/{plain_unit}/" not in f"/{owner}/":
        raise PayloadError(f"SenML name {shown(record.name)} in a message of unit {shown(unit_id)}")
    instant = (number_ms(record.time_s), record.relative)
    if name == "seq":
        seqs[instant] = seq_number(record.value)
    elif (known := _senml_name(name, record.unit)) is not None:
        put(rows.setdefault(instant, {}), known, record.name, record.value)


def _senml_name(name: str, unit: str | None) -> WireName | None:
    """What a record measures. Its unit field, when there is one, is what its value is in."""
    known = WIRE_NAMES.get(name)
    stem = name if name in STEMS else name.rpartition("_")[0]
    if known is None and stem not in STEMS:
        return None
    if unit is None:
        if known is None:
            raise PayloadError(f"SenML record {shown(name)} has no unit")
        return known
    kind, signal = STEMS.get(stem, ("time", "hours"))
    unit_kind, conversion = SENML_UNITS.get(unit, ("", AS_IS))
    if unit_kind != kind:
        raise PayloadError(f"SenML unit {shown(unit)} of {shown(name)} is no known unit of {kind}")
    return WireName(signal, conversion)
