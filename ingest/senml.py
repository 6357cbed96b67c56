"""SenML JSON packs (RFC 8428): recognising one, and resolving its records.

Pure: knows base fields and relative times, nothing of compressors. `payload.py` maps names to signals.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

RELATIVE_BELOW_S = 2**28
"""Times below this are seconds from now, others seconds since 1970 (RFC 8428, section 4.5.3)."""
VERSION = 10
"""Highest pack version understood (RFC 8428, section 4.4)."""
BASE_LABELS = frozenset({"bn", "bt", "bu", "bv", "bs", "bver"})
LABELS = BASE_LABELS | {"n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"}
NAME_CHARACTERS = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-:./_")


class SenmlError(ValueError):
    """A pack, or one record of it, that the standard doesn't allow.

    `record` is the record by itself, with the base fields in force put back in; empty for a whole pack.
    """

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.record: dict[str, object] = {}


class Record(NamedTuple):
    """One resolved record that holds a number (or, with `value` None, something else)."""

    name: str
    unit: str | None
    time_s: float
    """Unix seconds."""
    relative: bool
    """Whether the time was given relative to now."""
    value: float | None


def is_pack(rows: Sequence[object]) -> bool:
    """Whether a JSON array looks like a SenML pack: all objects, the first with SenML labels only."""
    if not rows or not all(isinstance(row, dict) for row in rows):
        return False
    first = rows[0]
    return isinstance(first, dict) and bool(first) and all(_is_label(key) for key in first)


def _is_label(key: object) -> bool:
    return key in LABELS or (isinstance(key, str) and key.endswith("_"))


def resolve(pack: Sequence[Mapping[str, object]], now_s: float) -> list[Record | SenmlError]:
    """Records of a pack with base fields applied and times made absolute, in the pack's order.

    A record that breaks the standard stands in the result as its `SenmlError`, the others are kept.

    Raises
    ------
    SenmlError
        If the pack as a whole can't be understood: a newer version, or a base field of the wrong type.
    """
    base = _Base()
    resolved: list[Record | SenmlError] = []
    for row in pack:
        base = base.overridden(row)
        # A record of base fields alone sets up those that follow; it measures nothing itself.
        if all(key in BASE_LABELS for key in row):
            continue
        try:
            resolved.append(_record(row, base, now_s))
        except SenmlError as error:
            error.record = base.labelled() | dict(row)
            resolved.append(error)
    return resolved


class _Base(NamedTuple):
    name: str = ""
    time_s: float = 0.0
    unit: str | None = None
    value: float | None = None

    def labelled(self) -> dict[str, object]:
        """The base fields in force under their labels."""
        fields = {"bn": self.name or None, "bt": self.time_s or None, "bu": self.unit, "bv": self.value}
        return {label: value for label, value in fields.items() if value is not None}

    def overridden(self, row: Mapping[str, object]) -> _Base:
        version = _number(row, "bver")
        if version is not None and version > VERSION:
            raise SenmlError(f"SenML version {version:g} is above {VERSION}, the highest understood")
        time_s, value = _number(row, "bt"), _number(row, "bv")
        return _Base(
            name=_text(row, "bn", self.name) or "",
            time_s=self.time_s if time_s is None else time_s,
            unit=_text(row, "bu", self.unit),
            value=self.value if value is None else value,
        )


def _record(row: Mapping[str, object], base: _Base, now_s: float) -> Record:
    name = base.name + (_text(row, "n", "") or "")
    if not name or not name[0].isalnum() or not NAME_CHARACTERS.issuperset(name):
        raise SenmlError(
            f"SenML name {ascii(name)[:80]} is empty or has characters that the standard rules out"
        )
    for key in row:
        if key.endswith("_"):
            raise SenmlError(f"SenML label {ascii(key)[:80]} must be understood, and isn't")
    time_s = base.time_s + (_number(row, "t") or 0.0)
    relative = time_s < RELATIVE_BELOW_S
    return Record(
        name, _text(row, "u", base.unit), now_s + time_s if relative else time_s, relative, _value(row, base)
    )


def _value(row: Mapping[str, object], base: _Base) -> float | None:
    if "vs" in row or "vb" in row or "vd" in row:
        return None
    value = _number(row, "v")
    if value is None and base.value is None:
        return None
    return (value or 0.0) + (base.value or 0.0)


def _number(row: Mapping[str, object], label: str) -> float | None:
    value = row.get(label)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise SenmlError(f"SenML {label} is {ascii(value)[:80]}, expected a number")
    try:
        return float(value)
    except OverflowError:
        raise SenmlError(f"SenML {label} is beyond the range of a double") from None


def _text(row: Mapping[str, object], label: str, default: str | None) -> str | None:
    value = row.get(label)
    if value is None:
        return default
    if not isinstance(value, str):
        raise SenmlError(f"SenML {label} is {ascii(value)[:80]}, expected text")
    return value
